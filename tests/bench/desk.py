"""The drive page on an eight-hour drive: opening, looking closer, moving a limit, each in a real browser.

Usage: ``python tests/bench/desk.py [--hours 8] [--rounds 10] [--log LOG] [--json]``; needs chromium. The log is a drive
of the invented vehicle with its own 44 rules, repeated until it is long enough. Times are from an act until its outcome
is on the screen; medians and the worst of the rounds. Opening is from the moment at which the program begins to load
and to serve, which it does at once, with a browser that is there already. Beside them
stand the same jobs done the plain way in the same run: reading the drive from the log alone, all ticks of the signals
as JSON instead of a thinned view, judging all rules instead of the changed one. The grid of settings, made when
a limit rests, is waited for before the next is moved.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import platform
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from playwright.async_api import Page, async_playwright

from support.logged_demo import log_demo
from uphaul.config import demo_config
from uphaul.desk import DeskDrive, load_drive, make_desk
from uphaul.log.drives import load_drive as blocks_of
from uphaul.log.record import TickRecord
from uphaul.log.writer import LogWriter
from uphaul.pipeline import Row, rejudge
from uphaul.web import serve

SIGNALS = ("speed", "rpm", "boost", "egt", "coolant", "charge", "pedal", "oil_pressure")
ONCE_S = 300
BARS_MS = {"open": 2000.0, "view": 150.0, "judge": 500.0}


def long_log(folder: Path, hours: float) -> Path:
    """One drive of so many hours: a short one over and over."""
    short, long = folder / "short.db", folder / "long.db"
    log_demo(short, "climb-heat", ONCE_S)
    (block,) = blocks_of(short, None)
    per_unit = np.array([s.per_unit for s in block.signals])
    counts = np.rint(block.values * per_unit)
    rows = [[None if c != c else int(c) for c in row] for row in counts.tolist()]  # noqa: PLR0124 - NaN
    writer = LogWriter(long, buffer_s=1e9)
    writer.begin_drive(demo_config("climb-heat"), boot_id="bench", began_boot_ms=0)
    for k in range(round(hours * 72_000)):
        writer.tick(TickRecord(50 * k, int(block.tune[k % len(rows)]), rows[k % len(rows)]))
        if k % 20_000 == 0:
            writer.flush(60)
    writer.end_drive("bench over")
    if not writer.close(120):
        raise RuntimeError("the log was not written in time")
    return long


VIEW = """async (key) => {
  const stage = document.getElementById("stage"), before = stage.dataset.answered, began = performance.now();
  stage.dispatchEvent(new KeyboardEvent("keydown", { key }));
  while (stage.dataset.answered === before) await new Promise((f) => setTimeout(f, 1));
  await new Promise((f) => requestAnimationFrame(() => setTimeout(f, 0)));
  return performance.now() - began;
}"""
JUDGE = """async (value) => {
  const input = document.querySelector("#if-keys input[type=number]"), before = document.body.dataset.judged;
  const grid = document.getElementById("grid");
  while (grid.hasAttribute("aria-busy")) await new Promise((f) => setTimeout(f, 20));
  const began = performance.now();
  input.value = value; input.dispatchEvent(new Event("input"));
  while (document.body.dataset.judged === before) await new Promise((f) => setTimeout(f, 1));
  await new Promise((f) => requestAnimationFrame(() => setTimeout(f, 0)));
  return performance.now() - began;
}"""


async def in_browser(path: Path, rounds: int) -> dict[str, list[float]]:
    """Milliseconds of every act."""

    def load(before: tuple[DeskDrive, DeskDrive | None] | None) -> tuple[DeskDrive, DeskDrive | None]:
        if before is None:
            return load_drive(path, None, first=True), None
        return load_drive(path, None, after=before[0], judge=True), None

    found: dict[str, list[float]] = {}
    async with async_playwright() as play:
        browser = await play.chromium.launch(executable_path="/usr/bin/chromium")
        page = await browser.new_page(viewport={"width": 1440, "height": 900})
        began = time.perf_counter()
        async with serve(make_desk(load)) as port:
            url = f"http://127.0.0.1:{port}/"
            await page.goto(url)
            await page.wait_for_selector("#stage[data-answered]", timeout=60_000)
            found["open: the drive is seen"] = [(time.perf_counter() - began) * 1000]
            await page.wait_for_selector("body[data-ready]", timeout=60_000)
            found["open: and judged"] = [(time.perf_counter() - began) * 1000]
            await page.wait_for_selector("body[data-fits]", timeout=60_000)
            found["open: and what fits it"] = [(time.perf_counter() - began) * 1000]
            await _choose(page)
            await page.evaluate(VIEW, "Home")
            found["view: all of it"] = [await page.evaluate(VIEW, "Home") for _ in range(rounds)]
            found["view: closer"] = [await page.evaluate(VIEW, "+") for _ in range(rounds)]
            found["view: along"] = [await page.evaluate(VIEW, "ArrowRight") for _ in range(rounds)]
            await page.evaluate(VIEW, "Home")
            found["judge"] = [await page.evaluate(JUDGE, 700 - k) for k in range(rounds + 1)][1:]
        await browser.close()
    return found


async def _choose(page: Page) -> None:
    await page.locator("#pick summary").click()
    for box in await page.locator("#signals input:enabled").all():
        await box.set_checked(await box.get_attribute("value") in SIGNALS)
    await page.keyboard.press("Escape")
    await page.locator('#said button[data-rule="egt-high"]').click()
    await page.wait_for_selector("#grid td", timeout=60_000)


def plain(path: Path, drive: DeskDrive) -> dict[str, float]:
    """Milliseconds of the same jobs without what the page does to be quick."""
    began = time.perf_counter()
    blocks_of(path, None)
    read = (time.perf_counter() - began) * 1000
    began = time.perf_counter()
    columns = [drive.signal(name) for name in SIGNALS]
    json.dumps(np.round(drive.whole.values[:, columns], 3).tolist())
    whole = (time.perf_counter() - began) * 1000
    began = time.perf_counter()
    (stretch,) = drive.stretches
    rejudge(Row(stretch.block.signals, drive.rules, stretch.tunes, grid_ms=50), [stretch.block])
    every = (time.perf_counter() - began) * 1000
    return {"open": read, "view": whole, "judge": every}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--rounds", type=int, default=10)
    parser.add_argument("--log", type=Path, help="a log made before, instead of a new one")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = args.log or long_log(Path(folder), args.hours)
        found = asyncio.run(in_browser(path, args.rounds))
        began = time.perf_counter()
        drive = load_drive(path, None)
        load_ms = (time.perf_counter() - began) * 1000
        beside = plain(path, drive)
    out: dict[str, Any] = {
        "python": platform.python_version(),
        "cores": os.cpu_count(),
        "load": round(os.getloadavg()[0], 1),
        "ticks": len(drive.whole),
        "load_ms": round(load_ms),
    }
    for name, times in found.items():
        bar = next(b for b in BARS_MS if b in name)
        out[name] = {
            "median_ms": round(statistics.median(times)),
            "worst_ms": round(max(times)),
            "bar_ms": BARS_MS[bar],
            "of_plain": round(statistics.median(times) / beside[bar], 2),
        }
    out["plain_ms"] = {name: round(ms) for name, ms in beside.items()}
    print(json.dumps(out, indent=None if args.json else 1))


if __name__ == "__main__":
    main()
