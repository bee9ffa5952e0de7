"""CPU of all computed signals of the sample vehicle: one tick, and an 8 h drive at once.

Usage: ``python tests/bench/derive.py [--hours 8] [--json]``. One tick is held against a plain Python loop over the
sample's formulas that do not look back in time, written out with `math` for one tick (no rounding, no ranges, no
unknowns); the drive against the same drive taken tick by tick. All in one run, so the ratios hold on any machine.
"""

from __future__ import annotations

import argparse
import json
import math
import platform
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from uphaul.config import load, sample_directory
from uphaul.derive import Deriver

TICK_MS = 50


def drive(ticks: int) -> tuple[Any, np.ndarray, np.ndarray]:
    """(the sample, tick times, measured values about the typical ones of the sample with slow waves and noise)."""
    config = load(sample_directory(), check_inputs=False)
    typical = {a.signal: a.typical for a in config.accuracies if a.typical is not None}
    rng = np.random.default_rng(3)
    t = np.arange(ticks, dtype=np.int64) * TICK_MS
    values = np.full((ticks, len(config.signals)), np.nan)
    for k, s in enumerate(config.signals):
        if s.computed:
            continue
        middle = typical.get(s.name, 1.0)
        wave = middle * (1 + 0.05 * np.sin(t / 1000 / rng.uniform(60, 600)) + rng.normal(0, 0.001, ticks))
        values[:, k] = np.rint(wave * s.per_unit) / s.per_unit
    return config, t, values


def plain(config: Any, rows: list[list[float]]) -> float:
    """us a tick of the elementwise formulas of the sample in plain Python."""
    at = {s.name: k for k, s in enumerate(config.signals)}
    names = (
        "rpm",
        "map",
        "baro",
        "charge",
        "compressor_out",
        "ambient",
        "speed",
        "mixture",
        "gear",
        "exhaust_pressure",
    )
    columns = [at[n] for n in names]
    ratios = [r * 4.885 for r in (4.38, 2.39, 1.46, 1.0, 0.705)]
    begun = time.process_time()
    for row in rows:
        rpm, map_, baro, charge, hot, ambient, speed, mixture, gear, back = [row[c] for c in columns]
        boost, drive_pressure = map_ - baro, back - baro
        out = [boost, map_ / baro, drive_pressure, drive_pressure / boost, (hot - charge) / (hot - ambient)]
        kelvin = ambient + 273.15
        vapour = (
            0.5
            * math.exp(
                -5800.2206 / kelvin
                + 1.3914993
                - 0.048640239 * kelvin
                + 4.1764768e-5 * kelvin**2
                - 1.4452093e-8 * kelvin**3
                + 6.5459673 * math.log(kelvin)
            )
            / 1000
        )
        out.append(((baro - vapour) / 287.05287 + vapour / 461.495) * 1000 / kelvin)
        out.append(0.88 * rpm * 3.2 / 120 * map_ / (287.05287 * (charge + 273.15)) * 3600)
        out.append(mixture / 1.2 - 1)
        overall = rpm * math.pi / 30 * 0.38 / (speed / 3.6)
        out.append(next((n for n, r in enumerate(ratios, 1) if 0.96 * r <= overall <= 1.25 * r), 0))
        out.append(1 - ratios[int(gear) - 1] / overall)
    return (time.process_time() - begun) / len(rows) * 1e6


def best(run: Callable[[], float], times: int) -> float:
    """The least of some runs: what the machine does when left alone."""
    return min(run() for _ in range(times))


def measure(hours: float, ticks: int) -> dict[str, float]:
    """All figures."""
    config, t, values = drive(int(hours * 3600_000 / TICK_MS))

    def whole() -> float:
        deriver = Deriver(config.signals, config.computed, gap_ms=config.gap_ms)
        begun = time.process_time()
        deriver.run(t, values)
        return time.process_time() - begun

    def singly() -> float:
        deriver = Deriver(config.signals, config.computed, gap_ms=config.gap_ms)
        warm = 3000  # windows of two minutes are full
        deriver.run(t[:warm], values[:warm])
        begun = time.process_time()
        for k in range(warm, warm + ticks):
            deriver.run(t[k : k + 1], values[k : k + 1])
        return (time.process_time() - begun) / ticks * 1e6

    whole_s, tick_us = best(whole, 3), best(singly, 3)
    plain_us = best(lambda: plain(config, values[:ticks].tolist()), 3)
    return {
        "computed": float(len(config.computed)),
        "tick_us": tick_us,
        "plain_tick_us": plain_us,
        "drive_s": whole_s,
        "tick by tick over the drive at once": tick_us * 1e-6 * len(t) / whole_s,
        "tick over plain Python": tick_us / plain_us,
    }


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--hours", type=float, default=8.0)
    options.add_argument("--ticks", type=int, default=3000)
    options.add_argument("--json", action="store_true")
    args = options.parse_args()
    figures = measure(args.hours, args.ticks)
    if args.json:
        print(json.dumps(figures, indent=1))
        return
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}")
    print(f"{figures['computed']:.0f} computed signals, one tick: {figures['tick_us']:.0f} us (target 300)")
    print(f"  plain Python, elementwise ones alone: {figures['plain_tick_us']:.1f} us")
    print(f"{args.hours:g} h at once: {figures['drive_s']:.2f} s (target 1)")
    print(f"  the same tick by tick: {figures['tick by tick over the drive at once']:.0f} times that")


if __name__ == "__main__":
    main()
