"""Power at the crankshaft estimated in two ways that share nothing: by air and fuel, and by what the road took.

Each way has assumptions of its own, each with a standard uncertainty that is said here. Where the two lie further apart
than these allow, one of the assumptions does not hold in this drive, and neither way tells by itself which.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from uphaul.analysis.route import road_grade, steps_m
from uphaul.analysis.spans import held
from uphaul.analysis.sustained import sustained
from uphaul.analysis.whole import WholeDrive
from uphaul.physics import air, flow, mixture, power, road
from uphaul.physics.basis import Floats
from uphaul.physics.uncertainty import uncertainty
from uphaul.vehicle.model import Tune
from uphaul.vehicle.sheet import Driveline, Engine, Load

__all__ = ["Agreement", "Bench", "Way", "against_bench", "agreement", "air_kg_s", "by_fuel", "by_road", "torque_nm"]

CONSUMPTION_DOUBT = 0.06
"""Of the specific consumption under load; below half load the true one is higher. Source: common practice: 195 to 235
g/kWh for direct injection."""
FUEL_DOUBT = 0.04
"""Of the fuel that the engine computer tells. Source: our own judgement."""
FILLING_DOUBT = 0.05
"""Of the volumetric efficiency. Source: our own judgement, 0.8 to 0.95 being usual."""
MIXTURE_DOUBT = 0.03
"""Of a wideband sensor in diesel exhaust. Source: our own judgement."""

GRADE_DOUBT = 0.005
WIND_DOUBT_M_S = 20.0 / 3.6
MASS_DOUBT = 0.10
"""Half a percent of grade, a headwind of 20 km/h, a tenth of the mass: together 12 to 15 % at 75 km/h uphill. Source:
common practice."""
EFFICIENCY_DOUBT = 0.03
"""Of the driveline's efficiency. Source: 0.85 to 0.92 is common practice."""

HUMIDITY = 0.5
"""No signal tells it; from 0 to 1 it changes the density by 1 % at 25 degC."""
ACCELERATION_MS = 1000
"""The acceleration is the slope of the speed from so long before to so long after. Source: our own choice."""
LEAST_RPM = 1000.0
"""Below it an engine is not under load; at cranking speed power over speed is no torque. Source: our own choice."""

COMPARED_S = 10.0
LOADED = 0.5
"""Compared over 10 s of half the drive's most by fuel, or more: at part load the consumption is another.
Source: our own choice."""
FULL_PEDAL, FULL_S = 0.9, 2.0
"""Full load: the pedal at 90 % or more for 2 s, after which the turbo has spooled up. Source: common practice."""
LEAST_M_S = 5.0
LEAST_WINDOWS = 3


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """One estimate: (N,) power at the crankshaft in kW and its standard uncertainty, and what it is made of."""

    name: str
    made_of: str
    power_kw: Floats
    doubt_kw: Floats


@dataclass(frozen=True, slots=True)
class Agreement:
    """How the two ways compare under load: `apart` is road load over fuel, less 1: the median of `windows` times 10 s.

    `doubt` is one standard uncertainty of it by what both ways assume; `agree` tells whether it lies within two.
    """

    windows: int
    apart: float
    doubt: float

    @property
    def agree(self) -> bool:
        """Whether the difference is no more than both ways leave open."""
        return abs(self.apart) <= 2.0 * self.doubt


@dataclass(frozen=True, slots=True)
class Bench:
    """How a way compares with the tune's dynamometer run at full pedal: the way over the run, less 1, in the middle of
    `windows` times 1 s; `doubt` is one standard uncertainty of the way alone.
    """

    tune: str
    way: str
    windows: int
    apart: float
    doubt: float


def air_kg_s(drive: WholeDrive, engine: Engine) -> tuple[Floats, str]:
    """((N,) air through the engine, what tells it): by speed and density, else the signal `air`."""
    if drive.has("map") and drive.has("charge"):
        filling = np.full(len(drive), engine.filling)
        rpm, manifold, charge = (_held(drive, r) for r in ("rpm", "map", "charge"))
        return flow.air_kg_s(rpm, manifold, charge, filling, displacement_l=engine.displacement_l), "speed and density"
    return drive.read("air"), "signal air"


def by_fuel(drive: WholeDrive, engine: Engine) -> Way | None:
    """By the fuel told and the sheet's consumption, else by air and mixture; None where neither is known."""
    if drive.has("fuel"):
        fuel, doubt = _held(drive, "fuel"), float(np.hypot(CONSUMPTION_DOUBT, FUEL_DOUBT))
        made_of = f"fuel told, at {engine.consumption_g_kwh:g} g/kWh"
    elif drive.has("mixture"):
        drawn, told_by = air_kg_s(drive, engine)
        fuel = mixture.fuel_kg_s(drawn, mixture.afr_from_lambda(_held(drive, "mixture")))
        doubt = float(np.sqrt(CONSUMPTION_DOUBT**2 + FILLING_DOUBT**2 + MIXTURE_DOUBT**2))
        made_of = f"air ({told_by}) and mixture, at {engine.consumption_g_kwh:g} g/kWh"
    else:
        return None
    kw = power.from_fuel_kw(fuel, bsfc_g_kwh=engine.consumption_g_kwh)
    return None if np.isnan(kw).all() else Way("air and fuel", made_of, kw, doubt * kw)


def by_road(drive: WholeDrive, load: Load, driveline: Driveline) -> Way | None:
    """By road load and the driveline's efficiency; None where speed, slope or air are not known. Wind is not seen."""
    v, grade = _held(drive, "speed"), road_grade(drive, steps_m(drive))
    density = air.density_kg_m3(_held(drive, "baro"), _held(drive, "ambient"), np.full(len(drive), HUMIDITY))
    slope, n = _acceleration(drive, v), len(drive)
    vehicle, trailer = np.full(n, load.vehicle_kg), np.full(n, load.trailer_kg)
    towed = drive.has("plug")
    mass = road.combined_kg(vehicle, trailer, _held(drive, "plug")) if towed else vehicle + trailer

    def kw(grade: Floats, mass: Floats, wind: Floats, efficiency: Floats) -> Floats:
        still = road.road_load_n(
            v,
            slope,
            grade,
            mass,
            density,
            rolling_coefficient=load.rolling,
            drag_area_m2=load.drag_area_m2,
            rotating=load.rotating,
        )
        against = road.drag_n(v + wind, density, drag_area_m2=load.drag_area_m2)
        calm = road.drag_n(v, density, drag_area_m2=load.drag_area_m2)
        wheel = road.wheel_kw(still + against - calm, v)
        return np.where(wheel >= 0.0, wheel / efficiency, wheel * efficiency)

    inputs = {"grade": grade, "mass": mass, "wind": np.zeros(n), "efficiency": np.full(n, driveline.efficiency)}
    found = kw(**inputs)
    if np.isnan(found).all():
        return None
    doubts = {"grade": GRADE_DOUBT, "mass": mass * MASS_DOUBT, "wind": WIND_DOUBT_M_S, "efficiency": EFFICIENCY_DOUBT}
    tons = (load.vehicle_kg + load.trailer_kg) / 1000.0
    made_of = f"road load of {tons:g} t" + (" (less without the plug)" if towed else "")
    made_of += f", driveline {driveline.efficiency:.0%}, no wind"
    return Way("road load", made_of, found, uncertainty(kw, inputs, doubts))


def torque_nm(drive: WholeDrive, power_kw: Floats) -> Floats:
    """(N,) torque at the crankshaft of a power there; unknown below 1,000 rpm."""
    rpm = _held(drive, "rpm")
    return power.torque_nm(power_kw, np.where(rpm >= LEAST_RPM, rpm, np.nan))


def agreement(drive: WholeDrive, fuel: Way, road_load: Way) -> Agreement | None:
    """How far the two ways lie apart under load; None with less than three times 10 s of it."""
    moving = held(drive.read("speed"), drive.t_ms) >= LEAST_M_S
    if drive.has("gear"):
        moving &= held(drive.read("gear"), drive.t_ms) > 0.5
    both = moving & ~np.isnan(fuel.power_kw) & ~np.isnan(road_load.power_kw)
    a, b, ua, ub = (
        sustained(drive, np.where(both, x, np.nan), COMPARED_S)
        for x in (fuel.power_kw, road_load.power_kw, fuel.doubt_kw, road_load.doubt_kw)
    )
    known = np.flatnonzero(~np.isnan(a) & ~np.isnan(b))
    if not len(known):
        return None
    known = known[a[known] >= LOADED * a[known].max()]
    _, first = np.unique(drive.t_ms[known] // round(COMPARED_S * 1000), return_index=True)
    picked = known[first]
    if len(picked) < LEAST_WINDOWS:
        return None
    share = b[picked] / a[picked]
    doubt = np.hypot(ub[picked] / a[picked], ua[picked] / a[picked] * share)
    return Agreement(len(picked), float(np.median(share)) - 1.0, float(np.median(doubt)))


def against_bench(drive: WholeDrive, way: Way, tune: Tune) -> Bench | None:
    """The way against the tune's run, the pedal down for 2 s before; None with less than three times 1 s of it."""
    run = tune.dyno
    if run is None or tune.name not in drive.tunes:
        return None
    rpm = sustained(drive, _held(drive, "rpm"), 1.0)
    full = sustained(drive, np.where(_held(drive, "pedal") >= FULL_PEDAL, 1.0, 0.0), FULL_S) >= 0.999
    full &= (drive.tune == drive.tunes.index(tune.name)) & (rpm >= run.rpm[0]) & (rpm <= run.rpm[-1])
    if drive.has("gear"):
        full &= sustained(drive, np.where(_held(drive, "gear") > 0.5, 1.0, 0.0), FULL_S) >= 0.999
    kw, doubt = sustained(drive, way.power_kw, 1.0), sustained(drive, way.doubt_kw, 1.0)
    known = np.flatnonzero(full & ~np.isnan(kw) & (kw > 0.0))
    _, first = np.unique(drive.t_ms[known] // 1000, return_index=True)
    picked = known[first]
    if len(picked) < LEAST_WINDOWS:
        return None
    share = kw[picked] / np.interp(rpm[picked], run.rpm, run.power_kw)
    relative = float(np.median(doubt[picked] / kw[picked]))
    middle = float(np.median(share))
    return Bench(tune.name, way.name, len(picked), middle - 1.0, relative * middle)


def _held(drive: WholeDrive, role: str) -> Floats:
    return held(drive.read(role), drive.t_ms)


def _acceleration(drive: WholeDrive, speed: Floats) -> Floats:
    """(N,) slope of the speed (m/s2) over two seconds around each tick; unknown where a gap lies in them."""
    t, last = drive.t_ms, len(drive) - 1
    low = np.searchsorted(t, t - ACCELERATION_MS)
    high = np.minimum(np.searchsorted(t, t + ACCELERATION_MS, side="right") - 1, last)
    gaps = np.cumsum((drive.dt_s == 0.0) & (np.arange(len(t)) > 0))
    time_s = (t[high] - t[low]) / 1000.0
    sound = (gaps[high] == gaps[low]) & (time_s >= ACCELERATION_MS / 1000.0)
    return np.where(sound, (speed[high] - speed[low]) / np.where(sound, time_s, 1.0), np.nan)
