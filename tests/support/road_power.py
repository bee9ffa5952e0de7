"""Drives of a published vehicle with the power at its wheels, by a simulator that shares nothing with this project.

fastsim 2.1.5, its class 4 truck, without gears: 6,590 kg, Cd 0.6078, 8.686 m2, Crr 0.0127, six wheels of 0.815 kg m2
and 0.386 m. It takes the air as 1.2 kg/m3, g as 9.81, and a step's speed as the mean of its ends. Its files were made
by `make_road_power`.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.physics.air import density_kg_m3
from uphaul.signals import Signal
from uphaul.vehicle.sheet import BuildSheet, Driveline, Load

__all__ = ["GEARING", "SHEET", "TRUCK", "drive_of", "driven", "reference"]

WHEELS, WHEEL_KG_M2, WHEEL_M, MASS = 6, 0.815, 0.386, 6590.0
TRUCK = Load(MASS, 0.0, 0.6078 * 8.686, 0.0127, 1.0 + WHEELS * WHEEL_KG_M2 / (MASS * WHEEL_M**2))
GEARING = Driveline((1.0,), 4.6, WHEEL_M, 0.9)
"""Invented: one gear, so that the truck has an engine speed."""

AIR_DEGC = 20.0


def reference(name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(s, m/s, kW at the wheels in the step that ends there) of the run "wltc" or "pull"."""
    path = Path(__file__).parent / "data" / f"road_power_{name}.csv"
    t, v, kw = np.loadtxt(path, delimiter=",", comments="#").T
    return t, v, kw


def driven(t_s: np.ndarray, speed: np.ndarray, **more: np.ndarray) -> WholeDrive:
    """A drive at 20 Hz with the speed straight from one of the times to the next, full pedal, in the invented gear."""
    at = np.arange(round(t_s[-1] * 20) + 1) / 20.0
    v = np.interp(at, t_s, speed)
    return drive_of(at, v, **{name: np.interp(at, t_s, x) for name, x in more.items()})


def drive_of(t_s: np.ndarray, speed: np.ndarray, **more: np.ndarray | float) -> WholeDrive:
    """A drive of these ticks, level, in air of 1.2 kg/m3 unless told otherwise."""
    n, one = len(t_s), np.ones(1)
    at_100, at_90 = (float(density_kg_m3(one * p, one * AIR_DEGC, one * 0.5)[0]) for p in (100.0, 90.0))
    baro = 100.0 + (1.2 - at_100) * 10.0 / (at_100 - at_90)
    columns = {
        "rpm": speed / WHEEL_M * GEARING.overall[0] * 30.0 / np.pi,
        "speed": speed,
        "pedal": 1.0,
        "gear": 1.0,
        "grade": 0.0,
        "baro": baro,
        "ambient": AIR_DEGC,
    } | more
    values = np.column_stack([np.broadcast_to(x, n) for x in columns.values()])
    signals = tuple(Signal(name, ROLES[name], 1000) for name in columns)
    return WholeDrive(signals, np.rint(t_s * 1000).astype(np.int64), values, np.zeros(n, dtype=np.int16), ("tow",))


SHEET = BuildSheet(driveline=GEARING, load=TRUCK)
