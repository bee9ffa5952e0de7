"""The limit of a rule at every tick of a drive, for lines in the picture of its signal: unknown where not in force."""

from __future__ import annotations

import numpy as np

from uphaul.analysis.spans import latched
from uphaul.analysis.what_if import Stretch
from uphaul.physics.basis import Bools, Floats, Ints
from uphaul.rules import ABOVE, Curve, Kind, Rule, Setting, Share, When
from uphaul.rules.levels import Bound
from uphaul.signals import NO_TUNE, index_of

__all__ = ["DRAWN", "limit_line", "shown_limit"]

DRAWN = (Kind.THRESHOLD, Kind.EXPOSURE, Kind.REACH, Kind.DEPARTURE)
"""Kinds whose limit is a value of the signal itself, or (departure) stands at a distance from one."""


def shown_limit(setting: Setting) -> float | None:
    """The limit of a setting where it is one number."""
    return float(setting.limit) if isinstance(setting.limit, int | float) else None


def limit_line(rule: Rule, stretch: Stretch) -> Floats:
    """(N,) the limit in the signal's unit. Unknown where a further condition does not hold, or for a kind without one.

    Under an unknown tune the strictest of all tunes, as the judge takes it.
    """
    block = stretch.block
    out = np.full(len(block), np.nan)
    if rule.kind not in DRAWN:
        return out
    column = index_of(block.signals)
    tunes = np.flatnonzero(np.bincount(block.tune - NO_TUNE)) + NO_TUNE
    for tune in tunes.tolist():
        here = slice(None) if len(tunes) == 1 else np.flatnonzero(block.tune == tune)
        names = [stretch.tunes[tune]] if tune != NO_TUNE else [None, *stretch.tunes]
        found = [_one(rule, name, column, _Rows(block.values, here)) for name in names]
        strict = found[0]
        for other in found[1:]:
            strict = np.fmin(strict, other) if rule.side == ABOVE else np.fmax(strict, other)
        out[here] = strict
    if rule.when:
        rows = _Rows(block.values, slice(None))
        gaps = np.diff(block.t_ms, prepend=block.t_ms[:1]) > stretch.gap_ms
    for when in rule.when:
        out[~_applies(when, rule, column, rows, gaps)] = np.nan
    return out


class _Rows:
    """Ticks of a block by column as the judge's levels read them: the last one, -1, is unknown throughout."""

    def __init__(self, values: Floats, ticks: slice | Ints) -> None:
        self._values, self._ticks = values, ticks

    def __getitem__(self, number: int | np.ndarray[tuple[int], np.dtype[np.intp]]) -> Floats:
        if not isinstance(number, int):
            return np.array([self[n] for n in number.tolist()])
        column: Floats = self._values[:, number][self._ticks]
        return column if number >= 0 else np.full(len(column), np.nan)


def _one(rule: Rule, tune: str | None, column: dict[str, int], rows: _Rows) -> Floats:
    """The limit under a tune: one for each tick, or one for all."""
    setting = rule.setting(tune)
    if rule.kind is Kind.DEPARTURE:
        curve = dict(rule.expected).get(tune or "")
        if curve is None:
            return np.full(1, np.nan)
        expected = _value(curve, column, rows)
        share = isinstance(setting.limit, Share)
        limit: Floats = expected + _value(setting.limit, column, rows, expected if share else None)
        return limit
    return _value(setting.limit, column, rows)


def _value(
    amount: float | Curve | Share, column: dict[str, int], rows: _Rows, expected: Floats | None = None
) -> Floats:
    return Bound(amount, 0.0, ABOVE, column).limit(rows, expected)  # type: ignore[arg-type]  # it takes rows by number


def _applies(when: When, rule: Rule, column: dict[str, int], rows: _Rows, gaps: Bools) -> Bools:
    """Whether a further condition holds at each tick, or counts as holding."""
    x = rows[column.get(when.signal, -1)]
    bound = Bound(when.limit, when.deadband, when.side, column)
    limit = bound.limit(rows)  # type: ignore[arg-type]  # as above
    beyond, within = bound.compare(x, limit)
    unknown = np.isnan(x) | np.isnan(limit)
    holds = latched(beyond & ~unknown, within | unknown | gaps)
    return holds if rule.judge_unknown_when else holds | unknown
