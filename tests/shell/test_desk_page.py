"""The drive page in a real browser: what it shows, what a moved limit does at once, and what is taken away.

Set $UPHAUL_PICTURES to a folder to keep the screenshots.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import struct
import sys
import threading
import tomllib
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiohttp
import numpy as np
import pytest
from axe_playwright_python.async_playwright import Axe
from click.testing import CliRunner
from playwright.async_api import Page, ViewportSize, expect

from support.complained import enter, mark
from support.complaints import EVIL, MARKS_MS, log_of
from support.live_page import PHONE, page_at, picture
from support.whole_drives import IDLING, Leg, by_hand
from uphaul.analysis.comparison import compare
from uphaul.analysis.findings import findings
from uphaul.analysis.moments import moments
from uphaul.analysis.whole import WholeDrive
from uphaul.cli import main
from uphaul.config import demo_config
from uphaul.desk import DeskDrive, load_drive, make_desk
from uphaul.desk.library import check
from uphaul.desk.server import POLICY
from uphaul.errors import UphaulError
from uphaul.reports.words import role_words
from uphaul.signals import Signal
from uphaul.web import serve

DESK: ViewportSize = {"width": 1440, "height": 900}
SMALL: ViewportSize = {"width": 1024, "height": 700}
LIMIT = "#key--above"


def invented(hot_degc: float = 735.0, late_s: float = 0.0) -> WholeDrive:
    """Idle, cruise, a climb that gets too hot twice, cruise: on a road that bends east."""
    climb = Leg(100.0, rpm=2600.0, speed=20.0, pedal=0.9, boost=140.0, egt=640.0, grade=0.06, gear=4.0)
    hot = replace(climb, seconds=30.0, egt=hot_degc)
    cruise = Leg(150.0 + late_s, rpm=1900.0, speed=22.0, pedal=0.35, boost=50.0, egt=430.0, gear=5.0)
    drive = by_hand([IDLING, cruise, climb, hot, climb, replace(hot, seconds=15.0), replace(cruise, gap_s=30.0)])
    way = np.cumsum(drive.values[:, 1]) / 20.0
    north = 45.0 + np.minimum(way, 6000.0) / 111_195.0
    east = 7.0 + np.maximum(way - 6000.0, 0.0) / 78_600.0
    values = np.column_stack((drive.values, north, east))
    signals = (*drive.signals, Signal("latitude", "deg", 10**7), Signal("longitude", "deg", 10**7))
    return replace(drive, signals=signals, values=values)


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log with two drives of one road, the second of them cooler and with a longer way to the hill."""
    path = tmp_path_factory.mktemp("desk") / "invented.db"
    config = demo_config("climb-heat")
    there = tuple(Signal(name, "deg", 10**7) for name in ("latitude", "longitude"))
    config = replace(config, signals=(*config.signals, *there))
    enter(path, config, invented(), [mark(290_000, "smelled something")])
    enter(path, config, invented(600.0, 40.0))
    return path


@pytest.fixture(scope="module")
def drives(log: Path) -> tuple[DeskDrive, DeskDrive]:
    return load_drive(log, 1), load_drive(log, 2)


@contextlib.asynccontextmanager
async def desk(drive: DeskDrive, against: DeskDrive | None = None, size: ViewportSize = DESK) -> AsyncIterator[Page]:
    """The page, once the drive is seen and judged."""
    async with serve(make_desk(drive, against)) as port, page_at(f"http://127.0.0.1:{port}/", size) as page:
        await page.wait_for_selector("body[data-ready]")
        await page.wait_for_selector("#grid td")
        yield page


async def judged(page: Page, times: int) -> None:
    """Wait until rules were judged so often."""
    await page.wait_for_selector(f'body[data-judged="{times}"]')


def row(page: Page, rule: str) -> Any:
    return page.locator(f'#said button[data-rule="{rule}"]')


@pytest.mark.asyncio
async def test_the_page_tells_the_drive_and_what_the_rules_said(drives: tuple[DeskDrive, DeskDrive]) -> None:
    async with desk(drives[0]) as page:
        await picture(page, "desk-1440", whole=True)
        await expect(page.locator("#title")).to_have_text("Drive 1 of invented.db")
        await expect(page.locator("#facts")).to_contain_text("9 min 55 s")
        raised = {e.rule for e in drives[0].live}
        assert "egt-high" in raised
        await expect(page.locator("#said-words")).to_contain_text(f"{len(raised)} of {len(drives[0].rules)} rules")
        times = sum(e.rule == "egt-high" for e in drives[0].live)
        await expect(row(page, "egt-high").locator(".count")).to_contain_text(f"{times}×")
        for lane in ("segments", "marks", "egt high"):
            await expect(page.locator("#gutter .lane", has_text=lane).first).to_be_visible()
        assert await page.locator("#gutter div b").count() == 6


@pytest.mark.asyncio
async def test_a_moved_limit_changes_the_alerts_at_once_and_back(drives: tuple[DeskDrive, DeskDrive]) -> None:
    async with desk(drives[0]) as page:
        await row(page, "egt-high").click()
        before = await row(page, "egt-high").locator(".count").inner_text()
        await page.locator(LIMIT).fill("2000")
        await judged(page, 2)
        await expect(row(page, "egt-high").locator(".count")).to_have_text("not raised")
        await expect(page.locator("#gutter .lane", has_text="egt high")).to_have_count(0)
        await expect(page.locator("#differences")).to_contain_text("egt high: gone at")
        await expect(page.locator("#diff")).to_contain_text("+above = 2000")
        await picture(page, "desk-moved", whole=True)
        await page.locator("#undo").click()
        await expect(row(page, "egt-high").locator(".count")).to_have_text(before)
        await expect(page.locator("#changes")).to_be_hidden()


@pytest.mark.asyncio
async def test_a_cell_of_the_grid_is_tried_by_choosing_it(drives: tuple[DeskDrive, DeskDrive]) -> None:
    async with desk(drives[0]) as page:
        await row(page, "egt-high").click()
        cell = page.locator("#grid tbody tr").last.locator("button").last
        told = (await cell.get_attribute("aria-label") or "").split()
        raises = (await cell.inner_text()).split()[0]
        await cell.click()
        await judged(page, 2)
        assert await page.locator(LIMIT).input_value() == told[1].rstrip(",")
        count = row(page, "egt-high").locator(".count")
        await expect(count).to_contain_text("not raised" if raises == "0" else f"{raises}×")


@pytest.mark.asyncio
async def test_what_a_rule_cannot_be_is_told_in_the_words_of_the_configuration(
    drives: tuple[DeskDrive, DeskDrive],
) -> None:
    async with serve(make_desk(drives[0])) as port, page_at(f"http://127.0.0.1:{port}/", DESK, problems=True) as page:
        await page.wait_for_selector("#grid td")
        await row(page, "egt-high").click()
        await page.locator("#key--deadband").fill("-5")
        await expect(page.locator("#if-problem")).to_contain_text("deadband")
        await page.locator("#key--deadband").fill("5")
        await expect(page.locator("#if-problem")).to_be_hidden()


@pytest.mark.asyncio
async def test_the_changed_file_is_for_saving_and_nothing_else_is_written(
    log: Path, drives: tuple[DeskDrive, DeskDrive]
) -> None:
    before = {p.name: p.read_bytes() for p in log.parent.iterdir()}
    async with desk(drives[0]) as page:
        await row(page, "egt-high").click()
        await page.locator(LIMIT).fill("705")
        await judged(page, 2)
        async with page.expect_download() as saved:
            await page.locator("#save").click()
        text = (await asyncio.to_thread((await (await saved.value).path()).read_bytes)).decode()
    old, new = (tomllib.loads(t)["rule"] for t in (drives[0].rules_text, text))
    assert [r["name"] for a, r in zip(old, new, strict=True) if a != r] == ["egt-high"]
    assert {k for r in new if r["name"] == "egt-high" for k in r if r[k] == 705} == {"above"}
    assert text.count("#") == drives[0].rules_text.count("#")
    assert {p.name: p.read_bytes() for p in log.parent.iterdir()} == before


@pytest.mark.asyncio
async def test_keys_move_zoom_and_read_the_drive(drives: tuple[DeskDrive, DeskDrive]) -> None:
    async with desk(drives[0]) as page:
        await page.locator("#stage").focus()
        for key in ("Shift+ArrowRight", "+", "+", "+"):
            await page.keyboard.press(key)
        await expect(page.locator("#reading")).to_contain_text("at 5:0")
        await expect(page.locator("#gutter .now").first).to_contain_text("km/h")
        span = await page.locator("#span").inner_text()
        await page.keyboard.press("ArrowLeft")
        await expect(page.locator("#span")).not_to_have_text(span)
        for _ in range(30):
            await page.keyboard.press("+")
        low, high = [_seconds(t) for t in (await page.locator("#span").inner_text()).split(" to ")]
        assert high - low == pytest.approx(1.0, abs=0.11)
        await picture(page, "desk-a-second")
        await page.keyboard.press("Home")
        await expect(page.locator("#span")).to_contain_text("0:00.0 to 9:55.0")


def _seconds(text: str) -> float:
    out = 0.0
    for part in text.split(":"):
        out = out * 60 + float(part)
    return out


@pytest.mark.asyncio
async def test_pulling_across_the_drive_looks_closer(drives: tuple[DeskDrive, DeskDrive]) -> None:
    async with desk(drives[0]) as page:
        box = await page.locator("#stage").bounding_box()
        assert box is not None
        await page.mouse.move(box["x"] + 500, box["y"] + 200)
        await page.mouse.down()
        await page.mouse.move(box["x"] + 600, box["y"] + 200, steps=4)
        await page.mouse.up()
        low, high = [_seconds(t) for t in (await page.locator("#span").inner_text()).split(" to ")]
        frame = box["width"] - 2 - 176 - 12
        assert high - low == pytest.approx(float(drives[0].t_s[-1]) * 100 / frame, rel=0.02)


@pytest.mark.asyncio
@pytest.mark.parametrize("axis", ["time", "distance", "place"])
async def test_two_drives_lie_side_by_side(drives: tuple[DeskDrive, DeskDrive], axis: str) -> None:
    async with desk(*drives) as page:
        await page.locator(f'#axis input[value="{axis}"]').check()
        await expect(page.locator("#span")).to_contain_text(":" if axis == "time" else "km")
        box = await page.locator("#stage").bounding_box()
        assert box is not None
        await page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + 150)
        await expect(page.locator("#gutter .other").first).to_contain_text("km/h")
        await picture(page, f"desk-beside-{axis}", whole=True)


@pytest.fixture(scope="module")
def complaint(tmp_path_factory: pytest.TempPathFactory) -> tuple[DeskDrive, DeskDrive]:
    """A drive whose exhaust got hotter than in the good one, with two marks on the climb."""
    path = log_of(tmp_path_factory.mktemp("complaint") / "complaint.db")
    return load_drive(path, 2), load_drive(path, 1)


@contextlib.asynccontextmanager
async def fitted(drive: DeskDrive, against: DeskDrive | None, size: ViewportSize = DESK) -> AsyncIterator[Page]:
    """The page, once it tells what fits the evidence."""
    async with desk(drive, against, size) as page:
        await page.wait_for_selector("body[data-fits]")
        yield page


async def shown_s(page: Page) -> tuple[float, float]:
    """From where to where the page shows the drive."""
    low, high = [_seconds(t) for t in (await page.locator("#span").inner_text()).split(" to ")]
    return low, high


@pytest.mark.asyncio
async def test_a_marked_moment_tells_what_was_unusual_and_leads_there(complaint: tuple[DeskDrive, DeskDrive]) -> None:
    expected = moments(complaint[0].whole, complaint[1].whole)
    async with fitted(*complaint) as page:
        await picture(page, "desk-complaint", whole=True)
        marks = page.locator("#marked .mark")
        assert await marks.count() == len(MARKS_MS)
        await expect(marks.first).to_contain_text(EVIL)
        assert expected[0].unusual, "the complaint must have something to tell"
        told = await marks.first.locator("tbody th").all_inner_texts()
        assert told == [role_words(u.role) for u in expected[0].unusual]
        await marks.first.locator("button", has_text="two minutes around 4:00.0").click()
        low, high = await shown_s(page)
        assert (low, high) == pytest.approx([t / 1000 for t in expected[0].window_ms], abs=0.11)
        assert high - low <= 240.11
        await expect(page.locator("#reading")).to_contain_text("at 4:00.0")


@pytest.mark.asyncio
async def test_findings_stand_with_their_evidence_and_lead_to_its_moments(
    complaint: tuple[DeskDrive, DeskDrive],
) -> None:
    expected = findings(complaint[0].whole, complaint[1].whole)
    strong = max((e for e in expected.evidence if e.known), key=lambda e: abs(e.strength))
    assert strong.moments_ms
    async with fitted(*complaint) as page:
        box = page.locator("#findings")
        await expect(box.locator(".verdict")).to_have_text(expected.words)
        await expect(page.locator("#verdict")).to_have_text(expected.words)
        assert await box.locator(".cause").count() == min(len(expected.ranked), 5)
        row = box.locator("table.told tbody tr").first
        await expect(row).to_contain_text(strong.text)
        await row.locator("button.moment").first.click()
        low, high = await shown_s(page)
        begin, end = (t / 1000 for t in strong.moments_ms[0])
        assert low <= begin and high >= end and high - low < float(complaint[0].t_s[-1])
        blind = [e for e in expected.evidence if not e.known]
        await expect(box.locator("#blind summary")).to_have_text(f"Can't tell: {len(blind)} signs")
        await expect(box).to_contain_text("never name a cause as certain")


@pytest.mark.asyncio
async def test_the_comparison_is_told_as_a_whole_and_cell_by_cell(complaint: tuple[DeskDrive, DeskDrive]) -> None:
    expected = compare(complaint[0].whole, complaint[1].whole)
    there = [d for d in expected.differences if d.comparable]
    assert there and len(there) < len(expected.differences)
    async with fitted(*complaint) as page:
        rows = page.locator("#differences-of tbody tr")
        assert await rows.locator("th").all_inner_texts() == [d.quantity.words for d in there]
        not_ = await page.locator("#not-comparable li").all_inner_texts()
        assert [w.split(":")[0] for w in not_] == [d.quantity.words for d in expected.differences if d.reason]
        for d in there[:2]:
            await rows.get_by_role("button", name=d.quantity.words, exact=True).click()
            filled = np.isfinite(d.difference)
            assert await page.locator("#cells td.full").count() == int(filled.sum())
            sure = np.abs(d.difference[filled]) > d.uncertainty[filled]
            assert await page.locator("#cells td.sure").count() == int(sure.sum())
        await page.locator("#cells td.full").first.hover()
        await expect(page.locator("#cells-words")).to_contain_text("give or take")
        await expect(page.locator("#cells-words")).to_contain_text("of the other")
        await page.locator("#cells-list summary").click()
        assert await page.locator("#cells-list tbody tr").count() == int(filled.sum())


@pytest.mark.asyncio
async def test_without_a_reference_nothing_is_compared_and_the_page_says_so(
    complaint: tuple[DeskDrive, DeskDrive],
) -> None:
    async with fitted(complaint[0], None) as page:
        await expect(page.locator("#findings .caution").first).to_contain_text("--against")
        await expect(page.locator("#beside")).to_contain_text("Not compared")
        assert await page.locator("#cells td").count() == 0


@pytest.mark.asyncio
async def test_the_other_drives_alerts_lie_in_lanes_of_their_own(drives: tuple[DeskDrive, DeskDrive]) -> None:
    assert {e.rule for e in drives[0].live} - {e.rule for e in drives[1].live}
    async with desk(drives[1], drives[0]) as page:
        lanes = await page.locator("#gutter .lane").all_inner_texts()
        assert [w for w in lanes if w.startswith("drive 1: ")] == [
            f"drive 1: {r.name.replace('-', ' ').replace('_', ' ').replace(':', ': ')}"
            for r in sorted(drives[0].rules, key=lambda r: -r.action)
            if r.name in {e.rule for e in drives[0].live}
        ]


@pytest.mark.asyncio
@pytest.mark.parametrize("size", [SMALL, PHONE], ids=["small", "phone"])
async def test_what_fits_has_no_scrolling_sideways(complaint: tuple[DeskDrive, DeskDrive], size: ViewportSize) -> None:
    async with fitted(*complaint, size=size) as page:
        await picture(page, f"desk-complaint-{size['width']}", whole=True)
        assert await page.evaluate("document.documentElement.scrollWidth") <= size["width"]


@pytest.mark.asyncio
async def test_what_fits_is_accessible(complaint: tuple[DeskDrive, DeskDrive]) -> None:
    async with fitted(*complaint) as page:
        found = await Axe().run(page)
        assert [(v["id"], [n["target"] for n in v["nodes"]][:4]) for v in found.response["violations"]] == []


@pytest.mark.asyncio
async def test_the_page_is_there_before_the_drive_is_and_says_when_it_can_not_be_loaded(
    drives: tuple[DeskDrive, DeskDrive],
) -> None:
    gate = threading.Event()

    def load(before: object) -> tuple[DeskDrive, DeskDrive | None]:
        assert gate.wait(30)
        raise UphaulError("the log has a hole")

    async with serve(make_desk(load)) as port, page_at(f"http://127.0.0.1:{port}/", DESK, problems=True) as page:
        await expect(page.locator("#title")).to_have_text("The drive")
        await expect(page.locator("#waiting")).to_be_visible()
        gate.set()
        await expect(page.locator("#broken")).to_have_text("the log has a hole")
        await expect(page.locator("#broken")).to_be_in_viewport()
        for left in ("#waiting", "#verdict", "#said-words"):
            await expect(page.locator(left)).to_be_hidden()


@pytest.mark.asyncio
async def test_the_drive_and_its_alerts_are_seen_before_all_of_it_is_read(
    log: Path, drives: tuple[DeskDrive, DeskDrive]
) -> None:
    gate = threading.Event()

    def load(before: tuple[DeskDrive, DeskDrive | None] | None) -> tuple[DeskDrive, DeskDrive | None]:
        if before is None:
            return load_drive(log, 1, first=True), load_drive(log, 2, first=True)
        assert gate.wait(30)
        return load_drive(log, 1, after=before[0], judge=True), load_drive(log, 2, after=before[1])

    async with serve(make_desk(load)) as port, page_at(f"http://127.0.0.1:{port}/", DESK) as page:
        try:
            await page.wait_for_selector("#stage[data-answered]")
            assert await page.locator("#gutter div b").count() == 6
            lanes = page.locator("#gutter .lane")
            before = await lanes.all_inner_texts()
            assert "egt high" in before
            await expect(page.locator("#said-words")).to_contain_text("Judging")
            await page.locator("#pick summary").click()
            await expect(page.locator("#signals")).to_contain_text("Reading the rest")
            await picture(page, "desk-opening")
        finally:
            gate.set()
        await page.wait_for_selector("body[data-ready]")
        assert await page.locator("#signals input").count() == len(drives[0].signals)
        assert await lanes.all_inner_texts() == before  # judged by its own rules, it says what was said on the way
        await expect(page.locator('#signals input[value="head"]')).to_be_disabled()  # never known
        await page.locator('#signals input[value="map"]').check()
        await expect(page.locator("#gutter div b")).to_have_count(7)


@pytest.mark.asyncio
async def test_the_small_desk_has_no_scrolling_sideways(drives: tuple[DeskDrive, DeskDrive]) -> None:
    async with desk(*drives, size=SMALL) as page:
        await picture(page, "desk-1024", whole=True)
        wide = await page.evaluate("document.documentElement.scrollWidth")
        assert wide <= SMALL["width"]


@pytest.mark.asyncio
async def test_the_page_is_accessible(drives: tuple[DeskDrive, DeskDrive]) -> None:
    async with desk(drives[0]) as page:
        await page.locator("#pick summary").click()
        found = await Axe().run(page)
        told = [(v["id"], [n["target"] for n in v["nodes"]][:4]) for v in found.response["violations"]]
        assert told == []


# -------------------------------------------------------------------------------------------------------------- server


@pytest.mark.asyncio
async def test_the_view_has_every_extreme_of_the_drive(drives: tuple[DeskDrive, DeskDrive]) -> None:
    drive = drives[0]
    async with serve(make_desk(drive)) as port, aiohttp.ClientSession() as session:
        url = f"http://127.0.0.1:{port}/view?axis=time&from=0&to=9999&buckets=50&signals=egt,speed"
        async with session.get(url) as answer:
            body = await answer.read()
    (length,) = struct.unpack_from("<I", body)
    head, at = json.loads(body[4 : 4 + length]), 4 + length
    assert at % 8 == 0
    assert [t["signal"] for t in head] == ["egt", "speed"]
    for t in head:
        x, y = np.frombuffer(body, "<f8", 2 * t["n"], at).reshape(2, -1)
        at += 16 * t["n"]
        own = drive.whole.values[:, drive.signal(t["signal"])]
        assert (np.nanmin(y), np.nanmax(y)) == (np.nanmin(own), np.nanmax(own))
        assert t["n"] <= 110
        gap = np.flatnonzero(np.isnan(y))
        assert ((x[gap - 1] < 420) & (x[gap + 1] > 440)).any()  # the line breaks where nothing was logged
    assert at == len(body)


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("/view?axis=time&from=0&to=1&buckets=5&signals=none", "signal 'none': drive 1 of invented.db has none"),
        ("/view?axis=colour&from=0&to=1&buckets=5&signals=egt", "axis: one of time, distance, place"),
        ("/view?axis=time&from=x&to=1&buckets=5&signals=egt", "from: a number"),
        ("/view?axis=time&from=0&to=nan&buckets=5&signals=egt", "to: a number"),
        ("/view?axis=time&from=0&to=1&buckets=0&signals=egt", "at most 4000 buckets"),
        ("/view?axis=time&from=0&to=1&buckets=5&signals=egt&rules=other", "not kept any longer"),
        ("/map.json?value=none", "none is no role and no signal"),
        ("/road.json?axis=up", "axis: one of"),
        ("/rules.toml?rules=other", "not kept any longer"),
    ],
)
async def test_what_cannot_be_meant_is_answered_in_words(
    drives: tuple[DeskDrive, DeskDrive], path: str, words: str
) -> None:
    async with (
        serve(make_desk(drives[0])) as port,
        aiohttp.ClientSession() as session,
        session.get(f"http://127.0.0.1:{port}{path}") as answer,
    ):
        assert answer.status == 400
        assert words in (await answer.json())["problem"]


@pytest.mark.asyncio
async def test_no_page_from_elsewhere_looks_or_judges(drives: tuple[DeskDrive, DeskDrive]) -> None:
    async with serve(make_desk(drives[0])) as port, aiohttp.ClientSession() as session:
        url = f"http://127.0.0.1:{port}"
        async with session.get(f"{url}/drive.json", headers={"Host": "elsewhere.example"}) as answer:
            assert answer.status == 421
        async with session.post(f"{url}/judge", json={"edits": []}) as answer:
            assert answer.status == 403
        async with session.post(f"{url}/judge", json={}, headers={"Origin": "http://elsewhere.example"}) as answer:
            assert answer.status == 403
        async with session.post(f"{url}/judge", json={}, headers={"Origin": url}) as answer:
            assert answer.status == 200
        async with session.get(f"{url}/") as answer:
            assert answer.headers["Content-Security-Policy"] == POLICY
            assert "script-src 'self';" in POLICY
            assert "Server" not in answer.headers


@pytest.mark.asyncio
async def test_a_question_about_all_of_the_drive_is_not_kept_waiting_for_somebody_to_look(
    drives: tuple[DeskDrive, DeskDrive], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("uphaul.desk.server.PATIENCE_S", 3600.0)
    async with (
        asyncio.timeout(30),
        serve(make_desk(drives[0])) as port,
        aiohttp.ClientSession() as session,
        session.get(f"http://127.0.0.1:{port}/rest.json") as answer,
    ):
        assert len((await answer.json())["signals"]) == len(drives[0].signals)


@pytest.mark.asyncio
async def test_all_of_the_drive_is_read_though_nobody_looks(
    drives: tuple[DeskDrive, DeskDrive], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("uphaul.desk.server.PATIENCE_S", 0.0)
    all_of_it = threading.Event()

    def load(before: object) -> tuple[DeskDrive, DeskDrive | None]:
        if before is not None:
            all_of_it.set()
        return drives[0], None

    async with serve(make_desk(load)):
        assert await asyncio.to_thread(all_of_it.wait, 30)


@contextlib.asynccontextmanager
async def running(*arguments: str) -> AsyncIterator[tuple[asyncio.subprocess.Process, list[str]]]:
    """The command and the four lines that it begins with."""
    command = [sys.executable, "-m", "uphaul", "desk", *arguments]
    process = await asyncio.create_subprocess_exec(*command, stdout=asyncio.subprocess.PIPE)
    assert process.stdout is not None
    try:
        async with asyncio.timeout(60):
            yield process, [(await process.stdout.readline()).decode() for _ in range(4)]
            process.terminate()
            assert await process.wait() == 0
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()


@pytest.mark.asyncio
async def test_the_command_serves_the_page_until_it_is_told_to_end(log: Path) -> None:
    async with running(str(log), "--drive", "1", "--against", "2") as (_, lines):
        (page,) = [line for line in lines if line.startswith("  page")]
        url = page.split()[-1]
        assert url.startswith("http://127.0.0.1:")
        assert "drive 1 of invented.db: 9 min 55 s, beside drive 2 of invented.db.\n" in lines
        assert any("Invented demo data" in line for line in lines)
        async with aiohttp.ClientSession() as session, session.get(f"{url}drive.json") as answer:
            assert (await answer.json())["against"]["number"] == 2


@pytest.mark.asyncio
async def test_the_command_lays_a_drive_of_another_log_beside(
    log: Path, complaint: tuple[DeskDrive, DeskDrive]
) -> None:
    async with running(str(log), "--drive", "1", "--against", f"{complaint[0].path}#1") as (_, lines):
        assert "drive 1 of invented.db: 9 min 55 s, beside drive 1 of complaint.db.\n" in lines


@pytest.mark.parametrize(
    ("against", "words"),
    [
        ("2", "--against 2: is the drive itself"),
        ("{log}#2", "is the drive itself"),
        ("{log}", "is the drive itself"),
        ("9", "there is no drive 9"),
        ("{log}#9", "there is no drive 9"),
        ("nowhere.db", "there is no file nowhere.db; name another drive of LOG by its number"),
        ("{other}", "is no log"),
    ],
)
def test_what_can_not_lie_beside_is_refused_in_words(log: Path, against: str, words: str, tmp_path: Path) -> None:
    other = tmp_path / "notes.txt"
    other.write_text("no drive")
    done = CliRunner().invoke(main, ["desk", str(log), "--against", against.format(log=log, other=other)])
    assert done.exit_code == 2
    assert words in done.stderr


def test_without_the_library_the_command_to_install_it_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("uphaul.desk.library.find_spec", lambda name: None if name == "bokeh" else object())
    with pytest.raises(UphaulError, match=r"bokeh draws the drive.*pip install 'uphaul\[workshop\]'"):
        check()
