"""Stretches of a drive: where something holds, for how long, and how much a value moved just before."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from uphaul.physics.basis import Bools, Floats, Ints

__all__ = ["bridged", "held", "lasting", "latched", "moved", "runs", "slope", "spans_of"]

HOLD_MS = 2000
"""A reading that is missing for no longer is taken as it last was. Source: our own choice."""


def runs(mask: Bools) -> list[tuple[int, int]]:
    """Each stretch [start, stop) of ticks at which `mask` is true, in order."""
    edges = np.flatnonzero(np.diff(mask, prepend=False, append=False)).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))


def spans_of(labels: np.ndarray[tuple[int], np.dtype[np.int8]], cuts: Bools) -> Iterator[tuple[int, int]]:
    """Each stretch [start, stop) of one label; a stretch also ends before a tick at which `cuts` is true."""
    new = cuts.copy()
    new[1:] |= labels[1:] != labels[:-1]
    new[0] = True
    starts = np.flatnonzero(new).tolist()
    yield from zip(starts, [*starts[1:], len(labels)], strict=True)


def held(x: Floats, t_ms: Ints, hold_ms: int = HOLD_MS) -> Floats:
    """`x` with unknown ticks filled by the last known value where that is no older than `hold_ms`."""
    known = ~np.isnan(x)
    if known.all():
        return x
    last = np.maximum.accumulate(np.where(known, np.arange(len(x)), -1))
    filled = (last >= 0) & (t_ms - t_ms[last] <= hold_ms)
    return np.where(filled, x[last], np.nan)


def latched(on: Bools, off: Bools) -> Bools:
    """True from a tick at which `on` is, until one at which `off` is; `on` goes before."""
    tick = 2 * np.arange(len(on), dtype=np.int64)
    event = np.where(on, tick + 1, np.where(off, tick, -1))
    latest: Ints = np.maximum.accumulate(event)
    out: Bools = (latest >= 0) & (latest & 1 == 1)
    return out


def bridged(mask: Bools, t_ms: Ints, most_ms: int) -> Bools:
    """`mask` with the pauses between two stretches filled that take no longer than `most_ms`, end to beginning."""
    out = mask.copy()
    for (_, stop), (start, _) in pairwise(runs(mask)):
        if t_ms[start] - t_ms[stop - 1] <= most_ms:
            out[stop:start] = True
    return out


def lasting(mask: Bools, t_ms: Ints, least_ms: int) -> Bools:
    """`mask` without the stretches that are shorter than `least_ms`, first tick to last."""
    out = mask.copy()
    for start, stop in runs(mask):
        if t_ms[stop - 1] - t_ms[start] < least_ms:
            out[start:stop] = False
    return out


def moved(x: Floats, t_ms: Ints, window_ms: int) -> Floats:
    """Largest less smallest `x` over the ticks of the last `window_ms`, both ends counted; unknown where one is.

    Exact for any spacing of ticks: of each power of two of ticks the extremes are made from those of its halves.
    """
    here = np.arange(len(x))
    first = np.searchsorted(t_ms, t_ms - window_ms)
    level = np.frexp(here - first + 1)[1] - 1  # the largest power of two of ticks that the window holds
    high, low, out = x, x, np.zeros(len(x))
    for k in range(int(level.max()) + 1):
        if k:
            half = 1 << (k - 1)
            high = np.concatenate((high[:half], np.maximum(high[half:], high[:-half])))
            low = np.concatenate((low[:half], np.minimum(low[half:], low[:-half])))
        at = np.flatnonzero(level == k)
        other = first[at] + (1 << k) - 1
        out[at] = np.maximum(high[at], high[other]) - np.minimum(low[at], low[other])
    return out


def slope(x: Floats, t_ms: Ints, reach_ms: int) -> Floats:
    """Change of `x` a second, from the tick `reach_ms` before to that after (fewer at the ends).

    Unknown where an end is, or where the ends are further apart than twice that time.
    """
    before = np.searchsorted(t_ms, t_ms - reach_ms)
    after = np.searchsorted(t_ms, t_ms + reach_ms, side="right") - 1
    took_s = (t_ms[after] - t_ms[before]) / 1000.0
    change = x[after] - x[before]
    out = np.full(len(x), np.nan)
    near = (took_s > 0.0) & (took_s <= reach_ms * 4 / 1000.0)
    np.divide(change, took_s, out=out, where=near)
    return out
