"""The field check on drives made by hand, whose outcome can be told from the definitions alone."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import linregress

from support.field_check_reference import reference_check
from uphaul.alerts import State, Transition
from uphaul.analysis.field_check import (
    EXPECTED,
    Amount,
    Attempt,
    Band,
    FieldCheck,
    FieldCheckRun,
    Measure,
    News,
    NewsKind,
    OfSheet,
    Part,
    Span,
    Step,
    Take,
    Verdict,
    WaitsFor,
)
from uphaul.analysis.field_check_engine import FieldCheckEngine, check_drive
from uphaul.analysis.whole import WholeDrive
from uphaul.physics.basis import Floats
from uphaul.rules import ABOVE, BELOW, Action, Curve, Kind, Rule, Setting
from uphaul.signals import Block, Event, EventKind, Signal
from uphaul.vehicle import Tune, Vehicle
from uphaul.vehicle.model import Expected
from uphaul.vehicle.sheet import BuildSheet, Exhaust

SIGNALS = (Signal("rpm", "rpm", 4), Signal("boost", "kPa", 10), Signal("egt", "degC", 4), Signal("map", "kPa", 10))
TICK_MS = 100
TUNES = ("stock", "tow")
VEHICLE = Vehicle(
    tunes=(
        Tune("stock", expected=(Expected("boost", "rpm", (1000.0, 2000.0), (50.0, 100.0)),)),
        Tune("tow"),
    ),
    sheet=BuildSheet(parts=(Exhaust(name="exhaust", egt_degc=720.0),)),
)
RUNS = WaitsFor("rpm", ABOVE, 1500.0)


def block(events: tuple[Event, ...] = (), tune: list[int] | int = 0, **columns: list[float]) -> Block:
    """Ticks 100 ms apart; signals that are not named are 0."""
    n = len(next(iter(columns.values())))
    values = np.array([columns.get(s.name, [0.0] * n) for s in SIGNALS]).T
    tunes = np.array([tune] * n if isinstance(tune, int) else tune, dtype=np.int16)
    return Block(SIGNALS, np.arange(n, dtype=np.int64) * TICK_MS, values, tunes, events=events)


def step(*measures: Measure, name: str = "pull", waits_for: tuple[WaitsFor, ...] = (RUNS,), **more: object) -> Step:
    made = Step(name, Part.HOT, f"The {name}", "Do it", f"Now the {name}", waits_for, measures)
    return replace(made, **more)


def check(*steps: Step, **more: object) -> FieldCheck:
    return replace(FieldCheck("Check", tuple(steps)), **more)


def measure(take: Take, signal: str = "boost", band: Band | None = None, **more: object) -> Measure:
    return replace(Measure("m", "the measure", signal, take, band=band), **more)


def run(
    checked: FieldCheck, driven: Block, transitions: tuple[Transition, ...] = (), **more: object
) -> tuple[FieldCheckRun, list[News]]:
    """The one run over all of a drive, in one block."""
    engine = FieldCheckEngine(checked, SIGNALS, TUNES, vehicle=VEHICLE, whole=True, **more)
    news = engine.run(driven, transitions)
    engine.end()
    (made,) = engine.runs
    return made, news


def one(checked: FieldCheck, driven: Block, **more: object) -> tuple[Verdict, float, int | None]:
    """(verdict, value, tick) of the only measure of the only attempt."""
    made, _ = run(checked, driven, **more)
    (result,) = made.results
    (attempt,) = result.attempts
    (value,) = attempt.measured
    return attempt.verdict, value.value, value.t_ms


RPM = [1000.0] * 2 + [1600.0] * 10 + [1000.0] * 3
BOOST = [0.0, 0.0, 10.0, 20.0, 40.0, 80.0, 90.0, 95.0, 95.0, 80.0, 60.0, 50.0, 0.0, 0.0, 0.0]


@pytest.mark.parametrize(
    ("take", "value", "t_ms"),
    [
        (Take.LAST, 50.0, 1100),
        (Take.MAXIMUM, 280.0 / 3.0, 800),  # 90, 95 and 95
        (Take.MINIMUM, 140.0 / 3.0, 500),  # 20, 40 and 80: the first that is 0.3 s long
        (Take.MEAN, 62.0, None),
        (Take.SPREAD, float(np.std(BOOST[2:12], ddof=1)), None),
        (Take.SLOPE, float(np.polyfit(np.arange(10) / 600.0, BOOST[2:12], 1)[0]), None),
    ],
)
def test_takes(take: Take, value: float, t_ms: int | None) -> None:
    """Over the ten ticks that hold; spread and slope against numpy's."""
    checked = check(step(measure(take), span=Span.WHILE, for_ms=500))
    assert one(checked, block(rpm=RPM, boost=BOOST)) == (Verdict.PASSED, pytest.approx(value), t_ms)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.integers(0, 400), min_size=8, max_size=60), st.integers(0, 1000))
def test_slope_and_spread_are_those_of_scipy_and_numpy(quarters: list[int], seed: int) -> None:
    """At ticks that lie unevenly apart: scipy.stats.linregress per minute, numpy.std with ddof 1."""
    boost = [q / 4.0 for q in quarters]
    t = np.cumsum(np.random.default_rng(seed).integers(50, 900, size=len(boost)))
    driven = replace(block(rpm=[1600.0] * len(boost), boost=boost), t_ms=t)
    slope = check(step(measure(Take.SLOPE), span=Span.WHILE, for_ms=100))
    assert one(slope, driven)[1] == pytest.approx(linregress(t / 60_000.0, boost).slope, rel=1e-9, abs=1e-6)
    spread = check(step(measure(Take.SPREAD), span=Span.WHILE, for_ms=100))
    assert one(spread, driven)[1] == pytest.approx(np.std(boost, ddof=1), rel=1e-12)


def test_the_time_to_a_value_counts_from_where_the_step_began_to_hold_and_settling_does_not_shorten_it() -> None:
    checked = check(step(measure(Take.TIME_TO, reach=85.0), span=Span.WHILE, for_ms=500, settle_ms=600))
    assert one(checked, block(rpm=RPM, boost=BOOST)) == (Verdict.PASSED, 0.4, 600)


def test_a_value_that_is_never_reached_fails_a_band_and_says_what_was() -> None:
    checked = check(step(measure(Take.TIME_TO, reach=100.0, band=Band(None, 3.0)), span=Span.WHILE, for_ms=500))
    made, _ = run(checked, block(rpm=RPM, boost=BOOST))
    (attempt,) = made.results[0].attempts
    assert (attempt.verdict, attempt.measured[0].value) == (Verdict.FAILED, np.inf)
    assert attempt.measured[0].why == "not reached: at most 95 kPa"


def test_a_time_to_cool_is_reached_from_above() -> None:
    falling = [300.0, 280.0, 240.0, 200.0, 190.0]
    checked = check(step(measure(Take.TIME_TO, "egt", reach=200.0, falling=True), span=Span.WHILE, for_ms=300))
    assert one(checked, block(rpm=[1600.0] * 5, egt=falling))[1:] == (0.3, 300)


def test_the_largest_rate_is_over_a_second() -> None:
    egt = [400.0] * 5 + [400.0 + 8.0 * i for i in range(15)] + [512.0] * 5
    checked = check(step(measure(Take.LARGEST_RATE, "egt"), span=Span.WHILE))
    assert one(checked, block(rpm=[1600.0] * 25, egt=egt))[1:] == (80.0, 1500)


def test_a_difference_and_what_is_expected() -> None:
    driven = block(rpm=[1600.0] * 10, boost=[85.0] * 10, map=[100.0] * 10)
    checked = check(step(measure(Take.MEAN, "map", against="boost"), for_ms=500))
    assert one(checked, driven)[1] == 15.0
    checked = check(step(measure(Take.MEAN, against=EXPECTED), for_ms=500))
    assert one(checked, driven)[1] == pytest.approx(85.0 - 80.0)  # 50 at 1,000 rpm, 100 at 2,000
    made, _ = run(checked, replace(driven, tune=np.ones(10, dtype=np.int16)))
    assert made.results[0].attempts[0].measured[0].why == "nothing is expected of boost in tune tow"


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (None, 700.0, Verdict.PASSED),
        (700.0, None, Verdict.PASSED),
        (None, 699.75, Verdict.FAILED),
        (700.25, None, Verdict.FAILED),
        (None, OfSheet(1.0, "exhaust.egt"), Verdict.PASSED),
        (None, OfSheet(0.9, "exhaust.egt"), Verdict.FAILED),
        (None, Curve("rpm", (1000.0, 2000.0), (600.0, 750.0)), Verdict.FAILED),
        (None, Curve("rpm", (1000.0, 2000.0), (650.0, 750.0)), Verdict.PASSED),
        (None, OfSheet(1.0, "cooling.coolant"), Verdict.UNKNOWN),
    ],
)
def test_bands_hold_their_ends(low: Amount | None, high: Amount | None, verdict: Verdict) -> None:
    checked = check(step(measure(Take.MAXIMUM, "egt", Band(low, high))))
    made, _ = run(checked, block(rpm=[1600.0] * 15, egt=[700.0] * 15))
    assert made.results[0].verdict is verdict


def test_a_share_of_a_temperature_is_one_of_degc_in_whatever_unit_the_signal_is() -> None:
    """0.85 of 720 degC is 612 degC, and so 1133.6 degF."""
    signals = tuple(replace(s, unit="degF") if s.name == "egt" else s for s in SIGNALS)
    sheet_band = Band(None, OfSheet(0.85, "exhaust.egt"))
    checked = check(step(measure(Take.MEAN, "egt", sheet_band), for_ms=500))
    engine = FieldCheckEngine(checked, signals, TUNES, vehicle=VEHICLE, whole=True)
    engine.run(replace(block(rpm=RPM, egt=[1100.0] * len(RPM)), signals=signals))
    engine.end()
    (attempt,) = engine.runs[0].results[0].attempts
    assert attempt.measured[0].high == pytest.approx(1133.6)


def test_a_tune_has_a_band_of_its_own() -> None:
    m = measure(Take.MAXIMUM, band=Band(None, 100.0), tunes=(("tow", Band(None, 60.0)),))
    driven = block(rpm=[1600.0] * 15, boost=[80.0] * 15)
    assert one(check(step(m)), driven)[0] is Verdict.PASSED
    assert one(check(step(m)), replace(driven, tune=np.ones(15, dtype=np.int16)))[0] is Verdict.FAILED


# ------------------------------------------------------------------------------------------------------ when it holds


def test_a_fixed_step_is_done_at_the_tick_that_completes_its_time() -> None:
    made, news = run(check(step(measure(Take.MEAN), for_ms=500)), block(rpm=RPM, boost=BOOST))
    assert made.results[0].attempts[0].t_ms == (200, 700)
    assert [(n.t_ms, n.kind) for n in news] == [
        (0, NewsKind.NEXT),
        (200, NewsKind.HOLD),
        (700, NewsKind.PASSED),
        (700, NewsKind.DONE),
    ]


def test_a_stretch_that_is_too_short_is_no_attempt() -> None:
    made, news = run(check(step(measure(Take.MEAN), for_ms=1000)), block(rpm=RPM, boost=BOOST))
    assert made.results[0].attempts == ()
    assert made.results[0].verdict is Verdict.OPEN
    assert [n.kind for n in news] == [NewsKind.NEXT, NewsKind.HOLD, NewsKind.BROKEN]


def test_what_has_held_for_long_enough_at_the_end_counts() -> None:
    made, _ = run(check(step(measure(Take.MEAN), span=Span.WHILE, for_ms=500)), block(rpm=RPM[:9], boost=BOOST[:9]))
    assert made.results[0].attempts[0].t_ms == (200, 800)


def test_an_unknown_signal_does_not_hold_unless_bridged() -> None:
    rpm = [1600.0] * 5 + [np.nan] * 2 + [1600.0] * 8
    driven = block(rpm=rpm)
    plain, _ = run(check(step(measure(Take.MEAN), for_ms=1000)), driven)
    assert plain.results[0].attempts == ()
    waits = (replace(RUNS, bridge_ms=300),)
    bridged, _ = run(check(step(measure(Take.MEAN), for_ms=1000, waits_for=waits)), driven)
    assert bridged.results[0].attempts[0].t_ms == (0, 1000)


def test_a_measure_of_a_signal_that_was_mostly_unknown_is_not_told() -> None:
    boost = [80.0] * 8 + [np.nan] * 7
    made, _ = run(check(step(measure(Take.MAXIMUM, band=Band(0.0)))), block(rpm=[1600.0] * 15, boost=boost))
    (attempt,) = made.results[0].attempts
    assert attempt.verdict is Verdict.UNKNOWN
    assert attempt.why == "the measure: boost was unknown for 27 % of the time"


def test_a_gap_breaks_a_stretch() -> None:
    driven = block(rpm=[1600.0] * 20)
    t = driven.t_ms.copy()
    t[8:] += 5000
    made, _ = run(check(step(measure(Take.MEAN), for_ms=900)), replace(driven, t_ms=t))
    assert made.results[0].attempts[0].t_ms == (5800, 6700)


def with_a_space(driven: Block, at: int, ms: int) -> Block:
    """Nothing was recorded for so much longer before that tick."""
    t = driven.t_ms.copy()
    t[at:] += ms
    return replace(driven, t_ms=t)


def test_ticks_that_are_missing_within_a_stretch_are_told() -> None:
    """700 ms of one second and a half, in a gap that is too short to end it."""
    driven = with_a_space(block(rpm=[1600.0] * 20), 5, 700)
    made, _ = run(check(step(measure(Take.MEAN), for_ms=1500)), driven)
    (attempt,) = made.results[0].attempts
    assert (attempt.t_ms, attempt.unlogged_ms, attempt.cut, attempt.over_gaps) == ((0, 1500), 700, False, True)
    sound, _ = run(check(step(measure(Take.MEAN), for_ms=1500)), block(rpm=[1600.0] * 20))
    assert not sound.results[0].attempts[0].over_gaps


def test_what_a_gap_ended_says_so() -> None:
    driven = with_a_space(block(rpm=[1600.0] * 12 + [0.0] * 8), 8, 5000)
    long_enough, _ = run(check(step(measure(Take.MEAN), span=Span.WHILE, for_ms=500, retries=0)), driven)
    assert [a.cut for a in long_enough.results[0].attempts] == [True]
    too_short, _ = run(check(step(measure(Take.MEAN), for_ms=900)), driven)
    (result,) = too_short.results
    assert (result.verdict, result.attempts) == (Verdict.OPEN, ())
    assert result.why == "a gap in the recording ended it too early"


def test_what_ended_because_a_signal_was_lost_says_which() -> None:
    made, _ = run(check(step(measure(Take.MEAN), for_ms=900)), block(rpm=[1600.0] * 5 + [np.nan] * 9))
    (result,) = made.results
    assert (result.verdict, result.why) == (Verdict.OPEN, "rpm became unknown and ended it too early")


def test_signals_that_were_unknown_for_a_while_are_told() -> None:
    """One of twenty readings that are measured, two of twenty that are waited for."""
    waits = (replace(RUNS, bridge_ms=300),)
    boost, rpm = [80.0] * 20, [1600.0] * 20
    boost[4], rpm[7:9] = np.nan, [np.nan] * 2
    made, _ = run(check(step(measure(Take.MEAN), for_ms=1900, waits_for=waits)), block(rpm=rpm, boost=boost))
    (attempt,) = made.results[0].attempts
    assert attempt.measured[0].unknown == pytest.approx(0.05)
    assert attempt.bridged == (("rpm", 0.1),)


def test_the_tune_is_told_of_every_step_and_where_it_changed() -> None:
    made, _ = run(check(step(measure(Take.MEAN), for_ms=900)), block(rpm=[1600.0] * 20, tune=[0] * 5 + [1] * 15))
    (attempt,) = made.results[0].attempts
    assert (attempt.tune, attempt.tunes_after) == ("stock", ("tow",))


def test_a_condition_must_have_held_for_a_time_and_ends_within_its_deadband() -> None:
    waits = (WaitsFor("rpm", ABOVE, 1500.0, deadband=100.0, held_ms=200),)
    rpm = [1000.0, 1600.0, 1600.0, 1600.0, 1450.0, 1450.0, 1600.0, 1400.0, 1000.0]
    made, _ = run(check(step(measure(Take.MEAN), waits_for=waits, span=Span.WHILE, for_ms=100)), block(rpm=rpm))
    assert made.results[0].attempts[0].t_ms == (300, 600)


def test_steadiness_is_a_rate() -> None:
    waits = (WaitsFor("rpm", BELOW, 50.0, rate_ms=500), WaitsFor("rpm", ABOVE, -50.0, rate_ms=500))
    rpm = [1000.0 + 100.0 * i for i in range(10)] + [2000.0] * 20
    made, _ = run(check(step(measure(Take.LAST, "rpm"), waits_for=waits, for_ms=500)), block(rpm=rpm))
    assert made.results[0].attempts[0].t_ms[0] > 1000


# -------------------------------------------------------------------------------------- tunes, tries, alerts, people


def test_each_tune_has_a_result_and_an_excused_one_its_reason() -> None:
    checked = check(
        step(measure(Take.MAXIMUM), each_tune=True, for_ms=300), excused=(("tow", "the same fuelling as stock"),)
    )
    made, news = run(checked, block(rpm=[1600.0] * 10))
    assert [(r.tune, r.verdict, r.why) for r in made.results] == [
        ("stock", Verdict.PASSED, ""),
        ("tow", Verdict.EXCUSED, "the same fuelling as stock"),
    ]
    assert news[-1].kind is NewsKind.DONE


def test_a_change_of_tune_ends_a_stretch_and_begins_another() -> None:
    checked = check(step(measure(Take.MAXIMUM), each_tune=True, for_ms=800))
    made, _ = run(checked, block(rpm=[1600.0] * 20, tune=[0] * 5 + [1] * 15))
    assert [r.verdict for r in made.results] == [Verdict.OPEN, Verdict.PASSED]
    assert made.results[1].attempts[0].t_ms == (500, 1300)


def test_an_unknown_tune_is_measured_for_none() -> None:
    made, _ = run(check(step(measure(Take.MAXIMUM), each_tune=True)), block(rpm=[1600.0] * 20, tune=-1))
    assert [r.verdict for r in made.results] == [Verdict.OPEN, Verdict.OPEN]


def test_a_failed_step_may_be_tried_again_once_it_has_stopped_holding_and_the_last_attempt_decides() -> None:
    rpm = [1600.0] * 10 + [1000.0] * 2 + [1600.0] * 10 + [1000.0] * 2 + [1600.0] * 10
    boost = [50.0] * 12 + [90.0] * 12 + [50.0] * 10
    checked = check(step(measure(Take.MAXIMUM, band=Band(80.0)), for_ms=300))
    made, _ = run(checked, block(rpm=rpm, boost=boost))
    assert [a.verdict for a in made.results[0].attempts] == [Verdict.FAILED, Verdict.PASSED]
    assert made.results[0].verdict is Verdict.PASSED
    none = check(step(measure(Take.MAXIMUM, band=Band(80.0)), for_ms=300, retries=0))
    assert run(none, block(rpm=rpm, boost=boost))[0].results[0].verdict is Verdict.FAILED


HOT = Rule("hot", Kind.THRESHOLD, "egt", ABOVE, Setting(750.0), Action.EASE, say="Too hot: ease off")
LATE = Rule("late", Kind.THRESHOLD, "egt", ABOVE, Setting(700.0), Action.NOTE, say="Warm")


def test_an_alert_that_asks_to_act_stops_a_step_at_once_and_says_why() -> None:
    egt = [700.0] * 5 + [760.0] * 3 + [700.0] * 12
    drive = WholeDrive(SIGNALS, *_columns(block(rpm=[1600.0] * 20, egt=egt)), tunes=TUNES)
    checked = check(step(measure(Take.MAXIMUM, "egt"), for_ms=1000))
    (made,) = check_drive(checked, drive, [HOT, LATE], vehicle=VEHICLE)
    (stopped,) = made.results[0].attempts  # and no second one: it has not stopped holding since
    assert (stopped.verdict, stopped.why, stopped.t_ms) == (Verdict.STOPPED, "Too hot: ease off", (0, 400))


def _columns(made: Block) -> tuple[object, object, object]:
    return made.t_ms, made.values, made.tune


def test_nothing_begins_while_an_alert_stands() -> None:
    checked = check(step(measure(Take.MAXIMUM, "egt"), for_ms=500))
    driven = block(rpm=[1600.0] * 20)
    over = Transition(1000, "hot", State.ACKNOWLEDGED, State.NORMAL, 0.0, 0.0, 0, 1)
    made, _ = run(checked, driven, (over,), rules=[HOT], standing=["hot", "late"])
    assert made.results[0].attempts[0].t_ms == (1000, 1500)


def test_what_an_alert_kept_from_beginning_says_which() -> None:
    checked = check(step(measure(Take.MAXIMUM, "egt"), for_ms=500))
    made, _ = run(checked, block(rpm=[1600.0] * 20), rules=[HOT], standing=["hot"])
    assert (made.results[0].verdict, made.results[0].attempts) == (Verdict.OPEN, ())
    assert made.results[0].why == "an alert stood when all else held: Too hot: ease off"
    idle, _ = run(checked, block(rpm=[800.0] * 20), rules=[HOT], standing=["hot"])
    assert idle.results[0].why == ""


def test_a_step_waits_for_those_before_it() -> None:
    first = step(measure(Take.MAXIMUM), name="first", waits_for=(WaitsFor("boost", ABOVE, 50.0),), for_ms=200)
    second = step(measure(Take.MAXIMUM), name="second", after=("first",), for_ms=200)
    boost = [0.0] * 10 + [60.0] * 5 + [0.0] * 10
    made, _ = run(check(first, second), block(rpm=[1600.0] * 25, boost=boost))
    assert made.results[0].attempts[0].t_ms == (1000, 1200)
    assert made.results[1].attempts[0].t_ms[0] == 1300


def begun(*events: Event, n: int = 30) -> tuple[FieldCheckEngine, Block]:
    engine = FieldCheckEngine(check(step(measure(Take.MEAN), for_ms=500)), SIGNALS, TUNES)
    return engine, block(events, rpm=[1600.0] * n)


def test_a_run_begins_and_ends_with_what_people_do() -> None:
    begin = Event(1000, 0, EventKind.CHECK_BEGIN, actor="A. Driver", text="Check")
    end = Event(2000, 0, EventKind.CHECK_END, actor="A. Driver")
    engine, driven = begun(begin, end)
    news = engine.run(driven)
    (made,) = engine.runs
    assert (made.t_ms, made.confirmed_by, engine.running) == ((1000, 2000), "A. Driver", False)
    assert made.results[0].attempts[0].t_ms == (1000, 1500)
    assert news[0].t_ms == 1000


def test_nothing_runs_where_nobody_began() -> None:
    engine, driven = begun()
    assert engine.run(driven) == []
    engine.end()
    assert (engine.runs, engine.now()) == ((), None)


def test_a_skipped_step_has_its_reason() -> None:
    begin = Event(0, 0, EventKind.CHECK_BEGIN, actor="A. Driver")
    skip = Event(300, 1, EventKind.CHECK_SKIP, rule="pull", text="rain")
    engine, driven = begun(begin, skip)
    engine.run(driven)
    (made,) = engine.runs
    assert (made.results[0].verdict, made.results[0].why) == (Verdict.SKIPPED, "rain")


def test_what_is_missing_is_told_in_words() -> None:
    waits = (RUNS, WaitsFor("boost", BELOW, 20.0), WaitsFor("egt", ABOVE, 100.0))
    engine = FieldCheckEngine(check(step(measure(Take.MEAN), waits_for=waits)), SIGNALS, TUNES, whole=True)
    engine.run(block(rpm=[1200.0], boost=[35.5], egt=[np.nan]))
    now = engine.now()
    assert now is not None
    assert [m.words for m in now.missing] == ["rpm 300 too low", "boost 16 kPa too high", "egt unknown"]


@pytest.mark.parametrize(("least", "words"), [(-0.5, "rpm must be steadier"), (50.0, "rpm must be rising faster")])
def test_what_falls_too_fast_is_to_be_steadier_and_not_to_rise(least: float, words: str) -> None:
    waits = (WaitsFor("rpm", ABOVE, least, rate_ms=500),)
    engine = FieldCheckEngine(check(step(measure(Take.MEAN), waits_for=waits)), SIGNALS, TUNES, whole=True)
    engine.run(block(rpm=[2000.0 - 50.0 * k for k in range(10)]))
    now = engine.now()
    assert now is not None
    assert [m.words for m in now.missing] == [words]


def test_how_far_a_temperature_is_off_is_told_in_kelvin() -> None:
    waits = (WaitsFor("egt", BELOW, 200.0),)
    engine = FieldCheckEngine(check(step(measure(Take.MEAN), waits_for=waits)), SIGNALS, TUNES, whole=True)
    engine.run(block(egt=[207.5]))
    now = engine.now()
    assert now is not None
    assert [(m.words, m.by, m.unit) for m in now.missing] == [("egt 7.5 K too high", 7.5, "K")]


def test_after_a_step_of_the_hot_road_the_next_one_is_of_the_hot_road_too() -> None:
    """What a cold morning alone can tell is not asked for on the way, and is asked for again when the rest is done."""
    cold = step(measure(Take.MEAN), name="key-on", waits_for=(WaitsFor("rpm", BELOW, 50.0),), part=Part.COLD)
    first = step(measure(Take.MEAN), name="cruise", for_ms=500)
    last = step(measure(Take.MEAN), name="climb", waits_for=(WaitsFor("boost", ABOVE, 90.0),), for_ms=200)
    _, news = run(check(cold, first, last), block(rpm=RPM, boost=[*[0.0] * 9, *[100.0] * 6]))
    assert [n.step for n in news if n.kind is NewsKind.NEXT] == ["key-on", "climb", "key-on"]


def test_what_must_hold_for_a_time_counts_down() -> None:
    waits = (WaitsFor("rpm", ABOVE, 1500.0, held_ms=3000),)
    engine = FieldCheckEngine(check(step(measure(Take.MEAN), waits_for=waits)), SIGNALS, TUNES, whole=True)
    driven, left = block(rpm=[1000.0, 1600.0, 1600.0, 1600.0] + [1600.0] * 20 + [1000.0]), []
    for k in range(len(driven)):
        engine.run(driven.part(k, k + 1))
        now = engine.now()
        assert now is not None
        left.append([(m.left_s, m.words) for m in now.missing])
    assert left[0] == [(0.0, "rpm 500 too low")]
    assert left[1] == [(3.0, "rpm: hold on, 3 s more")]
    assert left[3] == [(2.8, "rpm: hold on, 3 s more")]
    assert left[23] == [(0.8, "rpm: hold on, 1 s more")]
    assert left[24] == [(0.0, "rpm 500 too low")]


# --------------------------------------------------------------------------------------------------- any cutting

STEPS = check(
    step(measure(Take.MAXIMUM, band=Band(60.0)), span=Span.WHILE, for_ms=300, each_tune=True, at_most_ms=1500),
    step(
        measure(Take.MEAN, "egt", Band(None, 500.0)),
        name="warm",
        waits_for=(WaitsFor("egt", ABOVE, 100.0, deadband=50.0, held_ms=200, bridge_ms=150),),
        for_ms=400,
        settle_ms=100,
        retries=2,
    ),
    step(
        measure(Take.TIME_TO, reach=50.0),
        name="steady",
        waits_for=(WaitsFor("rpm", BELOW, 200.0, rate_ms=300), WaitsFor("boost", ABOVE, 20.0)),
        after=("warm",),
    ),
)


def driven_at_random(seed: int, n: int = 120) -> Block:
    """Signals that go up and down in steps, with unknowns, gaps, changes of tune and what people do."""
    rng = np.random.default_rng(seed)

    def steps(levels: list[float]) -> Floats:
        at = np.sort(rng.integers(0, n, size=14))
        out: Floats = np.array(levels)[rng.integers(0, len(levels), size=15)][np.searchsorted(at, np.arange(n))]
        return out

    values = np.stack(
        [steps([1000.0, 1600.0, 2200.0]), steps([0.0, 40.0, 90.0]), steps([20.0, 120.0, 760.0]), steps([100.0])]
    )
    values[rng.random(values.shape) < 0.03] = np.nan
    t = np.cumsum(rng.choice([TICK_MS, 500, 3000], size=n, p=[0.92, 0.05, 0.03]))
    kinds = (EventKind.CHECK_BEGIN, EventKind.CHECK_SKIP, EventKind.CHECK_END, EventKind.CHECK_BEGIN)
    at = np.sort(rng.integers(0, n, size=4))
    events = tuple(
        Event(int(t[i]), k, kind, rule="warm", actor="A") for k, (i, kind) in enumerate(zip(at, kinds, strict=True))
    )
    tune = np.clip(np.searchsorted(np.sort(rng.integers(0, n, size=3)), np.arange(n)) - 1, -1, 1).astype(np.int16)
    return Block(SIGNALS, t.astype(np.int64), values.T.copy(), tune, events=events)


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 10_000), st.lists(st.integers(1, 119), max_size=12), st.booleans())
def test_any_cutting_gives_the_same(seed: int, cuts: list[int], whole: bool) -> None:
    driven = driven_at_random(seed)
    moved = [
        Transition(int(driven.t_ms[i]), "hot", State.NORMAL, state, 0.0, 0.0, 0, 1)
        for i, state in ((40, State.UNACKNOWLEDGED), (60, State.NORMAL))
    ]

    def told(bounds: list[int]) -> tuple[object, object]:
        engine = FieldCheckEngine(STEPS, SIGNALS, TUNES, vehicle=VEHICLE, rules=[HOT], whole=whole)
        news: list[News] = []
        for a, b in pairwise(bounds):
            piece = driven.part(a, b)
            news += engine.run(piece, [m for m in moved if piece.t_ms[0] <= m.t_ms <= piece.t_ms[-1]])
        engine.end()
        return repr(engine.runs), news

    assert told([0, *sorted(set(cuts)), 120]) == told([0, 120]) == told(list(range(121)))


# --------------------------------------------------------------------------------------- against a plain evaluator


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 1_000_000))
def test_it_does_what_a_plain_evaluator_does(seed: int) -> None:
    driven = driven_at_random(seed)
    rng = np.random.default_rng(seed + 1)
    on, off = sorted(rng.choice(120, size=2, replace=False).tolist())
    moved = (
        Transition(int(driven.t_ms[on]), "hot", State.NORMAL, State.UNACKNOWLEDGED, 0.0, 0.0, 0, 1),
        Transition(int(driven.t_ms[off]), "hot", State.UNACKNOWLEDGED, State.NORMAL, 0.0, 0.0, 0, 1),
    )
    skips = {e.t_ms: [e.rule] for e in driven.events if e.kind is EventKind.CHECK_SKIP}
    asking = [on <= i < off for i in range(120)]
    checked = replace(STEPS, excused=(("tow", "same"),) if seed % 3 == 0 else ())
    made, _ = run(checked, driven, moved, rules=[HOT])
    expected = reference_check(checked, SIGNALS, TUNES, driven, asking=asking, skipped=skips)
    assert [(r.step, r.tune, r.verdict, [plain(a) for a in r.attempts]) for r in made.results] == [
        (name, tune, verdict, [(*a[:4], [pytest.approx(x, nan_ok=True) for x in a[4]], *a[5:]) for a in tried])
        for name, tune, verdict, tried in expected
    ]


def plain(a: Attempt) -> tuple[object, ...]:
    """An attempt as the plain evaluator tells it."""
    values = [m.value for m in a.measured]
    tunes = [a.tune, *a.tunes_after]
    return (*a.t_ms, tunes, a.verdict, values, a.unlogged_ms, a.cut, pytest.approx(dict(a.bridged), rel=1e-12))


@pytest.mark.parametrize("standing", [["hot", "oil"], ["oil", "hot"]])
def test_of_alerts_in_the_way_the_gravest_tells_the_colour(standing: list[str]) -> None:
    oil = replace(HOT, name="oil", action=Action.STOP, say="Oil pressure")
    engine = FieldCheckEngine(
        check(step(measure(Take.MEAN))), SIGNALS, TUNES, rules=[HOT, oil], standing=standing, whole=True
    )
    engine.run(block(rpm=[1600.0] * 5))
    now = engine.now()
    assert now is not None
    assert now.action is Action.STOP
    over = Transition(500, "oil", State.UNACKNOWLEDGED, State.NORMAL, 0.0, 0.0, 0, 1)
    later = block(rpm=[1600.0] * 5)
    engine.run(replace(later, t_ms=later.t_ms + 500), (over,))
    now = engine.now()
    assert now is not None
    assert now.action is Action.EASE


@pytest.mark.parametrize(("unit", "factor"), [("m/s", 1.0), ("km/h", 3.6)])
def test_nobody_is_asked_at_speed_for_what_is_done_standing(unit: str, factor: float) -> None:
    signals = (*SIGNALS, Signal("speed", unit, 100))
    key_on = step(measure(Take.MEAN), name="key-on", waits_for=(WaitsFor("rpm", BELOW, 50.0),), part=Part.COLD)
    checked = check(key_on, step(measure(Take.MEAN), name="climb", moving=True))

    def asked(speed_m_s: float) -> list[str]:
        values = np.zeros((5, 5))
        values[:, 0], values[:, 4] = 900.0, speed_m_s * factor
        driven = Block(signals, np.arange(5, dtype=np.int64) * TICK_MS, values, np.zeros(5, dtype=np.int16))
        engine = FieldCheckEngine(checked, signals, TUNES, vehicle=VEHICLE, whole=True)
        return [n.step for n in engine.run(driven, ()) if n.kind is NewsKind.NEXT]

    assert asked(22.0) == ["climb"]
    assert asked(0.0) == ["key-on"]
