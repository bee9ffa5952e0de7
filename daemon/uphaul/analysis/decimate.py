"""Thins a signal to what a screen can show without losing an extreme or hiding that a value was unknown.

A bucket is a stretch of the axis, about a pixel wide. Of each that has a known value the lowest and the highest are
kept, at the ticks at which they first stood; of one that has none a single unknown, which breaks the line. A gap
between two ticks breaks it likewise. What fits is given as it is.
"""

from __future__ import annotations

import numpy as np

from uphaul.physics.basis import Bools, Floats, Ints

__all__ = ["decimate", "window"]


def window(x: Floats, start: float, stop: float) -> tuple[int, int]:
    """Ticks [first, last) of the axis `x` (N,), not decreasing, from `start` to `stop`, and one more at either end.

    The one more lets a line run to the edge of the picture.
    """
    first = int(np.searchsorted(x, start, side="left"))
    last = int(np.searchsorted(x, stop, side="right"))
    return max(first - 1, 0), min(last + 1, len(x))


def decimate(x: Floats, y: Floats, broken: Bools, buckets: int) -> Ints:
    """The ticks to draw of `y` over `x` (both (N,), `x` not decreasing), rising; -1 stands for a break in the line.

    `broken` (N,) is true at a tick that follows a gap. At most two ticks a bucket; unknown ticks are given as breaks,
    one for each stretch of them that is drawn. Raises ValueError for fewer than one bucket.
    """
    if buckets < 1:
        raise ValueError("at least one bucket")
    n = len(x)
    if n <= 2 * buckets:
        return _with_breaks(np.arange(n), np.isnan(y), np.flatnonzero(broken))
    edges = np.linspace(float(x[0]), float(x[-1]), buckets + 1)[1:-1]
    starts = np.unique(np.concatenate(([0], np.searchsorted(x, edges, side="left"))))
    starts = starts[starts < n]
    counts = np.diff(np.append(starts, n))
    low, high = np.fmin.reduceat(y, starts), np.fmax.reduceat(y, starts)
    lowest = _first_at(y == np.repeat(low, counts), starts, counts)
    highest = _first_at(y == np.repeat(high, counts), starts, counts)
    blank = starts[np.isnan(low)]
    kept = np.unique(np.concatenate((lowest, highest, blank)))
    return _with_breaks(kept, np.isnan(y[kept]), np.flatnonzero(broken))


def _first_at(mask: Bools, starts: Ints, counts: Ints) -> Ints:
    """The first tick of each bucket at which `mask` is true; buckets without one give none."""
    hits = np.flatnonzero(mask)
    bucket = np.repeat(np.arange(len(starts)), counts)[hits]
    new = np.ones(len(hits), dtype=bool)
    new[1:] = bucket[1:] != bucket[:-1]
    return hits[new]


def _with_breaks(kept: Ints, unknown: Bools, after: Ints) -> Ints:
    """The kept ticks with -1 for each run of unknown ones, and one between two that a gap (`after`) lies between."""
    out = np.where(unknown, -1, kept).astype(np.int64)
    if len(after) and len(kept) > 1:
        passed = np.searchsorted(after, kept, side="right")
        places = np.flatnonzero(passed[1:] > passed[:-1]) + 1
        out = np.insert(out, places, -1)
    again = np.zeros(len(out), dtype=bool)
    again[1:] = (out[1:] == -1) & (out[:-1] == -1)
    return out[~again]
