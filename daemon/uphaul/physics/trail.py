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
        self._kept = np.zeros((rows, 0), dtype=np.int64)
        self._window_ms = window_ms

    def join(self, block: Ints) -> tuple[Ints, Ints, Ints]:
        """(kept and new rows together, first and last index of each new tick's window, both inclusive)."""
        every = np.concatenate((self._kept, block), axis=1)
        last = np.arange(self._kept.shape[1], every.shape[1])
        first = np.searchsorted(every[0], every[0, last] - self._window_ms)
        self._kept = every[:, first[-1] :].copy()
        return every, first, last
