"""Comparison of values with limits: curves, shares, deadbands, and many limits at once.

Everything here is elementwise in doubles, written as the rules define it, so that one tick and a million ticks give
the same bits. With the sign s (+1 above, -1 below), x < L is s*x > s*L and x >= L + D is s*x <= s*L - D, bit for bit,
because negation never rounds: one comparison serves both sides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from uphaul.rules.spec import ABOVE, Amount, Curve, Share

__all__ = ["Bound", "Curves", "Level", "Levels"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


class Curves:
    """Some curves over signals, evaluated together: end values held, a knot gives its y exactly."""

    def __init__(self, curves: list[Curve], column: dict[str, int]) -> None:
        knots = max((len(c.x) for c in curves), default=0) + 1
        self._cols = np.array([column.get(c.over, -1) for c in curves], dtype=np.intp)
        # padded at the end with +inf that no x reaches, and with the last y
        self._x = np.array([[*c.x, *[np.inf] * (knots - len(c.x))] for c in curves]).reshape(-1, knots)
        self._y = np.array([[*c.y, *[c.y[-1]] * (knots - len(c.y))] for c in curves]).reshape(-1, knots)
        self._first_x, self._first_y = self._x[:, :1], self._y[:, :1]
        self._last_x = np.array([[c.x[-1]] for c in curves]).reshape(-1, 1)
        self._last_y = np.array([[c.y[-1]] for c in curves]).reshape(-1, 1)
        self._base = np.arange(len(curves)).reshape(-1, 1) * knots
        self._inner = [self._x[:, i : i + 1] for i in range(1, knots - 1)]

    def evaluate(self, rows: Floats) -> Floats:
        """Value of each curve at each tick, (curves, N), NaN where its signal is unknown."""
        x = rows[self._cols]
        if not self._inner:
            return np.where(np.isnan(x), np.nan, self._first_y)
        segment = self._base + (x >= self._inner[0])
        for knot in self._inner[1:]:
            segment += x >= knot
        x0, y0 = self._x.ravel()[segment], self._y.ravel()[segment]
        x1, y1 = self._x.ravel()[segment + 1], self._y.ravel()[segment + 1]
        with np.errstate(invalid="ignore"):  # inf - inf in the padding, replaced below
            inner = y0 + (y1 - y0) * (x - x0) / (x1 - x0)
        held = np.where(x < self._first_x, self._first_y, np.where(x >= self._last_x, self._last_y, inner))
        return np.where(np.isnan(x), np.nan, held)


class Bound:
    """One measure's limit and deadband, as one setting of a rule gives them."""

    def __init__(self, limit: Amount, deadband: float | Share, side: int, column: dict[str, int]) -> None:
        self._side = side
        self._curve = Curves([limit], column) if isinstance(limit, Curve) else None
        self._share = limit.share if isinstance(limit, Share) else None
        self._limit = np.array([limit]) if isinstance(limit, (int, float)) else np.zeros(1)
        self._band_share = deadband.share if isinstance(deadband, Share) else None
        self._band = np.array([0.0 if isinstance(deadband, Share) else deadband])
        self._outer = self._limit * side
        # of numbers alone the inner edge never changes
        plain = self._curve is None and self._share is None and self._band_share is None
        self._inner = self._outer - self._band if plain else None

    def limit(self, rows: Floats, expected: Floats | None = None) -> Floats:
        """The limit, (N,) or (1,) for a number; a share is one of |`expected`|."""
        if self._curve is not None:
            held: Floats = self._curve.evaluate(rows)[0]
            return held
        if self._share is not None:
            assert expected is not None
            return self._share * np.abs(expected)
        return self._limit

    def compare(self, measure: Floats, limit: Floats, expected: Floats | None = None) -> tuple[Bools, Bools]:
        """(beyond, within) of `measure` (N,); a deadband's share is one of |`expected`| if given, else of |limit|."""
        x = measure if self._side == ABOVE else -measure
        if self._inner is not None:
            return x > self._outer, x <= self._inner
        band = self._band
        if self._band_share is not None:
            band = self._band_share * np.abs(limit if expected is None else expected)
        outer = limit * self._side
        return x > outer, x <= outer - band


@dataclass(frozen=True, slots=True)
class Level:
    """One signal held against one limit."""

    signal: str
    side: int
    limit: float | Curve
    deadband: float | Share


class Levels:
    """Many levels of one variant, evaluated together: numbers in one array, curves in another."""

    def __init__(self, levels: list[Level], column: dict[str, int]) -> None:
        self._count = len(levels)
        fixed = [(i, v, v.limit) for i, v in enumerate(levels) if not isinstance(v.limit, Curve)]
        curved = [(i, v, v.limit) for i, v in enumerate(levels) if isinstance(v.limit, Curve)]
        self._fixed = np.array([i for i, _, _ in fixed], dtype=np.intp)
        self._curved = np.array([i for i, _, _ in curved], dtype=np.intp)
        self._cols = np.array([column.get(v.signal, -1) for _, v, _ in fixed], dtype=np.intp)
        self._sign = np.array([[float(v.side)] for _, v, _ in fixed]).reshape(-1, 1)
        limit = np.array([[float(x)] for _, _, x in fixed]).reshape(-1, 1)
        self._outer = limit * self._sign
        self._inner = self._outer - _Bands([v for _, v, _ in fixed]).of(limit)
        self._curve_cols = np.array([column.get(v.signal, -1) for _, v, _ in curved], dtype=np.intp)
        self._curve_sign = np.array([[float(v.side)] for _, v, _ in curved]).reshape(-1, 1)
        self._curve_bands = _Bands([v for _, v, _ in curved])
        self._curves = Curves([x for _, _, x in curved], column)

    def evaluate(self, rows: Floats) -> tuple[Bools, Bools, Floats]:
        """(beyond, within, excess), each (levels, N), over `rows` (signals + 1, N), the last row NaN.

        `excess` is how far the value is past its limit (negative: headroom), in the signal's unit; NaN: unknown.
        """
        x = rows[self._cols] * self._sign
        fixed = (x > self._outer, x <= self._inner, x - self._outer)
        if not len(self._curved):
            return fixed
        limit = self._curves.evaluate(rows)
        x, outer = rows[self._curve_cols] * self._curve_sign, limit * self._curve_sign
        curved = (x > outer, x <= outer - self._curve_bands.of(limit), x - outer)
        if not len(self._fixed):
            return curved
        beyond = np.empty((self._count, rows.shape[1]), dtype=bool)
        within, excess = np.empty_like(beyond), np.empty(beyond.shape)
        for whole, a, b in zip((beyond, within, excess), fixed, curved, strict=True):
            whole[self._fixed], whole[self._curved] = a, b
        return beyond, within, excess


class _Bands:
    """Deadbands of many levels: 0 + share * |limit| and number + 0 * |limit| are the plain values, bit for bit."""

    def __init__(self, levels: list[Level]) -> None:
        share = [v.deadband.share if isinstance(v.deadband, Share) else 0.0 for v in levels]
        number = [0.0 if isinstance(v.deadband, Share) else v.deadband for v in levels]
        self._share, self._number = np.array(share).reshape(-1, 1), np.array(number).reshape(-1, 1)

    def of(self, limit: Floats) -> Floats:
        """Deadbands (levels, N) for limits (levels, N)."""
        band: Floats = self._number + self._share * np.abs(limit)
        return band
