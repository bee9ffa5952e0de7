"""The road of a drive: how far it went, how high it lies, how steep it is."""

from __future__ import annotations

import numpy as np

from uphaul.analysis.spans import held
from uphaul.analysis.whole import WholeDrive
from uphaul.physics.atmosphere import pressure_altitude_m, standard_degc
from uphaul.physics.basis import Floats, kelvin

__all__ = ["height_m", "road_grade", "steps_m"]

REACH_M, BARO_REACH_M = 100.0, 250.0
"""Road behind and ahead that a grade is taken over where no signal tells it: by `altitude`, and by a barometer, of
which 0.05 kPa of noise are 4 m. Source: our own choice."""

LEAST_M = 30.0
"""Nearer together the middles of both say nothing of a grade. Source: our own choice, that of the signal `grade`."""


def steps_m(drive: WholeDrive) -> Floats:
    """(N,) the way from the tick before in m, unknown where the speed is; 0 at the first tick and across a gap."""
    dt_s = drive.dt_s
    return np.where(dt_s > 0.0, held(drive.read("speed"), drive.t_ms) * dt_s, 0.0)


def height_m(drive: WholeDrive) -> Floats:
    """(N,) the height of the road: of the signal `altitude`, else by the barometer.

    By the barometer only differences count: they are those of the standard atmosphere, stretched by how much warmer
    than its air the drive's was (its median, where `ambient` is known). Source: ideal-gas law and hydrostatics.
    """
    if drive.has("altitude"):
        return drive.read("altitude")
    height = pressure_altitude_m(drive.read("baro"))
    warmer = kelvin(drive.read("ambient")) / kelvin(standard_degc(height))
    known = warmer[~np.isnan(warmer)]
    return height * float(np.median(known)) if len(known) else height


def road_grade(drive: WholeDrive, step_m: Floats) -> Floats:
    """(N,) the grade (rise over run), positive uphill: of the signal `grade`, else by the heights around each tick.

    `step_m` as of `steps_m`. Without the signal: mean height and place of the road ahead against those of the road
    behind. Unknown where the speed is unknown in between, or the two are less than 30 m apart.
    """
    if drive.has("grade"):
        return held(drive.read("grade"), drive.t_ms)
    height = height_m(drive)
    if np.isnan(height).all() or np.isnan(step_m).all():
        return np.full(len(drive), np.nan)
    broken = np.isnan(step_m) | ((drive.dt_s == 0.0) & (np.arange(len(drive)) > 0))
    along = np.cumsum(np.where(broken, 0.0, np.maximum(step_m, 0.0)))
    known = ~np.isnan(height)
    breaks = np.cumsum(broken)

    def before(x: Floats) -> Floats:
        return np.concatenate(([0.0], np.cumsum(x)))

    count, place, up = before(known * 1.0), before(along * known), before(np.where(known, height, 0.0))
    reach_m = REACH_M if drive.has("altitude") else BARO_REACH_M
    here = np.arange(len(drive))
    low = np.searchsorted(along, along - reach_m)
    high = np.searchsorted(along, along + reach_m, side="right")
    behind, ahead = count[here + 1] - count[low], count[high] - count[here]
    ok = (behind > 0) & (ahead > 0) & (breaks[high - 1] == breaks[low])
    behind, ahead = np.where(ok, behind, 1.0), np.where(ok, ahead, 1.0)
    run = (place[high] - place[here]) / ahead - (place[here + 1] - place[low]) / behind
    rise = (up[high] - up[here]) / ahead - (up[here + 1] - up[low]) / behind
    out = np.full(len(drive), np.nan)
    np.divide(rise, run, out=out, where=ok & (run >= LEAST_M))
    return out
