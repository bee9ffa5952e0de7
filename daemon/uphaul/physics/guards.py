"""What tells of a sensor that it can't be right: readings that should agree, do not move, or part under load.

Theory of operation. Distances between readings of one moment are pure. What looks back keeps counts, integers, so any
cutting of a drive gives the same bits: `MovementWindow` the readings of a window, of which it takes the highest and
lowest, `RestShift` the sum of all distances of a drive that were seen at rest.
"""

from __future__ import annotations

from functools import reduce

import numpy as np

from uphaul.physics.basis import Floats, Ints, positive, within
from uphaul.physics.trail import Trail

__all__ = ["FINE", "MovementWindow", "RestShift", "odd_one_out", "spread"]

FINE = 10_000
"""Counts a unit: finer than any sensor's. Source: our own choice."""

WIDEST = 1e7
"""Readings beyond are none, so that sums of counts stay in 64 bits. Source: our own choice."""


def spread(*readings: Floats) -> Floats:
    """Distance from the lowest to the highest of readings of one moment. Source: definition."""
    return reduce(np.maximum, readings) - reduce(np.minimum, readings)


def odd_one_out(*readings: Floats, agree: float) -> Floats:
    """Distance of the reading that is farthest from the median, where all others are within `agree` of it, else NaN.

    So one sensor among many that is wrong shows, whichever it is, and an engine that is still warm, where many
    differ, says nothing. Three readings at least. Source: definition of the median.
    """
    every = np.array(readings)
    every.sort(axis=0)  # NaN comes last
    n = len(every)
    median = 0.5 * (every[(n - 1) // 2] + every[n // 2])
    below, above = median - every[0], every[-1] - median
    # the farthest is the lowest or the highest; the next to it is the other end, or its neighbour
    odd = np.maximum(below, above)
    others = np.where(below >= above, np.maximum(above, median - every[1]), np.maximum(below, every[-2] - median))
    return np.where((others <= agree) & ~np.isnan(every[-1]), odd, np.nan)


class MovementWindow:
    """Highest less lowest of the readings of the last `window_ms`; NaN until these span nine tenths of it."""

    def __init__(self, window_ms: int) -> None:
        self._window_ms = window_ms
        self.restart()

    def restart(self) -> None:
        """Forget everything before a gap."""
        self._trail = Trail(2, self._window_ms)  # t_ms, count

    def run(self, t_ms: Ints, x: Floats) -> Floats:
        """Movement at each tick (N,), N >= 1, all of them known; times increase over all calls."""
        if len(t_ms) == 1:  # the same integers for less
            return np.array([self.one(int(t_ms[0]), float(x[0]))])
        counts = np.rint(np.clip(x, -WIDEST, WIDEST) * FINE).astype(np.int64)
        every, first, last = self._trail.join(np.stack((t_ms, counts)))
        moved = _extreme(every[1], first, last, np.maximum) - _extreme(every[1], first, last, np.minimum)
        spans = 10 * (t_ms - every[0, first]) >= 9 * self._window_ms
        return np.where(spans, moved / FINE, np.nan)

    def one(self, t_ms: int, x: float) -> float:
        """Movement at one tick with a known reading."""
        here = self._trail.one(np.array((t_ms, round(min(max(x, -WIDEST), WIDEST) * FINE))))
        if 10 * (t_ms - int(here[0, 0])) < 9 * self._window_ms:
            return float("nan")
        counts = here[1]
        return int(counts.max() - counts.min()) / FINE


def _extreme(x: Ints, first: Ints, last: Ints, better: np.ufunc) -> Ints:
    """The best of x[first..last] for every pair: of two runs of a power of two that cover it together."""
    power = np.frexp((last - first + 1).astype(np.float64))[1] - 1
    out = np.empty(len(first), dtype=np.int64)
    runs = x
    for p, ticks in enumerate(np.bincount(power).tolist()):
        if p:
            half = 1 << (p - 1)
            runs = better(runs[:-half], runs[half:])
        if ticks:  # most windows are of one length
            here = slice(None) if ticks == len(first) else power == p
            out[here] = better(runs[first[here]], runs[last[here] - (1 << p) + 1])
    return out


class RestShift:
    """How far two readings of one thing have parted since they agreed at rest.

    `own` less `told`, less the mean of that over all ticks at rest so far, `rpm` below `rest_rpm`: a diesel without a
    throttle makes no boost there. NaN until `LEAST` such ticks, and while their mean is beyond `agree`: two sensors
    that do not agree at rest say nothing of load. Rest seen before a gap counts on.
    """

    LEAST = 20
    """Ticks at rest to believe their mean: a second of the usual rate. Source: our own choice."""

    def __init__(self, *, rest_rpm: float, agree: float) -> None:
        self._rest_rpm, self._agree = rest_rpm, agree
        self._ticks = self._sum = 0

    def run(self, own: Floats, told: Floats, rpm: Floats) -> Floats:
        """Shift at each tick (N,), N >= 1."""
        apart = within(own - told, -WIDEST, WIDEST)
        rests = (rpm < self._rest_rpm) & ~np.isnan(apart)
        ticks = self._ticks + np.cumsum(rests)
        total = self._sum + np.cumsum(np.rint(np.where(rests, apart, 0.0) * FINE).astype(np.int64))
        self._ticks, self._sum = int(ticks[-1]), int(total[-1])
        mean = total / (positive(ticks.astype(np.float64)) * FINE)
        good = (ticks >= self.LEAST) & (np.abs(mean) <= self._agree) & ~np.isnan(rpm)
        return np.where(good, apart - mean, np.nan)
