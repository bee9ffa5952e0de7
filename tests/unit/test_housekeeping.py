"""What the owner reads of log, card, wall clock and power cuts."""

from __future__ import annotations

import datetime
import os
from dataclasses import replace
from pathlib import Path

import pytest

from uphaul.config.spec import LogSpec
from uphaul.housekeeping import WallClock, log_notices, log_view, power_cut
from uphaul.log import LogHealth, OpenDrive
from uphaul.log.survey import Survey
from uphaul.sources.base import WallTime
from uphaul.status import LogView

LIMITS = LogSpec(free_mb=500, max_mb=4000)
ROOMY = Survey(
    1010.0, 1000.0, 200.0, left_mb=2900.0, by_card=False, next_to_go=3, next_begun="2026-05-01T14:03:10+00:00"
)
WELL = LogHealth("ok", "", (), 0, 0, 30_000.0, 0.0, 7, 0, ROOMY)
MINUTE_MS, HOUR_MS = 60_000.0, 3_600_000.0
NOW_MS = 5 * HOUR_MS
AT = datetime.datetime(2026, 5, 1, 14, 0, tzinfo=datetime.UTC)
WALL_MS = AT.timestamp() * 1000


# --------------------------------------------------------------------------------------------------------- log


def test_the_log_is_told_with_its_size_hours_and_what_the_card_has_free() -> None:
    assert log_view(WELL, driving=True) == LogView("recording", "", 0, free_mb=30_000.0, size_mb=1010.0, hours=200.0)
    assert log_view(WELL, driving=False).state == "between drives"


def test_what_is_not_known_is_told_as_unknown() -> None:
    assert log_view(None, driving=True) == LogView("not recording")
    young = log_view(replace(WELL, free_mb=None, survey=None), driving=True)
    assert (young.state, young.free_mb, young.size_mb, young.hours) == ("recording", None, None, None)


def test_a_log_that_fails_is_not_recording_and_keeps_its_figures() -> None:
    shown = log_view(replace(WELL, state="degraded", problem="read-only", lost_ticks=9), driving=True)
    assert (shown.state, shown.problem, shown.lost_ticks, shown.hours) == ("not recording", "read-only", 9, 200.0)


def test_while_there_is_room_nothing_is_said_of_it() -> None:
    assert log_notices(WELL, LIMITS) == ()
    assert log_notices(None, LIMITS) == ()
    assert log_notices(replace(WELL, notices=("set aside",)), LIMITS) == ("set aside",)


NEARLY = "The card is nearly full: 520 MB are free, 500 MB must stay free. "
LARGE = "The log takes 3965 of the 4000 MB that it may. "
GOES = "drive 3 of 2026-05-01 14:03 UTC is deleted to make room: copy the log to keep it"


# 1000 MB in 200 h are 5 MB an hour, and 3965 MB in 793 h as well.
@pytest.mark.parametrize(
    ("change", "free_mb", "said"),
    [
        ({"left_mb": 20.0, "by_card": True}, 520.0, f"{NEARLY}In about 4 h of driving {GOES}"),
        ({"left_mb": 49.0, "by_card": True}, 520.0, f"{NEARLY}In about 10 h of driving {GOES}"),
        ({"left_mb": 3.0, "by_card": True}, 520.0, f"{NEARLY}Within an hour of driving {GOES}"),
        ({"left_mb": -3.0, "by_card": True}, 520.0, f"{NEARLY}Within an hour of driving {GOES}"),
        (
            {"left_mb": 20.0, "by_card": True, "next_to_go": None},
            520.0,
            f"{NEARLY}In about 4 h of driving recording stops, for no drive may go",
        ),
        (
            {"left_mb": 19.0, "used_mb": 3965.0, "hours": 793.0},
            30_000.0,
            f"{LARGE}In about 4 h of driving {GOES}",
        ),
    ],
)
def test_room_that_will_not_last_a_long_day_is_told_with_what_happens_then(
    change: dict[str, float | bool | None], free_mb: float, said: str
) -> None:
    health = replace(WELL, free_mb=free_mb, survey=replace(ROOMY, **change))  # type: ignore[arg-type]
    assert log_notices(health, LIMITS) == (said,)


def test_room_for_just_more_than_a_long_day_is_not_told() -> None:
    assert log_notices(replace(WELL, survey=replace(ROOMY, left_mb=50.0)), LIMITS) == ()


def test_a_log_too_young_for_a_rate_of_its_own_counts_with_the_usual_one() -> None:
    young = replace(ROOMY, used_mb=0.1, hours=0.01, left_mb=16.0, by_card=True)  # 16 MB are some three hours
    (said,) = log_notices(replace(WELL, free_mb=516.0, survey=young), LIMITS)
    assert "In about 3 h of driving" in said


def test_of_a_log_that_records_nothing_its_problem_says_enough() -> None:
    full = replace(WELL, state="degraded", problem="no room", survey=replace(ROOMY, left_mb=-1.0))
    assert log_notices(full, LIMITS) == ()


# --------------------------------------------------------------------------------------------------- power cut

OPEN = OpenDrive(12, 14, "monday", 0, 6_240_000, "2026-11-24T14:03:00.000+00:00")
OLD = replace(OPEN, drive=4, last_t_ms=90_000, begun="2026-10-01T23:30:00.000-02:00")
ENDLESS = "without an end: the power was lost, or the machine stopped"


def test_the_drive_that_another_boot_left_open_is_the_last_power_cut() -> None:
    said = f"drive 12 of 2026-11-24 14:03 UTC was cut off after 1 h 44 min, {ENDLESS}"
    assert power_cut(OPEN, OLD, "tuesday") == said


def test_a_drive_that_this_boot_left_open_is_none() -> None:
    assert power_cut(OPEN, None, "monday") == "none in this log"
    said = f"drive 4 of 2026-10-02 01:30 UTC was cut off after 2 min, {ENDLESS}"
    assert power_cut(OPEN, OLD, "monday") == said


def test_a_power_cut_without_dates_and_ticks_is_told_by_the_number_alone() -> None:
    assert power_cut(replace(OPEN, begun=None, last_t_ms=None), None, "tuesday") == f"drive 12 was cut off, {ENDLESS}"


# ------------------------------------------------------------------------------------------------------- clock


def test_before_the_first_look_nothing_is_said(tmp_path: Path) -> None:
    assert WallClock(tmp_path / "mark").words(NOW_MS, ()) == ""


def looked(mark: Path) -> WallClock:
    clock = WallClock(mark)
    assert clock.look(NOW_MS, WALL_MS) is False
    return clock


def test_without_a_time_service_nobody_tells(tmp_path: Path) -> None:
    clock = looked(tmp_path / "timesync" / "synchronized")
    assert clock.words(NOW_MS, ()) == "by the system; nobody tells whether it is right"


def test_a_time_service_that_has_not_set_the_clock_yet(tmp_path: Path) -> None:
    clock = looked(tmp_path / "synchronized")
    assert clock.words(NOW_MS, ()) == "not set since the machine started: dates and times may be off"


@pytest.mark.parametrize(
    ("ago_s", "said"),
    [(180, "set from the network 3 min ago"), (-60, "set from the network, then put back")],
)
def test_a_time_service_that_has(ago_s: float, said: str, tmp_path: Path) -> None:
    mark = tmp_path / "synchronized"
    mark.touch()
    os.utime(mark, (0, WALL_MS / 1000 - ago_s))
    assert looked(mark).words(NOW_MS, ()) == said


@pytest.mark.parametrize(
    ("error_s", "said"),
    [
        (0.4, "right to a second by satellites, 3 min ago"),
        (-0.4, "right to a second by satellites, 3 min ago"),
        (42.0, "42 s slow by satellites, 3 min ago; the log has their time as well"),
        (-5 * 86_400.0, "5 days fast by satellites, 3 min ago; the log has their time as well"),
    ],
)
def test_satellites_know_best(error_s: float, said: str, tmp_path: Path) -> None:
    mark = tmp_path / "synchronized"
    mark.touch()
    told = WallTime(
        NOW_MS - 3 * MINUTE_MS, AT - datetime.timedelta(minutes=3) + datetime.timedelta(seconds=error_s), "gps"
    )
    before = told._replace(t_ms=told.t_ms - HOUR_MS)
    assert looked(mark).words(NOW_MS, [before, told]) == said


def test_a_step_is_noticed_and_told_and_steering_is_neither(tmp_path: Path) -> None:
    clock = looked(tmp_path / "none" / "mark")
    assert clock.look(NOW_MS + 50, WALL_MS + 50 + 900) is False
    assert clock.look(NOW_MS + 100, WALL_MS + 100 + 900 + 3_720_000) is True
    assert clock.look(NOW_MS + 150, WALL_MS + 150 + 900 + 3_720_000) is False
    said = clock.words(NOW_MS + 100 + 5 * MINUTE_MS, ())
    assert said.endswith("is right; it was put forward by 1 h 02 min, 5 min ago")
    assert clock.look(NOW_MS + 200, WALL_MS + 200) is True
    assert "it was put back by 1 h 02 min, 0 s ago" in clock.words(NOW_MS + 200, ())
