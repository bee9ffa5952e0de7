"""Sums over a sliding window of time, exact in integers: the slope of a signal, and the time it spent above a limit.

Theory of operation. Each tracker keeps running int64 sums of counts and milliseconds, one entry a tick, for the
ticks that a window can still reach. A window's sum is the difference of two entries, so it is exact, and a drive cut
into any blocks gives the same bits. Entries only ever join at the end and leave at the front.
"""

from __future__ import annotations

from math import gcd

import numpy as np
import numpy.typing as npt

__all__ = ["ExposureWindow", "SlopeWindow"]

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
EXACT = 2.0**53
"""Integers up to here are doubles without rounding."""


class _Entries:
    """Rows of int64, growing at the end, shrinking at the front, in one array."""

    def __init__(self, rows: int) -> None:
        self._array = np.zeros((rows, 256), dtype=np.int64)
        self._start = self._end = 0

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

    def drop(self, count: int) -> None:
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
        self._entries = _Entries(6)  # t_ms, count, then sums of t, c, t*t, t*c in grid steps

    def restart(self) -> None:
        """Forget everything before a gap."""
        self._entries.clear()

    def run(self, t_ms: Ints, x: Floats) -> Floats:
        """Slope at each tick (N,), for values `x` (N,) on their grid of counts."""
        slope = np.full(len(t_ms), np.nan)
        known = np.flatnonzero(~np.isnan(x))
        if not len(known):
            return slope
        t, c = t_ms[known], np.rint(x[known] * self._per_unit).astype(np.int64)
        before = self._entries.view()[2:, -1:].copy()
        room = self._entries.extend(len(known))
        g = t // self._grid_ms
        room[0], room[1] = t, c
        # sums may wrap: their differences are exact all the same as long as a window's own sum fits
        np.cumsum(np.stack((g, c, g * g, g * c)), axis=1, out=room[2:])
        if before.shape[1]:
            room[2:] += before
        every = self._entries.view()
        first = np.searchsorted(every[0], t - self._window_ms, side="left")
        last = np.arange(every.shape[1] - len(known), every.shape[1])
        n = last - first + 1
        span = t - every[0, first]
        enough = (n >= 3) & (2 * span >= self._window_ms)
        if enough.any():
            slope[known[enough]] = self._slopes(every, first[enough], last[enough])
        self._entries.drop(int(first[-1]))
        return slope

    def _slopes(self, every: Ints, first: Ints, last: Ints) -> Floats:
        n = last - first + 1
        # sums over the window, then moved so that tick k is the origin of time and count
        low = every[2:, first] - self._own(every, first)
        st, sc, stt, stc = every[2:, last] - low
        g, c = every[0, last] // self._grid_ms, every[1, last]
        su, sv = st - n * g, sc - n * c
        suu = stt - 2 * g * st + n * g * g
        suv = stc - g * sc - c * st + n * g * c
        size = np.abs(suv) * n.astype(np.float64) + np.abs(su).astype(np.float64) * np.abs(sv)
        small = (size * self._up < EXACT) & (suu * n.astype(np.float64) * self._down < EXACT)
        out = np.empty(len(n))
        i = np.flatnonzero(small)
        if len(i):
            num = (n[i] * suv[i] - su[i] * sv[i]) * self._up
            den = (n[i] * suu[i] - su[i] * su[i]) * self._down
            out[i] = num / den
        for j in np.flatnonzero(~small).tolist():  # Python's integers have no bound and divide with one rounding
            m, a, b, p, q = int(n[j]), int(su[j]), int(sv[j]), int(suu[j]), int(suv[j])
            out[j] = (m * q - a * b) * self._up / ((m * p - a * a) * self._down)
        return out

    def _own(self, every: Ints, i: Ints) -> Ints:
        """What entry i itself added to the sums: (4, len(i))."""
        g, c = every[0, i] // self._grid_ms, every[1, i]
        return np.stack((g, c, g * g, g * c))


class ExposureWindow:
    """Milliseconds above and milliseconds unknown within the last `window_ms`.

    The step from one tick to the next counts whole and belongs to the window while its end does. A gap's step is
    unknown time. The drive's first tick ends no step.
    """

    def __init__(self, window_ms: int) -> None:
        self._window_ms = window_ms
        self._entries = _Entries(3)  # t_ms, sum of ms above, sum of ms unknown
        self._last_ms: int | None = None

    def run(self, t_ms: Ints, above: npt.NDArray[np.bool_], unknown: npt.NDArray[np.bool_], *, gap: bool) -> Ints:
        """(above_ms, unknown_ms) over the window at each tick: (2, N). `gap`: a gap ends at the first tick."""
        step = np.diff(t_ms, prepend=t_ms[0] if self._last_ms is None else self._last_ms)
        lost = unknown.copy()
        if gap:
            lost[0] = True
        before = self._entries.view()[1:, -1:].copy()
        room = self._entries.extend(len(t_ms))
        room[0] = t_ms
        np.cumsum(np.where(above & ~lost, step, 0), out=room[1])
        np.cumsum(np.where(lost, step, 0), out=room[2])
        if before.shape[1]:
            room[1:] += before
        every = self._entries.view()
        # the entry just outside each window; the first tick of the drive adds nothing, so it can stand for it
        outside = np.maximum(np.searchsorted(every[0], t_ms - self._window_ms, side="right") - 1, 0)
        sums = room[1:] - every[1:, outside]
        self._entries.drop(int(outside[-1]))
        self._last_ms = int(t_ms[-1])
        return sums
