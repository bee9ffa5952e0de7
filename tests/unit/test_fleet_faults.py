"""The fleet's own measure of what a fault did, and the two looks that rest on speed and warmth."""

from __future__ import annotations

import numpy as np
import pytest

from support.fleet_drive import FAULTS, Truth
from support.fleet_faults import FAULTY, OUTSIDE, Case, Shows, did_something
from support.fleet_runs import faulty, sound_pairs
from uphaul.analysis.cooling import lets_out_cold
from uphaul.analysis.drag import drag
from uphaul.analysis.pieces import Pieces

TICKS = 2000


def truth(coolant: float, seconds: float, speed: float = 20.0) -> Truth:
    """A drive at one speed, with the coolant at 90 degC but for some seconds."""
    values = np.full(TICKS, 90.0)
    values[100 : 100 + round(2 * seconds)] = coolant
    v = np.full(TICKS, speed)
    return {"far_m": np.cumsum(v) * 0.5, "speed": v, "coolant": values}


CASE = Case("hot", "cooling-short", {}, {}, shows=Shows("coolant", 5.0, 60.0, "a test"))


@pytest.mark.parametrize(
    ("coolant", "seconds", "clear"),
    [(96.0, 70.0, True), (94.0, 300.0, False), (96.0, 40.0, False), (84.0, 300.0, False)],
)
def test_a_fault_is_clear_by_size_and_time_and_direction(coolant: float, seconds: float, clear: bool) -> None:
    assert did_something(CASE, truth(coolant, seconds), truth(90.0, 0.0)) is clear


def test_a_drive_is_set_beside_its_twin_at_the_same_place_not_the_same_time() -> None:
    # hot over the same stretch, reached in twice the time: nothing that the fault did
    was, twin = truth(110.0, 0.0, speed=10.0), truth(110.0, 0.0, speed=20.0)
    for one in (was, twin):
        one["coolant"] = np.where((one["far_m"] > 2000.0) & (one["far_m"] < 6000.0), 110.0, 90.0)
    assert not did_something(CASE, was, twin)


def test_every_fault_of_a_part_states_what_it_must_do() -> None:
    for case in (*FAULTY, *OUTSIDE):
        if set(case.clear) & set(FAULTS) or set(case.clear) & {"weight", "headwind"}:
            assert case.shows is not None, case.name


def test_brakes_hold_on_at_low_speed_and_wind_fades() -> None:
    # constant force against w / (2 v + w) for a wind w of 9 m/s and a speed v of 20: 0.18 of it in still air
    for fault, share in (("trailer brakes drag", 1.0), ("headwind", 0.18)):
        reference, drive = faulty(fault)
        found = drag(Pieces(drive), Pieces(reference))
        assert found is not None
        assert abs(found.share - share) < found.share_u < 1.0
        assert (found.share > 0.5) == (share > 0.5)


def test_a_thermostat_that_stays_open_is_cold_and_sound_ones_are_not() -> None:
    reference, drive = faulty("thermostat stuck open")
    assert lets_out_cold(Pieces(drive), Pieces(reference))[0] > 0.5
    for reference, drive in sound_pairs():
        assert lets_out_cold(Pieces(drive), Pieces(reference))[0] < 0.2
