"""Findings on drives of the invented vehicle: how often a fault is found, ranked first, missed, or seen where there
is none.

Run: ``cd tests && python -m bench.findings [--vehicles N] [--healthy N] [--family tested-on] [--json FILE]``.

The vehicles are those of `support.fleet`. The findings were built while looking at the families "built-on" and
"looked-at"; the figures that count are those of "tested-on": other laws of compressor, intercooler, friction, breathing
and exhaust heat, other parameters, sensors, drivers and seeds. They prove the findings on our own invented vehicle
only: nothing here was measured on a real one.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from support.fleet import BUILT_ON, LOOKED_AT, TESTED_ON, Family, Trip
from support.fleet_drive import drive_fleet
from support.fleet_faults import FAULTY, OUTSIDE, Case, both, fault_trip, healthy_trip
from uphaul.analysis.comparison import compare
from uphaul.analysis.findings import NOTHING, TOO_LITTLE, UNEXPLAINED, Findings, findings
from uphaul.analysis.segments import cut
from uphaul.analysis.whole import WholeDrive

CAUTION = "These figures prove the findings on our own invented vehicle only."
FAMILIES = (BUILT_ON, LOOKED_AT, TESTED_ON)
BATCH = 4
SEVERITIES = ("clear", "mild")


def trips_of(family: Family, number: int, healthy: int) -> list[tuple[Trip, Case | None, bool]]:
    """The drives of one vehicle: the handover drive, sound ones, then every fault, the mild ones of every second
    vehicle."""
    rows: list[tuple[Trip, Case | None, bool]] = [(healthy_trip(family, number, 0), None, False)]
    rows += [(healthy_trip(family, number, part), None, False) for part in range(1, healthy + 1)]
    for i, (case, mild) in enumerate(both((*FAULTY, *OUTSIDE))):
        if not (mild and number % 2):
            rows.append((fault_trip(family, number, case, mild=mild, part=100 + i), case, mild))
    return rows


def driven(family: Family, vehicles: int, healthy: int) -> Iterator[tuple[WholeDrive, WholeDrive, Case | None, bool]]:
    """(handover drive, drive, its fault, whether that is mild) of every vehicle."""
    for first in range(0, vehicles, BATCH):
        sets = [trips_of(family, k, healthy) for k in range(first, min(first + BATCH, vehicles))]
        drives = iter(drive_fleet([row[0] for rows in sets for row in rows]))
        for rows in sets:
            of_one = [next(drives) for _ in rows]
            for drive, (_, case, mild) in zip(of_one[1:], rows[1:], strict=True):
                yield of_one[0], drive, case, mild


def outcome(found: Findings, case: Case | None) -> str:
    """What came of one drive: first, second, later, missed, unexplained, other cause; or quiet and false for a sound
    one."""
    named = [f.cause.key for f in found.ranked]
    if case is None:
        return "quiet" if found.verdict in (NOTHING, TOO_LITTLE) else "false"
    if found.verdict in (NOTHING, TOO_LITTLE):
        return "missed"
    if found.verdict == UNEXPLAINED:
        return "unexplained"
    if case.cause in named:
        return ("first", "second")[named.index(case.cause)] if named.index(case.cause) < 2 else "later"
    return "other cause"


def main() -> None:
    """Drive, find, print the tables."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--vehicles", type=int, default=12)
    options.add_argument("--healthy", type=int, default=20, help="sound drives a vehicle")
    options.add_argument("--family", choices=[f.name for f in FAMILIES], default=TESTED_ON.name)
    options.add_argument("--json", type=Path)
    asked = options.parse_args()
    family = next(f for f in FAMILIES if f.name == asked.family)
    table: dict[tuple[str, str], Counter[str]] = {}
    wrong: dict[tuple[str, str], Counter[str]] = {}
    cells = beyond = 0
    for reference, drive, case, mild in driven(family, asked.vehicles, asked.healthy):
        found = findings(drive, reference)
        key = (case.name if case else "sound", SEVERITIES[mild])
        came = outcome(found, case)
        table.setdefault(key, Counter())[came] += 1
        if came in ("false", "other cause", "second"):
            wrong.setdefault(key, Counter())[found.verdict] += 1
        if case is None:
            for each in compare(drive, reference).differences:
                known = ~np.isnan(each.difference)
                cells += int(known.sum())
                beyond += int((np.abs(each.difference[known]) > each.uncertainty[known]).sum())
    print(f"family {family.name}. {CAUTION}")
    _print_table(table, wrong)
    figures = _bars(table, cells, beyond)
    for name, (value, bar, at_least) in figures.items():
        reached = value >= bar if at_least else value <= bar
        print(f"{name}: {value:.1%}, bar {'at least' if at_least else 'at most'} {bar:.0%}: "
              f"{'reached' if reached else 'NOT REACHED'}")  # fmt: skip
    seconds, ratio = _eight_hours(family)
    print(f"findings of an 8 h drive: {seconds:.2f} s, {ratio:.1f} times what cutting it into segments takes")
    if asked.json:
        asked.json.write_text(
            json.dumps(
                {
                    "caution": CAUTION,
                    "family": family.name,
                    "vehicles": asked.vehicles,
                    "table": [
                        {"fault": n, "severity": s, **c, "named": wrong.get((n, s), {})} for (n, s), c in table.items()
                    ],
                    "bars": {n: {"value": v, "bar": b, "at_least": a} for n, (v, b, a) in figures.items()},
                    "eight_hours_s": seconds,
                },
                indent=1,
            )
            + "\n",
            encoding="utf-8",
        )


def _print_table(table: dict[tuple[str, str], Counter[str]], wrong: dict[tuple[str, str], Counter[str]]) -> None:
    print(f"{'':32} {'size':6} drives first second later unexpl. missed other  what was named instead")
    for (name, size), c in sorted(table.items(), key=lambda r: (r[0][1], r[0][0])):
        instead = ", ".join(f"{v} {n}" for v, n in wrong.get((name, size), {}).items())
        if name == "sound":
            print(f"{name:32} {'':6} {c.total():6} quiet {c['quiet']}, false {c['false']}  {instead}")
            continue
        print(f"{name:32} {size:6} {c.total():6} {c['first']:5} {c['second']:6} {c['later']:5} {c['unexplained']:7} "
              f"{c['missed']:6} {c['other cause']:5}  {instead}")  # fmt: skip


def _bars(table: dict[tuple[str, str], Counter[str]], cells: int, beyond: int) -> dict[str, tuple[float, float, bool]]:
    inside = {c.name for c in FAULTY}
    clear: Counter[str] = Counter()
    outside: Counter[str] = Counter()
    for (name, size), c in table.items():
        if size == "clear" and name in inside:
            clear += c
        if size == "clear" and name in {o.name for o in OUTSIDE}:
            outside += c
    sound = table["sound", "clear"]
    two = clear["first"] + clear["second"]
    return {
        "clear faults ranked first": (clear["first"] / clear.total(), 0.90, True),
        "clear faults among the first two": (two / clear.total(), 0.97, True),
        "sound drives with a finding": (sound["false"] / sound.total(), 0.02, False),
        "clear faults outside the table that got a wrong cause": (outside["other cause"] / outside.total(), 0.0, False),
        "cells of sound drives within the stated uncertainty": (1.0 - beyond / max(cells, 1), 0.95, True),
    }


def _eight_hours(family: Family) -> tuple[float, float]:
    """(seconds for the findings of an 8 h drive at 20 Hz, over those for its segments)."""
    drives = []
    for drive in drive_fleet([healthy_trip(family, 0, 0), healthy_trip(family, 0, 1)]):
        times = 576_000 // len(drive)
        t_ms = np.arange(len(drive) * times, dtype=np.int64) * 50
        drives.append(
            replace(
                drive,
                t_ms=t_ms,
                values=np.tile(np.repeat(drive.values, 10, axis=0), (-(-times // 10), 1))[: len(t_ms)],
                tune=np.resize(np.repeat(drive.tune, 10), len(t_ms)),
            )
        )
    began = time.perf_counter()
    findings(drives[1], drives[0])
    middle = time.perf_counter()
    cut(drives[1])
    return middle - began, (middle - began) / (time.perf_counter() - middle)


if __name__ == "__main__":
    main()
