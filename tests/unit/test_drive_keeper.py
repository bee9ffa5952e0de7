"""When drives begin and end."""

from __future__ import annotations

from math import nan

from uphaul.pipeline import DriveKeeper, DriveStep

PARKED, BEGIN, DRIVING, END = DriveStep.PARKED, DriveStep.BEGIN, DriveStep.DRIVING, DriveStep.END


def steps(keeper: DriveKeeper, rpm: list[float]) -> list[DriveStep]:
    return [keeper.step(i * 1000, value) for i, value in enumerate(rpm)]


def test_a_drive_begins_above_the_level_and_ends_after_the_hold_time() -> None:
    found = steps(DriveKeeper(300, 3000), [nan, 0, 300, 301, 800, 0, 0, 0, 0, 700])
    assert found == [PARKED, PARKED, PARKED, BEGIN, DRIVING, DRIVING, DRIVING, END, PARKED, BEGIN]


def test_a_stall_or_a_lost_wire_shorter_than_the_hold_time_does_not_cut_a_drive() -> None:
    assert steps(DriveKeeper(300, 3000), [800, 0, nan, 800, nan, nan]) == [BEGIN] + [DRIVING] * 5


def test_without_a_signal_there_is_one_drive() -> None:
    assert steps(DriveKeeper(300, 3000, always=True), [nan, nan, nan, nan, nan]) == [BEGIN] + [DRIVING] * 4


def test_a_drive_that_was_under_way_goes_on() -> None:
    keeper = DriveKeeper(300, 3000)
    keeper.resume(-1000)
    assert steps(keeper, [nan, nan, 800]) == [DRIVING, DRIVING, DRIVING]
    keeper.resume(-1000)
    assert steps(keeper, [nan, nan, nan]) == [DRIVING, DRIVING, END]
