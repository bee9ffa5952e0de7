"""Slow drift of sensors over drives: what each read beside the others before a cold start, and where that goes.

Theory of operation. One cold stand tells what is far off; a sensor that drifts by half a degree a month never is. So
each drive that begins cold leaves one number for each sensor, its distance from the median of all; over the drives the
median of the slopes between all pairs (Theil and Sen) tells the drift: a stand in the sun does not move it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from statistics import median

import numpy as np

from uphaul.signals import Block, Signal, index_of
from uphaul.units import UNITS

__all__ = ["LATEST", "LEAST_DRIVES", "Drift", "cold_stand", "drifts", "temperatures"]

LEAST_DRIVES = 6
"""Fewer cold starts say nothing of a drift. Source: our own choice."""

LATEST = 300
"""More cold starts are not looked back: what a sensor did years ago is past. Source: our own choice."""

LEAST_TICKS = 20
"""Ticks before the start to take a reading from. Source: our own choice, a second of the usual rate."""

COLD_K = 10.0
"""Wider apart is a warm engine. Source: our own choice."""

LEAST_TOTAL_K = 1.0
"""Less is no drift that a limit would notice. Source: our own choice."""


@dataclass(frozen=True, slots=True)
class Drift:
    """Where a sensor goes beside the others: by `per_drive` a cold start, by `total` over `drives` of them, in K.

    `scatter` is the median distance of a stand from that line.
    """

    signal: str
    per_drive: float
    total: float
    drives: int
    scatter: float

    @property
    def moved(self) -> bool:
        """Whether that is a drift: enough to matter, and three times its scatter."""
        return abs(self.total) >= LEAST_TOTAL_K and abs(self.total) > 3.0 * self.scatter


def temperatures(signals: Sequence[Signal]) -> list[str]:
    """The measured temperatures: what should read the same on an engine that has stood for a night."""
    return [s.name for s in signals if not s.computed and UNITS[s.unit].kind == "temperature"]


def cold_stand(block: Block, names: Sequence[str], *, rpm: str = "rpm", off_rpm: float = 50.0) -> dict[str, float]:
    """Distance in K of each temperature of `names` from the median of all, before the engine first turned.

    `block` is the beginning of a drive. Empty when there is no such time, or the engine was not cold. Signals without
    a reading are left out, at least three must have one.
    """
    columns = index_of(block.signals)
    speed = block.values[:, columns[rpm]]
    turned = np.flatnonzero(~(speed < off_rpm))
    before = int(turned[0]) if len(turned) else len(speed)
    if before < LEAST_TICKS:
        return {}
    found = {}
    for name in names:
        unit = UNITS[block.signals[columns[name]].unit]
        x = block.values[:before, columns[name]]
        known = x[~np.isnan(x)]
        if 2 * len(known) >= before:
            found[name] = float(np.median(known)) * unit.factor + unit.offset
    if len(found) < 3 or max(found.values()) - min(found.values()) > COLD_K:
        return {}
    middle = median(found.values())
    return {name: value - middle for name, value in found.items()}


def drifts(stands: Sequence[Mapping[str, float]]) -> list[Drift]:
    """Where every sensor with enough cold starts goes, those that moved first, then the largest.

    `stands` are those of `cold_stand`, oldest first; empty ones count nothing. Source: Theil's and Sen's estimator.
    """
    out = []
    for name in dict.fromkeys(n for stand in stands for n in stand):
        y = [stand[name] for stand in stands if name in stand]
        if len(y) < LEAST_DRIVES:
            continue
        slope = median((b - a) / (j - i) for (i, a), (j, b) in combinations(enumerate(y), 2))
        level = median(v - slope * i for i, v in enumerate(y))
        scatter = median(abs(v - level - slope * i) for i, v in enumerate(y))
        out.append(Drift(name, slope, slope * (len(y) - 1), len(y), scatter))
    return sorted(out, key=lambda d: (not d.moved, -abs(d.total)))
