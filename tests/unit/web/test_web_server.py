"""The status page's server: over real loopback sockets, with aiohttp's own client as the browser."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import re
import socket
import struct
from collections.abc import AsyncIterator
from dataclasses import replace
from itertools import count, pairwise
from pathlib import Path
from typing import Any

import aiohttp
import pytest

import uphaul.web
from support.event_stream import Reader
from support.status_page import busy, calm
from uphaul.errors import UphaulError
from uphaul.status import Status
from uphaul.web import WebState, keep_trying, make_app, serve, server
from uphaul.web.files import PAGES

DEADLINE_S = 10.0
STATIC = Path(uphaul.web.__file__).parent / "static"


@contextlib.asynccontextmanager
async def browser(state: WebState) -> AsyncIterator[aiohttp.ClientSession]:
    async with (
        asyncio.timeout(DEADLINE_S),
        serve(make_app(state, period_s=0.2)) as port,
        aiohttp.ClientSession(f"http://127.0.0.1:{port}") as session,
    ):
        yield session


async def event(stream: aiohttp.ClientResponse, reader: Reader | None = None) -> dict[str, Any]:
    """What is known after the next event; of the first one, if nobody has been reading."""
    reader = reader or Reader()
    while not reader.take(line := await stream.content.readline()):
        assert line
    assert await stream.content.readline() == b"\n"
    return reader.status


async def passed(stream: aiohttp.ClientResponse) -> None:
    """Let the next event go by unread."""
    assert (await stream.content.readuntil(b"\n\n")).endswith(b"\n\n")


@pytest.mark.asyncio
@pytest.mark.parametrize("path", [*PAGES, "/status.json", "/units.json"])
async def test_every_answer_forbids_outside_resources_and_caching(path: str) -> None:
    async with browser(WebState(calm)) as session, session.get(path) as answer:
        assert answer.status == 200
        policy = answer.headers["Content-Security-Policy"]
        assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self'")
        assert "unsafe" not in policy
        assert "http" not in policy
        assert answer.headers["Cache-Control"] == "no-store"
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert "Server" not in answer.headers


@pytest.mark.asyncio
@pytest.mark.parametrize("path", [p for p, (_, kind) in PAGES.items() if kind.split("/")[0] != "image"])
async def test_no_file_of_the_page_names_another_host(path: str) -> None:
    async with browser(WebState(calm)) as session, session.get(path) as answer:
        assert re.findall(r"//\w\S*", await answer.text()) == []


@pytest.mark.asyncio
@pytest.mark.parametrize("path", [*PAGES, "/units.json"])
async def test_files_are_compressed_for_whoever_takes_that_and_are_the_same_for_whoever_does_not(path: str) -> None:
    async with browser(WebState(calm)) as session:
        async with session.get(path, headers={"Accept-Encoding": "identity"}) as answer:
            plain = await answer.read()
            assert "Content-Encoding" not in answer.headers
        async with session.get(path, headers={"Accept-Encoding": "gzip, deflate, br"}) as answer:
            assert await answer.read() == plain
            assert ("Content-Encoding" in answer.headers) is not path.endswith(".png")
    if path != "/units.json":
        assert plain == (STATIC / PAGES[path][0]).read_bytes()


def test_the_worker_keeps_the_files_of_the_page_and_nothing_that_is_read_or_asked_for() -> None:
    worker = (STATIC / "worker.js").read_text(encoding="utf-8")
    listed = re.findall(r'"(/[^"]*)"', worker[worker.index("FILES = [") : worker.index("];")])
    assert set(listed) == {p for p in PAGES if not p.endswith(".png") and p != "/worker.js"}
    page = (STATIC / "index.html").read_text(encoding="utf-8")
    late = {"/prompts.js"}  # with the first prompt of a field check
    assert 'await import("./prompts.js")' in (STATIC / "sound.js").read_text(encoding="utf-8")
    modules = {p for p in PAGES if p.endswith(".js")} - {"/worker.js", "/app.js"} - late
    assert {"/" + name for name in re.findall(r'modulepreload" href="([^"]+)"', page)} == modules


def test_icons_are_of_the_sizes_that_the_manifest_names() -> None:
    manifest = json.loads((STATIC / "manifest.webmanifest").read_text(encoding="utf-8"))
    pictures = [icon for icon in manifest["icons"] if icon["type"] == "image/png"]
    assert len(pictures) == 2
    for icon in pictures:
        head = (STATIC / icon["src"]).read_bytes()[:24]  # width and height stand there: PNG, ISO/IEC 15948, 11.2.2
        assert head[:8] == b"\x89PNG\r\n\x1a\n"
        width, height = struct.unpack(">II", head[16:24])
        assert icon["sizes"] == f"{width}x{height}"


@pytest.mark.asyncio
async def test_status_json_is_what_the_state_says() -> None:
    async with browser(WebState(busy)) as session, session.get("/status.json") as answer:
        assert answer.content_type == "application/json"
        got = await answer.json()
    assert (got["drive"], got["t_ms"], got["tune"], got["invented"]) == (7, 1_275_050, "tow", True)
    assert got["alerts"][0]["act"] == "Ease off now"
    assert got["signals"][0]["unit"] == "°C"
    assert got["sources"][1]["restarts"] == 4


@pytest.mark.asyncio
async def test_events_begin_at_once_and_follow_the_state() -> None:
    ticks = iter(range(1, 1_000))
    state = WebState(lambda: replace(calm(), t_ms=next(ticks)))
    async with browser(state) as session, session.get("/events") as stream:
        assert stream.content_type == "text/event-stream"
        reader = Reader()
        got = [await event(stream, reader) for _ in range(5)]
    assert (reader.whole, reader.changes) == (2, 3)  # the second stands for whatever came between the first two
    times = [e["t_ms"] for e in got]
    assert times == sorted(set(times))


@pytest.mark.asyncio
async def test_many_browsers_cost_one_status_each_period() -> None:
    calls = 0

    def counted() -> Status:
        nonlocal calls
        calls += 1
        return calm()

    async with browser(WebState(counted)) as session, contextlib.AsyncExitStack() as stack:
        streams = [await stack.enter_async_context(session.get("/events")) for _ in range(10)]
        for stream in streams:
            for _ in range(4):
                await passed(stream)
    # One call for each browser's first event; the other 30 events came from at most a few shared texts.
    assert calls < 10 + 8


@pytest.mark.asyncio
async def test_a_failing_handler_answers_500_and_is_counted(caplog: pytest.LogCaptureFixture) -> None:
    def fail() -> Status:
        raise RuntimeError("made up")

    state = WebState(fail)
    with caplog.at_level(logging.CRITICAL, logger="uphaul.web.server"):
        async with browser(state) as session:
            async with session.get("/status.json") as answer:
                assert answer.status == 500
            async with session.get("/events") as answer:
                assert answer.status == 500
            async with session.get("/") as answer:
                assert answer.status == 200
    assert state.failures == 2


@pytest.mark.asyncio
async def test_a_status_that_fails_for_a_while_is_silence_and_then_goes_on() -> None:
    calls = 0

    def sometimes() -> Status:
        nonlocal calls
        calls += 1
        if calls in (2, 3):
            raise RuntimeError("made up")
        return replace(calm(), t_ms=calls)

    state = WebState(sometimes)
    async with browser(state) as session, session.get("/events") as stream:
        reader = Reader()
        assert [(await event(stream, reader))["t_ms"] for _ in range(3)] == [1, 4, 5]
    assert state.failures == 2


@pytest.mark.asyncio
async def test_an_unknown_path_is_404_and_no_failure() -> None:
    state = WebState(calm)
    async with browser(state) as session, session.get("/nothing") as answer:
        assert answer.status == 404
    assert state.failures == 0


@pytest.mark.asyncio
async def test_the_number_of_streams_is_bounded() -> None:
    async with browser(WebState(calm)) as session, contextlib.AsyncExitStack() as stack:
        for _ in range(32):
            stream = await stack.enter_async_context(session.get("/events"))
            await event(stream)
        async with session.get("/events") as answer:
            assert answer.status == 503


@pytest.mark.asyncio
async def test_a_browser_that_reads_nothing_loses_events_and_holds_up_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    big = replace(calm(), notices=tuple("x" * 100_000 for _ in range(40)))
    state = WebState(lambda: big)
    async with asyncio.timeout(30), serve(make_app(state, period_s=0.2)) as port:
        reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=1024)
        writer.write(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        async with (
            aiohttp.ClientSession(f"http://127.0.0.1:{port}", read_bufsize=2**24) as session,
            session.get("/events") as stream,
        ):
            while state.dropped == 0:
                await passed(stream)
        writer.close()
        del reader
    assert state.dropped > 0


@pytest.mark.asyncio
async def test_a_browser_that_missed_events_gets_everything_anew() -> None:
    big = replace(calm(), notices=tuple("x" * 100_000 for _ in range(8)))
    numbers = count(1)
    state = WebState(lambda: replace(big, t_ms=next(numbers)))
    async with (
        asyncio.timeout(30),
        serve(make_app(state, period_s=0.2)) as port,
        aiohttp.ClientSession(f"http://127.0.0.1:{port}", read_bufsize=1024) as session,
        session.get("/events") as stream,
        aiohttp.ClientSession(f"http://127.0.0.1:{port}", read_bufsize=2**24) as other,
        other.get("/events") as reading,
    ):
        while state.dropped < 3:
            await passed(reading)
        reader, seen, line = Reader(), list[int](), bytearray()
        while reader.changes < 2:
            piece = await stream.content.readany()
            line += piece
            if b"\n" not in piece:
                continue
            *lines, rest = line.split(b"\n")
            line = bytearray(rest)
            for whole in lines:
                if reader.take(bytes(whole)):
                    seen.append(reader.status["t_ms"])
                    assert reader.status["notices"] == list(big.notices)
    # One status was made for the other browser's first event, so a step of two misses nothing.
    assert max(b - a for a, b in pairwise(seen)) > 2
    assert seen == sorted(seen)
    assert reader.whole >= 2


@pytest.mark.asyncio
async def test_little_waits_for_a_browser_that_stalls_so_that_it_soon_has_news_again() -> None:
    numbers = count()
    state = WebState(lambda: replace(calm(), notices=(f"{next(numbers):2000}",)))  # as much as a drive changes
    published = 0
    async with asyncio.timeout(30), serve(make_app(state, period_s=0.2)) as port:
        with socket.socket() as stalled:
            stalled.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            stalled.setblocking(False)
            await asyncio.get_running_loop().sock_connect(stalled, ("127.0.0.1", port))
            stalled.send(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            async with (
                aiohttp.ClientSession(f"http://127.0.0.1:{port}", read_bufsize=2**20) as session,
                session.get("/events") as stream,
            ):
                while state.dropped == 0:
                    await passed(stream)
                    state.nudge()
                    published += 1
    assert published < 25  # twelve seconds of them; the kernel alone would take 4 MB, half an hour


@pytest.mark.asyncio
async def test_an_event_that_is_due_waits_for_the_end_of_a_tick(monkeypatch: pytest.MonkeyPatch) -> None:
    """So that what pages cost falls between two ticks; news, which come from a tick, go out at once."""
    monkeypatch.setattr("uphaul.web.server.BEAT_WITHIN_S", 3600.0)
    state = WebState(calm)
    async with (
        asyncio.timeout(DEADLINE_S),
        serve(make_app(state, period_s=0.2)) as port,
        aiohttp.ClientSession(f"http://127.0.0.1:{port}") as session,
        session.get("/events") as stream,
    ):
        await passed(stream)
        for go_on in (state.ticked, state.nudge):
            following = asyncio.create_task(passed(stream))
            await asyncio.wait({following}, timeout=0.5)
            assert not following.done()
            go_on()
            await following


@pytest.mark.asyncio
async def test_the_end_comes_at_once_with_browsers_watching() -> None:
    app = make_app(WebState(calm), period_s=0.2)
    async with asyncio.timeout(DEADLINE_S), aiohttp.ClientSession() as session:
        async with serve(app) as port:
            stream = await session.get(f"http://127.0.0.1:{port}/events")
            await event(stream)
        while await stream.content.readline():
            pass
        assert stream.content.at_eof()
        stream.close()


@pytest.mark.asyncio
async def test_a_taken_port_is_named() -> None:
    async with serve(make_app(WebState(calm))) as port:
        with pytest.raises(UphaulError, match=rf"web: host = '127.0.0.1', port = {port}: .*a free port"):
            async with serve(make_app(WebState(calm)), port=port):
                pass


@pytest.mark.asyncio
async def test_a_taken_port_is_served_once_it_is_free() -> None:
    told: asyncio.Queue[tuple[int, str]] = asyncio.Queue()

    def tell(bound: int, problem: str) -> None:
        told.put_nowait((bound, problem))

    async with asyncio.timeout(DEADLINE_S), contextlib.AsyncExitStack() as stack:
        taken = await asyncio.start_server(lambda reader, writer: None, "127.0.0.1", 0)
        port = taken.sockets[0].getsockname()[1]
        trying = asyncio.create_task(
            keep_trying(lambda: make_app(WebState(calm)), "127.0.0.1", port, tell, first_wait_s=0.02)
        )
        bound, problem = await told.get()
        assert bound == 0
        assert f"port = {port}: the page cannot be served there (address already in use); name an" in problem
        taken.close()
        await taken.wait_closed()
        while bound == 0:
            bound, problem = await told.get()
        assert (bound, problem) == (port, "")
        session = await stack.enter_async_context(aiohttp.ClientSession())
        async with session.get(f"http://127.0.0.1:{port}/status.json") as answer:
            assert answer.status == 200
        trying.cancel()
        await asyncio.gather(trying, return_exceptions=True)


@pytest.mark.asyncio
async def test_what_is_no_request_gets_a_short_answer_and_one_line_in_the_journal(
    caplog: pytest.LogCaptureFixture,
) -> None:
    async def ask(port: int, request: bytes) -> bytes:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(request)
        answer = await reader.read()
        writer.close()
        return answer

    async with asyncio.timeout(DEADLINE_S), serve(make_app(WebState(calm))) as port:
        long = b"GET /" + b"x" * 9_000 + b" HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
        answers = [await ask(port, each) for each in (long, long, b"no request at all\r\n\r\n")]
    for answer in answers:
        head, _, body = answer.partition(b"\r\n\r\n")
        assert head.startswith(b"HTTP/1.0 400 ") or head.startswith(b"HTTP/1.1 400 ")
        assert b"\r\nServer: uphaul\r\n" in head + b"\r\n"
        assert body == b"The request cannot be read.\n"
    assert [r.getMessage() for r in caplog.records] == [
        "the page got a request that it cannot read from 127.0.0.1, answered 400"
    ]
    assert caplog.records[0].exc_info is None


@pytest.mark.asyncio
async def test_connections_that_ask_nothing_are_bounded_and_shut_nobody_else_out(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Each takes one of the handles that log and sensors need as well."""
    monkeypatch.setattr(server, "MOST_CONNECTIONS_EACH", 5)
    async with asyncio.timeout(DEADLINE_S), serve(make_app(WebState(calm)), "0.0.0.0") as port:
        silent = []
        for _ in range(5):
            silent.append(await asyncio.open_connection("127.0.0.1", port))
            silent[-1][1].write(b"GET / HT")
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        with contextlib.suppress(ConnectionError):
            assert await reader.read() == b""
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()
        from_elsewhere = aiohttp.TCPConnector(local_addr=("127.0.0.2", 0))
        async with aiohttp.ClientSession(f"http://127.0.0.1:{port}", connector=from_elsewhere) as session:
            assert (await session.get("/status.json")).status == 200
        for _, each in silent:
            each.close()
            await each.wait_closed()
        async with aiohttp.ClientSession(f"http://127.0.0.1:{port}") as session:
            assert (await session.get("/status.json")).status == 200
    assert [r.getMessage() for r in caplog.records] == [
        "the page hung up on 127.0.0.1, which has 5 connections already"
    ]


@pytest.mark.asyncio
async def test_more_than_five_events_a_second_are_refused() -> None:
    with pytest.raises(UphaulError, match=r"period_s = 0\.1: at least 0\.2 s"):
        make_app(WebState(calm), period_s=0.1)
