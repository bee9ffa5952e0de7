"""The handler by which a paired device acts: quiets, marks, shelves, resets, names a tune.

| request | answer |
|---|---|
| ``POST /act`` ``{"do": "quiet"}`` and the like, see `uphaul.people.act_from` | ``{"taken": N}`` events; 400 in words |

It stands behind the guard (`uphaul.web.guard`), which `add_access` puts in front of the application.
"""

from __future__ import annotations

from collections.abc import Callable

from aiohttp import web

from uphaul.people import Act, ActError, act_from
from uphaul.web.access import Access
from uphaul.web.guard import json_object, not_paired, problem

__all__ = ["add_acting"]


def add_acting(app: web.Application, access: Access, do: Callable[[Act], int]) -> None:
    """Let paired devices act: what they ask for goes to `do`, which raises ActError for what cannot be meant."""

    async def act(request: web.Request) -> web.Response:
        actor = access.actor(request)
        if actor is None:
            return not_paired(access)
        told = await json_object(request)
        try:
            return web.json_response({"taken": do(act_from(told, actor))})
        except ActError as error:
            return problem(400, str(error))

    app.router.add_post("/act", act)
