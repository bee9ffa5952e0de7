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
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from support.fleet import BUILT_ON, LOOKED_AT, TESTED_ON, Family, Trip
from support.fleet_drive import drive_fleet, drive_true
from support.fleet_faults import FAULTY, OUTSIDE, Case, both, did_something, fault_trip, healthy_trip, twin_of
from uphaul.analysis.comparison import compare
from uphaul.analysis.findings import NOTHING, TOO_LITTLE, UNEXPLAINED, Findings, findings
from uphaul.analysis.segments import cut
from uphaul.analysis.whole import WholeDrive

CAUTION = "These figures prove the findings on our own invented vehicle only."
FAMILIES = (BUILT_ON, LOOKED_AT, TESTED_ON)
BATCH = 4
NOT_THERE = "did nothing"
ALIKE = frozenset((frozenset(("boost-control", "turbine-leak")),))
"""Causes that no signal but one tells apart, by the vehicle's own laws (`test_findings` holds them to it): where that
one is not fitted, a shared first place is the best that can be said."""


def trips_of(family: Family, number: int, healthy: int) -> list[tuple[Trip, Case | None, bool]]:
    """The drives of one vehicle: the handover drive, sound ones, then every fault, the mild ones of every second
    vehicle."""
    rows: list[tuple[Trip, Case | None, bool]] = [(healthy_trip(family, number, 0), None, False)]
    rows += [(healthy_trip(family, number, part), None, False) for part in range(1, healthy + 1)]
    for i, (case, mild) in enumerate(both((*FAULTY, *OUTSIDE))):
        if not (mild and number % 2):
            rows.append((fault_trip(family, number, case, mild=mild, part=100 + i), case, mild))
    return rows


@dataclass(frozen=True, slots=True)
class Run:
    """A drive and its handover drive. `group`: "clear", "mild", or "did nothing" (as `did_something` tells)."""

    reference: WholeDrive
    drive: WholeDrive
    case: Case | None
    group: str
    told: bool


def driven(family: Family, vehicles: int, healthy: int) -> Iterator[Run]:
    """Every drive of every vehicle. Faults that are to be clear are driven twice: with the fault and without."""
    for first in range(0, vehicles, BATCH):
        sets = [trips_of(family, k, healthy) for k in range(first, min(first + BATCH, vehicles))]
        rows = [(row, s[0]) for s in sets for row in s]
        twins = [i for i, ((_, case, mild), _) in enumerate(rows) if case is not None and not mild]
        trips = [row[0] for row, _ in rows]
        drives, was = drive_true(trips + [twin_of(trips[i]) for i in twins])
        twin = {i: len(trips) + k for k, i in enumerate(twins)}
        at = {id(row): i for i, (row, _) in enumerate(rows)}
        for i, (row, handover) in enumerate(rows):
            if row is handover:
                continue
            _, case, mild = row
            group = "mild" if mild else "clear"
            if case is not None and i in twin and not did_something(case, was[i], was[twin[i]]):
                group = NOT_THERE
            yield Run(drives[at[id(handover)]], drives[i], case, group, trips[i].vehicle.actuator_told)


def outcome(found: Findings, case: Case | None) -> str:
    """What came of one drive: first, shared (first place with another), second, later, missed, unexplained, other
    cause; or quiet and false for a sound one. "alike" is shared with a cause that nothing fitted tells from it."""
    named = [f.cause.key for f in found.ranked]
    if case is None:
        return "quiet" if found.verdict in (NOTHING, TOO_LITTLE) else "false"
    if found.verdict in (NOTHING, TOO_LITTLE):
        return "missed"
    if found.verdict == UNEXPLAINED:
        return "unexplained"
    if case.cause not in named:
        return "other cause"
    if found.shared and case.cause in named[:2]:
        return "alike" if frozenset(named[:2]) in ALIKE else "shared"
    return ("first", "second")[named.index(case.cause)] if named.index(case.cause) < 2 else "later"


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
    fitted: dict[tuple[str, bool], Counter[str]] = {}
    cells = beyond = 0
    for run in driven(family, asked.vehicles, asked.healthy):
        found = findings(run.drive, run.reference)
        came = outcome(found, run.case)
        key = (run.case.name if run.case else "sound", run.group)
        table.setdefault(key, Counter())[came] += 1
        if run.case and run.group == "clear":
            fitted.setdefault((run.case.name, run.told), Counter())[came] += 1
        if came in ("false", "other cause", "second", "shared"):
            wrong.setdefault(key, Counter())[found.verdict] += 1
        if run.case is None:
            for each in compare(run.drive, run.reference).differences:
                known = ~np.isnan(each.difference)
                cells += int(known.sum())
                beyond += int((np.abs(each.difference[known]) > each.uncertainty[known]).sum())
    print(f"family {family.name}. {CAUTION}")
    _print_table(table, wrong)
    _print_fitted(fitted)
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


COLUMNS = ("first", "alike", "shared", "second", "later", "unexplained", "missed", "other cause")


def _print_table(table: dict[tuple[str, str], Counter[str]], wrong: dict[tuple[str, str], Counter[str]]) -> None:
    print("| fault | size | drives | " + " | ".join(COLUMNS) + " | named instead |")
    print("|---|---|---|" + "---|" * len(COLUMNS) + "---|")
    order = {c.name: i for i, c in enumerate((*FAULTY, *OUTSIDE))}
    for (name, size), c in sorted(table.items(), key=lambda r: (r[0][1], order.get(r[0][0], -1))):
        instead = ", ".join(f"{v} {n}" for n, v in wrong.get((name, size), {}).items())
        counts = [f"quiet {c['quiet']}, false {c['false']}"] if name == "sound" else [str(c[k] or "") for k in COLUMNS]
        print(f"| {name} | {size} | {c.total()} | {' | '.join(counts)} | {instead} |")


def _print_fitted(fitted: dict[tuple[str, bool], Counter[str]]) -> None:
    inside = {c.name for c in FAULTY}
    for told in (True, False):
        c: Counter[str] = sum((v for (n, t), v in fitted.items() if t == told and n in inside), Counter())
        with_or = "with" if told else "without"
        if c:
            print(
                f"clear faults {with_or} the actuator's position: {c.total()}, first {c['first'] / c.total():.1%}, "
                f"with those that nothing fitted tells apart {(c['first'] + c['alike']) / c.total():.1%}"
            )


def _bars(table: dict[tuple[str, str], Counter[str]], cells: int, beyond: int) -> dict[str, tuple[float, float, bool]]:
    inside, others = {c.name for c in FAULTY}, {o.name for o in OUTSIDE}
    clear: Counter[str] = sum((c for (n, s), c in table.items() if s == "clear" and n in inside), Counter())
    outside: Counter[str] = sum((c for (n, s), c in table.items() if s == "clear" and n in others), Counter())
    idle: Counter[str] = sum((c for (n, s), c in table.items() if s == NOT_THERE and n in inside), Counter())
    sound = table["sound", "clear"]
    two = sum(clear[k] for k in ("first", "alike", "shared", "second"))
    named = outside.total() - outside["unexplained"] - outside["missed"]
    everything = clear + idle
    return {
        "clear faults ranked first, alone": (clear["first"] / clear.total(), 0.90, True),
        "the same, with places shared by what nothing fitted tells apart": (
            (clear["first"] + clear["alike"]) / clear.total(), 0.90, True),
        "clear faults among the first two": (two / clear.total(), 0.97, True),
        "sound drives with a finding": (sound["false"] / sound.total(), 0.02, False),
        "clear faults outside the table that got a wrong cause": (named / outside.total(), 0.0, False),
        "for comparison, ranked first of all, those that did nothing included": (
            everything["first"] / everything.total(), 0.90, True),
        "cells of sound drives within the stated uncertainty": (1.0 - beyond / max(cells, 1), 0.95, True),
    }  # fmt: skip


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
