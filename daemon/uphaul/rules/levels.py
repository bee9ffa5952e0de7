"""Comparison of values with limits: curves, shares, deadbands, and many limits at once.

Everything here is elementwise in doubles, written exactly as the rules define it, so that one tick and a million
ticks give the same bits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from uphaul.rules.spec import ABOVE, Amount, Curve, Share

__all__ = ["Level", "Levels", "amount", "compare", "curve", "deadband"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


def curve(spec: Curve, x: Floats) -> Floats:
    """The curve's value at `x` (N,): end values held, a knot gives its y exactly, NaN where x is NaN."""
    knots = np.asarray(spec.x)
    y = np.asarray(spec.y)
    if len(knots) == 1:
        return np.where(np.isnan(x), np.nan, y[0])
    i = np.clip(np.searchsorted(knots, x, side="right") - 1, 0, len(knots) - 2)
    x0, x1, y0, y1 = knots[i], knots[i + 1], y[i], y[i + 1]
    inner = y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    held = np.where(x < knots[0], y[0], np.where(x >= knots[-1], y[-1], inner))
    return np.where(np.isnan(x), np.nan, held)


def amount(spec: Amount, rows: Floats, column: dict[str, int], reference: Floats | None = None) -> Floats:
    """An amount over the ticks of `rows` (signals, N): shape (N,) for a curve or share, (1,) for a number."""
    if isinstance(spec, Curve):
        return curve(spec, rows[column.get(spec.over, -1)])
    if isinstance(spec, Share):
        assert reference is not None
        return spec.share * np.abs(reference)
    return np.array([spec])


def deadband(spec: float | Share, reference: Floats) -> Floats:
    """A deadband: the number itself, or its share of |reference|."""
    return spec.share * np.abs(reference) if isinstance(spec, Share) else np.array([spec])


def compare(measure: Floats, limit: Floats, band: Floats, side: int) -> tuple[Bools, Bools]:
    """(beyond, within): above is x > L and x <= L - D, below is x < L and x >= L + D; unknown is neither."""
    if side == ABOVE:
        return measure > limit, measure <= limit - band
    return measure < limit, measure >= limit + band


@dataclass(frozen=True, slots=True)
class Level:
    """One signal held against one limit."""

    signal: str
    side: int
    limit: float | Curve
    deadband: float | Share


class Levels:
    """Many levels of one variant, evaluated together: numbers stacked in one array, curves row by row."""

    def __init__(self, levels: list[Level], column: dict[str, int]) -> None:
        self._column = column
        self._levels = levels
        self._fixed = np.array([i for i, v in enumerate(levels) if not isinstance(v.limit, Curve)], dtype=np.intp)
        self._curved = [i for i, v in enumerate(levels) if isinstance(v.limit, Curve)]
        fixed = [levels[i] for i in self._fixed]
        self._cols = np.array([column.get(v.signal, -1) for v in fixed], dtype=np.intp)
        self._sign = np.array([[float(v.side)] for v in fixed]).reshape(-1, 1)
        limit = [v.limit for v in fixed if not isinstance(v.limit, Curve)]
        band = [
            v.deadband.share * abs(x) if isinstance(v.deadband, Share) else v.deadband
            for v, x in zip(fixed, limit, strict=True)
        ]
        # -x < -L is x < L and -x <= -(L + D) is x >= L + D, bit for bit: one comparison serves both sides
        self._outer = np.array([[v.side * x] for v, x in zip(fixed, limit, strict=True)]).reshape(-1, 1)
        self._inner = np.array(
            [[x - d if v.side == ABOVE else -(x + d)] for v, x, d in zip(fixed, limit, band, strict=True)]
        ).reshape(-1, 1)
        self._all_fixed = not self._curved

    def evaluate(self, rows: Floats) -> tuple[Bools, Bools, Floats]:
        """(beyond, within, excess), each (levels, N), over `rows` (signals + 1, N), the last row NaN.

        `excess` is how far the value is past its limit (negative: headroom), in the signal's unit; NaN: unknown.
        """
        x = rows[self._cols] * self._sign
        fixed = (x > self._outer, x <= self._inner, x - self._outer)
        if self._all_fixed:
            return fixed
        n = rows.shape[1]
        beyond = np.empty((len(self._levels), n), dtype=bool)
        within = np.empty_like(beyond)
        excess = np.empty((len(self._levels), n))
        for whole, part in zip((beyond, within, excess), fixed, strict=True):
            whole[self._fixed] = part
        for i in self._curved:
            level = self._levels[i]
            value = rows[self._column.get(level.signal, -1)]
            limit = amount(level.limit, rows, self._column)
            beyond[i], within[i] = compare(value, limit, deadband(level.deadband, limit), level.side)
            excess[i] = (value - limit) * level.side
        return beyond, within, excess
