"""A small application behind the guard, for tests of pairing: something to look at, something to do."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

import aiohttp
from aiohttp import web

import uphaul.web
from uphaul.web.access import Access
from uphaul.web.guard import Limits, json_object, not_paired
from uphaul.web.pairing import add_access
from uphaul.web.server import add_headers, serve

__all__ = ["Page", "page"]

LOOK = '<!doctype html><title>Looking</title><link rel="icon" href="/icon.svg"><p>what the vehicle does</p>'
STATIC = Path(uphaul.web.__file__).parent / "static"


class Page:
    """The running application: its `access`, where it is, and who has `done` something."""

    def __init__(self, access: Access) -> None:
        self.access, self.done = access, list[str]()
        self.port = 0

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    async def _act(self, request: web.Request) -> web.Response:
        actor = self.access.actor(request)
        if actor is None:
            return not_paired(self.access)
        told = await json_object(request)
        self.done.append(f"{actor}: {told.get('do')}")
        return web.json_response({"done": 1})

    def app(self, names: tuple[str, ...], limits: Limits | None) -> web.Application:
        async def look(request: web.Request) -> web.Response:
            return web.Response(text=LOOK, content_type="text/html")

        app = web.Application()
        app.on_response_prepare.append(add_headers)
        add_access(app, self.access, host="127.0.0.1", names=names, limits=limits)

        async def style(request: web.Request) -> web.Response:
            return web.Response(text=(STATIC / "style.css").read_text(encoding="utf-8"), content_type="text/css")

        async def icon(request: web.Request) -> web.Response:
            return web.Response(text=(STATIC / "icon.svg").read_text(encoding="utf-8"), content_type="image/svg+xml")

        for path in ("/", "/status.json", "/events"):
            app.router.add_get(path, look)
        app.router.add_get("/style.css", style)
        app.router.add_get("/icon.svg", icon)
        app.router.add_post("/act", self._act)
        return app

    async def send(
        self, session: aiohttp.ClientSession, path: str, body: object, **headers: str
    ) -> tuple[int, dict[str, object]]:
        """POST as this server's own page does; status and JSON of the answer."""
        async with session.post(self.url + path, json=body, headers={"Origin": self.url, **headers}) as answer:
            return answer.status, await answer.json()

    async def pair(self, session: aiohttp.ClientSession, name: str = "phone") -> None:
        """Make the session a paired device."""
        status, told = await self.send(session, "/pair", {"code": self.access.new_code(), "name": name})
        assert (status, told["name"]) == (200, name)


@contextlib.asynccontextmanager
async def page(
    folder: Path, look: str = "open", *, names: tuple[str, ...] = (), limits: Limits | None = None
) -> AsyncIterator[Page]:
    """The application, served while the context lasts, with its list of devices in `folder`."""
    made = Page(Access(folder / "vehicle.access.json", look))
    async with serve(made.app(names, limits)) as made.port:
        yield made
