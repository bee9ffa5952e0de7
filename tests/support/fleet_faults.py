"""The faults that findings are tried on: each cause with a clear and a mild size, and causes outside the table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from support.fleet import Family, Trip, trip

__all__ = ["FAULTY", "OUTSIDE", "Case", "fault_trip", "healthy_trip"]


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


FAULTY: tuple[Case, ...] = (
    Case("charge leak", "charge-leak", {"leak": 70.0}, {"leak": 20.0}),
    Case("restricted intake", "restricted-intake", {"intake": 900.0}, {"intake": 300.0}),
    Case("boost control stuck open", "boost-control", {"gate_open": 0.45}, {"gate_open": 0.15}),
    Case("boost control stuck shut", "boost-control", {"gate_shut": 0.9}, {"gate_shut": 0.4}),
    Case("intercooler fouled", "cooler-fouled", {"cooler": 0.55}, {"cooler": 0.25}),
    Case("radiator short of capacity", "cooling-short", {"radiator": 0.6}, {"radiator": 0.3}, hot=True),
    Case("fan failed", "fan", {"fan": 1.0}, {"fan": 0.7}, hot=True, slow=True),
    Case("thermostat stuck open", "thermostat", {"stat_open": 0.8}, {"stat_open": 0.3}, cold=True),
    Case("thermostat opens too little", "thermostat", {"stat_shut": 0.88}, {"stat_shut": 0.6}),
    Case("overfuelling", "overfuelling", {"overfuel": 0.18}, {"overfuel": 0.07}),
    Case("restricted exhaust", "restricted-exhaust", {"exhaust": 3200.0}, {"exhaust": 900.0}),
    Case("clutch slips", "clutch", {"clutch": 0.58}, {"clutch": 0.45}),
    Case("fuel starvation", "fuel-starvation", {"starved": 0.4}, {"starved": 0.2}),
    Case("trailer brakes drag", "trailer-brakes", {"brakes": 1100.0}, {"brakes": 400.0}),
    Case("leak before the turbine", "turbine-leak", {"manifold_leak": 110.0}, {"manifold_leak": 40.0}),
    Case("exhaust recirculation stuck", "egr-stuck", {"egr": 0.16}, {"egr": 0.06}),
    Case("box cuts power", "power-cut", {"cut": 0.45}, {"cut": 0.2}),
    Case("headwind", "headwind-weight", {"headwind": 9.0}, {"headwind": 4.0}),
    Case("more weight than stated", "headwind-weight", {"weight": 1300.0}, {"weight": 500.0}),
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
    Case("heat-soak in a queue", "heat-soak", {}, {}, hot=True, queue_s=420.0),
)

OUTSIDE: tuple[Case, ...] = (
    Case("late injection", "", {"late": 1.0}, {"late": 0.4}),
    Case("worn compressor wheel", "", {"worn_wheel": 0.15}, {"worn_wheel": 0.06}),
    Case("oil pump", "", {"oil_pump": 0.5}, {"oil_pump": 0.25}),
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


def healthy_trip(family: Family, number: int, part: int) -> Trip:
    """A sound drive; part 0 is the handover drive."""
    return trip(family, number, part, hot=part % 3 == 0)


def both(cases: Sequence[Case]) -> list[tuple[Case, bool]]:
    """Every case as (case, mild); those without sizes only once."""
    return [(c, mild) for c in cases for mild in ((False, True) if c.clear else (False,))]
