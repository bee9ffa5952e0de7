"""CPU of the questions to a whole 8 h drive: its segments with figures, a map, its pulls, a marked moment.

Usage: ``python tests/bench/segments.py [--hours 8] [--json]``. 50 signals at 20 Hz, on long roads (few segments), in
town (many), and with a full-load pull every two minutes. Cutting is held against what its figures alone cost with
NumPy's own functions for unknown values, signal by signal and segment by segment; a map against
`scipy.stats.binned_statistic_2d` for its counts and medians alone; finding all pulls with their power against
`scipy.signal.savgol_filter` for value and slope of road and engine speed over the whole drive. All in one run, the best
of three, so the ratios hold on any machine.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
import time
import warnings
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.signal import savgol_filter
from scipy.stats import binned_statistic_2d

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.whole_drives import CRUISING, IDLING, Leg, by_hand
from uphaul.analysis.maps import EDGES, cell_map, steady
from uphaul.analysis.moments import moments
from uphaul.analysis.pulls import find_pulls
from uphaul.analysis.segments import Segment, cut
from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.signals import Event, EventKind, Signal
from uphaul.vehicle.sheet import BuildSheet, Driveline, Load

SIGNALS = 50
CLIMB = Leg(600.0, rpm=2600.0, speed=21.0, pedal=0.85, boost=150.0, egt=680.0, grade=0.065, gear=4.0)
AWAY = Leg(15.0, rpm=(900.0, 2400.0), speed=(0.5, 13.0), pedal=0.5, boost=80.0, egt=400.0, gear=3.0)
TOWN = [
    replace(IDLING, seconds=12.0),
    AWAY,
    replace(CRUISING, seconds=20.0, speed=13.0),
    replace(AWAY, rpm=(1500.0, 800.0), speed=(13.0, 0.0), pedal=0.0),
]
PULL = Leg(12.0, rpm=(1500.0, 3300.0), speed=(12.0, 26.4), pedal=1.0, boost=150.0, egt=(400.0, 690.0), gear=3.0)
ROADS = {
    "long roads": [IDLING, AWAY, replace(CRUISING, seconds=1200.0), CLIMB, CRUISING],
    "town": TOWN,
    "a pull every two minutes": [replace(CRUISING, seconds=108.0, pedal=0.4), PULL],
}
SHEET = BuildSheet(
    driveline=Driveline((4.38, 2.39, 1.46, 1.0, 0.705), 4.885, 0.38, 0.90), load=Load(2700.0, 0.0, 1.2, 0.01, 1.035)
)


def drive(legs: Sequence[Leg], hours: float) -> WholeDrive:
    """The legs over and over for so long, with noise, further roles and plain signals, a tenth of them not fitted."""
    ticks = round(hours * 72_000)
    once = by_hand(legs)
    rng = np.random.default_rng(4)
    values = np.empty((ticks, SIGNALS))
    own = len(once.signals)
    values[:, :own] = np.tile(once.values, (-(-ticks // len(once)), 1))[:ticks]
    values[:, :own] *= 1.0 + rng.normal(0.0, 0.002, (ticks, own))
    gear = [signal.name for signal in once.signals].index("gear")
    values[:, gear] = np.rint(values[:, gear])
    values[:, own:] = rng.normal(80.0, 4.0, (ticks, SIGNALS - own))
    values[:, -5:] = np.nan
    names = [n for n in ROLES if n not in {s.name for s in once.signals}]
    more = [Signal(n, ROLES[n], 100) for n in names] + [Signal(f"plain_{i}", "1", 100) for i in range(SIGNALS)]
    mark = Event(ticks * 25, 0, EventKind.MARK, text="flat here")
    return WholeDrive(
        (*once.signals, *more[: SIGNALS - own]),
        50 * np.arange(ticks, dtype=np.int64),
        values,
        np.zeros(ticks, dtype=np.int16),
        ("tow",),
        events=(mark,),
    )


def plain_figures(whole: WholeDrive, segments: Sequence[Segment]) -> None:
    """Extremes, when, mean and spread of every role in every segment, the way one would write it down."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        for role in ROLES:
            x = whole.read(role)
            if np.isnan(x).all():
                continue
            for s in segments:
                part = x[s.start : s.stop]
                np.nanmean(part), np.nanstd(part), np.nanmin(part), np.nanmax(part)
                np.nanargmin(part), np.nanargmax(part)


def scipy_map(whole: WholeDrive) -> None:
    known = steady(whole)
    x, y, z = (whole.read(r)[known] for r in ("rpm", "boost", "egt"))
    edges = [np.array(EDGES["rpm"]), np.array(EDGES["boost"])]
    binned_statistic_2d(x, y, z, "count", edges)
    binned_statistic_2d(x, y, z, "median", edges)


def scipy_slopes(whole: WholeDrive) -> None:
    """Value and slope of two signals over the whole drive, the way one would without looking for pulls first."""
    for role in ("speed", "rpm"):
        x = np.nan_to_num(whole.read(role))
        savgol_filter(x, 21, 2)
        savgol_filter(x, 21, 2, deriv=1, delta=0.05)


def best_s(run: Callable[[], object]) -> float:
    """Least CPU of three runs, in s."""
    taken = []
    for _ in range(3):
        begun = time.process_time()
        run()
        taken.append(time.process_time() - begun)
    return min(taken)


def measured(whole: WholeDrive) -> dict[str, float]:
    """The figures of one drive, in CPU seconds, and their ratios."""
    segments = cut(whole)
    figures = {
        "segments": len(segments),
        "cut_s": best_s(lambda: cut(whole)),
        "plain_figures_s": best_s(lambda: plain_figures(whole, segments)),
        "map_s": best_s(lambda: cell_map(whole, "egt", steady=True)),
        "scipy_map_s": best_s(lambda: scipy_map(whole)),
        "pulls": len(find_pulls(whole, SHEET)),
        "pulls_s": best_s(lambda: find_pulls(whole, SHEET)),
        "scipy_slopes_s": best_s(lambda: scipy_slopes(whole)),
        "moment_s": best_s(lambda: moments(whole, whole)),
    }
    figures["cut_to_plain"] = figures["cut_s"] / figures["plain_figures_s"]
    figures["map_to_scipy"] = figures["map_s"] / figures["scipy_map_s"]
    figures["pulls_to_scipy"] = figures["pulls_s"] / figures["scipy_slopes_s"]
    return figures


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    found = {name: measured(drive(legs, options.hours)) for name, legs in ROADS.items()}
    if options.json:
        print(json.dumps({"machine": platform.machine(), "hours": options.hours, **found}, indent=1))
        return
    for name, f in found.items():
        print(f"{options.hours:g} h {name}, {SIGNALS} signals at 20 Hz, CPU:")
        print(f"  {f['segments']} segments cut in {f['cut_s']:.2f} s, {f['cut_to_plain']:.2f} of their figures plainly")
        print(f"  a map of steady ticks in {f['map_s']:.2f} s, {f['map_to_scipy']:.2f} of SciPy's counts and medians")
        print(
            f"  {f['pulls']} pulls in {f['pulls_s']:.2f} s, {f['pulls_to_scipy']:.2f} of SciPy's filter over all of it"
        )
        print(f"  a marked moment against drive and reference in {f['moment_s']:.2f} s")


if __name__ == "__main__":
    main()
