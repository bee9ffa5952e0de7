"""Around a driver's mark: what was unusual against the drive and a reference, nothing where all is well."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from support.demo_drives import drive as demo_drive
from support.whole_drives import CRUISING, Leg, by_hand, in_units, of_demo
from uphaul.analysis.moments import Marked, moments
from uphaul.analysis.whole import WholeDrive
from uphaul.signals import Event, EventKind

CLIMB = Leg(150.0, rpm=2600.0, speed=21.0, pedal=0.85, boost=150.0, egt=680.0, grade=0.065, gear=4.0)


def marked(drive: WholeDrive, *at_s: float) -> WholeDrive:
    marks = tuple(Event(round(s * 1000), 0, EventKind.MARK, actor="phone", text=f"mark {s:g}") for s in at_s)
    return replace(drive, events=(Event(0, 0, EventKind.TUNE, text="tow"), *marks))


def made(legs: list[Leg], seed: int = 1) -> WholeDrive:
    """The legs with the noise that sensors have."""
    drive = by_hand(legs, hz=4)
    noise = {"rpm": 8.0, "boost": 1.0, "egt": 2.0, "coolant": 0.2}
    rng = np.random.default_rng(seed)
    for i, s in enumerate(drive.signals):
        drive.values[:, i] += rng.normal(0.0, noise.get(s.name, 0.0), len(drive))
    return drive


def unusual(found: Marked) -> list[tuple[str, str]]:
    return [(u.role, u.against) for u in found.unusual]


HOT = [CLIMB, CRUISING, CLIMB, replace(CLIMB, seconds=20.0, egt=760.0), CLIMB, CRUISING, CLIMB]
HOT_AT_S = 360.0


def test_an_exhaust_that_is_hotter_than_at_the_same_load_is_told_with_when_and_how_much() -> None:
    (found,) = moments(marked(made(HOT), HOT_AT_S + 25.0))
    assert (found.text, found.actor, found.t_ms) == ("mark 385", "phone", 385_000)
    assert found.window_ms == (265_000, 505_000)
    assert unusual(found) == [("egt", "drive")]
    egt = found.unusual[0]
    assert (egt.value, egt.expected) == (pytest.approx(760.0, abs=2.0), pytest.approx(680.0, abs=2.0))
    assert egt.t_ms == (360_000, 379_750)
    assert egt.times == pytest.approx(80.0 / 12.0, rel=0.1)  # its least spread is 12 K
    assert egt.load == ("rpm", "boost")
    assert {"egt", "boost", "coolant"} <= set(found.judged)


def test_a_reference_is_a_second_witness() -> None:
    drive = marked(made([CRUISING, CLIMB, replace(CLIMB, egt=760.0), CRUISING]), 300.0)
    (alone,) = moments(drive)  # the window holds all that was hot, and the rest climbed for 120 s at 680
    (both,) = moments(drive, made([CRUISING, CLIMB, CRUISING], seed=2))
    assert unusual(alone) == [("egt", "drive")]
    assert sorted(unusual(both)) == [("egt", "drive"), ("egt", "reference")]


def test_where_all_is_as_usual_nothing_is_told() -> None:
    drive = marked(made([CLIMB, CRUISING, CLIMB, CRUISING, CLIMB]), 100.0, 350.0)
    assert [unusual(m) for m in moments(drive, made([CLIMB, CRUISING], seed=2))] == [[], []]
    assert moments(made([CLIMB])) == []


def test_what_was_never_met_elsewhere_is_not_judged() -> None:
    (found,) = moments(marked(made([replace(CRUISING, seconds=400.0), CLIMB, CRUISING]), 475.0))
    assert "egt" not in found.judged
    assert found.unusual == ()


def test_what_stands_still_is_not_held_against_what_was_only_passed_through() -> None:
    ramp = Leg(8.0, rpm=(2400.0, 2800.0), speed=21.0, pedal=0.9, boost=(130.0, 170.0), egt=450.0)  # not yet hot
    ramps = [ramp, replace(ramp, rpm=(2800.0, 2400.0), boost=(170.0, 130.0))] * 25
    (found,) = moments(marked(made([*ramps, *[replace(CRUISING, seconds=130.0), CLIMB]]), 605.0))
    assert [u for u in found.unusual if u.role == "egt"] == []


def test_units_make_no_difference() -> None:
    drive = marked(made(HOT), HOT_AT_S)
    (one,), (two,) = moments(drive), moments(in_units(drive, {"egt": "degF", "boost": "psi", "pedal": "%"}))
    assert unusual(one) == unusual(two) and one.judged == two.judged
    assert one.unusual[0].value == pytest.approx(two.unusual[0].value)


def test_a_leak_of_the_invented_vehicle_shows_against_the_same_drive_when_sound() -> None:
    sound = of_demo(demo_drive("boost-leak", 77, healthy=True))
    (found,) = moments(marked(of_demo(demo_drive("boost-leak")), 450.0), sound)
    (healthy,) = moments(marked(of_demo(demo_drive("boost-leak", healthy=True)), 450.0), sound)
    assert ("boost", "reference") in unusual(found)
    assert unusual(healthy) == []
