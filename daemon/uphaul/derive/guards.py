"""Formulas that guard: sensors that should agree, move or keep together, heat of the clutch, mass that is towed.

Theory of operation. What moves is judged on the known readings alone; a hole in them that is a gap begins anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isnan
from typing import Any

import numpy as np

from uphaul.derive.formula import ANY, Constant, Constants, Formula, Inputs, Run
from uphaul.derive.road import GEARBOX, ROAD_LOAD, geared
from uphaul.derive.windows import Pieces, Slope, window_ms
from uphaul.physics import gearing, guards, mass
from uphaul.physics.basis import Floats, Ints

__all__ = ["GUARDS"]

LONGEST_S = 3600.0
"""Longest window. Source: our own choice, as for rules."""

_NAMES = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
_ROAD = {c.name: c for c in ROAD_LOAD}


def _several(x: Inputs) -> list[Floats]:
    return [x[n] for n in _NAMES if n in x]


def _begin_movement(c: Constants, gap_ms: int) -> Run:
    window, pieces = guards.MovementWindow(window_ms(c)), Pieces(gap_ms)

    def run(t_ms: Ints, inputs: Inputs) -> Floats:
        x = inputs["value"]
        if len(x) == 1:
            if isnan(x[0]):
                return x.copy()
            if pieces.follows_gap(int(t_ms[0])):
                window.restart()
            return window.run(t_ms, x)
        known = np.flatnonzero(~np.isnan(x))
        out = np.full(len(x), np.nan)
        if len(known):
            t, parts = t_ms[known], []
            for piece, gap in pieces.cut(t):
                if gap:
                    window.restart()
                parts.append(window.run(t[piece], x[known][piece]))
            out[known] = np.concatenate(parts)
        return out

    return run


def _begin_shift(c: Constants, gap_ms: int) -> Run:
    shift = guards.RestShift(rest_rpm=c["rest"], agree=c["agree"])
    return lambda t_ms, x: shift.run(x["own"], x["told"], x["rpm"])


def _begin_launch(c: Constants, gap_ms: int) -> Run:
    window = gearing.HeatWindow(window_ms(c), gap_ms)

    def run(t_ms: Ints, x: Inputs) -> Floats:
        heat = gearing.launch_heat_kw(
            x["power"],
            x["rpm"],
            x["speed"],
            x["gear"],
            overall_ratios=c["overall"],
            rolling_radius_m=c["tyre_radius"],
            most_m_s=c["most_speed"],
            least_slip=c["least_slip"],
        )
        return window.run(t_ms, heat)

    return run


def _begin_mass(c: Constants, gap_ms: int) -> Run:
    moving, window = Slope(round(c["acceleration_s"] * 1000), gap_ms), mass.MassWindow(window_ms(c), c["least_ticks"])

    def run(t_ms: Ints, x: Inputs) -> Floats:
        acceleration = moving.run(t_ms, x["speed"])
        ask = mass.resistance_m_s2(acceleration, x["grade"], rolling_coefficient=c["rolling"], rotating=c["rotating"])
        force = mass.pull_n(
            x["power"], x["speed"], x["density"], efficiency=c["efficiency"], drag_area_m2=c["drag_area"]
        )
        loaded = (x["power"] >= c["least_power"]) & (x["speed"] >= c["least_speed"]) & (ask >= c["least_ask"])
        return window.run(t_ms, force, ask, loaded.astype(np.float64))

    return run


def _ticked(c: Constants) -> Mapping[str, Any]:
    return {**c, "least_ticks": round(c["least_ticks"])}


GUARDS = (
    Formula(
        name="spread",
        inputs=tuple((n, ANY) for n in _NAMES[:2]),
        optional=tuple((n, ANY) for n in _NAMES[2:]),
        result=ANY,
        compute=lambda x, c: guards.spread(*_several(x)),
        doc="distance from the lowest to the highest of readings that should agree",
        source="definition",
        spread=True,
    ),
    Formula(
        name="odd-one-out",
        inputs=tuple((n, ANY) for n in _NAMES[:3]),
        optional=tuple((n, ANY) for n in _NAMES[3:]),
        result=ANY,
        compute=lambda x, c: guards.odd_one_out(*_several(x), agree=c["agree"]),
        doc="distance of the one reading that is farthest from the median; unknown where others differ too",
        source="definition of the median",
        spread=True,
        constants=(
            Constant("agree", 2.0, "canonical unit of the inputs", "how close to the median all others are", low=0.0),
        ),
    ),
    Formula(
        name="movement",
        inputs=(("value", ANY),),
        result=ANY,
        begin=_begin_movement,
        doc="highest less lowest reading within a window: a probe that no longer moves has none",
        source="definition",
        spread=True,
        constants=(Constant("window_s", 60.0, "s", "time that is looked back", low=0.1, high=LONGEST_S),),
    ),
    Formula(
        name="shift-since-rest",
        inputs=(("own", ANY), ("told", ANY), ("rpm", "rotation")),
        result=ANY,
        begin=_begin_shift,
        doc="own - told, less what it was on average at rest; unknown until a rest was seen at which they agreed",
        source="definition",
        spread=True,
        constants=(
            Constant("rest", 1000.0, "rpm", "slower is rest: no boost there", low=1.0, high=5000.0),
            Constant("agree", 5.0, "canonical unit of the inputs", "at rest they are no farther apart", low=0.0),
        ),
    ),
    Formula(
        name="clutch-launch-heat",
        inputs=(("power", "power"), ("rpm", "rotation"), ("speed", "speed"), ("gear", "ratio")),
        result="energy",
        begin=_begin_launch,
        doc="heat that the clutch took up while setting off, within a window: the engine's power times slip",
        source="torque times the difference of speeds",
        constants=(
            *GEARBOX,
            Constant("window_s", 300.0, "s", "time that is looked back", low=0.1, high=LONGEST_S),
            Constant("most_speed", 6.0, "m/s", "faster is no setting off", low=0.5, high=50.0),
            Constant(
                "least_slip", 0.05, "1", "less slip counts nothing: a tyre's radius is not known better", 0.0, 1.0
            ),
        ),
        prepare=geared,
    ),
    Formula(
        name="estimated-mass",
        inputs=(("power", "power"), ("speed", "speed"), ("grade", "ratio"), ("density", "density")),
        result="mass",
        begin=_begin_mass,
        doc="mass of vehicle and trailer from the engine's power, over the ticks under load of a window; good to 15 %, "
        "more or less (common practice), so it tells a trailer from none; wind is not seen",
        source="40 CFR 1066.210(d)(3), solved for the mass; least squares through zero",
        constants=(
            _ROAD["rolling"],
            _ROAD["drag_area"],
            _ROAD["rotating"],
            Constant("efficiency", 0.9, "1", "of clutch to wheels, 0.85 to 0.92 (common practice)", 0.3, 1.0),
            Constant("window_s", 300.0, "s", "time that is looked back", low=1.0, high=LONGEST_S),
            Constant("acceleration_s", 2.0, "s", "time over which the acceleration is taken", low=0.1, high=60.0),
            Constant("least_ticks", 400.0, "1", "ticks under load before it tells: 20 s at the usual rate", low=2.0),
            Constant("least_power", 25.0, "kW", "less power is no load", low=1.0),
            Constant("least_speed", 8.0, "m/s", "slower is no load: the clutch may slip", low=0.5),
            Constant("least_ask", 0.3, "m/s2", "of slope, rolling and acceleration; below, the air decides", low=0.01),
        ),
        prepare=_ticked,
    ),
)
"""In the order of the reference."""
