"""Formulas of the road: acceleration, grade, what the wheels must give, gear, and slip of the clutch.

Theory of operation. Acceleration is a slope over the last second or two, the grade a line over the last 10 s of road
(`uphaul.physics.grade`): both tell of the middle of their window, so half of it late. Both start anew at a gap.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from uphaul.derive.formula import Constant, Constants, Formula, Inputs, Run
from uphaul.derive.windows import Slope, slope, window_ms
from uphaul.physics import gearing, road
from uphaul.physics.basis import Floats, Ints
from uphaul.physics.grade import LONGEST_MS, GradeWindow

__all__ = ["GEARBOX", "ROAD", "ROAD_LOAD", "geared"]

ACCELERATION_S = 2.0
"""Window of the acceleration. Source: our own starting point: a speed good to 0.1 km/h makes 0.01 m/s2 of noise."""

_UP, _DOWN = 0.04, 0.04

RADIUS = Constant(
    "tyre_radius", None, "m", "rolling radius: circumference of a loaded tyre over 2 pi", low=0.1, high=2.0
)
GEARBOX = (
    Constant("ratios", None, "1", "ratios of the gears, first gear first", low=0.05, high=100.0, several=True),
    Constant("final_drive", 1.0, "1", "ratio of the final drive, and of all that follows the gearbox", 0.05, 100.0),
    RADIUS,
)
LEAST_SPEED = Constant("least_speed", gearing.LEAST_M_S, "m/s", "slower says nothing of the ratio", low=0.1)
ROAD_LOAD = (
    Constant("vehicle", None, "kg", "mass of the laden vehicle", low=100.0, high=60_000.0),
    Constant("trailer", 0.0, "kg", "mass of the laden trailer", low=0.0, high=60_000.0),
    Constant("rolling", None, "1", "coefficient of rolling resistance, 0.008 to 0.015 (common practice)", 0.0, 0.2),
    Constant("drag_area", None, "m2", "drag coefficient times frontal area, with the trailer", low=0.1, high=50.0),
    Constant("rotating", 1.04, "1", "1 plus the share of turning parts, 1.03 to 1.05 (common practice)", 1.0, 2.0),
    Constant("window_s", ACCELERATION_S, "s", "time over which the acceleration is taken", low=0.1, high=60.0),
)


def geared(c: Constants) -> Mapping[str, Any]:
    """With overall ratios; raises UphaulError when gears can't be told apart."""
    overall = tuple(r * c["final_drive"] for r in c["ratios"])
    one = np.ones(1)
    gearing.gear(
        one, one, overall_ratios=overall, rolling_radius_m=1.0, under=c.get("under", _DOWN), over=c.get("over", _UP)
    )
    return {**c, "overall": overall}


def _gear(x: Inputs, c: Constants) -> Floats:
    return gearing.gear(
        x["rpm"],
        x["speed"],
        overall_ratios=c["overall"],
        rolling_radius_m=c["tyre_radius"],
        under=c["under"],
        over=c["over"],
        least_m_s=c["least_speed"],
    )


def _slip(x: Inputs, c: Constants) -> Floats:
    return gearing.clutch_slip(
        x["rpm"],
        x["speed"],
        x["gear"],
        overall_ratios=c["overall"],
        rolling_radius_m=c["tyre_radius"],
        least_m_s=c["least_speed"],
    )


def _force(x: Inputs, acceleration: Floats, c: Constants) -> Floats:
    """Force (N) at the wheels of vehicle and trailer; without a signal that tells, the trailer is hitched."""
    mass = road.combined_kg(c["vehicle"], c["trailer"], x["hitched"]) if "hitched" in x else c["mass"]
    return road.road_load_n(
        x["speed"],
        acceleration,
        x["grade"],
        mass,
        x["density"],
        rolling_coefficient=c["rolling"],
        drag_area_m2=c["drag_area"],
        rotating=c["rotating"],
    )


def _weighed(c: Constants) -> Mapping[str, Any]:
    """With masses as arrays, and the mass of both together."""
    vehicle, trailer = np.array([c["vehicle"]]), np.array([c["trailer"]])
    return {**c, "vehicle": vehicle, "trailer": trailer, "mass": vehicle + trailer}


Wheel = Callable[[Floats, Inputs, Constants], Floats]


def _wheel(name: str, result: str, doc: str, finish: Wheel, more: tuple[Constant, ...] = ()) -> Formula:
    """A formula of the road load; `finish` makes of the force what is wanted."""

    def begin(c: Constants, gap_ms: int) -> Run:
        moving = Slope(window_ms(c), gap_ms)
        return lambda t_ms, x: finish(_force(x, moving.run(t_ms, x["speed"]), c), x, c)

    return Formula(
        name=name,
        inputs=(("speed", "speed"), ("grade", "ratio"), ("density", "density")),
        optional=(("hitched", "ratio"),),
        result=result,
        begin=begin,
        steady=lambda x, c: finish(_force(x, np.zeros(np.shape(x["speed"])), c), x, c),
        doc=doc,
        source="40 CFR 1066.210(d)(3) with slope; definitions of power and torque",
        constants=ROAD_LOAD + more,
        prepare=_weighed,
    )


def _begin_grade(c: Constants, gap_ms: int) -> Run:
    window = GradeWindow(
        window_ms(c),
        least_m=c["least_way"],
        baro_noise_m=c["barometric_noise"],
        baro_every_ms=round(c["barometric_every_s"] * 1000),
        gps_noise_m=c["height_noise"],
        gps_every_ms=round(c["height_every_s"] * 1000),
        gap_ms=gap_ms,
    )

    def run(t_ms: Ints, x: Inputs) -> Floats:
        none = np.full(len(t_ms), np.nan)
        barometric, height = x.get("barometric", none), x.get("height", none)
        ambient = x.get("ambient")
        grade = window.run(t_ms, x["speed"], barometric, height, ambient).grade
        return grade if ambient is None else np.where(np.isnan(ambient), np.nan, grade)

    return run


def _grade_noise(x: Inputs, c: Constants) -> Floats:
    """Standard uncertainty of the grade by the altitudes' noise over a window at steady speed (see physics/grade.py).

    Way is spread evenly, so its variance is length squared over 12. Source: least squares of a straight line.
    """
    length = np.where(x["speed"] > 0.0, x["speed"] * c["window_s"], np.nan)
    weight = np.zeros(np.shape(length))
    for name, noise, every in (
        ("barometric", "barometric_noise", "barometric_every_s"),
        ("height", "height_noise", "height_every_s"),
    ):
        if name in x:
            readings = c["window_s"] / c[every] + 1.0
            own = length * length / 12.0 * readings / (c[noise] * c[noise])
            weight = weight + np.where(np.isnan(x[name]), 0.0, own)
    return np.where((weight > 0.0) & (length >= c["least_way"]), 1.0 / np.sqrt(np.where(weight > 0, weight, 1)), np.nan)


ROAD = (
    Formula(
        name="acceleration",
        inputs=(("speed", "speed"),),
        result="acceleration",
        begin=lambda c, gap_ms: slope("speed", window_ms(c), gap_ms),
        doc="slope of the speed over a window; half of the window late",
        source="least squares of a straight line",
        constants=(Constant("window_s", ACCELERATION_S, "s", "time that it is taken over", low=0.1, high=60.0),),
    ),
    Formula(
        name="grade",
        inputs=(("speed", "speed"),),
        optional=(("barometric", "pressure"), ("height", "length"), ("ambient", "temperature")),
        one_of=("barometric", "height"),
        result="ratio",
        begin=_begin_grade,
        own=_grade_noise,
        doc="rise over run, from barometer or height (or both, by their noise) over the way driven; half a window late",
        source="least squares of a straight line; weights of one over the variance",
        constants=(
            Constant("window_s", 10.0, "s", "time that it is taken over", low=0.1, high=LONGEST_MS / 1000.0),
            Constant("least_way", 30.0, "m", "no grade until the window holds so much way", low=1.0),
            Constant("barometric_noise", 0.3, "m", "noise of one reading of the barometer (1 kPa is 85 m)", low=0.01),
            Constant("barometric_every_s", 0.1, "s", "time between its readings", low=0.001, high=10.0),
            Constant("height_noise", 3.0, "m", "noise of one reading of the height", low=0.01),
            Constant("height_every_s", 1.0, "s", "time between its readings", low=0.001, high=10.0),
        ),
    ),
    _wheel(
        "wheel-force",
        "force",
        "force that the wheels give: rolling, air, slope and acceleration of vehicle and trailer; wind is not seen",
        lambda f, x, c: f,
    ),
    _wheel(
        "wheel-power",
        "power",
        "power at the wheels by road load; good to 12 to 15 % (common practice), as wind, mass and grade are",
        lambda f, x, c: road.wheel_kw(f, x["speed"]),
    ),
    _wheel(
        "wheel-torque",
        "torque",
        "torque at the driven wheels together by road load",
        lambda f, x, c: road.wheel_nm(f, rolling_radius_m=c["tyre_radius"]),
        (RADIUS,),
    ),
    Formula(
        name="crank-power",
        inputs=(("wheel", "power"),),
        result="power",
        compute=lambda x, c: road.crank_kw(x["wheel"], efficiency=c["efficiency"]),
        doc="power at the crankshaft behind a power at the wheels",
        source="definition of efficiency",
        constants=(Constant("efficiency", None, "1", "of clutch to wheels, 0.85 to 0.92 (common practice)", 0.3, 1.0),),
    ),
    Formula(
        name="gear",
        inputs=(("rpm", "rotation"), ("speed", "speed")),
        result="ratio",
        compute=_gear,
        doc="gear that is in, 1 the first of `ratios`, 0 none of them (changing, clutch pressed)",
        source="definition of the ratio",
        constants=(
            *GEARBOX,
            Constant("under", _DOWN, "1", "share that the ratio may be below a gear's own", low=0.001, high=0.5),
            Constant("over", _UP, "1", "share above it; as large as the slip that is to be seen", low=0.001, high=0.9),
            LEAST_SPEED,
        ),
        prepare=geared,
    ),
    Formula(
        name="clutch-slip",
        inputs=(("rpm", "rotation"), ("speed", "speed"), ("gear", "ratio")),
        result="ratio",
        compute=_slip,
        doc="share of the engine's speed that the clutch loses; unknown out of gear, negative on the overrun",
        source="definition",
        constants=(*GEARBOX, LEAST_SPEED),
        prepare=geared,
    ),
    Formula(
        name="clutch-heat",
        inputs=(("torque", "torque"), ("rpm", "rotation"), ("slip", "ratio")),
        result="power",
        compute=lambda x, c: gearing.clutch_heat_kw(x["torque"], x["rpm"], x["slip"]),
        doc="heat that a slipping clutch takes up",
        source="torque times the difference of speeds",
    ),
)
"""In the order of the reference."""
