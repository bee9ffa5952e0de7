"""On-delay and off-delay: from beyond / within / neither at each tick to the ticks at which conditions change.

Theory of operation. A run is a stretch of ticks with one code. A condition becomes true at the first tick of a
beyond run at which the run has lasted its on-delay, false likewise for a within run and the off-delay. What is
carried from block to block is, per rule, the last code, the time its run began, and whether the condition is true.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["BEYOND", "NEITHER", "WITHIN", "Delays"]

NEITHER, BEYOND, WITHIN = 0, 1, 2
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


class Delays:
    """The timers of all rules."""

    def __init__(self, rules: int) -> None:
        self.active: Bools = np.zeros(rules, dtype=bool)
        self._code = np.zeros(rules, dtype=np.int8)
        self._since_ms = np.zeros(rules, dtype=np.int64)

    @property
    def beyond_since_ms(self) -> Ints:
        """Since when each rule has been beyond without a break, its on-delay past or not, (rules,); -1: it is not."""
        return np.where(self._code == BEYOND, self._since_ms, -1)

    def run(
        self, t_ms: Ints, codes: npt.NDArray[np.int8], on_ms: Ints, off_ms: Ints, *, restart: bool
    ) -> list[tuple[int, int, bool]]:
        """Changes as (tick index, rule, now true), in order of tick, then rule.

        `codes` (rules, N) over ticks `t_ms` (N,) with no gap among them; `on_ms`, `off_ms` (rules,). `restart` makes
        every timer begin anew at the first tick.
        """
        rules, n = codes.shape
        if restart:
            self._code[:] = NEITHER
        starts = np.empty((rules, n), dtype=bool)
        starts[:, 0] = True
        np.not_equal(codes[:, 1:], codes[:, :-1], out=starts[:, 1:])
        run = np.flatnonzero(starts)
        rule, begin = np.divmod(run, n)
        code = codes.ravel()[run]
        final = np.empty(len(run), dtype=bool)  # the last run of its rule
        final[:-1] = begin[1:] == 0
        final[-1] = True
        end = np.empty_like(begin)
        end[:-1] = begin[1:]
        end[final] = n
        since = t_ms[begin]
        carried = (begin == 0) & (code == self._code[rule])
        since = np.where(carried, self._since_ms[rule], since)
        due = since + np.where(code == BEYOND, on_ms[rule], off_ms[rule])
        tick = np.maximum(np.searchsorted(t_ms, due), begin)
        hit = np.flatnonzero((code != NEITHER) & (tick < end))
        self._code = code[final]
        self._since_ms = since[final]
        if not len(hit):
            return []
        rule, tick, now = rule[hit], tick[hit], code[hit] == BEYOND
        leading = np.empty(len(hit), dtype=bool)  # the first hit of its rule
        leading[0] = True
        leading[1:] = rule[1:] != rule[:-1]
        was = np.empty(len(hit), dtype=bool)
        was[1:] = now[:-1]
        was[leading] = self.active[rule[leading]]
        last = np.append(leading[1:], True)
        self.active[rule[last]] = now[last]
        changed = np.flatnonzero(now != was)
        order = changed[np.lexsort((rule[changed], tick[changed]))]
        return list(zip(tick[order].tolist(), rule[order].tolist(), now[order].tolist(), strict=True))
