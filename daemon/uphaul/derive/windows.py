"""Formulas that look back in time: slopes, time above a limit, and where a gap cuts them.

Theory of operation. Each function makes a `Run`: a closure over a window of `uphaul.signals.window`, which keeps exact
integer sums, so any cutting of a drive gives the same bits. A step longer than `gap_ms` is a gap; a slope starts anew
there, and an exposure counts it as unknown time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from uphaul.derive.formula import Constants, Inputs, Run
from uphaul.physics.basis import Bools, Floats, Ints
from uphaul.signals.window import ExposureWindow, SlopeWindow

__all__ = ["Pieces", "Slope", "exposure", "slope", "window_ms"]

FINE = 10_000
"""Counts a unit of values whose slope is taken: finer than any sensor's. Source: our own choice."""


def window_ms(c: Constants) -> int:
    """The constant `window_s` in whole milliseconds."""
    ms: int = round(c["window_s"] * 1000)
    return ms


class Pieces:
    """Cuts consecutive blocks at gaps."""

    def __init__(self, gap_ms: int) -> None:
        self._gap_ms = gap_ms
        self._last_ms: int | None = None

    def follows_gap(self, t_ms: int) -> bool:
        """Whether a gap lies before this one tick."""
        last, self._last_ms = self._last_ms, t_ms
        return last is not None and t_ms - last > self._gap_ms

    def cut(self, t_ms: Ints) -> Iterator[tuple[slice, bool]]:
        """(ticks without a gap among them, whether a gap lies before the first of them)."""
        first = int(t_ms[0])
        gap = self._last_ms is not None and first - self._last_ms > self._gap_ms
        self._last_ms = int(t_ms[-1])
        start = 0
        if len(t_ms) > 1:
            for k in np.flatnonzero(np.diff(t_ms) > self._gap_ms).tolist():
                yield slice(start, k + 1), gap
                start, gap = k + 1, True
        yield slice(start, len(t_ms)), gap


class Slope:
    """Slope of a value, in its unit a second, over the last `window_ms` since the last gap."""

    def __init__(self, window_ms: int, gap_ms: int) -> None:
        self._window = SlopeWindow(window_ms, FINE)
        self._pieces = Pieces(gap_ms)

    def run(self, t_ms: Ints, x: Floats) -> Floats:
        """Slope at each tick (N,), N >= 1; unknown where `x` is, and in the first half of a window."""
        out = []
        for piece, gap in self._pieces.cut(t_ms):
            if gap:
                self._window.restart()
            out.append(self._window.run(t_ms[piece], x[piece]))
        return out[0] if len(out) == 1 else np.concatenate(out)


def slope(name: str, window_ms: int, gap_ms: int) -> Run:
    """Slope of the input `name`."""
    state = Slope(window_ms, gap_ms)
    return lambda t_ms, x: state.run(t_ms, x[name])


def exposure(name: str, past: Callable[[Floats], Bools], window_ms: int, gap_ms: int) -> Run:
    """Seconds within the last `window_ms` for which the input `name` was `past`; unknown time counts as not past it."""
    window, pieces = ExposureWindow(window_ms), Pieces(gap_ms)

    def run(t_ms: Ints, inputs: Inputs) -> Floats:
        x = inputs[name]
        out = [window.run(t_ms[p], past(x[p]), np.isnan(x[p]), gap=gap)[0] for p, gap in pieces.cut(t_ms)]
        return np.where(np.isnan(x), np.nan, np.concatenate(out) / 1000.0)

    return run
