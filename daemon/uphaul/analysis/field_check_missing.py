"""What a step of a field check still waits for, in words."""

from __future__ import annotations

import numpy as np

from uphaul.analysis.field_check import Missing, WaitsFor
from uphaul.physics.basis import Floats
from uphaul.rules import ABOVE
from uphaul.signals import Signal

__all__ = ["missing_of"]


def missing_of(wait: WaitsFor, columns: dict[str, int], values: Floats, signals: tuple[Signal, ...]) -> Missing:
    """Of something that does not hold, with the `values` (signals,) of the last tick."""
    column = columns.get(wait.signal)
    name = wait.signal.replace("_", " ")
    if column is None or np.isnan(values[column]):
        return Missing(wait.signal, float("nan"), "", f"{name} unknown")
    unit = signals[column].unit
    if wait.rate_ms:
        words = "rising faster" if wait.side == ABOVE else "steadier"
        return Missing(wait.signal, float("nan"), f"{unit}/s", f"{name} must be {words}")
    limit = wait.limit if isinstance(wait.limit, float | int) else _at(wait, columns, values)
    by = (limit - values[column]) * wait.side
    if by < 0 or np.isnan(by):
        return Missing(wait.signal, 0.0, unit, f"{name}: hold on", wait.held_ms / 1000.0)
    shown = f"{by:.3g}" if by < 1000 else f"{by:.0f}"
    what = "low" if wait.side == ABOVE else "high"
    words = f"{name} {shown} too {what}" if unit in ("1", wait.signal) else f"{name} {shown} {unit} too {what}"
    return Missing(wait.signal, float(by), unit, words)


def _at(wait: WaitsFor, columns: dict[str, int], values: Floats) -> float:
    curve = wait.limit
    assert not isinstance(curve, float | int)
    column = columns.get(curve.over)
    return float("nan") if column is None else float(np.interp(values[column], curve.x, curve.y))
