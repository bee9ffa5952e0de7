"""What every input reads, as a page beside the live one: behind the same guard, and asked for nothing by itself."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

import aiohttp
import pytest

from support.status_page import calm
from uphaul.sources.watch import InputRow
from uphaul.web.access import Access
from uphaul.web.pairing import add_access
from uphaul.web.sensors import add_sensors
from uphaul.web.server import make_app, serve
from uphaul.web.state import WebState

ROW = InputRow(
    "coolant", "", "degC", "bus", "EngineBox.Coolant", "0x100", None, False, 130.0, "", None, "", None, "", None,
    90.0, "good", 0.1, 0.2, 50.0, 500, 0, "running", "",
)  # fmt: skip


class Asked:
    """Counts how often the rows were asked for."""

    def __init__(self) -> None:
        self.times = 0

    def __call__(self) -> tuple[InputRow, ...]:
        self.times += 1
        return (ROW,)


@contextlib.asynccontextmanager
async def daemon(rows: Asked, folder: Path, look: str = "open") -> AsyncIterator[aiohttp.ClientSession]:
    """The page of a daemon as far as it matters here, and a browser."""
    app = make_app(WebState(calm), period_s=0.2)
    add_sensors(app, rows, "Invented tow rig", invented=True)
    add_access(app, Access(folder / "vehicle.access.json", look), host="127.0.0.1")
    async with (
        asyncio.timeout(20),
        serve(app) as port,
        aiohttp.ClientSession(f"http://127.0.0.1:{port}") as session,
    ):
        yield session


@pytest.mark.asyncio
async def test_the_page_and_its_readings_stand_beside_the_live_page(tmp_path: Path) -> None:
    rows = Asked()
    async with daemon(rows, tmp_path) as session:
        for path in ("/sensors", "/sensors.js", "/sensors.css", "/style.css", "/icon.svg"):
            async with session.get(path) as answer:
                assert answer.status == 200, path
                assert answer.headers["Content-Security-Policy"].startswith("default-src 'none'")
        async with session.get("/status.json") as answer:
            assert answer.status == 200
        assert rows.times == 0
        async with session.get("/inputs.json") as answer:
            told = await answer.json()
    assert rows.times == 1
    assert (told["vehicle"], told["invented"], told["beside_live"]) == ("Invented tow rig", True, True)
    (row,) = told["inputs"]
    assert (row["signal"], row["counts"], row["value"], row["unit"]) == ("coolant", 130.0, 90.0, "°C")


@pytest.mark.asyncio
async def test_where_looking_needs_pairing_it_is_not_told_to_others(tmp_path: Path) -> None:
    rows = Asked()
    async with daemon(rows, tmp_path, look="paired") as session:
        async with session.get("/inputs.json") as answer:
            assert answer.status == 403
        async with session.get("/sensors", headers={"Accept": "text/html"}, allow_redirects=False) as answer:
            assert (answer.status, answer.headers["Location"]) == (303, "/pair")
    assert rows.times == 0


@pytest.mark.asyncio
async def test_under_a_name_that_is_not_its_own_nothing_is_told(tmp_path: Path) -> None:
    rows = Asked()
    async with (
        daemon(rows, tmp_path) as session,
        session.get("/inputs.json", headers={"Host": "elsewhere.example"}) as answer,
    ):
        assert answer.status == 421
    assert rows.times == 0
