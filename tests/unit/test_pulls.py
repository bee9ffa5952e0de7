"""Pulls of a drive: which there are, what is told of each and why something is not, in any units and any cut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.road_power import SHEET, driven, reference
from support.whole_drives import CRUISING, IDLING, Leg, by_hand, in_units, without
from uphaul.analysis.pulls import WHAT_A_ROAD_CANT_KNOW, Pull, find_pulls
from uphaul.analysis.segments import SegmentKind, cut
from uphaul.analysis.whole import WholeDrive
from uphaul.signals import Signal
from uphaul.vehicle.model import Expected, Tune
from uphaul.vehicle.sheet import BuildSheet, Driveline

TOW = Tune("tow", expected=(Expected("boost", "rpm", (1000.0, 2000.0, 4000.0), (60.0, 150.0, 150.0)),))
THIRD = Leg(
    8.0, rpm=(1600.0, 3400.0), speed=(13.0, 27.625), pedal=1.0, boost=(40.0, 168.0), egt=(450.0, 690.0), gear=3.0
)
FOURTH = Leg(6.0, rpm=(2300.0, 3000.0), speed=(27.0, 35.2), pedal=1.0, boost=150.0, egt=690.0, gear=4.0)
DRIVE = by_hand([IDLING, CRUISING, replace(THIRD), replace(CRUISING, seconds=30.0), THIRD, FOURTH, CRUISING])


def pulls(drive: WholeDrive, sheet: BuildSheet = SHEET, tunes: tuple[Tune, ...] = (TOW,)) -> tuple[Pull, ...]:
    return find_pulls(drive, sheet, tunes)


def alike(a: Pull, b: Pull) -> None:
    """The same pull, to rounding."""
    for name in Pull.__slots__:
        x, y = getattr(a, name), getattr(b, name)
        if name == "curve":
            for course in ("rpm", "power_kw", "power_doubt_kw", "torque_nm", "boost_kpa", "egt_degc"):
                np.testing.assert_allclose(x.of(course), y.of(course), rtol=1e-6, atol=1e-6, err_msg=course)
        elif isinstance(x, float):
            assert y == pytest.approx(x, rel=1e-9, abs=1e-9), name
        elif name == "rpm":
            assert y == pytest.approx(x)
        else:
            assert x == y, name


def test_each_gear_of_a_pull_is_a_pull_and_lies_within_its_segment() -> None:
    found = pulls(DRIVE)
    assert [p.gear for p in found] == [3, 3, 4]
    assert {p.gear_by for p in found} == {"signal gear"}
    segments = [s for s in cut(DRIVE) if s.kind is SegmentKind.PULL]
    assert len(segments) == 2
    for p in found:
        assert any(s.start <= p.start and p.stop <= s.stop for s in segments)


def test_the_figures_of_a_pull() -> None:
    first, second, third = pulls(DRIVE)
    assert first.tune == "tow"
    # means over 0.3 s of what rises by 16 a second; a pull ends 40 rpm, 0.14 s, before the highest speed
    assert first.boost_peak_kpa == pytest.approx(168.0 - 16.0 * (0.15 + 0.14), abs=0.8)
    assert first.boost_peak_rpm == pytest.approx(3400.0, abs=45.0)
    # boost 40 + 16 t has 90 % of the expected 114 + 20.25 t, that is 102.6 + 18.2 t, only once that stays at 135 kPa
    assert first.boost_s == pytest.approx((135.0 - 40.0) / 16.0 + 0.15, abs=0.1)
    assert first.overshoot_kpa == pytest.approx(18.0 - 16.0 * (0.15 + 0.14), abs=0.8)
    assert first.egt_rate_k_s == pytest.approx(240.0 / 8.0, rel=0.02)
    assert first.egt_most_degc == pytest.approx(690.0 - 30.0 * 0.15, abs=2.0)
    assert first.grade == pytest.approx(0.0)
    assert first.grade_by == "signal grade"
    assert second.boost_s == pytest.approx(first.boost_s, abs=0.1)
    # the pedal was down before fourth was in
    assert third.boost_s is None
    assert "before this gear" in third.why("boost_s")


def test_the_gear_comes_from_engine_and_road_speed_where_no_signal_tells_it() -> None:
    line = Driveline((4.0, 2.4, 1.5, 0.9375), 1.0, 13.0 / (1600.0 * np.pi / 30.0) * 1.5, 0.9)
    found = pulls(without(DRIVE, "gear"), replace(SHEET, driveline=line))
    assert [p.gear for p in found][:2] == [3, 3]
    assert found[0].gear_by == "ratio of engine and road speed"
    assert pulls(without(DRIVE, "gear"), BuildSheet())[0].gear is None


def test_what_is_missing_is_none_with_a_reason() -> None:
    known = {"boost_peak_kpa", "boost_peak_rpm", "boost_s", "overshoot_kpa", "egt_most_degc", "egt_rate_k_s", "grade"}
    bare = without(DRIVE, "boost", "egt", "grade", "altitude")
    nothing = replace(without(DRIVE, "gear", "speed"), tune=np.full(len(DRIVE), -1, dtype=np.int16))
    for drive in (DRIVE, bare, nothing):
        for p in pulls(drive):
            empty = {name for name in Pull.__slots__ if getattr(p, name) is None}
            assert empty == {name for name, _ in p.missing}
            assert all(why for _, why in p.missing)
    assert known <= {name for name, _ in pulls(bare)[0].missing}
    assert "tune" in pulls(DRIVE, tunes=())[0].why("overshoot_kpa")


def test_a_tune_that_changes_in_a_pull_is_not_told() -> None:
    tune = DRIVE.tune.copy()
    first = pulls(DRIVE)[0]
    tune[(first.start + first.stop) // 2 :] = -1
    assert pulls(replace(DRIVE, tune=tune))[0].tune is None


def test_without_a_pedal_there_is_no_pull() -> None:
    assert pulls(without(DRIVE, "pedal")) == ()
    assert pulls(by_hand([CRUISING])) == ()


def test_the_heading_is_where_it_went() -> None:
    t, v, _ = reference("pull")
    drive = driven(t[20:90] - t[20], v[20:90])
    way = np.concatenate(([0.0], np.cumsum(drive.read("speed")[:-1] * 0.05)))
    # a degree of latitude is some 111.2 km, one of longitude that times the cosine of the latitude
    for heading, north, east in ((0.0, 1.0, 0.0), (90.0, 0.0, 1.0), (225.0, -np.sqrt(0.5), -np.sqrt(0.5))):
        place = np.column_stack((45.0 + north * way / 111_195.0, 7.0 + east * way / 111_195.0 / np.cos(np.pi / 4.0)))
        signals = (Signal("latitude", "deg", 10**7), Signal("longitude", "deg", 10**7))
        moved = replace(drive, signals=(*drive.signals, *signals), values=np.column_stack((drive.values, place)))
        (pull,) = pulls(moved)
        assert pull.heading_deg == pytest.approx(heading, abs=0.3)


def test_units_change_nothing() -> None:
    t, v, _ = reference("pull")
    drive = driven(t[20:90] - t[20], v[20:90])
    boost = np.interp(drive.read("rpm"), (1000.0, 3000.0), (50.0, 160.0))
    drive = replace(
        drive, signals=(*drive.signals, Signal("boost", "kPa", 1000)), values=np.column_stack((drive.values, boost))
    )
    other = in_units(drive, {"speed": "mph", "boost": "psi", "baro": "inHg", "ambient": "degF", "grade": "%"})
    psi = replace(TOW, expected=(replace(TOW.expected[0], y=tuple(y / 6.894757293 for y in TOW.expected[0].y)),))
    (mine,), (theirs,) = pulls(drive), find_pulls(other, SHEET, (psi,))
    assert mine.overshoot_kpa is not None and mine.overshoot_kpa > 0.0
    alike(mine, theirs)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 1200), st.integers(0, 1200))
def test_more_of_the_drive_before_and_after_changes_no_pull(before: int, after: int) -> None:
    """Cuts that leave a minute of the drive around the pulls."""
    begin, end = 1000, len(DRIVE) - 1100
    part = replace(
        DRIVE,
        t_ms=DRIVE.t_ms[max(begin - before, 0) : end + after],
        values=DRIVE.values[max(begin - before, 0) : end + after],
        tune=DRIVE.tune[max(begin - before, 0) : end + after],
    )
    off = max(begin - before, 0)
    whole, cut_out = pulls(DRIVE), pulls(part)
    assert len(whole) == len(cut_out)
    for a, b in zip(whole, cut_out, strict=True):
        alike(a, replace(b, start=b.start + off, stop=b.stop + off))


def test_the_sentences_name_what_matters() -> None:
    said = " ".join(WHAT_A_ROAD_CANT_KNOW).lower()
    for word in ("wind", "slope", "weight", "losses", "tyres", "temperature", "smoothing"):
        assert word in said


def test_a_single_reading_makes_no_peak() -> None:
    spiked = DRIVE.values.copy()
    first, *_ = pulls(DRIVE)
    column = [s.name for s in DRIVE.signals].index("boost")
    spiked[first.start + 60, column] += 400.0
    (other, *_) = pulls(replace(DRIVE, values=spiked))
    assert first.boost_peak_kpa is not None and other.boost_peak_kpa is not None
    assert other.boost_peak_kpa < first.boost_peak_kpa + 400.0 / 10.0
