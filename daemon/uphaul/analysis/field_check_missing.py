"""What a step of a field check still waits for, in words."""

from __future__ import annotations

from math import ceil

import numpy as np

from uphaul.analysis.field_check import Missing, WaitsFor
from uphaul.physics.basis import Floats
from uphaul.rules import ABOVE
from uphaul.signals import Signal

__all__ = ["missing_of"]


def missing_of(
    wait: WaitsFor, columns: dict[str, int], values: Floats, signals: tuple[Signal, ...], held_ms: int | None = None
) -> Missing:
    """Of something that does not hold, with the `values` (signals,) of the last tick.

    `held_ms`: for how long it has been past its limit, None where it is not.
    """
    column = columns.get(wait.signal)
    name = wait.signal.replace("_", " ")
    if column is None or np.isnan(values[column]):
        return Missing(wait.signal, float("nan"), "", f"{name} unknown")
    unit = signals[column].unit
    if held_ms is not None:
        left_s = max(wait.held_ms - held_ms, 0) / 1000.0
        return Missing(wait.signal, 0.0, unit, f"{name}: hold on, {ceil(left_s)} s more", left_s)
    if wait.rate_ms:
        up = isinstance(wait.limit, float | int) and wait.side == ABOVE and wait.limit > 0.0  # else it falls too fast
        words = "rising faster" if up else "steadier"
        return Missing(wait.signal, float("nan"), f"{unit}/s", f"{name} must be {words}")
    limit = wait.limit if isinstance(wait.limit, float | int) else _at(wait, columns, values)
    by = (limit - values[column]) * wait.side
    if np.isnan(by):
        return Missing(wait.signal, by, unit, f"{name}: what its limit goes by is unknown")
    shown = f"{by:.0f}" if by >= 10 else f"{by:.2g}"
    unit = {"degC": "K", "degF": "°F"}.get(unit, unit)  # of a difference
    what = "low" if wait.side == ABOVE else "high"
    words = f"{name} {shown} too {what}" if unit in ("1", wait.signal) else f"{name} {shown} {unit} too {what}"
    return Missing(wait.signal, float(by), unit, words)


def _at(wait: WaitsFor, columns: dict[str, int], values: Floats) -> float:
    curve = wait.limit
    assert not isinstance(curve, float | int)
    column = columns.get(curve.over)
    return float("nan") if column is None else float(np.interp(values[column], curve.x, curve.y))
