"""Drives of the fleet that several tests look at, driven once."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np

from support.fleet import BUILT_ON, Family
from support.fleet_drive import drive_fleet
from support.fleet_faults import FAULTY, OUTSIDE, fault_trip, healthy_trip
from uphaul.analysis.whole import WholeDrive

__all__ = ["SMALL", "faulty", "leaking", "same_hole", "sound_pairs"]

SMALL: Family = replace(BUILT_ON, name="small", seed=5_000_000)
"""Vehicles of their own, so that no test sees those that the findings were built on."""

VEHICLES, SOUND = 3, 3


@functools.cache
def _drives() -> dict[tuple[int, str, int], WholeDrive]:
    trips = {}
    for k in range(VEHICLES):
        for part in range(SOUND + 1):
            trips[k, "sound", part] = healthy_trip(SMALL, k, part)
    for i, case in enumerate((*FAULTY, *OUTSIDE)):
        trips[0, case.name, 0] = fault_trip(SMALL, 0, case, part=100 + i)
    of = healthy_trip(SMALL, 0, 1)
    hole = 190.0
    # the area that the leak's and the wastegate's laws have in common
    gate = hole * 1e-6 * 0.62 * 1000.0 / np.sqrt(287.05) * 0.684 / (0.011 * of.vehicle.of["displacement_l"] / 3.2)
    trips[0, "hole", 0] = replace(of, faults={"manifold_leak": hole})
    trips[0, "hole", 1] = replace(of, faults={"gate_open": gate})
    return dict(zip(trips, drive_fleet(list(trips.values())), strict=True))


def sound_pairs() -> list[tuple[WholeDrive, WholeDrive]]:
    """(handover drive, later drive) of sound vehicles, in different weather and at different heights."""
    drives = _drives()
    return [(drives[k, "sound", 0], drives[k, "sound", part]) for k in range(VEHICLES) for part in range(1, SOUND + 1)]


def faulty(name: str) -> tuple[WholeDrive, WholeDrive]:
    """(handover drive, drive with that fault, clear) of one vehicle."""
    return _drives()[0, "sound", 0], _drives()[0, name, 0]


def same_hole() -> tuple[WholeDrive, WholeDrive, WholeDrive]:
    """(handover drive, a drive with a leak before the turbine, the same with a wastegate that stands as wide open)."""
    return _drives()[0, "sound", 0], _drives()[0, "hole", 0], _drives()[0, "hole", 1]


def leaking() -> tuple[WholeDrive, WholeDrive]:
    """The same with a charge leak."""
    return faulty("charge leak")
