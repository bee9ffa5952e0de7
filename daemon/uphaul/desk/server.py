"""Serves the drive page, for this machine alone: a drive tells where its owner went.

Theory of operation. What the page asks is answered from memory; nothing of the drive changes. The page itself is served
at once: given a function that loads, the server begins with it in a thread, and what needs the drive waits for it, so
that the browser reads the plotting library meanwhile. Loading has two steps: the few signals that a page begins with,
then, once somebody has seen them or a while later, all of the drive in their place, which is judged before the page
asks for it. A drive that can't be loaded is told in words to whoever asks.
Every question is worked on in a thread, so that a long one (the grid of settings) holds up none of the others but those
of the judge. Findings are worked out when the page asks, which it does once the drive is seen and judged. The guard of
the daemon's page stands before all of it: names of this machine only, so no page from elsewhere can look, and what
judges must come from this page itself.

| request | answer |
|---|---|
| ``GET /drive.json`` | the drive as far as it is shown first, and the other one beside it |
| ``GET /rest.json`` | the signals, now with the ends of all; what maps there are; what can be moved of the rules |
| ``GET /view?axis=&from=&to=&buckets=&signals=a,b&rules=TOKEN`` | traces, as of `uphaul.desk.view.packed` |
| ``GET /fits.json`` | findings, marked moments, the comparison with the other drive |
| ``GET /road.json?axis=`` | height and course |
| ``GET /map.json?value=&x=&y=&steady=`` | a map of cells |
| ``POST /judge`` ``{"edits": [...]}`` | what the edited rules say |
| ``POST /settings`` ``{"edits": [...], "rule": name}`` | the grid of settings of a rule |
| ``GET /rules.toml?rules=TOKEN``, ``GET /rules.diff?rules=TOKEN`` | the edited file, the diff; never written here |

Content security policy: that of the daemon's page but for ``style-src``, where the plotting library needs
``'unsafe-inline'``: it puts style sheets into shadow roots. Scripts stay limited to this server's files, and no text
becomes script or markup (trusted types).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Awaitable, Callable, Coroutine, Mapping, Sequence
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from aiohttp import web

from uphaul.desk import telling
from uphaul.desk.drive import RULES_FILE, DeskDrive
from uphaul.desk.fitting import fitting
from uphaul.desk.judging import Judging
from uphaul.desk.library import scripts
from uphaul.desk.rules_text import Edit, diff, edit_of
from uphaul.desk.view import Views, packed
from uphaul.errors import UphaulError
from uphaul.rules import Rule
from uphaul.web.access import Access, Device
from uphaul.web.guard import Limits, Rate, json_object, make_guard, problem
from uphaul.web.server import HEADERS

__all__ = ["POLICY", "make_desk"]

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'"
)
PAGES = {
    "/": ("desk.html", "text/html"),
    "/desk.css": ("desk.css", "text/css"),
    "/desk.js": ("desk.js", "text/javascript"),
    "/timeline.js": ("timeline.js", "text/javascript"),
    "/rules.js": ("rules.js", "text/javascript"),
    "/around.js": ("around.js", "text/javascript"),
    "/fits.js": ("fits.js", "text/javascript"),
    "/words.js": ("words.js", "text/javascript"),
}
OFTEN = Rate(200, 0.05)
"""A limit that is dragged is judged at every step; all of it comes from this machine."""

Ask = Callable[[web.Request], Awaitable[web.StreamResponse]]
Loaded = tuple[DeskDrive, DeskDrive | None]
"""A drive, and the other one beside it."""

Load = Callable[[Loaded | None], Loaded]
"""Loads them, as of `uphaul.desk.load_drive`: for None what a page shows first, then, given that, all of them."""

PATIENCE_S = 2.0
"""How long after its lines are made nobody needs to look until all of the drive is read."""


class _Nobody(Access):
    """No device is paired, and no file is asked."""

    def __init__(self) -> None:
        super().__init__(Path("nobody"))

    def device(self, request: web.BaseRequest) -> Device | None:
        """None, whatever cookie another page of this machine has left."""
        return None


def make_desk(drive: DeskDrive | Load, against: DeskDrive | None = None) -> web.Application:
    """The application for a drive with another one beside it, or for what a function loads once the server stands.

    Raises UphaulError when the library is missing. What the function raises is told to the page.
    """
    desk = _Desk(drive if callable(drive) else lambda before: (drive, against))
    app = web.Application(middlewares=[make_guard(_Nobody(), limits=Limits(remote=OFTEN, strangers=OFTEN)), _refusing])
    app.on_response_prepare.append(_headers)
    app.on_startup.append(desk.begin)
    app.on_cleanup.append(desk.end)
    static = resources.files("uphaul.desk") / "static"
    for path, (name, kind) in PAGES.items():
        app.router.add_get(path, _file((static / name).read_bytes(), kind))
    for name, where in scripts().items():
        app.router.add_get(f"/library/{name}", _file(where.read_bytes(), "text/javascript"))
    app.router.add_get("/favicon.ico", _nothing)
    app.router.add_get("/drive.json", desk.drive)
    app.router.add_get("/view", desk.view)
    app.router.add_get("/rest.json", desk.rest)
    app.router.add_get("/fits.json", desk.fits)
    app.router.add_get("/road.json", desk.road)
    app.router.add_get("/map.json", desk.map)
    app.router.add_get("/rules.toml", desk.rules_file)
    app.router.add_get("/rules.diff", desk.rules_diff)
    app.router.add_post("/judge", desk.judge)
    app.router.add_post("/settings", desk.settings)
    return app


def _file(body: bytes, kind: str) -> Ask:
    async def page(request: web.Request) -> web.Response:
        return web.Response(body=body, content_type=kind, charset="utf-8")

    return page


async def _nothing(request: web.Request) -> web.Response:
    return web.Response(status=204)


async def _headers(request: web.Request, response: web.StreamResponse) -> None:
    response.headers.update({**HEADERS, "Content-Security-Policy": POLICY})
    response.headers.popall("Server", None)


@web.middleware
async def _refusing(request: web.Request, handler: Ask) -> web.StreamResponse:
    """What cannot be meant is answered 400 in words."""
    try:
        return await handler(request)
    except UphaulError as error:
        return problem(400, str(error))


class _Open:
    """A drive that is loaded, and what is made of it for all questions."""

    def __init__(self, drive: DeskDrive, against: DeskDrive | None) -> None:
        self.drive, self.against = drive, against
        self.judging = Judging(drive)
        self.views = Views(drive, self.judging, against)
        self.place = telling.places(drive)

    def has(self, signals: Sequence[str]) -> bool:
        """Whether all of these were read."""
        there = {s.name for s in self.drive.whole.signals}
        return there.issuperset(signals)

    def seen_first(self, rules: Sequence[Rule] = ()) -> None:
        """Make the lines that a page begins with."""
        span = 0.0, float(self.drive.t_s[-1])
        self.views.traces("time", span, 1000, telling.shown_first(self.drive), rules)

    def judged(self, edits: Sequence[Edit] = ()) -> str:
        """What the rules with these edits say, in JSON."""
        return _text(telling.answer(self.judging.answer(edits), self.drive, self.place))

    def described(self) -> str:
        """The drive in JSON."""
        against = None
        if self.against is not None:
            place = telling.places(self.against, self.drive)
            against = telling.drive(self.against, place, number=1)
        return _text({**telling.drive(self.drive, self.place), "against": against})

    def rest(self) -> str:
        """What is told of a drive once all of it is read, in JSON."""
        against = None if self.against is None else telling.signals(self.against)
        of = self.drive
        return _text(
            {"signals": telling.signals(of), "maps": telling.maps(of), "keys": telling.keys(of), "against": against}
        )

    def fits(self) -> str:
        """What fits the evidence, in JSON."""
        return _text(fitting(self.drive, self.place, self.against))


def _text(told: object) -> str:
    return json.dumps(told, ensure_ascii=False, allow_nan=False)


T = TypeVar("T")


class _Desk:
    """The handlers and what they share."""

    def __init__(self, load: Load) -> None:
        self._load = load
        self._looked = asyncio.Event()
        self._tasks: dict[str, asyncio.Task[Any]] = {}

    async def begin(self, app: web.Application) -> None:
        """Load what is shown first, and make the first picture of it before anybody asks; then all, and judge it."""
        self._begin("first", self._first())
        self._begin("text", self._made(self._seen(), _Open.described))
        self._begin("lines", self._made(self._seen(), _Open.seen_first))
        self._begin("patience", self._patience())
        self._begin("whole", self._whole())
        self._begin("judged", self._made(self._all(), _Open.judged))
        self._begin("limits", self._made(self._all(), lambda open_: open_.seen_first(open_.drive.rules)))

    async def end(self, app: web.Application) -> None:
        """Wait for what is under way: a thread cannot be cancelled."""
        self._tasks["patience"].cancel()
        await asyncio.gather(*self._tasks.values(), return_exceptions=True)

    def _begin(self, name: str, work: Coroutine[Any, Any, T]) -> None:
        self._tasks[name] = asyncio.create_task(work, name=f"desk-{name}")

    async def _first(self) -> _Open:
        return await asyncio.to_thread(lambda: _Open(*self._load(None)))

    async def _patience(self) -> None:
        """Until the drive is seen or more is asked, or nobody looked for a while: reading on would hold the page up."""
        await self._tasks["text"]
        await self._tasks["lines"]
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(PATIENCE_S):
                await self._looked.wait()

    async def _whole(self) -> _Open:
        first = await self._tasks["first"]
        await self._tasks["patience"]

        def load() -> _Open:
            before = first.drive, first.against
            loaded = self._load(before)
            return first if loaded == before else _Open(*loaded)

        return await asyncio.to_thread(load)

    async def _made(self, of: Awaitable[_Open], what: Callable[[_Open], T]) -> T:
        return await asyncio.to_thread(what, await of)

    async def _seen(self) -> _Open:
        """With what is shown first."""
        open_: _Open = await asyncio.shield(self._tasks["first"])
        return open_

    async def _ready(self) -> _Open:
        """With all of the drive, which is asked for."""
        self._looked.set()
        return await self._all()

    async def _all(self) -> _Open:
        open_: _Open = await asyncio.shield(self._tasks["whole"])
        return open_

    async def drive(self, request: web.Request) -> web.Response:
        """The drive as it is."""
        return _compressed(await asyncio.shield(self._tasks["text"]))

    async def rest(self, request: web.Request) -> web.Response:
        """What else there is to see of it."""
        return _compressed(await asyncio.to_thread((await self._ready()).rest))

    async def fits(self, request: web.Request) -> web.Response:
        """Findings, marked moments and comparison: worked out once, when they are first asked for."""
        if "fits" not in self._tasks:
            self._begin("fits", self._made(self._ready(), _Open.fits))
        return _compressed(await asyncio.shield(self._tasks["fits"]))

    async def view(self, request: web.Request) -> web.Response:
        """A stretch of the drive, thinned."""
        asked, open_ = request.query, await self._seen()
        signals = [n for n in asked.get("signals", "").split(",") if n]
        span = _number(asked, "from"), _number(asked, "to")
        buckets = int(_number(asked, "buckets"))
        if "rules" in asked or not open_.has(signals):
            open_ = await self._ready()
        rules = open_.judging.of(asked["rules"]).rules if "rules" in asked else ()
        axis = asked.get("axis", "time")
        traces = await asyncio.to_thread(open_.views.traces, axis, span, buckets, signals, rules)
        self._looked.set()
        return web.Response(body=packed(traces), content_type="application/octet-stream")

    async def road(self, request: web.Request) -> web.Response:
        """Height and course."""
        drive = (await self._seen()).drive
        return web.json_response(await asyncio.to_thread(telling.road, drive, request.query.get("axis", "time")))

    async def map(self, request: web.Request) -> web.Response:
        """A map of cells."""
        asked, drive = request.query, (await self._ready()).drive
        steady = {"yes": True, "no": False, "all": None}.get(asked.get("steady", "all"))
        names = asked.get("value", ""), asked.get("x", "rpm"), asked.get("y", "boost")
        return web.json_response(await asyncio.to_thread(telling.map_of, drive, *names, steady))

    async def judge(self, request: web.Request) -> web.Response:
        """What the edited rules say."""
        edits, open_ = _edits(await json_object(request)), await self._ready()
        return web.json_response(text=await asyncio.to_thread(open_.judged, edits))

    async def settings(self, request: web.Request) -> web.Response:
        """The grid of settings of a rule."""
        told = await json_object(request)
        name = told.get("rule")
        if not isinstance(name, str):
            raise UphaulError("rule: the name of a rule")
        rule, cells = await asyncio.to_thread((await self._ready()).judging.settings, _edits(told), name)
        return web.json_response(telling.settings(rule, cells))

    async def rules_file(self, request: web.Request) -> web.Response:
        """The edited rules file, to be saved by the browser."""
        text = (await self._ready()).judging.of(request.query.get("rules", "")).text
        return _download(text, "rules-changed.toml", "application/toml")

    async def rules_diff(self, request: web.Request) -> web.Response:
        """What was changed in it."""
        open_ = await self._ready()
        text = open_.judging.of(request.query.get("rules", "")).text
        return _download(diff(open_.drive.rules_text, text, RULES_FILE), "rules-changed.diff", "text/x-diff")


def _compressed(text: str) -> web.Response:
    response = web.json_response(text=text)
    response.enable_compression()
    return response


def _download(text: str, name: str, kind: str) -> web.Response:
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return web.Response(body=text.encode(), content_type=kind, charset="utf-8", headers=headers)


def _edits(told: Mapping[str, object]) -> list[Edit]:
    edits = told.get("edits", [])
    if not isinstance(edits, list):
        raise UphaulError("edits: a list")
    return [edit_of(e) for e in edits]


def _number(asked: Mapping[str, str], key: str) -> float:
    try:
        value = float(asked[key])
    except (KeyError, ValueError):
        raise UphaulError(f"{key}: a number") from None
    if not abs(value) < 1e12:
        raise UphaulError(f"{key}: a number that is not so large")
    return value
