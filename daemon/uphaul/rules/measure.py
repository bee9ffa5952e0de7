"""What each kind of rule measures at each tick, and whether that is beyond, within or neither.

One class a kind, one object a rule. Threshold and lost rules are many and alike, so the judge evaluates them
together (`levels`); here are the others.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from uphaul.rules.levels import Bound, Curves
from uphaul.rules.spec import ABOVE, BELOW, Kind, Rule, Setting
from uphaul.signals import Signal
from uphaul.signals.window import ExposureWindow, SlopeWindow

__all__ = ["Measured", "Piece", "Reading", "make"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Piece:
    """Ticks without a gap or change of tune among them.

    `rows` float64 (signals + 1, N), the last row unknown throughout. `tune` is the tune's number, -1 unknown. `gap`:
    a gap, or nothing, lies before the first tick.
    """

    t_ms: npt.NDArray[np.int64]
    rows: Floats
    tune: int
    gap: bool


@dataclass(frozen=True, slots=True)
class Reading:
    """One variant's answer over a piece: the measure and its limit (N,) or (1,), and both verdicts (N,)."""

    measure: Floats
    limit: Floats
    beyond: Bools
    within: Bools


class Measured(Protocol):
    """A rule of one of the kinds that are evaluated one by one."""

    def bound(self, setting: Setting) -> Bound:
        """What a setting of this rule holds its measure against."""
        ...

    def read(self, piece: Piece, variants: list[Bound]) -> list[Reading]:
        """One reading a variant; called once for every piece, in order."""
        ...


class _Rate:
    """Slope over the window, in the signal's unit per second, against a limit."""

    def __init__(self, rule: Rule, column: dict[str, int], signal: Signal | None, grid_ms: int) -> None:
        self._rule, self._column = rule, column
        self._col = column.get(rule.signal, -1)
        self._slope = SlopeWindow(rule.window_ms, signal.per_unit if signal else 1, grid_ms)

    def bound(self, setting: Setting) -> Bound:
        return Bound(setting.limit, setting.deadband, self._rule.side, self._column)

    def slope(self, piece: Piece) -> Floats:
        """The slope over this piece."""
        if piece.gap:
            self._slope.restart()
        return self._slope.run(piece.t_ms, piece.rows[self._col])

    def read(self, piece: Piece, variants: list[Bound]) -> list[Reading]:
        slope = self.slope(piece)
        out = []
        for v in variants:
            limit = v.limit(piece.rows)
            out.append(Reading(slope, limit, *v.compare(slope, limit)))
        return out


class _Reach(_Rate):
    """Seconds left until a limit at the present slope, against a lead time."""

    def bound(self, setting: Setting) -> Bound:
        return _Lead(setting, self._rule.side, self._column)

    def read(self, piece: Piece, variants: list[Bound]) -> list[Reading]:
        side, start = self._rule.side, self._rule.start
        slope = self.slope(piece)
        x = piece.rows[self._col]
        near = slope * side > 0  # the slope points at the limit, and the value is past `from`
        if start is not None:
            near &= x * side > start * side
        out = []
        for v in variants:
            assert isinstance(v, _Lead)
            room = v.target.limit(piece.rows) - x
            known = ~np.isnan(slope + room)
            left = np.full(len(x), np.nan)
            np.divide(room, slope, out=left, where=known & near)
            left[known & near & (room * side <= 0)] = 0.0
            limit = v.limit(piece.rows)
            late, early = v.compare(left, limit)
            out.append(Reading(left, limit, late, known & (early | ~near)))
        return out


class _Lead(Bound):
    """The lead time of a reach rule, and the limit that it leads up to."""

    def __init__(self, setting: Setting, side: int, column: dict[str, int]) -> None:
        super().__init__(setting.within_s, setting.deadband, BELOW, column)
        self.target = Bound(setting.limit, 0.0, side, column)


class _Exposure:
    """Seconds above a limit within the window, against the seconds allowed."""

    def __init__(self, rule: Rule, column: dict[str, int]) -> None:
        self._rule, self._column = rule, column
        self._col = column.get(rule.signal, -1)
        self._window = ExposureWindow(rule.window_ms)

    def bound(self, setting: Setting) -> Bound:
        return _Allowance(setting, self._rule.side, self._column)

    def read(self, piece: Piece, variants: list[Bound]) -> list[Reading]:
        x = piece.rows[self._col]
        past, unsure = np.zeros((2, len(x)), dtype=bool)
        for v in variants:
            assert isinstance(v, _Allowance)
            level = v.level.limit(piece.rows)
            past = past | v.level.compare(x, level)[0]
            unsure = unsure | np.isnan(x - level)
        above_ms, unknown_ms = self._window.run(piece.t_ms, past, unsure & ~past, gap=piece.gap)
        known_s, worst_s = above_ms / 1000.0, (above_ms + unknown_ms) / 1000.0
        out = []
        for v in variants:
            allowed = v.limit(piece.rows)
            out.append(Reading(known_s, allowed, v.compare(known_s, allowed)[0], v.compare(worst_s, allowed)[1]))
        return out


class _Allowance(Bound):
    """The seconds that an exposure rule allows, and the level that they are counted above."""

    def __init__(self, setting: Setting, side: int, column: dict[str, int]) -> None:
        super().__init__(setting.allowed_s, setting.deadband, ABOVE, column)
        self.level = Bound(setting.limit, 0.0, side, column)


class _Departure:
    """Distance from the curve that the tune is expected to follow, against an amount or a share of it."""

    def __init__(self, rule: Rule, column: dict[str, int], tunes: tuple[str, ...]) -> None:
        self._rule, self._column = rule, column
        self._col = column.get(rule.signal, -1)
        expected = dict(rule.expected)
        self._curves = [Curves([expected[n]], column) if n in expected else None for n in tunes]

    def bound(self, setting: Setting) -> Bound:
        return Bound(setting.limit, setting.deadband, self._rule.side, self._column)

    def read(self, piece: Piece, variants: list[Bound]) -> list[Reading]:
        curve = self._curves[piece.tune] if piece.tune >= 0 else None
        x = piece.rows[self._col]
        expected = np.full(len(x), np.nan) if curve is None else curve.evaluate(piece.rows)[0]
        distance = x - expected
        out = []
        for v in variants:
            limit = v.limit(piece.rows, expected)
            out.append(Reading(distance, limit, *v.compare(distance, limit, expected)))
        return out


def make(
    rule: Rule, column: dict[str, int], signals: tuple[Signal, ...], tunes: tuple[str, ...], grid_ms: int
) -> Measured | None:
    """The object that measures `rule`, or None for the kinds that are evaluated together."""
    index = column.get(rule.signal)
    signal = None if index is None else signals[index]
    match rule.kind:
        case Kind.RATE:
            return _Rate(rule, column, signal, grid_ms)
        case Kind.REACH:
            return _Reach(rule, column, signal, grid_ms)
        case Kind.EXPOSURE:
            return _Exposure(rule, column)
        case Kind.DEPARTURE:
            return _Departure(rule, column, tunes)
        case Kind.THRESHOLD | Kind.LOST:
            return None
