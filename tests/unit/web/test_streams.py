"""Event streams and pairing: strangers leave room for paired devices, and a revoked device sees nothing more."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

import aiohttp
import pytest

from support.status_page import calm
from uphaul.web import WebState, make_app, serve
from uphaul.web.access import Access
from uphaul.web.pairing import add_access
from uphaul.web.server import KEPT_STREAMS, MOST_STREAMS

DEADLINE_S = 30.0


@contextlib.asynccontextmanager
async def served(folder: Path, look: str) -> AsyncIterator[tuple[str, Access]]:
    """The page behind the guard: its address and who may."""
    access = Access(folder / "vehicle.access.json", look)
    app = make_app(WebState(calm), period_s=0.2, access=access)
    add_access(app, access, host="127.0.0.1")
    async with asyncio.timeout(DEADLINE_S), serve(app) as port:
        yield f"http://127.0.0.1:{port}", access


def device() -> aiohttp.ClientSession:
    return aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True))


async def pair(session: aiohttp.ClientSession, url: str, access: Access) -> None:
    body = {"code": access.new_code(), "name": "phone"}
    async with session.post(url + "/pair", json=body, headers={"Origin": url}) as answer:
        assert answer.status == 200


@pytest.mark.asyncio
async def test_strangers_cannot_shut_a_paired_device_out(tmp_path: Path) -> None:
    async with served(tmp_path, "open") as (url, access), device() as strangers, device() as driver:
        await pair(driver, url, access)
        async with contextlib.AsyncExitStack() as stack:
            for _ in range(MOST_STREAMS - KEPT_STREAMS):
                stream = await stack.enter_async_context(strangers.get(url + "/events"))
                assert (await stream.content.readline()).startswith(b"data: ")
            async with strangers.get(url + "/events") as answer:
                assert answer.status == 503
            async with driver.get(url + "/events") as answer:
                assert answer.status == 200


@pytest.mark.asyncio
async def test_the_stream_of_a_revoked_device_ends(tmp_path: Path) -> None:
    async with served(tmp_path, "paired") as (url, access), device() as phone:
        await pair(phone, url, access)
        async with phone.get(url + "/events") as stream:
            assert (await stream.content.readline()).startswith(b"data: ")
            access.revoke("phone")
            while await stream.content.readline():
                pass
        async with phone.get(url + "/events") as answer:
            assert answer.status == 403
