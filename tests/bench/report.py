"""Time that the complaint report of an 8 h drive takes, beside judging it again and only reading it.

Usage: ``python tests/bench/report.py [--hours 8] [--town] [--json]``. An invented drive of the sample's signals, 20 Hz,
on long roads with climbs, or in town (a thousand segments), with three marks, against an hour. Each command runs
as a process of its own, so the start of the program counts; the best of three. In one run, so the ratio holds on any
machine. The bar is 5 s.
"""

from __future__ import annotations

import argparse
import json
import platform
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.complained import enter, mark
from support.whole_drives import CRUISING, IDLING, Leg, by_hand
from uphaul.analysis.whole import WholeDrive
from uphaul.config import demo_config
from uphaul.log.drives import log_parts
from uphaul.log.joined import joined
from uphaul.log.reader import Log

AWAY = Leg(15.0, rpm=(900.0, 2400.0), speed=(0.5, 13.0), pedal=0.95, boost=80.0, egt=400.0, gear=3.0)
CLIMB = Leg(600.0, rpm=2600.0, speed=21.0, pedal=0.85, boost=150.0, egt=680.0, grade=0.065, gear=4.0)
DOWN = Leg(400.0, rpm=2400.0, speed=21.0, pedal=0.0, boost=5.0, egt=250.0, grade=-0.065, gear=4.0)
ROAD = [IDLING, AWAY, replace(CRUISING, seconds=1200.0), CLIMB, DOWN, replace(CRUISING, seconds=300.0, boost=70.0)]
TOWN = [replace(IDLING, seconds=12.0), AWAY, replace(CRUISING, seconds=20.0, speed=13.0), replace(DOWN, seconds=8.0)]


def drive(hours: float, seed: int, road: Sequence[Leg] = ROAD) -> WholeDrive:
    """The road over and over for so long, with noise."""
    once = by_hand(road)
    ticks = round(hours * 72_000)
    rng = np.random.default_rng(seed)
    values = np.tile(once.values, (-(-ticks // len(once)), 1))[:ticks]
    values *= 1.0 + rng.normal(0.0, 0.003, values.shape)
    t_ms = 50 * np.arange(ticks, dtype=np.int64)
    return replace(once, t_ms=t_ms, values=values, tune=np.zeros(ticks, dtype=np.int16))


def taken_s(*arguments: str) -> tuple[float, float]:
    """(wall, CPU) of a command of Uphaul, the best of three, in s."""
    walls, cpus = [], []
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        begun = time.perf_counter()
        subprocess.run([sys.executable, "-m", "uphaul", *arguments], check=True, stdout=subprocess.DEVNULL)
        walls.append(time.perf_counter() - begun)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        cpus.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(walls), min(cpus)


def read_s(path: Path) -> float:
    """Wall time of only reading the second drive's ticks, the best of three, in s."""
    walls = []
    for _ in range(3):
        begun = time.perf_counter()
        with Log.open(path) as log:
            joined(log_parts(log, 2))
        walls.append(time.perf_counter() - begun)
    return min(walls)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--town", action="store_true")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path, page = Path(folder) / "trip.db", Path(folder) / "report.html"
        enter(path, demo_config("demo"), drive(min(1.0, options.hours), 1))
        last_ms = round(options.hours * 3_600_000)
        marks = [mark(round(share * last_ms), "flat here") for share in (0.25, 0.5, 0.75)]
        road = TOWN if options.town else ROAD
        enter(path, demo_config("demo"), drive(options.hours, 2, road), marks)
        wall_s, cpu_s = taken_s("report", str(path), "--against", "1", "--to", str(page), "--force")
        judge_s, _ = taken_s("replay", str(path), "--json")
        found = {
            "hours": options.hours,
            "town": options.town,
            "report_s": wall_s,
            "report_cpu_s": cpu_s,
            "read_s": read_s(path),
            "replay_s": judge_s,
            "report_to_replay": wall_s / judge_s,
            "page_bytes": page.stat().st_size,
        }
    if options.json:
        print(json.dumps({"machine": platform.machine(), **found}, indent=1))
        return
    print(f"{options.hours:g} h at 20 Hz, three marks, against an hour:")
    print(f"  report in {found['report_s']:.2f} s ({found['report_cpu_s']:.2f} s of CPU), {found['page_bytes']} bytes")
    print(f"  {found['report_to_replay']:.2f} of judging it again, which takes {judge_s:.2f} s")
    print(f"  its ticks alone are read in {found['read_s']:.2f} s")


if __name__ == "__main__":
    main()
