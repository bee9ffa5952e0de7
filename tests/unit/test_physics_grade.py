"""Grade against roads whose slope is known, against numpy's own least squares, and cut in any way."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from uphaul.errors import UphaulError
from uphaul.physics.atmosphere import standard_kpa
from uphaul.physics.grade import PIECE, Grades, GradeWindow


class Road:
    """An invented drive: 20 Hz, `seconds` long, `speed` m/s, up `grade` from 300 m, in the standard atmosphere."""

    def __init__(self, seconds: float, speed: float, grade: float) -> None:
        self.t_ms = np.arange(int(seconds * 20), dtype=np.int64) * 50
        self.speed = np.full(len(self.t_ms), speed)
        self.height = 300.0 + speed * self.t_ms / 1000.0 * grade
        self.kpa = standard_kpa(self.height)
        self.unknown = np.full(len(self.t_ms), np.nan)


def _graded(road: Road, kpa: Any, height: Any, **settings_: Any) -> Grades:
    return GradeWindow(**settings_).run(road.t_ms, road.speed, kpa, height)


@pytest.mark.parametrize("grade", [-0.08, 0.0, 0.005, 0.065])
@pytest.mark.parametrize("speed", [6.0, 22.0, 33.0])
def test_a_steady_slope_is_found_by_each_altitude_and_by_both(grade: float, speed: float) -> None:
    road = Road(20.0, speed, grade)
    for kpa, height in ((road.kpa, road.unknown), (road.unknown, road.height), (road.kpa, road.height)):
        got = _graded(road, kpa, height).grade
        assert got[-1] == pytest.approx(grade, abs=2e-5)
        assert np.isnan(got[0])


def test_the_slope_is_that_of_numpys_least_squares() -> None:
    noise = np.random.default_rng(7).normal(0.0, 0.3, 400)
    road = Road(20.0, 21.0, 0.05)
    height = road.height + noise
    got = _graded(road, road.unknown, height).grade[-1]
    # the window of 10 s holds 201 ticks
    distance = 21.0 * road.t_ms[-201:] / 1000.0
    assert got == pytest.approx(np.polyfit(distance, height[-201:], 1)[0], abs=2e-6)


def test_uncertainty_is_the_scatter_of_many_drives() -> None:
    # the textbook's standard error of a slope, here by drawing 300 noisy drives (seed fixed)
    rng = np.random.default_rng(3)
    road = Road(12.0, 21.0, 0.05)
    ends = []
    for _ in range(300):
        noisy = road.height + rng.normal(0.0, 3.0, len(road.t_ms))
        got = _graded(road, road.unknown, noisy, gps_noise_m=3.0, gps_every_ms=50)
        ends.append(got.grade[-1])
    assert np.std(ends) == pytest.approx(got.uncertainty[-1], rel=0.15)


def test_held_satellite_readings_count_once() -> None:
    road = Road(12.0, 21.0, 0.05)
    often = _graded(road, road.unknown, road.height, gps_every_ms=50).uncertainty[-1]
    seldom = _graded(road, road.unknown, road.height, gps_every_ms=1000).uncertainty[-1]
    assert seldom / often == pytest.approx(np.sqrt(201.0 / 11.0), rel=1e-6)  # 11 fixes lie in 10 s


def test_the_barometer_leads_and_the_satellite_takes_over() -> None:
    road = Road(30.0, 21.0, 0.05)
    wandering = road.height + 10.0 * np.sin(road.t_ms / 3000.0)
    lost = np.where(road.t_ms < 20_000, road.kpa, np.nan)

    alone = _graded(road, road.unknown, wandering).grade
    both = _graded(road, lost, wandering).grade

    assert abs(both[399] - 0.05) < 0.1 * abs(alone[399] - 0.05)
    assert both[-1] == pytest.approx(alone[-1], abs=1e-12)  # the barometer has been lost for the last 10 s


def test_warm_air_stretches_barometric_metres() -> None:
    # hypsometric equation: layer thickness goes with temperature; 35 degC in place of 15 is 308.15 / 288.15 at sea
    # level
    height = np.arange(400) * 0.05 * 21.0 * 0.06
    road = Road(20.0, 21.0, 0.06)
    t = np.full(400, 35.0)
    kpa = standard_kpa(height)
    window, plain, lost = GradeWindow(), GradeWindow(), GradeWindow()

    warm = window.run(road.t_ms, road.speed, kpa, road.unknown, t).grade[-1]
    standard = plain.run(road.t_ms, road.speed, kpa, road.unknown).grade[-1]
    unknown = lost.run(road.t_ms, road.speed, kpa, road.unknown, road.unknown).grade[-1]

    assert warm / standard == pytest.approx(308.15 / 288.15, rel=1e-3)
    assert np.isnan(unknown)


def test_standing_or_crawling_tells_no_grade() -> None:
    for speed in (0.0, 1.0):
        road = Road(30.0, speed, 0.05)
        assert np.all(np.isnan(_graded(road, road.kpa, road.height).grade))


@pytest.mark.parametrize("trouble", ["speed lost", "gap"])
def test_a_break_starts_the_window_again(trouble: str) -> None:
    road = Road(40.0, 21.0, 0.05)
    other = Road(40.0, 21.0, -0.05)
    kpa = np.where(np.arange(800) < 400, road.kpa, other.kpa)
    if trouble == "speed lost":
        road.speed[400] = np.nan
    else:
        road.t_ms[400:] += 5000
    got = _graded(road, kpa, road.unknown).grade
    assert got[399] == pytest.approx(0.05, abs=1e-4)
    assert np.isnan(got[400])
    known = got[401:]
    # from the first known tick on it is the new slope, with nothing of the old one
    assert known[~np.isnan(known)] == pytest.approx(-0.05, abs=3e-4)
    assert np.sum(np.isnan(known)) < 40


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_drive_cut_into_any_blocks_gives_the_same_bits(data: st.DataObject) -> None:
    n = data.draw(st.integers(2, 60))
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    steps = rng.choice([50, 50, 50, 400, 3000], size=n)
    t = np.cumsum(steps).astype(np.int64)
    columns = []
    for low, high in ((0.0, 40.0), (80.0, 100.0), (-50.0, 900.0), (-20.0, 40.0)):
        x = rng.uniform(low, high, n)
        x[rng.random(n) < 0.1] = np.nan
        columns.append(x)
    cuts = sorted({0, n, *data.draw(st.lists(st.integers(1, n - 1), max_size=n))})
    made = {"window_ms": 4000, "least_m": 5.0}

    whole = GradeWindow(**made).run(t, *columns)  # type: ignore[arg-type]
    window = GradeWindow(**made)  # type: ignore[arg-type]
    parts = [window.run(t[i:j], *(c[i:j] for c in columns)) for i, j in pairwise(cuts)]

    assert np.concatenate([p.grade for p in parts]).tobytes() == whole.grade.tobytes()
    assert np.concatenate([p.uncertainty for p in parts]).tobytes() == whole.uncertainty.tobytes()


def test_a_drive_longer_than_what_is_worked_on_at_once_gives_the_same_bits() -> None:
    road = Road(PIECE / 20 * 2.5, 21.0, 0.01)
    kpa = road.kpa + np.random.default_rng(9).normal(0.0, 0.003, len(road.t_ms))
    whole = GradeWindow().run(road.t_ms, road.speed, kpa, road.height)
    window, n = GradeWindow(), PIECE - 100
    parts = [
        window.run(road.t_ms[i : i + n], road.speed[i : i + n], kpa[i : i + n], road.height[i : i + n])
        for i in range(0, len(road.t_ms), n)
    ]
    assert np.concatenate([p.grade for p in parts]).tobytes() == whole.grade.tobytes()
    assert np.concatenate([p.uncertainty for p in parts]).tobytes() == whole.uncertainty.tobytes()


def test_sums_stay_exact_after_a_day_at_speed() -> None:
    # wrapped sums of 24 h must give the slope of the last 10 s still
    road = Road(10.5, 33.0, 0.05)
    window = GradeWindow()
    hours = np.arange(0, 86_400_000, 900, dtype=np.int64)
    n = np.full(len(hours), np.nan)
    single = GradeWindow()
    for each in (window, single):
        each.run(hours, np.full(len(hours), 33.0), n, n)
    late = window.run(road.t_ms + 86_400_000, road.speed, road.kpa, road.height).grade
    soon = GradeWindow().run(road.t_ms, road.speed, road.kpa, road.height).grade
    assert late[-1] == pytest.approx(soon[-1], abs=1e-6)
    ticks = zip(*(x[:, np.newaxis] for x in (road.t_ms + 86_400_000, road.speed, road.kpa, road.height)), strict=True)
    assert np.concatenate([single.run(*tick).grade for tick in ticks]).tobytes() == late.tobytes()


@pytest.mark.parametrize("made", [{"window_ms": 0}, {"window_ms": 30_001}, {"least_m": 0.0}, {"gps_noise_m": np.nan}])
def test_a_window_that_cannot_work_is_refused(made: dict[str, Any]) -> None:
    with pytest.raises(UphaulError, match=next(iter(made))):
        GradeWindow(**made)
