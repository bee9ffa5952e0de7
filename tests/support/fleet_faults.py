"""The faults that findings are tried on: each cause with a clear and a mild size, and causes outside the table.

Whether a fault is clear in a drive is told by what it did there, never by the findings' signs: the same drive without
the fault (its twin: same vehicle, road, weather, gusts) is set beside it at the same places, both without sensors. Each
fault states how much of which quantity a practitioner would notice, for how long (`Shows`), written down before
any result was looked at. A fault that does less in a drive did nothing there, and "nothing wrong" is right.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from support.fleet import Family, Trip, trip
from support.fleet_drive import Truth

__all__ = ["FAULTY", "OUTSIDE", "Case", "Shows", "both", "did_something", "fault_trip", "healthy_trip", "twin_of"]


@dataclass(frozen=True, slots=True)
class Shows:
    """What a fault must do to be clear: `of` (as in `drive_true`) beside the twin by `least` or more (below 0: by as
    much less), for `seconds` in all. `why` it is that much: common practice, from memory, where it names none."""

    of: str
    least: float
    seconds: float
    why: str


@dataclass(frozen=True, slots=True)
class Case:
    """A fault of the fleet: the finding that is right for it ("" for none), its size when clear and when mild.

    `hot`, `cold`: on a day without which nothing would show; `slow`: up the hills with little wind. `channel` is the
    sensor of a fault of sensors.
    """

    name: str
    cause: str
    clear: dict[str, float]
    mild: dict[str, float]
    hot: bool = False
    cold: bool = False
    slow: bool = False
    channel: str = ""
    tune: int = 1
    told_tune: int | None = None
    queue_s: float = 0.0
    shows: Shows | None = None
    """None: a fault of what is told, which is there whatever the vehicle does; its size says it all."""


FAULTY: tuple[Case, ...] = (
    Case(
        "charge leak",
        "charge-leak",
        {"leak": 70.0},
        {"leak": 20.0},
        shows=Shows("leaked", 0.05, 60.0, "a twentieth of the air lost is heard as a hiss and seen as smoke"),
    ),
    Case(
        "restricted intake",
        "restricted-intake",
        {"intake": 900.0},
        {"intake": 300.0},
        shows=Shows("intake_kpa", 6.0, 60.0, "restriction gauges of filters turn red at some 6 kPa"),
    ),
    Case(
        "boost control stuck open",
        "boost-control",
        {"gate_open": 0.45},
        {"gate_open": 0.15},
        shows=Shows("map", -10.0, 60.0, "a tenth of a bar is what a mechanic's gauge shows beyond doubt"),
    ),
    Case(
        "boost control stuck shut",
        "boost-control",
        {"gate_shut": 0.9},
        {"gate_shut": 0.4},
        shows=Shows("map", 10.0, 20.0, "the same; too much is noticed sooner"),
    ),
    Case(
        "intercooler fouled",
        "cooler-fouled",
        {"cooler": 0.55},
        {"cooler": 0.25},
        shows=Shows("charge", 10.0, 60.0, "ten kelvin is the power of some 3 %, and what two thermometers surely tell"),
    ),
    Case(
        "radiator short of capacity",
        "cooling-short",
        {"radiator": 0.6},
        {"radiator": 0.3},
        hot=True,
        shows=Shows("coolant", 5.0, 60.0, "five kelvin over the usual is what a driver who reads degrees remarks"),
    ),
    Case(
        "fan failed",
        "fan",
        {"fan": 1.0},
        {"fan": 0.7},
        hot=True,
        slow=True,
        shows=Shows("coolant", 5.0, 60.0, "the same"),
    ),
    Case(
        "thermostat stuck open",
        "thermostat",
        {"stat_open": 0.8},
        {"stat_open": 0.3},
        cold=True,
        shows=Shows("coolant", -5.0, 120.0, "the same, the other way; colder worries nobody at once"),
    ),
    Case(
        "thermostat opens too little",
        "thermostat",
        {"stat_shut": 0.88},
        {"stat_shut": 0.6},
        shows=Shows("coolant", 5.0, 60.0, "as with the radiator"),
    ),
    Case(
        "overfuelling",
        "overfuelling",
        {"overfuel": 0.18},
        {"overfuel": 0.07},
        shows=Shows("injected", 0.08, 60.0, "correction values of injectors are called bad near a tenth"),
    ),
    Case(
        "restricted exhaust",
        "restricted-exhaust",
        {"exhaust": 3200.0},
        {"exhaust": 900.0},
        shows=Shows("behind_kpa", 10.0, 60.0, "back pressure beyond 10 kPa over the usual is a blocked exhaust"),
    ),
    Case(
        "clutch slips",
        "clutch",
        {"clutch": 0.58},
        {"clutch": 0.45},
        shows=Shows("slip", 0.05, 5.0, "a twentieth more revs than road speed is seen on the needle"),
    ),
    Case(
        "fuel starvation",
        "fuel-starvation",
        {"starved": 0.4},
        {"starved": 0.2},
        shows=Shows("injected", -0.08, 20.0, "a tenth less pull is felt"),
    ),
    Case(
        "trailer brakes drag",
        "trailer-brakes",
        {"brakes": 1100.0},
        {"brakes": 400.0},
        shows=Shows("brakes_n", 500.0, 120.0, "the pull of a 1 % slope with 5 t: a driver lifts more than usual"),
    ),
    Case(
        "leak before the turbine",
        "turbine-leak",
        {"manifold_leak": 110.0},
        {"manifold_leak": 40.0},
        shows=Shows("blown", 0.05, 60.0, "as with the charge leak"),
    ),
    Case(
        "exhaust recirculation stuck",
        "egr-stuck",
        {"egr": 0.16},
        {"egr": 0.06},
        shows=Shows("recirculated", 0.08, 60.0, "the share at which a diesel begins to smoke at load"),
    ),
    Case(
        "box cuts power",
        "power-cut",
        {"cut": 0.45},
        {"cut": 0.2},
        shows=Shows("injected", -0.2, 5.0, "nobody misses that"),
    ),
    Case(
        "headwind",
        "headwind-weight",
        {"headwind": 9.0},
        {"headwind": 4.0},
        shows=Shows("air_n", 300.0, 120.0, "two thirds of a 1 % slope with 5 t"),
    ),
    Case(
        "more weight than stated",
        "headwind-weight",
        {"weight": 1300.0},
        {"weight": 500.0},
        shows=Shows("weight_n", 300.0, 120.0, "the same"),
    ),
    Case("EGT probe drifts", "sensor-drift", {"scale": 0.15}, {"scale": 0.05}, channel="egt"),
    Case("manifold sensor drifts", "sensor-drift", {"drift": 14.0}, {"drift": 5.0}, channel="map"),
    Case("coolant sensor drifts", "sensor-drift", {"drift": 14.0}, {"drift": 5.0}, channel="coolant"),
    Case("charge air sensor drifts", "sensor-drift", {"drift": 18.0}, {"drift": 6.0}, channel="charge"),
    Case("mixture sensor drifts", "sensor-drift", {"scale": 0.16}, {"scale": 0.06}, channel="mixture"),
    Case("loose wire, boost", "wiring", {"dropout": 0.08}, {"dropout": 0.01}, channel="map"),
    Case("loose wire, coolant", "wiring", {"dropout": 0.08}, {"dropout": 0.01}, channel="coolant"),
    Case("tune told is another", "wrong-tune", {}, {}, tune=0, told_tune=0),
    Case("tune is another, not told", "wrong-tune", {}, {}, tune=0, told_tune=1),
    Case("stronger tune, not told", "wrong-tune", {}, {}, tune=2, told_tune=1),
    Case(
        "heat-soak in a queue",
        "heat-soak",
        {},
        {},
        hot=True,
        queue_s=420.0,
        shows=Shows("charge_over_ambient", 15.0, 60.0, "as with the fouled intercooler, and a half more for a hot day"),
    ),
)

OUTSIDE: tuple[Case, ...] = (
    Case(
        "late injection",
        "",
        {"late": 1.0},
        {"late": 0.4},
        shows=Shows("egt", 25.0, 60.0, "beyond what a probe and its place make of it"),
    ),
    Case(
        "worn compressor wheel",
        "",
        {"worn_wheel": 0.15},
        {"worn_wheel": 0.06},
        shows=Shows("compressor_out", 8.0, 60.0, "beyond what a probe and its place make of it"),
    ),
    Case(
        "oil pump",
        "",
        {"oil_pump": 0.5},
        {"oil_pump": 0.25},
        shows=Shows("oil_pressure", -50.0, 60.0, "half a bar is what a mechanic's gauge shows beyond doubt"),
    ),
)
"""Faults that no cause of the table is right for: "unexplained" is."""


def fault_trip(family: Family, number: int, case: Case, *, mild: bool = False, part: int = 1) -> Trip:
    """A drive of vehicle `number` with that fault."""
    return trip(
        family,
        number,
        part,
        faults=case.mild if mild else case.clear,
        channel=case.channel,
        tune=case.tune,
        told_tune=case.told_tune,
        queue_s=case.queue_s,
        hot=case.hot,
        cold=case.cold,
        slow=case.slow,
    )


def twin_of(of: Trip) -> Trip:
    """The same drive without the fault: to be driven in the same call."""
    return replace(of, faults={}, channel="", tune=1, told_tune=1)


def did_something(case: Case, was: Truth, twin: Truth) -> bool:
    """Whether a fault did in this drive what makes it clear. See `Shows`."""
    s = case.shows
    if s is None:
        return True
    if s.of == "charge_over_ambient":  # the queue itself is what happened: there is no place to compare
        off = np.where(was["speed"] < 3.5, was["charge"] - was["ambient"], 0.0)
    else:
        place = np.maximum.accumulate(twin["far_m"]) + np.arange(len(twin["far_m"])) * 1e-6  # standing is one place
        off = was[s.of] - np.interp(was["far_m"], place, twin[s.of])
        # far enough to have one and the same place; shifts of gear come at other places
        off = np.where((was["far_m"] > 1.0) & (was["far_m"] < twin["far_m"][-1]), off, 0.0)
    over = off >= s.least if s.least > 0.0 else off <= s.least
    if s.of in STATES:
        over &= np.concatenate(([False] * 4, over[:-4]))  # what lasts two seconds is no shift
    return 0.5 * float(np.count_nonzero(over)) >= s.seconds


STATES = frozenset(("map", "charge", "coolant", "egt", "compressor_out", "behind_kpa", "intake_kpa", "oil_pressure"))
"""What a twin has too, and another gear changes; the others of `Shows` are nothing in a sound drive."""


def healthy_trip(family: Family, number: int, part: int) -> Trip:
    """A sound drive; part 0 is the handover drive."""
    return trip(family, number, part, hot=part % 3 == 0)


def both(cases: Sequence[Case]) -> list[tuple[Case, bool]]:
    """Every case as (case, mild); those without sizes only once."""
    return [(c, mild) for c in cases for mild in ((False, True) if c.clear else (False,))]
