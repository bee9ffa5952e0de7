"""The page and the handlers by which a device becomes a paired one, and ceases to be one.

| request | answer |
|---|---|
| ``GET /pair`` | the page; the code comes in the fragment, ``/pair#12345678``, which browsers send nowhere |
| ``POST /pair`` ``{"code", "name"}`` | ``{"name"}`` and the cookie; 403 in words |
| ``POST /unpair`` ``{}`` | ends the pairing of the device that asks, ``{"name"}`` |
| ``GET /me.json`` | ``{"name", "look", "may_look", "problem"}``; `name` null: not paired |

`add_access` puts them and the guard (`uphaul.web.guard`) into an application; whatever else acts in it asks
``access.actor(request)`` and answers None with `not_paired`.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Iterable
from importlib import resources

from aiohttp import web

from uphaul.web.access import Access, PairingError, StoreError
from uphaul.web.guard import PAIRING, Limits, json_object, make_guard, not_paired, problem, set_cookie, unset_cookie

__all__ = ["OPEN_PATHS", "add_access"]

_log = logging.getLogger(__name__)

FILES = {
    PAIRING: ("pair.html", "text/html"),
    "/pair.js": ("pair.js", "text/javascript"),
    "/pair.css": ("pair.css", "text/css"),
}
OPEN_PATHS = frozenset({*FILES, "/me.json", "/style.css", "/icon.svg"})
"""What is shown to everyone, wherever looking needs pairing."""
LONGEST_CODE = 40  # with what people put between the digits


def add_access(
    app: web.Application,
    access: Access,
    *,
    host: str = "",
    names: Iterable[str] = (),
    open_paths: Iterable[str] = (),
    limits: Limits | None = None,
) -> None:
    """Guard `app` by `access`, and add the pairing page. Before the application runs, and after its own middlewares.

    `host` and `names` are those of the configuration; `open_paths` are shown to everyone besides `OPEN_PATHS`: icons.
    """
    always = OPEN_PATHS | frozenset(open_paths)
    app.middlewares.append(make_guard(access, host=host, names=names, open_paths=always, limits=limits))
    room = _Pairing(access)
    app.router.add_get("/me.json", room.me)
    app.router.add_post(PAIRING, room.pair)
    app.router.add_post("/unpair", room.unpair)
    for path in FILES:
        app.router.add_get(path, room.file)


class _Pairing:
    """The handlers and what they share."""

    def __init__(self, access: Access) -> None:
        self._access = access
        static = resources.files("uphaul.web") / "static"
        self._files = {path: (static / name).read_bytes() for path, (name, _) in FILES.items()}

    async def file(self, request: web.Request) -> web.Response:
        """One of the files of the pairing page."""
        resource = request.match_info.route.resource
        path = PAIRING if resource is None else resource.canonical
        return web.Response(body=self._files[path], content_type=FILES[path][1], charset="utf-8")

    async def me(self, request: web.Request) -> web.Response:
        """Who this device is, as far as it is paired."""
        access = self._access
        return web.json_response(
            {
                "name": access.actor(request),
                "look": access.look,
                "may_look": access.may_look(request),
                "problem": access.problem,
            }
        )

    async def pair(self, request: web.Request) -> web.Response:
        """Take a code for a cookie."""
        told = await json_object(request)
        code, name = told.get("code"), told.get("name", "")
        if told.keys() - {"code", "name"} or not isinstance(code, str) or not isinstance(name, str):
            return problem(400, '{"code": "12345678", "name": "what people call the device"}')
        digits = "".join(c for c in code[:LONGEST_CODE] if c not in " -\u00a0")
        before = request.cookies.get(self._access.cookie, "")
        try:
            paired = await asyncio.to_thread(self._access.pair, digits, name, instead_of=before)
        except PairingError as error:
            _log.warning("pairing refused to %s: %s", request.remote, error)
            return problem(403, str(error))
        except StoreError as error:
            _log.error("nothing can be paired: %s", error)
            return problem(503, f"the pairing cannot be kept, so it is not made: {error}")
        _log.info("paired %s from %s", paired.name, request.remote)
        response = web.json_response({"name": paired.name})
        set_cookie(self._access, request, response, paired.token)
        return response

    async def unpair(self, request: web.Request) -> web.Response:
        """End the pairing of the device that asks."""
        name = self._access.actor(request)
        if name is None:
            return not_paired(self._access)
        try:
            await asyncio.to_thread(self._access.revoke, name)
        except StoreError as error:
            _log.error("nothing can be unpaired: %s", error)
            return problem(503, f"the device is still paired: {error}")
        _log.info("unpaired %s, by itself", name)
        response = web.json_response({"name": name})
        unset_cookie(self._access, request, response)
        return response
