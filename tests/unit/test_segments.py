"""A drive cut into what the vehicle was doing: legs with known answers, the invented vehicle, and random drives."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.demo_drives import drive as demo_drive
from support.whole_drives import CRUISING, IDLING, OFF, Leg, by_hand, in_units, of_demo, without
from uphaul.analysis.maps import cell_map, steady
from uphaul.analysis.moments import moments
from uphaul.analysis.route import height_m, road_grade, steps_m
from uphaul.analysis.segment_figures import PIECE, figures_by_role, headroom_by_rule
from uphaul.analysis.segments import CUT_BY, KINDS, Segment, SegmentKind, cut
from uphaul.analysis.whole import ROLES, WholeDrive, join
from uphaul.rules import ABOVE, BELOW, Action, Kind, Rule, Setting
from uphaul.rules.judge import Judge
from uphaul.signals import Block, Event, EventKind, Signal

CRANK = Leg(1.0, rpm=220.0)
CLIMBING = Leg(120.0, rpm=2600.0, speed=21.0, pedal=0.85, boost=150.0, egt=680.0, grade=0.065, gear=4.0)
FULL = {"pedal": 1.0, "boost": 160.0, "egt": 700.0}


def told(drive: WholeDrive) -> list[tuple[str, float]]:
    """Each segment's kind and its length in s, from its first tick to the next segment's."""
    segments = cut(drive)
    ends = [*(s.t_ms[0] for s in segments[1:]), int(drive.t_ms[-1]) + 50]
    return [(s.kind.value, round((end - s.t_ms[0]) / 1000)) for s, end in zip(segments, ends, strict=True)]


def kinds(drive: WholeDrive) -> list[str]:
    return [s.kind.value for s in cut(drive)]


def test_key_on_start_idle_and_soak() -> None:
    drive = by_hand([OFF, CRANK, IDLING, OFF])
    assert told(drive) == [("key-on", 10), ("start", 6), ("idle", 15), ("soak", 10)]


def test_an_engine_that_does_not_catch_is_a_start_too() -> None:
    drive = by_hand([OFF, replace(CRANK, seconds=4.0), OFF, CRANK, IDLING])
    assert told(drive) == [("key-on", 10), ("start", 4), ("key-on", 10), ("start", 6), ("idle", 15)]


def test_a_cold_engine_warms_up_standing_or_driving_until_its_coolant_is_warm() -> None:
    cold = {"coolant": 20.0}
    legs = [OFF, CRANK, replace(IDLING, **cold), replace(CRUISING, coolant=(20.0, 90.0)), CRUISING]
    drive = by_hand([replace(legs[0], **cold), replace(legs[1], **cold), *legs[2:]])
    # 70 degC is five sevenths of the way from 20 to 90: 43 s of 60 s
    assert told(drive) == [("key-on", 10), ("start", 6), ("warm-up", 58), ("cruise", 77)]


def test_a_thermostat_that_never_lets_it_warm_up_ends_the_warm_up_after_twenty_minutes() -> None:
    drive = by_hand([replace(CRUISING, seconds=1300.0, coolant=55.0)], hz=2)
    assert told(drive) == [("warm-up", 1200), ("cruise", 100)]


def test_a_climb_outlives_its_gear_changes_and_a_short_flat() -> None:
    change = replace(CLIMBING, seconds=1.5, pedal=0.0, boost=40.0, gear=0.0)
    flat = replace(CLIMBING, seconds=10.0, grade=0.0)
    drive = by_hand([CRUISING, CLIMBING, change, CLIMBING, flat, CLIMBING, CRUISING])
    assert told(drive) == [("cruise", 60), ("climb", 372), ("cruise", 60)]


def test_a_descent_is_told_and_a_dip_is_not() -> None:
    down = replace(CRUISING, seconds=90.0, grade=-0.06, pedal=0.0, boost=0.0)
    dip = replace(down, seconds=20.0)
    assert told(by_hand([CRUISING, down, CRUISING])) == [("cruise", 60), ("descent", 90), ("cruise", 60)]
    assert kinds(by_hand([CRUISING, dip, CRUISING])) == ["cruise"]


def test_a_pull_goes_over_gear_changes_from_where_the_engine_begins_to_gain() -> None:
    third = Leg(6.0, rpm=(1800.0, 3400.0), speed=(12.0, 22.0), gear=3.0, **FULL)
    change = Leg(1.0, rpm=(3400.0, 2300.0), speed=22.0, pedal=0.0, gear=0.0)
    fourth = Leg(6.0, rpm=(2300.0, 3200.0), speed=(22.0, 30.0), gear=4.0, **FULL)
    held = Leg(30.0, rpm=3200.0, speed=30.0, gear=4.0, **FULL)
    drive = by_hand([CRUISING, third, change, fourth, held])
    assert told(drive) == [("cruise", 60), ("pull", 13), ("cruise", 30)]


def test_full_pedal_at_a_steady_speed_up_a_hill_is_a_climb_and_no_pull() -> None:
    assert kinds(by_hand([CRUISING, replace(CLIMBING, pedal=1.0)])) == ["cruise", "climb"]


def test_changing_down_at_full_pedal_is_no_pull() -> None:
    before = replace(CLIMBING, pedal=1.0, rpm=2000.0, gear=5.0)
    flare = replace(before, seconds=2.5, rpm=(2000.0, 2800.0))
    assert kinds(by_hand([before, flare, replace(before, rpm=2800.0, gear=4.0)])) == ["climb"]


def test_an_automatic_that_changes_down_at_full_pedal_gains_nothing_by_that() -> None:
    before = Leg(8.0, rpm=(1800.0, 2000.0), speed=(20.0, 22.2), gear=5.0, **FULL)
    after = Leg(4.0, rpm=(2750.0, 2800.0), speed=(22.3, 22.8), gear=4.0, **FULL)
    assert "pull" not in kinds(by_hand([CRUISING, before, after, CRUISING]))


def test_a_pull_on_a_roller_is_told_without_road_speed() -> None:
    pull = Leg(10.0, rpm=(1500.0, 3600.0), gear=4.0, **FULL)
    assert told(without(by_hand([IDLING, pull, IDLING]), "altitude", "grade"))[1] == ("pull", 10)


def test_a_stand_after_load_before_the_engine_is_off_is_a_cool_down_and_one_in_traffic_is_idling() -> None:
    hot = Leg(60.0, rpm=780.0, egt=(420.0, 100.0))  # below 200 degC at 41 s, and 30 s more
    stop = Leg(60.0, rpm=780.0, egt=100.0)
    assert told(by_hand([CLIMBING, hot, stop, OFF]))[1:] == [("cool-down", 71), ("idle", 49), ("soak", 10)]
    assert kinds(by_hand([CLIMBING, hot, stop, CRUISING])) == ["climb", "idle", "cruise"]


def test_without_a_probe_load_before_makes_a_cool_down_of_three_minutes_at_most() -> None:
    stand = replace(IDLING, seconds=200.0)
    after_load = without(by_hand([CLIMBING, stand, OFF]), "egt")
    assert told(after_load) == [("climb", 120), ("cool-down", 180), ("idle", 20), ("soak", 10)]
    assert kinds(without(by_hand([CRUISING, stand, OFF]), "egt")) == ["cruise", "idle", "soak"]


def test_a_short_gap_cuts_nothing_and_a_long_one_does() -> None:
    assert told(by_hand([CLIMBING, replace(CLIMBING, gap_s=3.0)])) == [("climb", 243)]
    drive = by_hand([CLIMBING, replace(CLIMBING, gap_s=30.0)])
    assert kinds(drive) == ["climb", "climb"]
    assert [round(s.duration_s, 2) for s in cut(drive)] == [
        119.95,
        119.95,
    ]  # the tick before tells the first one's step


def test_an_engine_that_runs_down_after_the_cool_down_ends_it_too() -> None:
    run_down = Leg(1.2, rpm=(700.0, 0.0), egt=100.0)
    drive = by_hand([CLIMBING, Leg(60.0, rpm=780.0, egt=(420.0, 100.0)), run_down, OFF])
    assert kinds(drive) == ["climb", "cool-down", "soak"]


def test_a_drive_of_one_tick() -> None:
    drive = by_hand([Leg(0.05, rpm=780.0)])
    (only,) = cut(drive)
    assert (only.kind, only.start, only.stop, only.duration_s) == (SegmentKind.OTHER, 0, 1, 0.0)
    assert cell_map(drive, "egt").count.sum() == 1
    assert not steady(drive).any()
    assert moments(replace(drive, events=(Event(0, 0, EventKind.MARK),)))[0].unusual == ()


def test_what_there_is_no_signal_for_is_not_told() -> None:
    drive = by_hand([CRUISING, CLIMBING, IDLING])
    assert kinds(without(drive, "grade", "altitude")) == ["cruise", "idle"]
    assert kinds(without(drive, "grade")) == ["cruise", "climb", "idle"]
    assert kinds(without(drive, "speed", "grade", "altitude")) == ["other", "idle"]
    assert set(kinds(without(drive, *ROLES))) == {"other"}


def test_figures_of_a_climb() -> None:
    climb = cut(by_hand([CRUISING, replace(CLIMBING, coolant=(85.0, 101.0), egt=(600.0, 700.0)), CRUISING]))[1]
    assert climb.distance_m == pytest.approx(120 * 21.0, rel=1e-3)
    assert climb.rise_m == pytest.approx(120 * 21.0 * 0.065, rel=0.03)
    assert climb.grade == pytest.approx(0.065, rel=0.03)
    coolant, egt = climb.of("coolant"), climb.of("egt")
    assert coolant is not None and egt is not None
    assert (coolant.low, coolant.high) == (85.0, 101.0)
    assert (coolant.low_ms, coolant.high_ms) == (60_000, 179_950)
    assert egt.mean == pytest.approx(650.0)
    assert egt.spread == pytest.approx(100.0 / 12**0.5, rel=1e-3)  # of a uniform distribution: width / sqrt(12)
    assert climb.of("turbo_speed") is None


def test_without_figures_the_segments_are_the_same_but_for_those() -> None:
    drive = by_hand([CRUISING, CLIMBING, IDLING])
    full, bare = cut(drive), cut(drive, figures=False)
    assert all(s.figures for s in full)
    assert repr(bare) == repr([replace(s, figures=()) for s in full])  # by words: what is unknown equals nothing


@pytest.mark.parametrize("left_out", [(), ("grade",), ("grade", "altitude"), ("speed",), ("egt",)], ids="-".join)
def test_a_cut_without_figures_reads_the_roles_that_are_named_alone(
    left_out: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    drive = without(of_demo(demo_drive("climb-heat")), *left_out)
    asked: set[str] = set()
    column = WholeDrive.column
    monkeypatch.setattr(WholeDrive, "column", lambda self, role: asked.add(role) or column(self, role))
    found = cut(drive, figures=False)
    assert asked <= set(CUT_BY)
    others = [s.name for s in drive.signals if s.name not in CUT_BY]
    assert others
    assert repr(cut(without(drive, *others), figures=False)) == repr(
        found
    )  # unknown values are not equal to themselves


def test_headroom_of_each_rule_in_each_segment() -> None:
    drive = by_hand([CRUISING, replace(CLIMBING, egt=(600.0, 730.0)), CRUISING])
    rules = (
        Rule("egt-high", Kind.THRESHOLD, "egt", ABOVE, Setting(limit=720.0), Action.EASE),
        Rule("slow", Kind.THRESHOLD, "speed", BELOW, Setting(limit=5.0), Action.NOTE),
        Rule("oil", Kind.THRESHOLD, "oil_pressure", BELOW, Setting(limit=50.0), Action.STOP),
    )
    by_segment = [{h.rule: h for h in s.headroom} for s in cut(drive, rules)]
    assert [h["egt-high"].left for h in by_segment] == pytest.approx([290.0, -10.0, 290.0])
    assert [h["slow"].left for h in by_segment] == pytest.approx([17.0, 16.0, 17.0])
    assert by_segment[1]["egt-high"].t_ms == 179_950
    assert all(set(h) == {"egt-high", "slow"} for h in by_segment)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("climb-heat", ["cruise", "climb", "cruise"]),
        ("clutch-slip", ["key-on", "start", "idle", "other", "cruise", "climb", "other", "cruise"]),
        ("flat-cruise", ["key-on", "start", "warm-up", "cruise", "other", "cool-down", "soak"]),
    ],
)
def test_drives_of_the_invented_vehicle(name: str, expected: list[str]) -> None:
    assert kinds(of_demo(demo_drive(name))) == expected


def test_the_climb_is_as_long_and_steep_as_its_road_with_the_grade_or_by_heights_alone() -> None:
    drive = of_demo(demo_drive("climb-heat"))  # replays/climb-heat.toml: 860 m up over 13,230 m from 1,500 m on
    by_standard_air = without(drive, "grade", "altitude", "ambient")  # the invented vehicle's barometer is in such air
    for known in (drive, without(drive, "grade"), by_standard_air):
        climb = next(s for s in cut(known) if s.kind is SegmentKind.CLIMB)
        assert climb.distance_m == pytest.approx(13_230, abs=120)
        assert climb.grade == pytest.approx(0.065, abs=0.0006)


def test_heights_by_barometer_are_stretched_in_warm_air() -> None:
    foot_k, lapse_k_m, road_m = 308.15, 0.0065, np.linspace(0.0, 1000.0, 2001)
    # hydrostatics, dp = -p g / (R T) dh, in small steps; R and g: ISO 2533:1975
    kelvins = foot_k - lapse_k_m * road_m
    falls = np.cumsum(9.80665 / (287.05287 * (kelvins[1:] + kelvins[:-1]) / 2) * np.diff(road_m))
    kpa = 101.325 * np.exp(-np.concatenate(([0.0], falls)))
    signals = (Signal("speed", "m/s", 100), Signal("baro", "kPa", 1000), Signal("ambient", "degC", 100))
    values = np.column_stack((np.full(2001, 10.0), kpa, kelvins - 273.15))
    drive = WholeDrive(signals, 500 * np.arange(2001), values, np.zeros(2001, dtype=np.int16))
    heights, plain = height_m(drive), height_m(without(drive, "ambient"))
    assert heights[-1] - heights[0] == pytest.approx(1000.0, rel=0.003)
    assert plain[-1] - plain[0] == pytest.approx(1000.0 / 1.07, rel=0.005)  # 308.15 K over 288.15 K
    assert np.nanmedian(road_grade(drive, steps_m(drive))) == pytest.approx(0.1, rel=0.003)


def test_each_kind_is_defined_in_words_and_needs_roles_that_there_are() -> None:
    assert set(KINDS) == set(SegmentKind)
    assert all(d.words and d.source and set(d.needs) <= set(ROLES) for d in KINDS.values())


# ------------------------------------------------------------------------------------------- any drive whatever
# No value lies on a threshold, so that one in another unit is on the same side.

ODD = 0.01371
VALUES = {
    "rpm": (0.0, 210.0, 780.0, 1400.0, 2100.0, 3300.0),
    "speed": (0.0, 1.0, 6.0, 14.0, 22.0),
    "pedal": (0.0, 0.4, 0.85, 1.0),
    "egt": (120.0, 300.0, 700.0),
    "coolant": (15.0, 85.0),
    "grade": (-0.06, 0.0, 0.02, 0.06),
}


def _quantity(name: str) -> st.SearchStrategy[float | tuple[float, float]]:
    one = st.sampled_from([v + ODD for v in VALUES[name]])
    return st.one_of(one, st.tuples(one, one), st.just(float("nan")))


SCRAPPY = {SegmentKind(k) for k in ("other", "cruise", "warm-up", "descent", "climb")}
LEGS = st.lists(
    st.builds(
        Leg,
        seconds=st.sampled_from([0.5, 1.0, 3.0, 7.0, 16.0, 40.0]),
        gear=st.sampled_from([0.0, 3.0, 4.0]),
        gap_s=st.sampled_from([0.0, 0.0, 0.0, 2.0, 60.0]),
        boost=st.sampled_from([0.0, 90.0]),
        **{name: _quantity(name) for name in VALUES},
    ),
    min_size=1,
    max_size=8,
)


def bounds(segments: list[Segment]) -> list[tuple[str, int, int]]:
    return [(s.kind.value, s.start, s.stop) for s in segments]


@settings(deadline=None, max_examples=60)
@given(LEGS)
def test_every_tick_is_in_exactly_one_segment_and_neighbours_differ(legs: list[Leg]) -> None:
    drive = by_hand(legs, hz=4)
    segments = cut(drive)
    assert [i for s in segments for i in range(s.start, s.stop)] == list(range(len(drive)))
    assert all(s.t_ms == (drive.t_ms[s.start], drive.t_ms[s.stop - 1]) for s in segments)
    assert sum(s.duration_s for s in segments) == pytest.approx(float(drive.dt_s.sum()))
    for a, b in pairwise(segments):
        apart = b.t_ms[0] - a.t_ms[1] > 10_000
        assert a.kind is not b.kind or apart
        if {a.kind, b.kind} <= SCRAPPY and not apart:  # a scrap is gone to the longer one
            shorter = min((a, b), key=lambda s: s.stop - s.start)
            assert shorter.t_ms[1] - shorter.t_ms[0] >= 5000 or a.stop - a.start == b.stop - b.start


@settings(deadline=None, max_examples=40)
@given(LEGS, st.data())
def test_blocks_and_units_make_no_difference(legs: list[Leg], data: st.DataObject) -> None:
    drive = by_hand(legs, hz=4)
    at = data.draw(st.integers(1, max(1, len(drive) - 1)))
    block = Block(drive.signals, drive.t_ms, drive.values, drive.tune)
    parts = join([block.part(0, at), block.part(at, len(drive))], drive.tunes)
    other = in_units(
        drive, {"speed": "mph", "egt": "degF", "coolant": "degF", "pedal": "%", "boost": "psi", "grade": "%"}
    )
    assert bounds(cut(parts)) == bounds(cut(drive)) == bounds(cut(other))
    for one, two in zip(cut(drive), cut(other), strict=True):
        for mine, theirs in zip(one.figures, two.figures, strict=True):
            assert (mine.role, mine.known) == (theirs.role, theirs.known)
            numbers = [(f.mean, f.spread, f.low, f.high) for f in (mine, theirs)]
            assert numbers[0] == pytest.approx(numbers[1], abs=1e-7)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 2**32 - 1), st.sampled_from([5, 300, PIECE, PIECE + 1, 3 * PIECE + 7]))
def test_figures_are_those_of_numpy(seed: int, ticks: int) -> None:
    rng = np.random.default_rng(seed)
    drive = by_hand([Leg(ticks / 4.0)], hz=4)
    drive.values[:] = rng.normal(50.0, 20.0, drive.values.shape).round(1)
    drive.values[rng.random(drive.values.shape) < rng.choice([0.0, 0.3, 0.98])] = np.nan
    starts = sorted({0, *rng.integers(1, ticks, 3).tolist()})
    for start, stop, figures in zip(starts, [*starts[1:], ticks], figures_by_role(drive, starts), strict=True):
        by_role = {f.role: f for f in figures}
        for column, signal in enumerate(drive.signals):
            x = drive.values[start:stop, column]
            assert (signal.name in by_role) == bool((~np.isnan(x)).any())
            if signal.name in by_role:
                f = by_role[signal.name]
                assert f.known == np.mean(~np.isnan(x))
                assert (f.mean, f.spread) == pytest.approx((np.nanmean(x), np.nanstd(x)), abs=1e-9)
                assert (f.low, f.high) == (np.nanmin(x), np.nanmax(x))
                times = drive.t_ms[start + np.nanargmin(x)], drive.t_ms[start + np.nanargmax(x)]
                assert (f.low_ms, f.high_ms) == times


@settings(deadline=None, max_examples=25)
@given(LEGS)
def test_the_least_headroom_of_the_segments_is_that_of_the_drive(legs: list[Leg]) -> None:
    drive = by_hand(legs, hz=4)
    rules = (
        Rule("hot", Kind.THRESHOLD, "egt", ABOVE, Setting(limit=650.0), Action.EASE),
        Rule("rise", Kind.RATE, "coolant", ABOVE, Setting(limit=1.0), Action.NOTE, window_ms=4000),
    )
    judge = Judge(rules, drive.signals, drive.tunes, approaches=True)
    judge.run(Block(drive.signals, drive.t_ms, drive.values, drive.tune))
    parts = headroom_by_rule(drive, [(s.start, s.stop) for s in cut(drive)], rules)
    for rule, near in zip(rules, judge.approaches or (), strict=True):
        found = [h.left for part in parts for h in part if h.rule == rule.name]
        assert min(found, default=None) == (None if near is None else -near.excess)
