"""Serve the status page, its event stream and its JSON.

Theory of operation. `make_app` builds an aiohttp application around a `WebState`. While at least one browser listens,
one task asks the state for a `Status` every `period_s`, makes one JSON text of it and publishes that to a hub; every
``/events`` request is a subscriber that holds the newest two texts. So the cost does not grow with the browsers but
for the sending, and a slow one misses events (counted) instead of holding anything up. A browser that takes nothing
for `PATIENCE_S` is hung up on; it reconnects by itself. A handler that fails answers 500 and is counted; so is a
failing `status`, and then no event goes out and the pages say that they are not live. Shutdown closes the hub, which
ends the streams.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from importlib import resources

from aiohttp import web

from uphaul.errors import UphaulError
from uphaul.hub import Hub, Subscription
from uphaul.web.state import WebState, to_json

__all__ = ["make_app", "serve"]

_log = logging.getLogger(__name__)

SHORTEST_PERIOD_S = 0.2  # five events a second at most: more than a glance can use
PATIENCE_S = 10.0
MOST_STREAMS = 32
SHUTDOWN_S = 1.0  # within the two seconds that the daemon has to end

PAGES = {
    "/": ("index.html", "text/html"),
    "/app.js": ("app.js", "text/javascript"),
    "/style.css": ("style.css", "text/css"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
}
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
}

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


def make_app(state: WebState, *, period_s: float = 0.5) -> web.Application:
    """The application that shows `state`, with an event every `period_s` (>= 0.2 s).

    Raises UphaulError for a shorter period.
    """
    if period_s < SHORTEST_PERIOD_S:
        raise UphaulError(f"web: period_s = {period_s}: at least {SHORTEST_PERIOD_S} s")
    room = _Room(state, period_s)
    app = web.Application(middlewares=[room.guard])
    app.on_response_prepare.append(_add_headers)
    app.on_shutdown.append(room.shut)
    app.cleanup_ctx.append(room.publishing)
    app.router.add_get("/events", room.events)
    app.router.add_get("/status.json", room.status)
    for path in PAGES:
        app.router.add_get(path, room.page)
    return app


@contextlib.asynccontextmanager
async def serve(app: web.Application, host: str = "127.0.0.1", port: int = 0) -> AsyncIterator[int]:
    """Serve `app` while the context lasts; gives the port that is listened on (any free one for port 0).

    Raises UphaulError when the address can't be had.
    """
    runner = web.AppRunner(app, access_log=None, handle_signals=False, shutdown_timeout=SHUTDOWN_S)
    await runner.setup()
    try:
        site = web.TCPSite(runner, host, port)
        try:
            await site.start()
        except OSError as error:
            why = error.strerror or str(error)
            raise UphaulError(
                f"web: host = {host!r}, port = {port}: {why}; an address of this machine and a free port"
            ) from error
        yield runner.addresses[0][1]
    finally:
        await runner.cleanup()


class _Room:
    """The handlers and what they share."""

    def __init__(self, state: WebState, period_s: float) -> None:
        self._state = state
        self._period_s = period_s
        self._hub: Hub[bytes] = Hub()
        self._wanted = asyncio.Event()
        static = resources.files("uphaul.web") / "static"
        self._files = {path: (static / name).read_bytes() for path, (name, _) in PAGES.items()}

    def _text(self) -> str:
        return to_json(self._state.status(), self._state, time.monotonic_ns() // 1_000_000)

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

    async def page(self, request: web.Request) -> web.Response:
        """One of the files of the page."""
        path = request.match_info.route.resource
        name = path.canonical if path is not None else "/"
        return web.Response(body=self._files[name], content_type=PAGES[name][1], charset="utf-8")

    async def status(self, request: web.Request) -> web.Response:
        """The present status as JSON."""
        return web.json_response(text=self._text())

    async def events(self, request: web.Request) -> web.StreamResponse:
        """The event stream: the present status at once, then one each period."""
        if len(self._hub.subscriptions) >= MOST_STREAMS:
            raise web.HTTPServiceUnavailable(text=f"{MOST_STREAMS} browsers are watching already\n")
        first = _event(self._text())
        response = web.StreamResponse(headers={"X-Accel-Buffering": "no"})
        response.content_type = "text/event-stream"
        response.charset = "utf-8"
        with self._hub.subscribe(2, name=request.remote or "") as subscription:
            self._wanted.set()
            try:
                await response.prepare(request)
                await self._send(response, first, subscription)
            except (ConnectionError, TimeoutError):  # gone, or taking nothing: hang up
                if request.transport is not None:
                    request.transport.abort()
            finally:
                subscription.close()
                self._state.dropped = self._hub.dropped
        return response

    async def _send(self, response: web.StreamResponse, first: bytes, subscription: Subscription[bytes]) -> None:
        async with asyncio.timeout(PATIENCE_S):
            await response.write(first)
        async for event in subscription:
            async with asyncio.timeout(PATIENCE_S):
                await response.write(event)

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
            await asyncio.sleep(self._period_s)
            if not self._hub.subscriptions:
                self._wanted.clear()
                await self._wanted.wait()
                continue
            try:
                event = _event(self._text())
            except Exception:  # counted, told once; the pages see silence and say so
                self._state.failures += 1
                if not failing:
                    _log.exception("the status could not be made")
                failing = True
                continue
            failing = False
            self._hub.publish(event)
            self._state.dropped = self._hub.dropped

    async def shut(self, app: web.Application) -> None:
        """End the streams."""
        self._hub.close()


async def _add_headers(request: web.Request, response: web.StreamResponse) -> None:
    response.headers.update(HEADERS)
    response.headers.popall("Server", None)


def _event(text: str) -> bytes:
    return f"data: {text}\n\n".encode()
