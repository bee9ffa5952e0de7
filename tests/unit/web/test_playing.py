"""How the page of a replay plays: over real loopback sockets, with aiohttp's own client as the browser."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from typing import Any

import aiohttp
import pytest

from support.status_page import calm
from uphaul.errors import UphaulError
from uphaul.web import WebState, make_app, serve
from uphaul.web.guard import LARGEST_BODY
from uphaul.web.playing import add_playing

DEADLINE_S = 10.0


class Player:
    """Notes what it is asked for."""

    def __init__(self) -> None:
        self.asked: list[object] = []

    def pause(self) -> None:
        self.asked.append("pause")

    def go(self) -> None:
        self.asked.append("go")

    def seek(self, t_ms: int) -> None:
        self.asked.append(t_ms)

    def set_speed(self, speed: float) -> None:
        if not speed <= 100:
            raise UphaulError("not so fast")
        self.asked.append(speed)


class Page:
    """The page of a replay, and who looks at it."""

    def __init__(self, session: aiohttp.ClientSession, port: int) -> None:
        self.session, self.port = session, port
        self.player = Player()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    async def post(self, body: object, path: str = "/play", **headers: str) -> tuple[int, dict[str, Any]]:
        """As the page does; status and JSON of the answer."""
        headers = {"Origin": self.url, **headers}
        async with self.session.post(self.url + path, json=body, headers=headers) as answer:
            return answer.status, await answer.json()


@contextlib.asynccontextmanager
async def page() -> AsyncIterator[Page]:
    app = make_app(WebState(calm))
    async with asyncio.timeout(DEADLINE_S), aiohttp.ClientSession(cookies={"uphaul": "of-another-page"}) as session:
        made = Page(session, 0)
        add_playing(app, made.player)
        async with serve(app) as made.port:
            yield made


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("body", "asked"),
    [
        ({"do": "pause"}, "pause"),
        ({"do": "go"}, "go"),
        ({"do": "seek", "t_ms": 123_000}, 123_000),
        ({"do": "seek", "t_ms": 0}, 0),
        ({"do": "speed", "speed": 4}, 4.0),
        ({"do": "speed", "speed": 0.5}, 0.5),
    ],
)
async def test_what_the_page_asks_for_is_done(body: dict[str, object], asked: object) -> None:
    async with page() as made:
        assert await made.post(body) == (200, {"done": True})
        assert made.player.asked == [asked]


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({}, "do: one of pause, go, seek, speed"),
        ({"do": "stop"}, "do: one of pause, go, seek, speed"),
        ({"do": ["go"]}, "do: one of pause, go, seek, speed"),
        ({"do": "go", "t_ms": 5}, "go takes nothing else, not t_ms"),
        ({"do": "go", "half \ud800": 5}, "go takes nothing else, not half ?"),
        ({"do": "seek", "t_ms": 5, "speed": 1}, "seek takes t_ms, not speed"),
        ({"do": "seek"}, "seek needs t_ms, a number"),
        ({"do": "seek", "t_ms": "5"}, "seek needs t_ms, a number"),
        ({"do": "seek", "t_ms": True}, "seek needs t_ms, a number"),
        ({"do": "seek", "t_ms": 5.5}, "t_ms: whole milliseconds of the drive's time"),
        ({"do": "speed"}, "speed needs speed, a number"),
        ({"do": "speed", "speed": None}, "speed needs speed, a number"),
        ({"do": "speed", "speed": 101}, "not so fast"),
        ({"do": "speed", "speed": float("nan")}, "not so fast"),
        ({"do": "speed", "speed": 10**400}, "speed: a number that is not so long"),
        (["go"], "the body must be a JSON object"),
    ],
)
async def test_what_cannot_be_meant_is_refused_in_words(body: object, words: str) -> None:
    async with page() as made:
        assert await made.post(body) == (400, {"problem": words})
        assert made.player.asked == []


@pytest.mark.asyncio
async def test_a_page_from_elsewhere_can_neither_play_nor_look() -> None:
    async with page() as made:
        for headers in ({"Origin": "http://evil.example"}, {"Origin": "null"}, {"Sec-Fetch-Site": "cross-site"}):
            assert (await made.post({"do": "go"}, **headers))[0] == 403
        named = {"Host": "evil.example", "Origin": "http://evil.example"}
        assert (await made.post({"do": "go"}, **named))[0] == 421
        for path in ("/", "/status.json", "/events"):
            async with made.session.get(made.url + path, headers={"Host": "evil.example"}) as answer:
                assert answer.status == 421
        assert (await made.post({"do": "go", "x": "x" * LARGEST_BODY}))[0] == 413
        async with made.session.post(made.url + "/play", data="do=go", headers={"Origin": made.url}) as answer:
            assert answer.status == 415
        assert made.player.asked == []


@pytest.mark.asyncio
async def test_acting_is_off_and_nobody_is_paired() -> None:
    async with page() as made:
        status, told = await made.post({"do": "quiet"}, "/act")
        assert (status, told["problem"]) == (409, "this is a replay: the drive is over, so there is nothing to act on")
        async with made.session.get(made.url + "/me.json") as answer:
            me = await answer.json()
        assert (me["name"], me["may_look"]) == (None, True)


@pytest.mark.asyncio
async def test_a_slider_that_is_dragged_is_followed() -> None:
    async with page() as made:
        answers = [await made.post({"do": "seek", "t_ms": t_ms}) for t_ms in range(50)]
    assert {status for status, _ in answers} == {200}
    assert made.player.asked == list(range(50))


@pytest.mark.asyncio
async def test_the_page_itself_is_served() -> None:
    async with page() as made:
        for path in ("/", "/app.js", "/status.json", "/units.json"):
            async with made.session.get(made.url + path) as answer:
                assert answer.status == 200
