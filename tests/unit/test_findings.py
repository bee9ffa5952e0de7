"""Findings: each cause from its own picture, honesty about what can't be seen, and drives of the invented vehicle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from support.fleet_faults import FAULTY
from support.fleet_runs import faulty, same_hole, sound_pairs
from support.whole_drives import without
from uphaul.analysis.cause_table import CAUSES, Cause, Picture
from uphaul.analysis.evidence import SIGNS, Evidence, Pair, evidence
from uphaul.analysis.findings import NOTHING, TOO_LITTLE, UNEXPLAINED, Findings, findings, judge

PICTURES = [(c, p) for c in CAUSES for p in c.pictures]


def seen(known: bool = True, blind: tuple[str, ...] = (), **strengths: float) -> tuple[Evidence, ...]:
    """All signs: those named with that strength, the others nought, or not known."""
    out = []
    for sign in SIGNS:
        strength = strengths.get(sign.name, 0.0)
        if sign.name in blind or (not known and sign.name not in strengths):
            out.append(Evidence(sign, float("nan"), float("nan"), 0.0, missing=sign.roles[:1]))
        else:
            out.append(Evidence(sign, strength * sign.least, sign.least / 2.0, strength))
    return tuple(out)


def picture_of(picture: Picture, size: float = 1.6) -> dict[str, float]:
    """The signs as the picture expects them."""
    return {e.sign: size * (e.way or 1) for e in picture.expects if e.if_seen > 0.0}


def keys(found: Findings) -> list[str]:
    return [f.cause.key for f in found.ranked]


def test_every_sign_of_a_cause_is_one_that_is_seen() -> None:
    names = {s.name for s in SIGNS}
    for cause, picture in PICTURES:
        assert {e.sign for e in picture.expects} | picture.may <= names, cause.key


def test_every_case_of_the_bench_names_a_cause() -> None:
    assert {c.cause for c in FAULTY} == {c.key for c in CAUSES}


@pytest.mark.parametrize(("cause", "picture"), PICTURES, ids=lambda v: getattr(v, "key", getattr(v, "title", "")))
def test_a_cause_is_ranked_first_for_its_own_picture(cause: Cause, picture: Picture) -> None:
    found = judge(seen(**picture_of(picture)))
    assert found.verdict == cause.key


@pytest.mark.parametrize(("cause", "picture"), PICTURES, ids=lambda v: getattr(v, "key", getattr(v, "title", "")))
def test_what_speaks_for_a_cause_is_told_and_what_to_check_first(cause: Cause, picture: Picture) -> None:
    finding = next(f for f in judge(seen(**picture_of(picture))).ranked if f.cause is cause)
    assert {e.sign.name for e in finding.speaks_for} == set(picture_of(picture))
    assert finding.first
    assert finding.speaks_against == ()


def test_no_sign_is_nothing_wrong() -> None:
    found = judge(seen())
    assert found.verdict == NOTHING
    assert found.ranked == ()


def test_nothing_known_is_too_little_data() -> None:
    assert judge(seen(known=False)).verdict == TOO_LITTLE


def test_a_sign_that_no_cause_has_is_unexplained() -> None:
    assert judge(seen(oil_pressure=-4.0)).verdict == UNEXPLAINED


def test_signs_that_contradict_each_other_are_unexplained() -> None:
    # hot air from the turbo and a high drive pressure, with the turbo no faster and all air arriving
    assert judge(seen(compressor_out=2.0, drive_pressure=2.0)).verdict == UNEXPLAINED


def test_faint_signs_alone_name_no_cause() -> None:
    faint = {s.name: 0.6 * (-1.0) ** i for i, s in enumerate(SIGNS)}
    assert judge(seen(**faint)).verdict == NOTHING


def test_an_open_wire_shows_without_a_reference() -> None:
    found = judge(
        tuple(e if e.sign.name != "missing" else replace(e, value=5.0, strength=6.0) for e in seen(known=False))
    )
    assert found.verdict == "wiring"


def test_leak_and_restricted_exhaust_cannot_be_told_apart_without_turbo_speed_and_it_is_said() -> None:
    found = judge(seen(blind=("turbo_speed", "swallow", "swallow_shut"), turbine_balance=-1.8, drive_pressure=1.3))
    assert set(keys(found)[:2]) == {"charge-leak", "restricted-exhaust"}
    assert "turbo_speed" in found.ranked[0].apart
    assert "The two are close" in found.words


def test_brakes_and_wind_are_named_together_when_their_share_at_low_speed_is_not_known() -> None:
    found = judge(seen(blind=("drag_slow",), drag=2.0))
    assert set(keys(found)[:2]) == {"trailer-brakes", "headwind-weight"}
    assert "can't" in found.ranked[0].apart


def test_causes_that_no_fitted_signal_tells_apart_share_the_first_place() -> None:
    blind = ("actuator_reach", "actuator_opens", "swallow")
    found = judge(seen(blind=blind, boost=-2.0, swallow_shut=2.0))
    assert keys(found)[:2] == ["boost-control", "turbine-leak"]
    assert found.shared
    assert [f.place for f in found.ranked[:2]] == [1, 1]
    assert "can't tell these two apart" in found.words
    assert "fit boost_actuator" in found.words


def test_the_actuator_tells_an_open_wastegate_from_a_leak_before_the_turbine() -> None:
    short = {"boost": -2.0, "swallow_shut": 2.0}
    leak, open_ = judge(seen(**short, swallow=2.0)), judge(seen(**short, actuator_reach=-2.0))
    assert leak.verdict == "turbine-leak"
    assert open_.verdict == "boost-control"
    assert not leak.shared
    assert not open_.shared


def test_without_the_actuator_an_open_wastegate_and_a_leak_of_its_area_look_alike() -> None:
    # what the shared place claims, held against the vehicle's own laws: no other sign differs by more than is faint
    reference, *drives = (without(d, "boost_actuator") for d in same_hole())
    leak, open_ = (evidence(Pair(d, reference)) for d in drives)
    for a, b in zip(leak, open_, strict=True):
        assert a.known == b.known, a.sign.name
        if a.known:
            within = max(np.hypot(a.uncertainty, b.uncertainty), 0.6 * a.sign.least)
            assert abs(a.value - b.value) <= within, a.sign.name
    assert abs({e.sign.name: e.strength for e in leak}["boost"]) > 1.3
    assert findings(drives[0], reference).shared
    assert findings(drives[1], reference).shared


def test_a_leak_before_the_turbine_that_boost_control_makes_up_for_is_named_all_the_same() -> None:
    # the actuator closes further, boost stays: what gets past the turbine at a position tells
    found = judge(seen(swallow=2.0, swallow_shut=2.0))
    assert found.verdict == "turbine-leak"
    assert not found.shared


def test_boost_of_a_tune_that_the_reference_hardly_met_is_no_over_boost() -> None:
    # sound in both: the stronger tune holds more, and the reference had it for a moment only
    reference, drive = sound_pairs()[0]
    boost = next(i for i, s in enumerate(drive.signals) if s.name == "map")
    values = drive.values.copy()
    values[:, boost] += np.where(values[:, boost] > 200.0, 25.0, 0.0)
    stronger = replace(drive, values=values)
    assert {e.sign.name: e.value for e in evidence(Pair(stronger, reference))}["over_boost"] > 15.0
    named = replace(stronger, tunes=("tow", "tow-max"), tune=np.full(len(drive), 1, dtype=np.int16))
    tune = np.zeros(len(reference), dtype=np.int16)
    tune[-16:] = 1
    met = replace(reference, tunes=("tow", "tow-max"), tune=tune)
    assert not {e.sign.name: e for e in evidence(Pair(named, met))}["over_boost"].known


def test_boost_of_a_tune_that_both_drove_is_judged_by_it_alone() -> None:
    # sound in both: the first half was driven in the stronger tune, which the reference had for a moment only
    reference, drive = sound_pairs()[0]
    boost = next(i for i, s in enumerate(drive.signals) if s.name == "map")
    values, strong = drive.values.copy(), np.arange(len(drive)) < len(drive) // 2
    values[:, boost] += np.where(strong & (values[:, boost] > 200.0), 25.0, 0.0)
    tunes = ("tow", "tow-max")
    tune = np.zeros(len(reference), dtype=np.int16)
    tune[-16:] = 1
    untold = replace(drive, values=values)
    assert {e.sign.name: e.value for e in evidence(Pair(untold, reference))}["over_boost"] > 15.0
    driven = replace(untold, tunes=tunes, tune=strong.astype(np.int16))
    met = replace(reference, tunes=tunes, tune=tune)
    assert {e.sign.name: e.value for e in evidence(Pair(driven, met))}["over_boost"] < 4.0


def test_a_reference_in_thinner_air_leaves_over_boost_in_doubt() -> None:
    # a pressure that nothing holds goes with the barometer: of some 200 kPa a ninth is more than 20
    reference, drive = sound_pairs()[0]
    baro = next(i for i, s in enumerate(reference.signals) if s.name == "baro")

    def doubt(here: float, there: float) -> float:
        pair = []
        for each, share in ((drive, here), (reference, there)):
            values = each.values.copy()
            values[:, baro] = 100.0 * share
            pair.append(replace(each, values=values))
        return next(e.uncertainty for e in evidence(Pair(*pair)) if e.sign.name == "over_boost")

    assert doubt(1.0, 0.9) > 20.0
    assert doubt(0.9, 1.0) == doubt(1.0, 1.0) == 4.0


def test_a_supply_that_runs_short_in_bursts_is_not_taken_for_a_box_that_cuts_power() -> None:
    found = judge(seen(full_load_lean=8.0, mixture=8.0, cuts=2.7))
    assert found.verdict == "fuel-starvation"
    assert not found.shared


def test_boost_control_that_never_opens_is_named_where_it_had_nothing_to_hold() -> None:
    found = judge(seen(actuator_opens=3.0))
    assert found.verdict == "boost-control"
    assert "sticks shut" in found.ranked[0].title


def test_brakes_and_wind_share_the_first_place_where_all_was_driven_at_one_speed() -> None:
    found = judge(seen(blind=("drag_slow",), drag=2.0))
    assert found.shared


def test_sound_drives_have_nothing_wrong() -> None:
    verdicts = [findings(drive, reference).verdict for reference, drive in sound_pairs()]
    assert set(verdicts) <= {NOTHING, TOO_LITTLE}


@pytest.mark.parametrize(
    ("fault", "cause"),
    [(c.name, c.cause) for c in FAULTY if c.name in {
        "restricted intake", "boost control stuck open", "boost control stuck shut", "leak before the turbine",
        "charge leak", "exhaust recirculation stuck", "intercooler fouled", "overfuelling",
        "restricted exhaust", "clutch slips", "fuel starvation", "box cuts power", "manifold sensor drifts",
        "coolant sensor drifts", "loose wire, boost", "tune told is another"}],
)  # fmt: skip
def test_a_clear_fault_is_ranked_first(fault: str, cause: str) -> None:
    reference, drive = faulty(fault)
    found = findings(drive, reference)
    assert found.verdict == cause, [e.text for e in found.evidence if abs(e.strength) > 0.6]


def test_what_gets_past_the_turbine_tells_a_leak_from_a_blocked_exhaust_without_turbo_speed_or_actuator() -> None:
    reference, drive = (without(d, "boost_actuator", "turbo_speed") for d in faulty("charge leak"))
    assert findings(drive, reference).verdict == "charge-leak"
    reference, drive = (without(d, "boost_actuator", "turbo_speed") for d in faulty("restricted exhaust"))
    assert findings(drive, reference).verdict == "restricted-exhaust"


def test_boost_control_hides_a_leak_from_a_vehicle_that_measures_boost_alone() -> None:
    hidden = (
        "exhaust_pressure",
        "turbo_speed",
        "compressor_out",
        "drive_pressure",
        "drive_ratio",
        "cooler_effectiveness",
    )
    reference, drive = (without(d, *hidden) for d in faulty("charge leak"))
    found = findings(drive, reference)
    assert found.verdict != "charge-leak"
    said = {e.sign.name: e for e in found.evidence}
    for sign in ("turbo_speed", "drive_pressure", "turbine_balance"):
        assert not said[sign].known
        assert "can't tell" in said[sign].text


def test_without_a_reference_little_is_told() -> None:
    _, drive = sound_pairs()[0]
    assert findings(drive, None).verdict == TOO_LITTLE


@pytest.mark.parametrize("ticks", [1, 2, 3])
def test_a_drive_of_a_few_ticks_tells_too_little(ticks: int) -> None:
    reference, drive = sound_pairs()[0]
    few = replace(drive, t_ms=drive.t_ms[:ticks], values=drive.values[:ticks], tune=drive.tune[:ticks])
    for pair in ((few, None), (few, reference), (drive, few)):
        assert findings(*pair).verdict == TOO_LITTLE


@pytest.mark.parametrize("name", ["fuel", "baro"])
def test_what_the_reference_did_not_read_under_load_leaves_the_other_signs_as_they_are(name: str) -> None:
    reference, drive = sound_pairs()[0]
    values, names = reference.values.copy(), [s.name for s in reference.signals]
    values[np.nan_to_num(values[:, names.index("rpm")]) > 1200.0, names.index(name)] = np.nan
    blind = {e.sign.name: e for e in evidence(Pair(drive, replace(reference, values=values)))}
    told = {e.sign.name: e for e in evidence(Pair(drive, reference))}
    assert blind["over_boost"].known == (name != "fuel")
    assert blind["oil_pressure"].value == told["oil_pressure"].value


def test_evidence_points_at_moments_inside_the_drive() -> None:
    reference, drive = faulty("box cuts power")
    finding = findings(drive, reference).ranked[0]
    assert finding.moments_ms
    for first, last in finding.moments_ms:
        assert drive.t_ms[0] <= first <= last <= drive.t_ms[-1]


def test_signals_of_another_order_give_the_same_findings() -> None:
    reference, drive = faulty("overfuelling")
    order = np.arange(len(drive.signals))[::-1]
    turned = replace(drive, signals=tuple(drive.signals[i] for i in order), values=drive.values[:, order])
    assert keys(findings(turned, reference)) == keys(findings(drive, reference))
