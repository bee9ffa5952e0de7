"""The ticks of the last so many milliseconds, joined to each new block: the carry of formulas that look back.

Theory of operation. `Trail` keeps rows of int64, row 0 the tick times. It puts a block behind what is kept, tells for
every new tick where its window begins, and forgets what the last one no longer needs. `Totals` keeps one with the sums
over all ticks before each, so the sums of a window are one difference, however long it is. They may wrap round: the
difference comes out exact as long as it is below 2**63 itself.

A gap does nothing here. Whoever must not look across one says `since` when a window may reach back at most.
"""

from __future__ import annotations

import numpy as np

from uphaul.physics.basis import Ints

__all__ = ["Totals", "Trail", "begins"]


def begins(times: Ints, oldest: Ints) -> Ints:
    """Index of the first of `times` that is at least `oldest`, for each; both rise.

    Ticks mostly come at one pace, where each window begins one tick after the one before: a guess that is soon checked.
    """
    first = int(np.searchsorted(times, oldest[0]))
    at, before = times[first : first + len(oldest)], times[first - 1 : first - 1 + len(oldest)]
    if first > 0 and len(at) == len(oldest) and np.all(at >= oldest) and np.all(before < oldest):
        return np.arange(first, first + len(oldest))
    return np.searchsorted(times, oldest)


class Trail:
    """Keeps the last `window_ms` of `rows` rows."""

    def __init__(self, rows: int, window_ms: int) -> None:
        self._room = np.zeros((rows, 256), dtype=np.int64)
        self._start = self._end = 0
        self._window_ms = window_ms

    def join(self, block: Ints, since: Ints | None = None) -> tuple[Ints, Ints, Ints]:
        """(kept and new rows together, first and last index of each new tick's window, both inclusive).

        The rows are a view that holds until the next call. `since` (N,) never falls.
        """
        kept, new = self._end - self._start, block.shape[1]
        self._grow(new)
        self._room[:, self._end : self._end + new] = block
        self._end += new
        every = self._room[:, self._start : self._end]
        oldest = block[0] - self._window_ms
        first = begins(every[0], oldest if since is None else np.maximum(oldest, since))
        self._start += int(first[-1])
        return every, first, np.arange(kept, kept + new)

    def one(self, tick: Ints, since: int | None = None) -> Ints:
        """The rows of the window of one new tick (rows,), itself the last of them: the same as `join`, for less."""
        self._grow(1)
        self._room[:, self._end] = tick
        self._end += 1
        times, oldest = self._room[0], int(tick[0]) - self._window_ms
        if since is not None and since > oldest:
            oldest = since
        while times[self._start] < oldest:
            self._start += 1
        return self._room[:, self._start : self._end]

    def _grow(self, count: int) -> None:
        """Make room for so many more ticks."""
        if self._end + count <= self._room.shape[1]:
            return
        kept = self._end - self._start
        room = np.zeros((len(self._room), max(256, 2 * (kept + count))), dtype=np.int64)
        room[:, :kept] = self._room[:, self._start : self._end]
        self._room, self._start, self._end = room, 0, kept


class Totals:
    """Sums of `rows` counts over the ticks of the last `window_ms`."""

    def __init__(self, rows: int, window_ms: int) -> None:
        self._trail = Trail(rows + 1, window_ms)
        self._now = np.zeros(rows + 1, dtype=np.int64)  # t_ms, sums over all ticks so far

    def run(self, t_ms: Ints, counts: Ints, since: Ints | None = None) -> Ints:
        """(ms since the window's first tick, sums over the window), (1 + rows, N), for counts (rows, N), N >= 1."""
        upto, before = np.empty((2, len(self._now), len(t_ms)), dtype=np.int64)
        upto[0] = before[0] = t_ms
        np.cumsum(counts, axis=1, out=upto[1:])
        upto[1:] += self._now[1:, np.newaxis]
        np.subtract(upto[1:], counts, out=before[1:])
        self._now = upto[:, -1].copy()
        every, first, _ = self._trail.join(before, since)
        return upto - every[:, first]

    def one(self, t_ms: int, *counts: int, since: int | None = None) -> list[int]:
        """The same at one tick."""
        now = self._now
        now[0] = t_ms
        first = self._trail.one(now, since)[:, 0]
        now[1:] += counts
        window: list[int] = (now - first).tolist()
        return window
