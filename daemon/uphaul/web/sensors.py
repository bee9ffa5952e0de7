"""What every input reads now, read-only, for a phone at the wiring: of ``uphaul sensors --page`` and of the daemon.

The page asks for ``/inputs.json`` once a second and says so when no answer comes.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from importlib import resources
from typing import TYPE_CHECKING

from aiohttp import web

from uphaul.web.server import add_headers
from uphaul.web.state import UNIT_WORDS

if TYPE_CHECKING:
    from uphaul.sources.watch import InputRow, Watch

Rows = Callable[[], "tuple[InputRow, ...]"]

__all__ = ["SENSORS", "add_sensors", "make_sensors_app"]

SENSORS = "/sensors"
"""Where the page stands beside the live page."""

PAGE = "sensors.html", "text/html"
FILES = {"/sensors.js": ("sensors.js", "text/javascript"), "/sensors.css": ("sensors.css", "text/css")}
SHARED = {"/style.css": ("style.css", "text/css"), "/icon.svg": ("icon.svg", "image/svg+xml")}


def add_sensors(app: web.Application, rows: Rows, vehicle: str, *, invented: bool) -> None:
    """Put the page under `SENSORS` into the daemon's `app`; it has a way back to the live page.

    `rows` tells every input of `vehicle` (a name for people) now; `invented` marks demo data.
    """
    _add(app, {SENSORS: PAGE, **FILES}, rows, vehicle, invented=invented, beside_live=True)


def make_sensors_app(watch: Watch, vehicle: str, *, invented: bool) -> web.Application:
    """The application that shows what `watch` reads of `vehicle`, and nothing else."""
    app = web.Application()
    app.on_response_prepare.append(add_headers)
    _add(app, {"/": PAGE, **FILES, **SHARED}, watch.rows, vehicle, invented=invented, beside_live=False)
    return app


def _add(
    app: web.Application,
    files: dict[str, tuple[str, str]],
    rows: Rows,
    vehicle: str,
    *,
    invented: bool,
    beside_live: bool,
) -> None:
    static = resources.files("uphaul.web") / "static"

    async def file(request: web.Request) -> web.Response:
        resource = request.match_info.route.resource
        name, kind = files[resource.canonical if resource is not None else "/"]
        return web.Response(body=(static / name).read_bytes(), content_type=kind, charset="utf-8")

    async def inputs(request: web.Request) -> web.Response:
        told = {
            "vehicle": vehicle,
            "invented": invented,
            "beside_live": beside_live,
            "inputs": [_plain(row) for row in rows()],
        }
        return web.json_response(text=json.dumps(told, ensure_ascii=False))

    app.router.add_get("/inputs.json", inputs)
    for path in files:
        app.router.add_get(path, file)


def _plain(row: InputRow) -> dict[str, object]:
    """The row for the page, units as people write them."""
    words = {key: UNIT_WORDS.get(unit, unit) for key, unit in asdict(row).items() if key.endswith("unit")}
    return {**asdict(row), **words}
