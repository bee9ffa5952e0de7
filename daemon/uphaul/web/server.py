"""Serve the live page, its event stream and its JSON.

Theory of operation. `make_app` builds an aiohttp application around a `WebState`. While at least one browser listens,
one task asks the state for a `Status` every `period_s`, and at once when there is news, makes one JSON text of what
changed in it and publishes that to a hub; every ``/events`` request is a subscriber that holds the newest two. Each
gets the whole status first, and again after one that it missed. So the cost does not grow with the browsers but for
the sending, and a slow one misses events (counted) instead of holding anything up.
A browser that takes nothing for `PATIENCE_S` is hung up on; it reconnects by itself. A stream also ends when its device
may no longer look. A handler that fails answers 500 and is counted; so is a failing `status`, and then no event goes
out and the pages say that they are not live. Shutdown closes the hub, which ends the streams.

What is no request that can be understood (a line of 8 kB, another protocol) gets a short answer, and one line a minute
in the journal whatever comes. Connections are bounded, each address's too: they take handles from the same thousand as
log and sources do. `keep_trying` serves as soon as the address can be had.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import socket
import time
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any

from aiohttp import web

from uphaul.errors import UphaulError
from uphaul.hub import Hub, Subscription
from uphaul.web.access import Access
from uphaul.web.changes import News
from uphaul.web.files import PAGES, Files
from uphaul.web.state import WebState, as_json, told, unit_systems

__all__ = ["add_headers", "keep_trying", "make_app", "serve"]

_log = logging.getLogger(__name__)

SHORTEST_PERIOD_S = 0.2  # five events a second at most: more than a glance can use
SHORTEST_GAP_S = 0.01  # however much news there is
BEAT_WITHIN_S = 0.1  # how long an event that is due waits for the end of a tick; there may be none
PATIENCE_S = 10.0
WAITING_BYTES = 8_192  # in the kernel for one browser: a few changes; by itself it takes megabytes, hours of them
MOST_STREAMS = 32
KEPT_STREAMS = 8  # of those for paired devices, so that strangers cannot shut the driver out
MOST_CONNECTIONS = 256
MOST_CONNECTIONS_EACH = 64  # of one address: all streams may come through one server in front
SHUTDOWN_S = 1.0  # within the two seconds that the daemon has to end
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 30.0  # as the sources wait
COMPLAIN_EVERY_S = 60.0
BACKLOG = 128

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "manifest-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
}

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


def make_app(state: WebState, *, period_s: float = 0.5, access: Access | None = None) -> web.Application:
    """The application that shows `state`, with an event every `period_s` (>= 0.2 s).

    `access` tells paired devices from others; the guard is put in front by `uphaul.web.pairing.add_access`. Raises
    UphaulError for a shorter period.
    """
    if period_s < SHORTEST_PERIOD_S:
        raise UphaulError(f"web: period_s = {period_s}: at least {SHORTEST_PERIOD_S} s")
    room = _Room(state, period_s, access)
    app = web.Application(middlewares=[room.guard])
    app.on_response_prepare.append(add_headers)
    app.on_shutdown.append(room.shut)
    app.cleanup_ctx.append(room.publishing)
    app.router.add_get("/events", room.events)
    app.router.add_get("/status.json", room.status)
    app.router.add_get("/units.json", room.units)
    files = Files()
    for path in PAGES:
        app.router.add_get(path, files.page)
    return app


@contextlib.asynccontextmanager
async def serve(app: web.Application, host: str = "127.0.0.1", port: int = 0) -> AsyncIterator[int]:
    """Serve `app` while the context lasts; gives the port that is listened on (any free one for port 0).

    Raises UphaulError when the address can't be had.
    """
    runner = web.AppRunner(app, handle_signals=False, shutdown_timeout=SHUTDOWN_S)
    await runner.setup()
    complaints, connections = _Complaints(), Counter[str]()
    loop, server = asyncio.get_running_loop(), runner.server
    assert server is not None
    try:
        try:
            listening = await loop.create_server(
                lambda: _Handler(server, loop=loop, complaints=complaints, connections=connections),
                host,
                port,
                backlog=BACKLOG,
                reuse_address=True,
            )
        except OSError as error:
            raise UphaulError(
                f"web: host = {host!r}, port = {port}: the page cannot be served there ({_why(error)}); "
                "name an address of this machine and a free port"
            ) from error
        try:
            yield listening.sockets[0].getsockname()[1]
        finally:
            listening.close()
    finally:
        await runner.cleanup()


async def keep_trying(
    make: Callable[[], web.Application],
    host: str,
    port: int,
    told: Callable[[int, str], None],
    *,
    first_wait_s: float = FIRST_WAIT_S,
) -> None:
    """Serve what `make` makes as soon as the address can be had, until cancelled.

    The first attempt comes after `first_wait_s`, each next one after twice as long, 30 s at most. `told` hears of each:
    the port that is listened on, or 0 and why not.
    """
    wait_s = first_wait_s
    while True:
        await asyncio.sleep(wait_s)
        wait_s = min(wait_s * 2, LONGEST_WAIT_S)
        try:
            async with serve(make(), host, port) as bound:
                told(bound, "")
                await asyncio.Event().wait()
        except UphaulError as error:
            told(0, str(error))


def _why(error: OSError) -> str:
    """The reason in a few words; asyncio's own text repeats the address."""
    if isinstance(error, socket.gaierror) or not error.errno:
        return error.strerror or str(error)
    return os.strerror(error.errno).lower()


class _Complaints:
    """Tells the journal of what the page could not do for somebody: the first at once, then a count a minute."""

    def __init__(self) -> None:
        self._next_s = 0.0
        self._untold = 0

    def note(self, words: str, now_s: float) -> None:
        """One more."""
        if now_s < self._next_s:
            self._untold += 1
            return
        more = f" ({self._untold} more in the last minutes)" if self._untold else ""
        _log.warning("the page %s%s", words, more)
        self._next_s, self._untold = now_s + COMPLAIN_EVERY_S, 0


class _Handler(web.RequestHandler):
    """One connection. Differs from the library's in how it answers what it cannot read: without an echo, a traceback
    in the journal or its version. One too many is hung up on.
    """

    __slots__ = ("_complaints", "_counted", "_open")

    def __init__(
        self,
        server: web.Server,
        *,
        loop: asyncio.AbstractEventLoop,
        complaints: _Complaints,
        connections: Counter[str],
    ) -> None:
        super().__init__(server, loop=loop, access_log=None)  # type: ignore[arg-type]  # None: no line for each request
        self._complaints, self._open = complaints, connections
        self._counted = ""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Count it, by where it comes from."""
        super().connection_made(transport)
        peer = transport.get_extra_info("peername")
        self._counted = str(peer[0]) if peer else "nowhere"
        self._open[self._counted] += 1
        among = self._open[self._counted]
        if among > MOST_CONNECTIONS_EACH or self._open.total() > MOST_CONNECTIONS:
            words = f"hung up on {self._counted}, which has {among - 1} connections already"
            self._complaints.note(words, self._loop.time())
            assert isinstance(transport, asyncio.Transport)
            transport.abort()

    def connection_lost(self, exc: BaseException | None) -> None:
        """Forget it."""
        super().connection_lost(exc)
        self._open[self._counted] -= 1
        if not self._open[self._counted]:
            del self._open[self._counted]

    def handle_error(
        self,
        request: web.BaseRequest,
        status: int = 500,
        exc: BaseException | None = None,
        message: str | None = None,
    ) -> web.StreamResponse:
        """The answer to a request that could not be read (4xx) or whose answer failed (500)."""
        if status >= 500:
            self.log_exception("the page failed to answer %s", request.remote, exc_info=exc)
        else:
            words = f"got a request that it cannot read from {request.remote}, answered {status}"
            self._complaints.note(words, self._loop.time())
        if request.writer.output_size > 0:
            raise ConnectionError("the answer has begun already")
        text = "This page failed; watching and logging go on.\n" if status >= 500 else "The request cannot be read.\n"
        response = web.Response(status=status, text=text, headers={**HEADERS, "Server": "uphaul"})
        response.force_close()
        return response


class _Room:
    """The handlers and what they share."""

    def __init__(self, state: WebState, period_s: float, access: Access | None) -> None:
        self._state = state
        self._access = access
        self._period_s = period_s
        self._hub: Hub[News] = Hub()
        self._newest = News(0, {}, {})
        self._wanted = asyncio.Event()
        self._units = json.dumps(unit_systems(), ensure_ascii=False)

    def _told(self) -> dict[str, Any]:
        return told(self._state.status(), self._state, time.monotonic_ns() // 1_000_000)

    @web.middleware
    async def guard(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Answer 500 for a handler that fails, and count it: a page's fault must not end the daemon."""
        try:
            return await handler(request)
        except web.HTTPException:
            raise
        except Exception:  # the one place that stops what nobody expected: the page is not worth the drive
            self._state.failures += 1
            _log.exception("page handler for %s failed", request.path)
            return web.Response(status=500, text="This page failed; watching and logging go on.\n")

    async def status(self, request: web.Request) -> web.Response:
        """The present status as JSON."""
        return web.json_response(text=as_json(self._told()))

    async def units(self, request: web.Request) -> web.Response:
        """How either unit system writes each unit."""
        response = web.json_response(text=self._units)
        response.enable_compression()
        return response

    async def events(self, request: web.Request) -> web.StreamResponse:
        """The event stream: the present status at once, then each period what changed, as an event ``change``."""
        stranger = self._access is not None and self._access.device(request) is None
        most = MOST_STREAMS - KEPT_STREAMS if stranger else MOST_STREAMS
        if len(self._hub.subscriptions) >= most:
            raise web.HTTPServiceUnavailable(text=f"{most} browsers are watching already\n")
        first = News(0, {}, self._told()).whole
        response = web.StreamResponse(headers={"X-Accel-Buffering": "no"})
        response.content_type = "text/event-stream"
        response.charset = "utf-8"
        with self._hub.subscribe(2, name=request.remote or "") as subscription:
            self._wanted.set()
            try:
                await response.prepare(request)
                _keep_little_waiting(request)
                await self._send(request, response, first, subscription)
            except (ConnectionError, TimeoutError):  # gone, or taking nothing: hang up
                if request.transport is not None:
                    request.transport.abort()
            finally:
                subscription.close()
                self._state.dropped = self._hub.dropped
        return response

    async def _send(
        self,
        request: web.Request,
        response: web.StreamResponse,
        first: bytes,
        subscription: Subscription[News],
    ) -> None:
        async with asyncio.timeout(PATIENCE_S):
            await _write(request, response, first)
        known = -1  # the first one is of no number: it was made between two of them
        async for news in subscription:
            if self._access is not None and not self._access.may_look(request):
                return  # its pairing has ended meanwhile
            async with asyncio.timeout(PATIENCE_S):
                await _write(request, response, news.change if news.number == known + 1 else news.whole)
            known = news.number

    async def publishing(self, app: web.Application) -> AsyncIterator[None]:
        """Run the publishing task for the life of the application."""
        task = asyncio.create_task(self._publish(), name="web-publish")
        yield
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task

    async def _publish(self) -> None:
        failing = False
        while True:
            await self._due()
            if not self._hub.subscriptions:
                self._wanted.clear()
                await self._wanted.wait()
                continue
            try:
                newest = News(self._newest.number + 1, self._newest.now, self._told())
            except Exception:  # counted, told once; the pages see silence and say so
                self._state.failures += 1
                if not failing:
                    _log.exception("the status could not be made")
                failing = True
                continue
            failing = False
            self._newest = newest
            self._hub.publish(newest)
            self._state.dropped = self._hub.dropped
            await asyncio.sleep(SHORTEST_GAP_S)

    async def _due(self) -> None:
        """Wait for news, or for the end of the period and of a tick after it."""
        state = self._state
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(self._period_s):
                await state.news.wait()
        if not state.news.is_set():
            state.beat.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(BEAT_WITHIN_S):
                    await state.beat.wait()
        state.news.clear()

    async def shut(self, app: web.Application) -> None:
        """End the streams."""
        self._hub.close()


async def _write(request: web.Request, response: web.StreamResponse, event: bytes) -> None:
    """Write it, and wait until it has left: the library waits only every 64 kB, which is many events."""
    await response.write(event)
    await request.writer.drain()


def _keep_little_waiting(request: web.Request) -> None:
    """Bound what is kept for this browser, so that one that stalls misses events and does not get old ones."""
    if request.transport is None:
        return
    request.transport.set_write_buffer_limits(high=0)  # a write waits until the kernel has all of it
    if (made := request.transport.get_extra_info("socket")) is not None:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, WAITING_BYTES)


async def add_headers(request: web.Request, response: web.StreamResponse) -> None:
    """Put onto every answer what keeps a page to this server and out of caches; for ``on_response_prepare``."""
    response.headers.update(HEADERS)
    response.headers.popall("Server", None)
