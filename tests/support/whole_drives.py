"""Whole drives for the analysis: made by hand from legs with known answers, and of the invented vehicle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from support.demo_drives import Drive
from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.demo import CHANNELS
from uphaul.signals import Signal
from uphaul.units import convert

__all__ = ["CRUISING", "IDLING", "OFF", "Leg", "by_hand", "in_units", "of_demo", "without"]

_ROLE_OF = {"lambda": "mixture", "turbo": "turbo_speed", "power": "crank_power"}


@dataclass(frozen=True, slots=True)
class Leg:
    """Some seconds of a drive, in canonical units; a pair is a straight line from one to the other."""

    seconds: float
    rpm: float | tuple[float, float] = 0.0
    speed: float | tuple[float, float] = 0.0
    pedal: float | tuple[float, float] = 0.0
    boost: float | tuple[float, float] = 0.0
    egt: float | tuple[float, float] = 150.0
    coolant: float | tuple[float, float] = 85.0
    grade: float | tuple[float, float] = 0.0
    gear: float = 0.0
    gap_s: float = 0.0


OFF = Leg(10.0)
IDLING = Leg(20.0, rpm=780.0, egt=160.0)
CRUISING = Leg(60.0, rpm=2000.0, speed=22.0, pedal=0.4, boost=60.0, egt=430.0, gear=5.0)
_MADE = ("rpm", "speed", "pedal", "boost", "egt", "coolant", "grade", "gear")


def by_hand(legs: Sequence[Leg], hz: int = 20) -> WholeDrive:
    """The legs one after another; `gap_s` of a leg is the time without ticks before it. Altitude follows the grade."""
    rows, times, now_ms = [], [], 0
    step_ms = 1000 // hz
    for leg in legs:
        n = round(leg.seconds * hz)
        now_ms += round(leg.gap_s * 1000)
        times.append(now_ms + step_ms * np.arange(n))
        now_ms += step_ms * n
        ends = [v if isinstance(v, tuple) else (v, v) for v in (getattr(leg, name) for name in _MADE)]
        rows.append(np.stack([np.linspace(a, b, n) for a, b in ends], axis=1))
    values, t_ms = np.concatenate(rows), np.concatenate(times)
    rise = values[:, _MADE.index("grade")] * values[:, _MADE.index("speed")] / hz
    signals = tuple(Signal(name, ROLES[name], 1000) for name in (*_MADE, "altitude"))
    values = np.column_stack((values, 500.0 + np.cumsum(np.nan_to_num(rise))))
    return WholeDrive(signals, t_ms, values, np.zeros(len(t_ms), dtype=np.int16), ("tow",))


def of_demo(drive: Drive) -> WholeDrive:
    """A drive of the invented vehicle in its own units, with boost."""
    columns = {_ROLE_OF.get(name, name): (CHANNELS[name].unit, drive.of[name].copy()) for name in drive.of}
    for name, faulted in drive.faulted.items():
        columns[_ROLE_OF.get(name, name)][1][faulted] = np.nan
    columns["boost"] = ("kPa", columns["map"][1] - columns["baro"][1])
    signals = tuple(Signal(name, unit, 1000) for name, (unit, _) in columns.items())
    values = np.stack([x for _, x in columns.values()], axis=1)
    t_ms = np.rint(drive.t_s * 1000).astype(np.int64)
    return WholeDrive(signals, t_ms, values, np.zeros(len(t_ms), dtype=np.int16), ("tow",))


def in_units(drive: WholeDrive, units: dict[str, str]) -> WholeDrive:
    """The same drive with some signals in other units."""
    values = drive.values.copy()
    signals = list(drive.signals)
    for i, s in enumerate(signals):
        if s.name in units:
            values[:, i] = convert(values[:, i], s.unit, units[s.name])
            signals[i] = replace(s, unit=units[s.name])
    return replace(drive, signals=tuple(signals), values=values)


def without(drive: WholeDrive, *names: str) -> WholeDrive:
    """The same drive without some signals."""
    keep = [i for i, s in enumerate(drive.signals) if s.name not in names]
    return replace(drive, signals=tuple(drive.signals[i] for i in keep), values=drive.values[:, keep])
