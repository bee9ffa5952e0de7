"""From the table `tune_input` to which readings of which signal mean which tune."""

from __future__ import annotations

from itertools import pairwise

from uphaul.config import model as m
from uphaul.config.amounts import Scope, whole_ms
from uphaul.config.spec import TuneInput
from uphaul.signals import Signal

__all__ = ["build_tune_input"]


def build_tune_input(scope: Scope, table: m.TuneInputTable | None, tunes: tuple[str, ...] | None) -> TuneInput | None:
    """Which signal tells the tune; `tunes` None: any name goes."""
    if table is None:
        return None
    signal = scope.named(table.signal, "tune_input.signal")
    if (table.values is None) == (table.bands is None):
        wrong = "needs `values` or `bands`" if table.values is None else "must have `values` or `bands`, not both"
        scope.wrong("tune_input", None, wrong)
    hold_ms = whole_ms(scope, "tune_input.hold_s", table.hold_s)
    values, bands = _values(scope, table.values or {}, tunes), _bands(scope, table.bands or {}, tunes, signal)
    return TuneInput(table.signal, values, bands, hold_ms)


def _values(scope: Scope, table: dict[str, str], tunes: tuple[str, ...] | None) -> tuple[tuple[int, str], ...]:
    values: dict[int, str] = {}
    for text, name in table.items():
        key = f"tune_input.values.{text}"
        if int(text) in values:
            scope.wrong(key, name, "must be a number of its own: it is there already")
        if tunes is not None and name not in tunes:
            scope.wrong(key, name, "must be a tune of vehicle.toml", known=tunes)
        values[int(text)] = name
    return tuple(values.items())


def _bands(
    scope: Scope, table: dict[str, m.Range], tunes: tuple[str, ...] | None, signal: Signal | None
) -> tuple[tuple[str, float, float], ...]:
    unit = "" if signal is None else f" {signal.unit}"
    bands = []
    for name, (low, high) in table.items():
        key = f"tune_input.bands.{name}"
        if tunes is not None and name not in tunes:
            scope.wrong(key, None, "must be named after a tune of vehicle.toml", known=tunes)
        if not low < high:
            scope.wrong(key, [low, high], "must be [lowest, highest], the lowest first: nothing lies in such a band")
            continue
        if signal is not None and not signal.low <= low < high <= signal.high:
            allowed = f"must lie within {signal.name}'s range, {signal.low:g} to {signal.high:g}{unit}"
            scope.wrong(key, [low, high], allowed)
        bands.append((name, low, high))
    bands.sort(key=lambda band: band[1])
    for (below, _, top), (name, low, high) in pairwise(bands):
        if low <= top:
            allowed = f"must begin above {top:g}{unit}, where the band of {below} ends: a reading has one meaning"
            scope.wrong(f"tune_input.bands.{name}", [low, high], allowed)
    return tuple(bands)
