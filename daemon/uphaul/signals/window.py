"""Sums over a sliding window of time, exact in integers: the slope of a signal, and the time it spent above a limit.

Theory of operation. A window keeps one entry a tick and the sum over its entries as Python integers, which have no
bound. One tick joins at the end, what is too old leaves at the front. A long block instead takes running sums over
the window and the block in int64. Both are exact, so a drive cut into any blocks gives the same bits.
"""

from __future__ import annotations

from math import gcd, isnan

import numpy as np
import numpy.typing as npt

from uphaul.physics.trail import begins

__all__ = ["ExposureWindow", "SlopeWindow"]

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
EXACT = 2.0**53
"""Integers up to here are doubles without rounding."""
FEW = 8
"""Up to so many ticks are taken one by one: cheaper than arrays."""


class _Entries:
    """Rows of int64, growing at the end, shrinking at the front, in one array."""

    def __init__(self, rows: int) -> None:
        self._array = np.zeros((rows, 256), dtype=np.int64)
        self._start = self._end = 0

    def __len__(self) -> int:
        return self._end - self._start

    def view(self) -> Ints:
        return self._array[:, self._start : self._end]

    def extend(self, count: int) -> Ints:
        """Room for `count` more entries, to be filled in by the caller."""
        if self._end + count > self._array.shape[1]:
            kept = self.view()
            grown = np.zeros((len(self._array), max(256, 2 * (kept.shape[1] + count))), dtype=np.int64)
            grown[:, : kept.shape[1]] = kept
            self._array, self._start, self._end = grown, 0, kept.shape[1]
        self._end += count
        return self._array[:, self._end - count : self._end]

    def append(self, *values: int) -> None:
        if self._end == self._array.shape[1]:
            self.extend(1)
        else:
            self._end += 1
        self._array[:, self._end - 1] = values

    def first(self) -> list[int]:
        oldest: list[int] = self._array[:, self._start].tolist()
        return oldest

    def drop(self, count: int = 1) -> None:
        self._start += count

    def clear(self) -> None:
        self._start = self._end = 0


class SlopeWindow:
    """Least-squares slope of a signal over the known ticks of the last `window_ms`, in units per second.

    The slope is one correctly rounded division of two integers. `grid_ms` divides every tick time; it only keeps the
    integers small. Unknown where the value is unknown, where fewer than 3 ticks are known, or where these
    span less than half the window.
    """

    def __init__(self, window_ms: int, per_unit: int, grid_ms: int = 1) -> None:
        self._window_ms = window_ms
        self._per_unit = per_unit
        self._grid_ms = grid_ms
        # slope = num * 1000 / (den * grid_ms * per_unit), with the constants reduced once
        common = gcd(1000, grid_ms * per_unit)
        self._up, self._down = 1000 // common, grid_ms * per_unit // common
        self._entries = _Entries(3)  # t_ms, time in grid steps, count
        self._sums = (0, 0, 0, 0)  # of g, c, g*g, g*c over the entries

    def restart(self) -> None:
        """Forget everything before a gap."""
        self._entries.clear()
        self._sums = (0, 0, 0, 0)

    def run(self, t_ms: Ints, x: Floats) -> Floats:
        """Slope at each tick (N,), for values `x` (N,) on their grid of counts."""
        known = np.flatnonzero(~np.isnan(x)) if len(t_ms) > FEW else None
        if known is None or self._outgrows(t_ms, x[known]):
            return np.array([self._one(t, v) for t, v in zip(t_ms.tolist(), x.tolist(), strict=True)])
        slope = np.full(len(t_ms), np.nan)
        if len(known):
            slope[known] = self._many(t_ms[known], np.rint(x[known] * self._per_unit).astype(np.int64))
        return slope

    def _outgrows(self, t_ms: Ints, x: Floats) -> bool:
        """Whether sums over the window and these ticks could be too large for int64: no sensor's values are."""
        here = self._entries.view()
        begin = int(here[0, 0]) if len(self._entries) else int(t_ms[0])
        largest = max(float(np.abs(x).max(initial=0.0)) * self._per_unit, float(np.abs(here[2]).max(initial=0)), 1.0)
        steps = (int(t_ms[-1]) - begin) / self._grid_ms + 1.0
        return (len(self._entries) + len(x)) * steps * max(2 * largest, steps) >= 2.0**62

    def _one(self, t: int, x: float) -> float:
        if isnan(x):
            return x
        g, c = t // self._grid_ms, round(x * self._per_unit)
        sg, sc, sgg, sgc = self._sums
        sg, sc, sgg, sgc = sg + g, sc + c, sgg + g * g, sgc + g * c
        entries = self._entries
        entries.append(t, g, c)
        oldest = entries.first()
        while oldest[0] < t - self._window_ms:
            _, h, d = oldest
            sg, sc, sgg, sgc = sg - h, sc - d, sgg - h * h, sgc - h * d
            entries.drop()
            oldest = entries.first()
        self._sums = sg, sc, sgg, sgc
        n = len(entries)
        if n < 3 or 2 * (t - oldest[0]) < self._window_ms:
            return float("nan")
        return (n * sgc - sg * sc) * self._up / ((n * sgg - sg * sg) * self._down)

    def _many(self, t: Ints, c: Ints) -> Floats:
        """Slopes at ticks that are all known."""
        room = self._entries.extend(len(t))
        room[0], room[1], room[2] = t, t // self._grid_ms, c
        every = self._entries.view()
        # time and count from the first entry on, so that the running sums stay small
        g, d = every[1] - every[1, 0], every[2] - every[2, 0]
        sums = np.zeros((4, len(g) + 1), dtype=np.int64)
        for row, part in zip(sums, (g, d, g * g, g * d), strict=True):
            np.cumsum(part, out=row[1:])
        first = begins(every[0], t - self._window_ms)
        new = slice(len(g) - len(t), None)
        n = np.arange(len(g) - len(t) + 1, len(g) + 1) - first
        # moved again so that each tick is its own origin
        sg, sd, sgg, sgd = sums[:, 1:][:, new] - sums[:, first]
        g, d = g[new], d[new]
        su, sv = sg - n * g, sd - n * d
        suu = sgg - 2 * g * sg + n * g * g
        suv = sgd - g * sd - d * sg + n * g * d
        slope = np.full(len(t), np.nan)
        enough = (n >= 3) & (2 * (t - every[0, first]) >= self._window_ms)
        small = enough & self._small(n, su, sv, suu, suv)
        num, den = (n * suv - su * sv) * self._up, (n * suu - su * su) * self._down
        np.divide(num, den, out=slope, where=small)
        for j in np.flatnonzero(enough & ~small).tolist():  # Python's integers divide with one rounding at any size
            m, a, b, p, q = (int(v[j]) for v in (n, su, sv, suu, suv))
            slope[j] = (m * q - a * b) * self._up / ((m * p - a * a) * self._down)
        self._entries.drop(int(first[-1]))
        _, g, c = self._entries.view()
        if len(g) * int(g[-1]) * max(int(g[-1]), int(np.abs(c).max())) >= 1 << 62:
            g, c = g.astype(object), c.astype(object)
        self._sums = int(g.sum()), int(c.sum()), int((g * g).sum()), int((g * c).sum())
        return slope

    def _small(self, n: Ints, su: Ints, sv: Ints, suu: Ints, suv: Ints) -> Bools:
        """Where numerator and denominator are doubles without rounding: mostly everywhere, as one bound tells."""
        most, a, b, p, q = (float(np.abs(v).max()) for v in (n, su, sv, suu, suv))
        if (most * q + a * b) * self._up < EXACT and most * p * self._down < EXACT:
            return np.ones(len(n), dtype=np.bool_)
        size = (np.abs(suv) * n.astype(float) + np.abs(su).astype(float) * np.abs(sv)) * self._up
        small: Bools = (size < EXACT) & (suu * n.astype(float) * self._down < EXACT)
        return small


class ExposureWindow:
    """Milliseconds above and milliseconds unknown within the last `window_ms`.

    The step from one tick to the next counts whole and belongs to the window while its end does. A gap's step is
    unknown time. The drive's first tick ends no step.
    """

    def __init__(self, window_ms: int) -> None:
        self._window_ms = window_ms
        self._entries = _Entries(3)  # t_ms, ms above, ms unknown
        self._sums = (0, 0)
        self._last_ms: int | None = None

    def run(self, t_ms: Ints, above: Bools, unknown: Bools, *, gap: bool) -> Ints:
        """(above_ms, unknown_ms) over the window at each tick: (2, N). `gap`: a gap ends at the first tick."""
        before = int(t_ms[0]) if self._last_ms is None else self._last_ms
        self._last_ms = int(t_ms[-1])
        if len(t_ms) <= FEW:
            out = []
            for t, a, u in zip(t_ms.tolist(), above.tolist(), unknown.tolist(), strict=True):
                out.append(self._one(t, t - before, above=a, unknown=u or gap))
                before, gap = t, False
            return np.array(out, dtype=np.int64).T
        step = np.diff(t_ms, prepend=before)
        unknown = unknown.copy()
        unknown[0] |= gap
        room = self._entries.extend(len(t_ms))
        room[0], room[1], room[2] = t_ms, np.where(above & ~unknown, step, 0), np.where(unknown, step, 0)
        every = self._entries.view()
        sums = np.zeros((2, every.shape[1] + 1), dtype=np.int64)
        np.cumsum(every[1:], axis=1, out=sums[:, 1:])
        first = np.searchsorted(every[0], t_ms - self._window_ms, side="right")
        inside = sums[:, -len(t_ms) :] - sums[:, first]
        self._entries.drop(int(first[-1]))
        self._sums = int(inside[0, -1]), int(inside[1, -1])
        return inside

    def _one(self, t: int, step: int, *, above: bool, unknown: bool) -> tuple[int, int]:
        a, u = (0, step) if unknown else (step if above else 0, 0)
        above_ms, unknown_ms = self._sums[0] + a, self._sums[1] + u
        self._entries.append(t, a, u)
        while (oldest := self._entries.first())[0] <= t - self._window_ms:
            above_ms, unknown_ms = above_ms - oldest[1], unknown_ms - oldest[2]
            self._entries.drop()
        self._sums = above_ms, unknown_ms
        return self._sums
