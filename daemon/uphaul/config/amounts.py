"""Checks of single values that several tables share: whole milliseconds, curves, limits, deadbands."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from uphaul.config.model import CurveTable, ShareTable
from uphaul.config.problems import Problems
from uphaul.rules import ABOVE, BELOW, Amount, Curve, Share
from uphaul.signals import Signal

__all__ = ["Scope", "amount_of", "check_reach", "curve_of", "deadband_of", "sided", "whole_ms"]


@dataclass(frozen=True, slots=True)
class Scope:
    """Which signals may be named, and where problems go.

    `signals` maps every name to its signal, None for one whose own table is at fault. `strict` is False for rules tried
    on a drive: signals and tunes that it lacks, and limits out of reach, are then the caller's matter.
    """

    signals: Mapping[str, Signal | None]
    problems: Problems
    file: str
    strict: bool = True

    def wrong(self, key: str, value: object, allowed: str, *, known: Iterable[str] = ()) -> None:
        """Note a problem of this file."""
        self.problems.add(self.file, key, value, allowed, known=known)

    def named(self, name: str, key: str) -> Signal | None:
        """The signal of that name; an unknown name is a problem."""
        if name not in self.signals and self.strict:
            self.wrong(key, name, "must be the name of a signal", known=self.signals)
        return self.signals.get(name)


def whole_ms(scope: Scope, key: str, value_s: float) -> int:
    """`value_s` in ms; a fraction of one is a problem."""
    ms = round(value_s * 1000)
    if not math.isclose(value_s * 1000, ms, rel_tol=1e-12, abs_tol=1e-9) or (ms == 0 and value_s > 0):
        scope.wrong(key, value_s, "must be whole milliseconds, in s with at most three decimals")
    return ms


def curve_of(scope: Scope, key: str, table: CurveTable) -> Curve:
    """The curve; knots that don't increase and an unknown signal are problems."""
    scope.named(table.over, f"{key}.over")
    for i in range(1, len(table.points)):
        x0, x1 = table.points[i - 1][0], table.points[i][0]
        if not x1 > x0:
            scope.wrong(f"{key}.points[{i}][0]", x1, f"must be above {x0:g}, the x before it: x increases strictly")
    return Curve(table.over, tuple(p[0] for p in table.points), tuple(p[1] for p in table.points))


def amount_of(scope: Scope, key: str, value: float | CurveTable | ShareTable) -> Amount:
    """A limit as the rules know it."""
    if isinstance(value, CurveTable):
        return curve_of(scope, key, value)
    if isinstance(value, ShareTable):
        return Share(value.share)
    return value


def deadband_of(scope: Scope, key: str, value: float | ShareTable, unit: str) -> float | Share:
    """A deadband in `unit`; a negative one is a problem."""
    if isinstance(value, ShareTable):
        if value.share < 0:
            scope.wrong(f"{key}.share", value.share, "must be a share from 0 to 1")
        return Share(value.share)
    if value < 0:
        scope.wrong(key, value, f"must be at least 0, in {unit}" if unit else "must be at least 0")
    return value


def sided(
    scope: Scope, key: str, above: float | CurveTable | ShareTable | None, below: float | CurveTable | ShareTable | None
) -> tuple[int, str, float | CurveTable | ShareTable] | None:
    """(side, key of the limit, limit): exactly one of the two must be there."""
    if above is not None and below is not None:
        scope.wrong(f"{key}.below", shown_limit(below), "must be left out where `above` is: one limit only")
        return None
    if above is not None:
        return ABOVE, f"{key}.above", above
    if below is not None:
        return BELOW, f"{key}.below", below
    scope.wrong(key, None, "needs a limit: `above` or `below`")
    return None


def shown_limit(value: object) -> object:
    """A limit as it stands in a problem: a number itself, a table not at all."""
    return value if isinstance(value, float) else None


def check_reach(
    scope: Scope, key: str, signal: Signal | None, *, side: int, limit: Amount, deadband: float | Share
) -> None:
    """A limit that the signal's range never passes, or a way back that it never goes, is a problem."""
    if signal is None or not scope.strict or not isinstance(limit, float):
        return
    low, high, unit = signal.low, signal.high, signal.unit
    if side == ABOVE and limit >= high:
        scope.wrong(key, limit, f"must be below {high:g} {unit}, the top of {signal.name}'s range, ever to be true")
        return
    if side == BELOW and limit <= low:
        scope.wrong(key, limit, f"must be above {low:g} {unit}, the bottom of {signal.name}'s range, ever to be true")
        return
    band = deadband.share * abs(limit) if isinstance(deadband, Share) else deadband
    back = limit - side * band
    if not low <= back <= high:
        scope.wrong(
            key,
            limit,
            f"and the deadband of {band:g} {unit} ask for {back:g} {unit} to be within again; "
            f"{signal.name} only ranges from {low:g} to {high:g}",
        )
