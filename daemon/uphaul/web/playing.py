"""The handlers by which the page of a replay pauses, seeks and changes the speed; acting is off there.

| request | answer |
|---|---|
| ``POST /play`` ``{"do": "pause"}`` or ``{"do": "go"}`` | ``{"done": true}`` |
| ``POST /play`` ``{"do": "seek", "t_ms": 123000}`` | the same; beyond an end of the drive it means that end |
| ``POST /play`` ``{"do": "speed", "speed": 4}`` | the same |
| ``POST /act`` | 409: a drive that is over takes no acts |
| ``GET /me.json`` | nobody: no device is paired with a replay |

What cannot be meant is answered 400 in words. All requests pass the guard (`uphaul.web.guard`), so no page from
elsewhere in the same browser can play with the drive or look at where it went.
"""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from aiohttp import web

from uphaul.errors import UphaulError
from uphaul.web.access import Access, Device
from uphaul.web.guard import Limits, Rate, json_object, make_guard, problem

__all__ = ["Playing", "add_playing"]

KEYS = {"pause": None, "go": None, "seek": "t_ms", "speed": "speed"}
"""What can be done, and the one key that it takes."""
DRAGGED = Rate(60, 0.1)
"""A slider that is dragged asks more often than a person taps; all of them come from this machine."""
NO_ACTS = "this is a replay: the drive is over, so there is nothing to act on"


class Playing(Protocol):
    """What plays the drive: `uphaul.play.Player`. `set_speed` raises UphaulError for one that it cannot."""

    def pause(self) -> None:
        """Stand still."""
        ...

    def go(self) -> None:
        """Go on."""
        ...

    def seek(self, t_ms: int) -> None:
        """Stand at that time of the drive."""
        ...

    def set_speed(self, speed: float) -> None:
        """So many times as fast as life."""
        ...


class _Nobody(Access):
    """No device is paired, and no file is asked."""

    def __init__(self) -> None:
        super().__init__(Path("nobody"))

    def device(self, request: web.BaseRequest) -> Device | None:
        """None, whatever cookie another page of this machine has left."""
        return None


def add_playing(app: web.Application, player: Playing) -> None:
    """Let whoever sees the page of `app` play: it is for this machine alone. Before the application runs."""
    app.middlewares.append(make_guard(_Nobody(), limits=Limits(remote=DRAGGED, strangers=DRAGGED)))

    async def play(request: web.Request) -> web.Response:
        told = await json_object(request)
        try:
            _do(player, told)
        except UphaulError as error:
            return problem(400, str(error))
        return web.json_response({"done": True})

    async def act(request: web.Request) -> web.Response:
        return problem(409, NO_ACTS)

    async def me(request: web.Request) -> web.Response:
        return web.json_response({"name": None, "look": "open", "may_look": True, "problem": NO_ACTS})

    app.router.add_post("/play", play)
    app.router.add_post("/act", act)
    app.router.add_get("/me.json", me)


def _do(player: Playing, told: dict[str, object]) -> None:
    """Do what the body asks for. Raises UphaulError for what cannot be meant."""
    do = told.get("do")
    if not isinstance(do, str) or do not in KEYS:
        raise UphaulError(f"do: one of {', '.join(KEYS)}")
    key = KEYS[do]
    if unknown := sorted(told.keys() - {"do", key}):
        raise UphaulError(f"{do} takes {key or 'nothing else'}, not {', '.join(unknown)}")
    number = told.get(key) if key else None
    if key and (isinstance(number, bool) or not isinstance(number, int | float)):
        raise UphaulError(f"{do} needs {key}, a number")
    if do == "pause":
        player.pause()
    elif do == "go":
        player.go()
    elif do == "speed":
        assert isinstance(number, int | float)
        player.set_speed(_float(number))
    else:
        if not isinstance(number, int):
            raise UphaulError("t_ms: whole milliseconds of the drive's time")
        player.seek(number)


def _float(number: float) -> float:
    try:
        return float(number)
    except OverflowError:  # JSON has whole numbers of any length
        raise UphaulError("speed: a number that is not so long") from None
