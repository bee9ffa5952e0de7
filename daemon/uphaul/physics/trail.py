"""The rows of the last so many milliseconds, joined to each new block: the carry of formulas that look back.

Theory of operation. Rows are int64, row 0 the tick times. `join` puts a block behind what is kept, tells for every new
tick where its window begins, and forgets what the last one no longer needs. A gap does nothing here; whoever must not
look across one passes on a row that says so.
"""

from __future__ import annotations

import numpy as np

from uphaul.physics.basis import Ints

__all__ = ["Trail"]


class Trail:
    """Keeps the last `window_ms` of `rows` rows."""

    def __init__(self, rows: int, window_ms: int) -> None:
        self._room = np.zeros((rows, 256), dtype=np.int64)
        self._start = self._end = 0
        self._window_ms = window_ms

    def join(self, block: Ints) -> tuple[Ints, Ints, Ints]:
        """(kept and new rows together, first and last index of each new tick's window, both inclusive).

        The rows are a view that holds until the next call.
        """
        kept, new = self._end - self._start, block.shape[1]
        if self._end + new > self._room.shape[1]:
            room = np.zeros((len(self._room), max(256, 2 * (kept + new))), dtype=np.int64)
            room[:, :kept] = self._room[:, self._start : self._end]
            self._room, self._start, self._end = room, 0, kept
        self._room[:, self._end : self._end + new] = block
        self._end += new
        every = self._room[:, self._start : self._end]
        last = np.arange(kept, kept + new)
        first = np.searchsorted(every[0], every[0, kept:] - self._window_ms)
        self._start += int(first[-1])
        return every, first, last

    def one(self, *row: int) -> Ints:
        """The rows of the window of one new tick, itself the last of them: the same as `join`, for less."""
        if self._end == self._room.shape[1]:
            every, first, _ = self.join(np.array(row, dtype=np.int64).reshape(-1, 1))
            return every[:, int(first[0]) :]
        self._room[:, self._end] = row
        self._end += 1
        times, oldest = self._room[0], row[0] - self._window_ms
        while times[self._start] < oldest:
            self._start += 1
        return self._room[:, self._start : self._end]
