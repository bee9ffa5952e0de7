"""Thins a signal to what a screen can show without losing an extreme or hiding that a value was unknown.

A bucket is a stretch of the axis, about a pixel wide. Of each that has a known value the lowest and the highest are
kept, at the ticks at which they first stood; of one that has none a single unknown, which breaks the line. A gap
between two ticks breaks it likewise. What fits is given as it is.

Theory of operation. A `Thinned` signal knows the extremes of every `CHUNK` ticks, found once. For a wide stretch the
buckets begin at whole chunks, so their extremes are among those of their chunks, to the tick; for a narrow one, where
a bucket has fewer than two chunks, all ticks are looked at.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np

from uphaul.physics.basis import Bools, Floats, Ints

__all__ = ["CHUNK", "Thinned", "decimate", "window"]

CHUNK = 32


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
    return Thinned(x, y, broken).ticks(0, len(x), buckets)


class Thinned:
    """A signal `y` over `x`, as of `decimate`, for many questions about stretches of it."""

    def __init__(self, x: Floats, y: Floats, broken: Bools) -> None:
        self.x, self.y = x, y
        self._after = np.flatnonzero(broken)

    def ticks(self, first: int, last: int, buckets: int) -> Ints:
        """As `decimate` of the ticks from `first` to `last` (not counted)."""
        if buckets < 1:
            raise ValueError("at least one bucket")
        n = last - first
        if n <= 2 * buckets:
            return self._with_breaks(np.arange(first, last))
        x = self.x
        edges = np.linspace(float(x[first]), float(x[last - 1]), buckets + 1)[1:-1]
        starts = np.searchsorted(x[first:last], edges, side="left") + first
        if n < 2 * CHUNK * buckets:
            looked_at = np.arange(first, last)
        else:
            starts = starts // CHUNK * CHUNK
            low, high = -(-first // CHUNK), last // CHUNK
            inside = self._candidates[np.searchsorted(self._candidates, low * CHUNK) :]
            inside = inside[: np.searchsorted(inside, high * CHUNK)]
            ends = np.arange(first, low * CHUNK), np.arange(high * CHUNK, last)
            looked_at = np.concatenate((ends[0], inside, ends[1]))
        starts = _once(np.concatenate(([first], starts[(starts > first) & (starts < last)])))
        return self._with_breaks(_extremes(self.y[looked_at], looked_at, np.searchsorted(looked_at, starts)))

    @cached_property
    def _candidates(self) -> Ints:
        """The ticks of the lowest and the highest value of each whole chunk; its first tick where none is known."""
        whole = len(self.y) // CHUNK
        chunks = self.y[: whole * CHUNK].reshape(whole, CHUNK)
        unknown = np.isnan(chunks)
        begin = np.arange(whole) * CHUNK
        lowest = np.where(unknown, np.inf, chunks).argmin(axis=1) + begin
        highest = np.where(unknown, -np.inf, chunks).argmax(axis=1) + begin
        # of a chunk with infinite values alone both may point at an unknown tick; its first known one is there too
        return _once(np.concatenate((lowest, highest, (~unknown).argmax(axis=1) + begin)))

    def _with_breaks(self, kept: Ints) -> Ints:
        """The kept ticks with -1 for each run of unknown ones, and one between two that a gap lies between."""
        out = np.where(np.isnan(self.y[kept]), -1, kept).astype(np.int64)
        if len(self._after) and len(kept) > 1:
            passed = np.searchsorted(self._after, kept, side="right")
            out = np.insert(out, np.flatnonzero(passed[1:] > passed[:-1]) + 1, -1)
        again = np.zeros(len(out), dtype=bool)
        again[1:] = (out[1:] == -1) & (out[:-1] == -1)
        return out[~again]


def _extremes(y: Floats, ticks: Ints, starts: Ints) -> Ints:
    """Of each stretch that begins at one of `starts` the ticks of its lowest and highest `y`, its first if unknown."""
    starts = _once(starts)
    counts = np.diff(np.append(starts, len(y)))
    low, high = np.fmin.reduceat(y, starts), np.fmax.reduceat(y, starts)
    places = [_first_at(y == np.repeat(each, counts), starts) for each in (low, high)]
    kept: Ints = ticks[_once(np.concatenate((*places, starts[np.isnan(low)])))]
    return kept


def _first_at(mask: Bools, starts: Ints) -> Ints:
    """The first place in each stretch at which `mask` is true; stretches without one give none."""
    hits = np.flatnonzero(mask)
    stretch = np.searchsorted(starts, hits, side="right")
    new = np.ones(len(hits), dtype=bool)
    new[1:] = stretch[1:] != stretch[:-1]
    return hits[new]


def _once(numbers: Ints) -> Ints:
    """The numbers in order, each once: `numpy.unique` hashes first, and takes a multiple of the time of one sorting.

    A stable sorting merges what is in order already, as most of them are.
    """
    out = np.sort(numbers, kind="stable")
    new = np.ones(len(out), dtype=bool)
    new[1:] = out[1:] != out[:-1]
    return out[new]
