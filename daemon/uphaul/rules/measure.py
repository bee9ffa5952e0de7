"""What each kind of rule measures at each tick, and whether that is beyond, within or neither.

One class a kind, one object a rule. Threshold and lost rules are many and alike, so the judge evaluates them
together (`levels`); here are the others.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from uphaul.rules.levels import amount, compare, deadband
from uphaul.rules.spec import ABOVE, Kind, Rule, Setting
from uphaul.rules.window import ExposureWindow, SlopeWindow
from uphaul.signals import Signal

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

    def read(self, piece: Piece, variants: list[Setting]) -> list[Reading]:
        """One reading a variant; called once for every piece, in order."""
        ...


class _Rate:
    """Slope over the window, in the signal's unit per second, against a limit."""

    def __init__(self, rule: Rule, column: dict[str, int], signal: Signal | None, grid_ms: int) -> None:
        self._rule, self._column = rule, column
        self._col = column.get(rule.signal, -1)
        self._slope = SlopeWindow(rule.window_ms, signal.per_unit if signal else 1, grid_ms)

    def slope(self, piece: Piece) -> Floats:
        """The slope over this piece."""
        if piece.gap:
            self._slope.restart()
        return self._slope.run(piece.t_ms, piece.rows[self._col])

    def read(self, piece: Piece, variants: list[Setting]) -> list[Reading]:
        slope = self.slope(piece)
        out = []
        for v in variants:
            limit = amount(v.limit, piece.rows, self._column)
            out.append(
                Reading(slope, limit, *compare(slope, limit, deadband(v.deadband, limit), self._rule.side)),
            )
        return out


class _Reach(_Rate):
    """Seconds left until a limit at the present slope, against a lead time."""

    def read(self, piece: Piece, variants: list[Setting]) -> list[Reading]:
        rule = self._rule
        slope = self.slope(piece)
        x = piece.rows[self._col]
        far = np.zeros(len(x), dtype=bool)
        if rule.start is not None:
            far = x <= rule.start if rule.side == ABOVE else x >= rule.start
        out = []
        for v in variants:
            limit = amount(v.limit, piece.rows, self._column)
            room = (limit - x) * rule.side
            pointing = slope * rule.side > 0
            known = ~(np.isnan(slope) | np.isnan(room))
            with np.errstate(divide="ignore", invalid="ignore"):
                left = np.where(known & pointing, np.where(room < 0, 0.0, (limit - x) / slope), np.nan)
            idle = known & (far | ~pointing)
            lead = np.array([v.within_s])
            band = deadband(v.deadband, lead)
            out.append(Reading(left, lead, (left < lead) & ~idle, (left >= lead + band) | idle))
        return out


class _Exposure:
    """Seconds above a limit within the window, against the seconds allowed."""

    def __init__(self, rule: Rule, column: dict[str, int]) -> None:
        self._rule, self._column = rule, column
        self._col = column.get(rule.signal, -1)
        self._window = ExposureWindow(rule.window_ms)

    def read(self, piece: Piece, variants: list[Setting]) -> list[Reading]:
        x = piece.rows[self._col]
        past = np.zeros(len(x), dtype=bool)
        unsure = np.zeros(len(x), dtype=bool)
        for v in variants:
            limit = amount(v.limit, piece.rows, self._column)
            past |= compare(x, limit, np.zeros(1), self._rule.side)[0]
            unsure |= np.isnan(x - limit)
        above_ms, unknown_ms = self._window.run(piece.t_ms, past, unsure & ~past, gap=piece.gap)
        known_s = above_ms / 1000.0
        worst_s = (above_ms + unknown_ms) / 1000.0
        out = []
        for v in variants:
            allowed = np.array([v.allowed_s])
            band = deadband(v.deadband, allowed)
            out.append(Reading(known_s, allowed, known_s > allowed, worst_s <= allowed - band))
        return out


class _Departure:
    """Distance from the curve that the tune is expected to follow, against an amount or a share of it."""

    def __init__(self, rule: Rule, column: dict[str, int], tunes: tuple[str, ...]) -> None:
        self._rule, self._column = rule, column
        self._col = column.get(rule.signal, -1)
        expected = dict(rule.expected)
        self._curves = [expected.get(name) for name in tunes]

    def read(self, piece: Piece, variants: list[Setting]) -> list[Reading]:
        spec = self._curves[piece.tune] if piece.tune >= 0 else None
        x = piece.rows[self._col]
        expected = np.full(len(x), np.nan) if spec is None else amount(spec, piece.rows, self._column)
        distance = x - expected
        out = []
        for v in variants:
            limit = amount(v.limit, piece.rows, self._column, expected)
            band = deadband(v.deadband, expected)
            out.append(Reading(distance, limit, *compare(distance, limit, band, self._rule.side)))
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
