"""The page of ``uphaul sensors --page``: what every input reads now, read-only, for a phone at the wiring.

The page asks for ``/inputs.json`` once a second and says so when no answer comes.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from importlib import resources

from aiohttp import web

from uphaul.sources.watch import InputRow, Watch
from uphaul.web.server import add_headers
from uphaul.web.state import UNIT_WORDS

__all__ = ["make_sensors_app"]

FILES = {
    "/": ("sensors.html", "text/html"),
    "/sensors.js": ("sensors.js", "text/javascript"),
    "/sensors.css": ("sensors.css", "text/css"),
    "/style.css": ("style.css", "text/css"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
}


def make_sensors_app(watch: Watch, vehicle: str, *, invented: bool) -> web.Application:
    """The application that shows what `watch` reads of `vehicle` (a name for people); `invented` marks demo data."""
    static = resources.files("uphaul.web") / "static"
    texts = {path: (static / name).read_bytes() for path, (name, _) in FILES.items()}

    async def file(request: web.Request) -> web.Response:
        resource = request.match_info.route.resource
        path = resource.canonical if resource is not None else "/"
        return web.Response(body=texts[path], content_type=FILES[path][1], charset="utf-8")

    async def inputs(request: web.Request) -> web.Response:
        told = {"vehicle": vehicle, "invented": invented, "inputs": [_plain(row) for row in watch.rows()]}
        return web.json_response(text=json.dumps(told, ensure_ascii=False))

    app = web.Application()
    app.on_response_prepare.append(add_headers)
    app.router.add_get("/inputs.json", inputs)
    for path in FILES:
        app.router.add_get(path, file)
    return app


def _plain(row: InputRow) -> dict[str, object]:
    """The row for the page, units as people write them."""
    words = {key: UNIT_WORDS.get(unit, unit) for key, unit in asdict(row).items() if key.endswith("unit")}
    return {**asdict(row), **words}
