"""What a tune asks of the fitted parts under full load, over engine speed, in shares of their ratings.

How it is worked out. The tune's torque is held until its power is reached, then the power is held. The manifold
pressure is the expected boost over the barometer at sea level, and boost control holds it, absolute, at any height.
Compressor outlet by isentropic compression, intercooler by its effectiveness, air by speed and density, fuel by power
and specific consumption, length of injection by the injectors' flow. Airbox and intercooler cost pressure by the square
of the flow. All of it is steady running: what a pull shows for a second (overshoot) or a climb after minutes (heat)
only a drive tells.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from uphaul.physics import atmosphere, charge, compressor, flow, injection, mixture, power
from uphaul.physics.basis import Bools, Floats
from uphaul.units import convert
from uphaul.vehicle.model import Tune
from uphaul.vehicle.sheet import (
    USUAL_EFFICIENCY,
    Airbox,
    BuildSheet,
    ChargeCooler,
    Clutch,
    Engine,
    Injectors,
    Part,
    Turbo,
)

__all__ = ["AIR", "SEA_LEVEL", "Asked", "Course", "Day", "Use", "asked", "courses", "high_road", "uses"]

AIR = "expected boost"
"""Stands in the place of a part: the air that the tune's own boost brings in, for the mixture it is to have."""

STEP_RPM = 50.0
LEAST_RPM = 1000.0
"""Below it a turbo diesel is not asked for full load. Source: common practice."""
NEARLY = 0.995
"""Share of the most power or torque from which on a tune is at it. Source: our own choice."""
TIE = 1e-5
"""Difference of two shares that is none."""
ROUNDS = 4
"""Times that flow and pressure drops are worked out from each other; the fourth moves the ratio by less than 1e-4."""


@dataclass(frozen=True, slots=True)
class Day:
    """The air that is breathed: `name` for people, barometer, outside temperature."""

    name: str
    baro_kpa: float
    ambient_degc: float


SEA_LEVEL = Day("sea level, 25 degC", 101.325, 25.0)
"""Pressure of the standard atmosphere, ISO 2533; 25 degC is a summer's day (common practice)."""


def high_road(height_m: float, ambient_degc: float = 35.0) -> Day:
    """A hot day at a height. Source of the pressure: standard atmosphere, ISO 2533. 35 degC: our own starting point."""
    return Day(
        f"{height_m:,.0f} m, {ambient_degc:g} degC", float(atmosphere.standard_kpa(np.array(height_m))), ambient_degc
    )


@dataclass(frozen=True, slots=True, eq=False)
class Asked:
    """A tune's full load by engine speed, each (N,): NaN where something of the sheet or of the tune is not known.

    `limit_nm` is what air at the mixture target is enough for; `torque_nm` does not look at it.
    """

    day: Day
    rpm: Floats
    torque_nm: Floats
    power_kw: Floats
    boost_kpa: Floats
    pressure_ratio: Floats
    charge_degc: Floats
    air_kg_h: Floats
    fuel_mg: Floats
    angle_deg: Floats
    mixture: Floats
    mixture_target: float | None
    limit_nm: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """How much of one rating is asked for by engine speed: (N,) in `unit`, and as a share of it, 1 all of it."""

    part: str
    rating: str
    unit: str
    rated: float
    values: Floats
    share: Floats


@dataclass(frozen=True, slots=True)
class Use:
    """What is asked of one rating: the most of it, at what engine speed and on which day; in `unit` and as a share.

    `at_power` and `at_torque` are the shares where the tune makes its most power and its most torque, on that day.
    """

    part: str
    rating: str
    unit: str
    rated: float
    most: float
    share: float
    rpm: float
    day: str
    at_power: float
    at_torque: float


def asked(sheet: BuildSheet, tune: Tune, day: Day = SEA_LEVEL, *, boost_unit: str = "kPa") -> Asked | None:
    """What the tune asks for on that day: by its dynamometer run if it has one, else by its targets.

    None without an engine, or where the tune has neither a run nor targets of power and torque. `boost_unit` is the
    unit of the tune's expected boost.
    """
    engine, targets = sheet.engine, tune.targets
    if engine is None:
        return None
    if tune.dyno is not None:
        rpm = np.array(tune.dyno.rpm)
        torque = np.array(tune.dyno.torque_nm)
    elif targets.power_kw is not None and targets.torque_nm is not None:
        rpm = np.arange(max(LEAST_RPM, engine.idle_rpm), engine.governed_rpm + 0.5, STEP_RPM)
        torque = np.minimum(targets.torque_nm, power.torque_nm(np.full(len(rpm), targets.power_kw), rpm))
    else:
        return None
    power_kw = power.from_torque_kw(torque, rpm)
    manifold = SEA_LEVEL.baro_kpa + convert(_expected(tune, "boost", rpm), boost_unit, "kPa")
    ratio, charge_degc, air = _breathe(sheet, engine, rpm, manifold, day)
    fuel = power_kw * engine.consumption_g_kwh / 3.6e6
    fuel_mg = flow.air_mg_stroke(fuel, rpm, cylinders=engine.cylinders)  # mass of a stroke, whatever it is that flows
    injectors = sheet.part(Injectors)
    per_ms = injectors.flow_mg_ms if injectors else np.nan
    limit = np.full(len(rpm), np.nan)
    if targets.mixture is not None:
        afr = mixture.afr_from_lambda(np.full(len(rpm), targets.mixture))
        limit = power.torque_nm(power.from_air_kw(air, afr, bsfc_g_kwh=engine.consumption_g_kwh), rpm)
    return Asked(
        day=day,
        rpm=rpm,
        torque_nm=torque,
        power_kw=power_kw,
        boost_kpa=manifold - day.baro_kpa,
        pressure_ratio=ratio,
        charge_degc=charge_degc,
        air_kg_h=air * 3600.0,
        fuel_mg=fuel_mg,
        angle_deg=injection.crank_deg(rpm, fuel_mg / per_ms / 1000.0),
        mixture=mixture.lambda_from_afr(mixture.afr(air, fuel)),
        mixture_target=targets.mixture,
        limit_nm=limit,
    )


def courses(sheet: BuildSheet, ask: Asked) -> Iterator[Course]:
    """How much of every rating that can be worked out is asked for, in the order of the sheet, the air last."""
    for part in sheet.parts:
        for rating, unit, rated, values in _ratings(part, ask):
            if rated is not None and np.isfinite(values).any():
                yield Course(part.name, rating, unit, rated, values, values / rated)
    if ask.mixture_target is not None and np.isfinite(ask.limit_nm).any():
        share = ask.torque_nm / ask.limit_nm
        enough = np.flatnonzero((share <= 1.0) & _turning(ask))
        if len(enough):
            share[: enough[0]] = np.nan  # spooling up: the smoke limit holds fuel back, which is no matter of the parts
        yield Course(AIR, "mixture (lambda)", "1", ask.mixture_target, ask.mixture, share)


def uses(sheet: BuildSheet, asks: Iterable[Asked]) -> tuple[Use, ...]:
    """Every rating that can be worked out, by the worst of one tune's `asks` (one a day), the weakest part first."""
    worst: dict[tuple[str, str], Use] = {}
    for ask in asks:
        for course in courses(sheet, ask):
            use = _use(ask, course)
            key = use.part, use.rating
            if key not in worst or use.share > worst[key].share:
                worst[key] = use
    return tuple(sorted(worst.values(), key=lambda u: -u.share))


def _ratings(part: Part, ask: Asked) -> tuple[tuple[str, str, float | None, Floats], ...]:
    match part:
        case Turbo():
            return (
                ("boost", "kPa", part.boost_kpa, ask.boost_kpa),
                ("pressure ratio", "1", part.pressure_ratio, ask.pressure_ratio),
                ("power", "kW", part.power_kw, ask.power_kw),
            )
        case Injectors():
            return (
                ("power", "kW", part.power_kw, ask.power_kw),
                ("injection angle", "deg", part.angle_deg, ask.angle_deg),
            )
        case Clutch():
            return (("torque", "N·m", part.torque_nm, ask.torque_nm),)
        case Airbox() | ChargeCooler():
            return (("air flow", "kg/h", part.flow_kg_h, ask.air_kg_h),)
    return ()  # exhaust and cooling: only a drive tells


def _turning(ask: Asked) -> Bools:
    """Where the tune is at its most torque."""
    found: Bools = ask.torque_nm >= NEARLY * ask.torque_nm.max()
    return found


def _use(ask: Asked, course: Course) -> Use:
    """The most of a course; of the air the best, as a target is met if there is enough for it somewhere."""
    share = np.round(course.share, 9)
    strong, turning = ask.power_kw >= NEARLY * ask.power_kw.max(), _turning(ask)
    if course.part == AIR:
        best = [int(np.flatnonzero(where)[np.nanargmin(share[where])]) for where in (strong, turning)]
        at = max(best, key=lambda i: share[i])
        at_power, at_torque = (float(share[i]) for i in best)
    else:
        spooling = np.where(ask.torque_nm > ask.limit_nm, TIE, 0.0)  # the same asked for where there is air comes first
        at = int(np.nanargmax(share - spooling))
        at_power, at_torque = float(share[strong].max()), float(share[turning].max())
    return Use(
        part=course.part,
        rating=course.rating,
        unit=course.unit,
        rated=course.rated,
        most=float(course.values[at]),
        share=float(share[at]),
        rpm=float(ask.rpm[at]),
        day=ask.day.name,
        at_power=at_power,
        at_torque=at_torque,
    )


def _expected(tune: Tune, signal: str, rpm: Floats) -> Floats:
    """The tune's expected curve over engine speed, ends held; NaN where it has none over `rpm`."""
    for curve in tune.expected:
        if curve.signal == signal and curve.over == "rpm":
            return np.interp(rpm, curve.x, curve.y)
    return np.full(len(rpm), np.nan)


def _breathe(
    sheet: BuildSheet, engine: Engine, rpm: Floats, manifold_kpa: Floats, day: Day
) -> tuple[Floats, Floats, Floats]:
    """(pressure ratio of the compressor, charge temperature in degC, air in kg/s) at that manifold pressure."""
    turbo, cooler, airbox = sheet.part(Turbo), sheet.part(ChargeCooler), sheet.part(Airbox)
    efficiency = turbo.efficiency if turbo else USUAL_EFFICIENCY
    ambient = np.full(len(rpm), day.ambient_degc)
    filling = np.full(len(rpm), engine.filling)
    before, behind = np.zeros(len(rpm)), np.zeros(len(rpm))
    for _ in range(ROUNDS):
        ratio = charge.quotient(manifold_kpa + behind, day.baro_kpa - before, 1.0)
        hot = compressor.outlet_degc(ambient, ratio, efficiency=efficiency)
        cooled = charge.cooled_degc(hot, ambient, effectiveness=cooler.effectiveness) if cooler else hot
        air = flow.air_kg_s(rpm, manifold_kpa, cooled, filling, displacement_l=engine.displacement_l)
        if airbox is not None:
            before = airbox.drop_kpa * (air * 3600.0 / airbox.flow_kg_h) ** 2
        if cooler is not None and cooler.flow_kg_h is not None:
            behind = cooler.drop_kpa * (air * 3600.0 / cooler.flow_kg_h) ** 2
    return ratio, cooled, air
