"""A handover made by hand: a log of a cold and a hot drive with pulls, and a field check whose answers are known."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from support.complained import enter
from support.whole_drives import CRUISING, IDLING, OFF, Leg, by_hand
from uphaul.analysis.field_check import (
    EXPECTED,
    Band,
    FieldCheck,
    FieldCheckRun,
    Measure,
    OfSheet,
    Part,
    Span,
    Step,
    Take,
    WaitsFor,
)
from uphaul.analysis.field_check_engine import check_drive
from uphaul.analysis.pulls import find_pulls
from uphaul.analysis.ratings import headroom
from uphaul.analysis.whole import WholeDrive
from uphaul.cli.report_case import read_case
from uphaul.config import demo_config, load_texts
from uphaul.config.sample import demo_texts
from uphaul.config.spec import Config
from uphaul.log.reader import Log
from uphaul.reports.checked import merged
from uphaul.reports.handover_case import Driven, Handover
from uphaul.rules import ABOVE, BELOW
from uphaul.signals import Event, EventKind
from uphaul.vehicle.model import Dyno, Vehicle

__all__ = [
    "BOOST_KPA",
    "CHECK",
    "CLOSED",
    "COLD",
    "HZ",
    "PULL",
    "handed_over",
    "hot",
    "log_of_two",
    "sample",
    "with_bench",
]

HZ = 10
BOOST_KPA = 150.0
PER_RPM = 2.0 * np.pi / 60.0 / (1.46 * 4.885) * 0.380
"""Road speed of the sample vehicle in 3rd gear by engine speed: gears, final drive and tyre of its build sheet."""

PULL = Leg(
    10.0, rpm=(1500.0, 3200.0), speed=(1500.0 * PER_RPM, 3200.0 * PER_RPM), pedal=1.0, boost=(60.0, BOOST_KPA),
    egt=(400.0, 640.0), gear=3.0,
)  # fmt: skip
CLOSED = "no closed road that day"

CHECK = FieldCheck(
    title="hand-made check",
    steps=(
        Step(
            "key-on", Part.COLD, "Key on, engine off", "Switch on, don't start.", "Key on.",
            (WaitsFor("rpm", BELOW, 50.0),),
            (
                Measure(
                    "egt", "EGT at rest", "egt", Take.MEAN, band=Band(100.0, 200.0),
                    reason="nothing burns", source="common practice",
                ),
            ),
            for_ms=5000,
        ),
        Step(
            "idle", Part.COLD, "Idle", "Let it idle.", "Idle.",
            (WaitsFor("rpm", ABOVE, 600.0), WaitsFor("rpm", BELOW, 900.0)),
            (Measure("speed", "idle speed", "rpm", Take.MEAN, band=Band(700.0, 850.0)),),
            for_ms=10_000,
        ),
        Step(
            "pull", Part.HOT, "Loaded pull", "Full pedal.", "Pull.",
            (WaitsFor("pedal", ABOVE, 90.0),),
            (
                Measure("boost", "peak boost", "boost", Take.MAXIMUM, band=Band(120.0, OfSheet(1.0, "turbo.boost"))),
                Measure("over", "boost over what is expected", "boost", Take.MAXIMUM, EXPECTED, band=Band(high=35.0)),
                Measure("egt", "highest EGT", "egt", Take.MAXIMUM, band=Band(high=OfSheet(1.0, "exhaust.egt"))),
            ),
            moving=True, span=Span.WHILE, for_ms=5000, each_tune=True, retries=2,
        ),
        Step(
            "cool-down", Part.HOT, "Cool-down", "Let it idle.", "Idle.", (WaitsFor("coolant", ABOVE, 300.0),),
            (Measure("egt", "EGT at the end", "egt", Take.LAST, band=Band(high=300.0)),),
        ),
    ),
    cautions=("Two people: one drives.",),
    excused=(("stock", "same fuelling as before"),),
)  # fmt: skip

COLD = by_hand([OFF, IDLING, CRUISING], HZ)


@cache
def sample() -> Config:
    """The sample configuration; to check one takes a while."""
    return demo_config("demo")


FIELDCHECK = """
title = "small check"
cautions = ["Two people: one drives."]

[excused]
stock = "same fuelling as before"
tow-max = "as tow"

[step.idle]
part = "cold"
title = "Idle"
do = "Let it idle."
say = "Idle"
waits_for = [{ signal = "rpm", above = 600 }, { signal = "rpm", below = 900 }]
for_s = 10

[step.idle.measure.speed]
title = "idle speed"
signal = "rpm"
take = "mean"
low = 700
high = 850
reason = "as the sheet says"
source = "common practice"

[step.pull]
part = "hot"
title = "Loaded pull"
do = "Full pedal."
say = "Pull"
moving = true
each_tune = true
waits_for = [{ signal = "pedal", above = 90 }]
span = "while"
for_s = 5

[step.pull.measure.egt]
title = "highest EGT"
signal = "egt"
take = "maximum"
high = { share = 1.0, of = "exhaust.egt" }
reason = "the maker's rating"
source = "build sheet"
"""
RULES = """
[[rule]]
name = "egt-extreme"
kind = "threshold"
signal = "egt"
above = 1000
action = "stop"
"""


@cache
def small(fieldcheck: str = FIELDCHECK, name: str = "") -> Config:
    """The sample with a small check, and with rules that need no more signals than drives made by hand have."""
    texts = demo_texts("demo", 1) | {"rules.toml": RULES, "fieldcheck.toml": fieldcheck}
    if not fieldcheck:
        del texts["fieldcheck.toml"]
    if name:
        texts["vehicle.toml"] = texts["vehicle.toml"].replace("Sample tow vehicle (invented)", name)
    return load_texts(texts, label="a small check")


def hot(egt_degc: float = 640.0, *, pulls: int = 1) -> WholeDrive:
    """The hot drive, with pulls that end at this temperature."""
    one = [CRUISING, replace(PULL, egt=(400.0, egt_degc))]
    return by_hand([*one * pulls, CRUISING, IDLING], HZ)


def log_of_two(path: Path, *, egt_degc: float = 640.0, pulls: int = 1, config: Config | None = None) -> Path:
    """A log with the cold drive as its first and the hot one as its second."""
    config = config or sample()
    enter(path, config, COLD, hz=HZ)
    enter(path, config, hot(egt_degc, pulls=pulls), hz=HZ)
    return path


def handed_over(log: Path, check: FieldCheck = CHECK, *, vehicle: Vehicle | None = None) -> Handover:
    """The handover of both drives by `check`, the last step skipped. No rules: most of their signals are not there."""
    with Log.open(log) as file:
        cases = [read_case(file, n) for n in (1, 2)]
    vehicle = vehicle or cases[0].config.vehicle
    drives = []
    for case in cases:
        begun = Event(case.first_ms, 0, EventKind.CHECK_BEGIN, actor="T. Echnician (invented)")
        skip = Event(case.first_ms, 1, EventKind.CHECK_SKIP, rule="cool-down", text=CLOSED)
        events = (begun, skip) if case is cases[1] else (begun,)
        runs: tuple[FieldCheckRun, ...] = check_drive(
            check, replace(case.whole, events=events), vehicle=vehicle, grid_ms=1000 // HZ
        )
        pulls = find_pulls(case.whole, vehicle.sheet, vehicle.tunes)
        drives.append(Driven(case, runs, pulls, headroom(case.whole, vehicle.sheet, vehicle.tunes)))
    every = [(d.number, run) for d in drives for run in d.runs]
    return Handover(tuple(drives), check, vehicle, merged(check, every), "results as they were made by hand")


def with_bench(vehicle: Vehicle, kw_at_wheels: float, *, at_wheels: bool = False) -> Vehicle:
    """The vehicle with a dynamometer run of tune `tow` that is as strong at the wheels at every speed."""
    assert vehicle.sheet.driveline is not None
    kw = kw_at_wheels / vehicle.sheet.driveline.efficiency
    rpm = (1000.0, 2000.0, 3000.0, 4000.0)
    run = Dyno("bench.csv", rpm, (kw,) * 4, tuple(kw * 30_000.0 / np.pi / r for r in rpm), at_wheels)
    return replace(vehicle, tunes=tuple(replace(t, dyno=run) if t.name == "tow" else t for t in vehicle.tunes))
