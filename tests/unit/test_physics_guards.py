"""Guards: distances between readings, movement, shifts, heat of setting off, mass; each against a plain computation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from uphaul.physics.gearing import HeatWindow, launch_heat_kw
from uphaul.physics.guards import MovementWindow, RestShift, odd_one_out, spread
from uphaul.physics.mass import MassWindow, pull_n, resistance_m_s2
from uphaul.physics.road import road_load_n, wheel_kw

NAN = float("nan")


def _columns(*rows: list[float]) -> list[np.ndarray]:
    return list(np.array(rows, dtype=np.float64).T)


def test_spread_is_from_the_lowest_to_the_highest() -> None:
    assert spread(*_columns([18.0, 21.5, 17.0], [5.0, 5.0, 5.0])).tolist() == [4.5, 0.0]
    assert np.isnan(spread(*_columns([18.0, NAN, 17.0]))).all()


@pytest.mark.parametrize(
    ("readings", "apart"),
    [
        ([18.0, 18.5, 17.5, 24.0], 5.75),  # median 18.25
        ([18.0, 18.5, 11.0, 17.5, 18.2], 7.0),  # one below, median 18
        ([18.0, 18.5, 24.0, 23.0, 18.0], NAN),  # two: a warm engine, or no telling
        ([18.0, 18.4, 18.2], 0.2),
        ([18.0, 18.4, NAN], NAN),
        ([88.0, 87.0, 80.0, 40.0, 45.0, 18.0], NAN),  # after a drive
    ],
)
def test_the_odd_one_out(readings: list[float], apart: float) -> None:
    found = odd_one_out(*_columns(readings), agree=2.0)
    assert found.tolist() == pytest.approx([apart], abs=1e-12, nan_ok=True)


@settings(max_examples=60)
@given(
    steps=st.lists(st.sampled_from([20, 50, 50, 130, 400]), min_size=1, max_size=80),
    data=st.data(),
)
def test_movement_is_the_plain_highest_less_lowest(steps: list[int], data: st.DataObject) -> None:
    t = np.cumsum(np.array(steps, dtype=np.int64))
    x = np.array(data.draw(st.lists(st.integers(-4000, 4000), min_size=len(t), max_size=len(t)))) / 4.0
    expected = []
    for now in t:
        inside = (t >= now - 1000) & (t <= now)
        full = now - t[inside][0] >= 900
        expected.append(float(np.ptp(x[inside])) if full else NAN)
    assert MovementWindow(1000).run(t, x).tolist() == pytest.approx(expected, abs=1e-9, nan_ok=True)


def test_a_shift_counts_from_the_rest_at_which_they_agreed() -> None:
    n = 60
    own = np.r_[np.full(30, 100.0), np.full(30, 250.0)]
    told = np.r_[np.full(30, 98.0), np.full(30, 220.0)]
    rpm = np.r_[np.full(30, 800.0), np.full(30, 2500.0)]
    shift = RestShift(rest_rpm=1000.0, agree=5.0).run(own, told, rpm)
    assert np.isnan(shift[: RestShift.LEAST - 1]).all()
    assert shift[RestShift.LEAST : 30].tolist() == [0.0] * (30 - RestShift.LEAST)
    assert shift[30:].tolist() == [28.0] * (n - 30)  # 30 apart, 2 of them from the start
    assert np.isnan(RestShift(rest_rpm=1000.0, agree=1.5).run(own, told, rpm)).all()
    assert np.isnan(RestShift(rest_rpm=1000.0, agree=5.0).run(own, told, np.full(n, 2500.0))).all()  # no rest seen


RATIOS = (20.0, 10.0)


def _launch(power: float, rpm: float, speed: float, gear: float) -> float:
    x = [np.array([v]) for v in (power, rpm, speed, gear)]
    heat = launch_heat_kw(*x, overall_ratios=RATIOS, rolling_radius_m=0.4, most_m_s=6.0, least_slip=0.05)
    return float(heat[0])


def test_heat_of_setting_off_is_torque_times_the_difference_of_speeds() -> None:
    # 150 N·m at 1,200 rpm, the shaft at 2 m/s / 0.4 m * 20 = 100 rad/s behind the clutch. Source: definition of work
    engine = 1200 * np.pi / 30
    assert _launch(150 * engine / 1000, 1200, 2.0, 1) == pytest.approx(150 * (engine - 100) / 1000, rel=1e-12)
    assert _launch(20.0, 1200, 0.0, 1) == pytest.approx(20.0)  # held on the clutch: all of it
    assert _launch(20.0, 1200, 2.0, 0) == 0.0  # clutch pressed
    assert _launch(20.0, 1200, 7.0, 2) == 0.0  # driving
    assert _launch(20.0, 100 / np.pi * 30 * 1.03, 2.0, 1) == 0.0  # tyres, not slip
    assert _launch(-5.0, 1200, 0.5, 1) == 0.0
    assert np.isnan(_launch(20.0, NAN, 0.0, 1))


def test_heat_is_summed_over_its_window_without_gaps_and_unknown_ticks() -> None:
    t = np.array([0, 100, 200, 5000, 5100, 5200, 7150], dtype=np.int64)
    kw = np.array([10.0, 10.0, 20.0, 50.0, NAN, 30.0, 0.0])
    heat = HeatWindow(2000, 1000).run(t, kw)
    assert heat[:3].tolist() == pytest.approx([0.0, 1.0, 3.0])
    assert heat[3] == 0.0  # the gap counts nothing, and the old has left
    assert np.isnan(heat[4])
    assert heat[5:].tolist() == pytest.approx([3.0, 3.0])


def test_the_mass_is_that_of_the_road_load_it_came_from() -> None:
    # the other way round: road load of 5,400 kg by 40 CFR 1066.210(d)(3), which has its own outside checks
    rng = np.random.default_rng(3)
    n = 400
    speed, acceleration = rng.uniform(10, 25, n), rng.uniform(0.0, 0.5, n)
    grade, density = rng.uniform(0.02, 0.07, n), np.full(n, 1.1)
    force = road_load_n(
        speed, acceleration, grade, np.full(n, 5400.0), density,
        rolling_coefficient=0.01, drag_area_m2=3.6, rotating=1.04,
    )  # fmt: skip
    ask = resistance_m_s2(acceleration, grade, rolling_coefficient=0.01, rotating=1.04)
    pull = pull_n(wheel_kw(force, speed) / 0.9, speed, density, efficiency=0.9, drag_area_m2=3.6)
    mass = MassWindow(60_000, 20).run(np.arange(n, dtype=np.int64) * 50, pull, ask, np.ones(n))
    assert np.isnan(mass[:19]).all()
    assert mass[19:] == pytest.approx(5400.0, rel=0.003)  # forces are whole newtons, and 1.04 is of what accelerates
    idle = MassWindow(60_000, 20).run(np.arange(n, dtype=np.int64) * 50, pull, ask, np.zeros(n))
    assert np.isnan(idle).all()
