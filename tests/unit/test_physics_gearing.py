"""Gear and clutch slip from speeds, by the definition of a ratio; the vehicle is invented."""

from __future__ import annotations

import numpy as np
import pytest

from uphaul.errors import UphaulError
from uphaul.physics.gearing import clutch_heat_kw, clutch_slip, gear, overall_ratio

RATIOS = (15.2, 9.0, 5.7, 3.9, 3.0, 2.4)  # invented: six gears times final drive
RADIUS = 0.36


def _a(*x: float) -> np.ndarray:
    return np.array(x)


def test_overall_ratio_is_turns_of_the_engine_for_one_of_the_wheels() -> None:
    # by hand: a wheel of 2 m round (radius 1 / pi) at 20 m/s turns 600 times a minute; 2,400 rpm are four for each
    assert overall_ratio(_a(2400.0), _a(20.0), rolling_radius_m=1.0 / np.pi)[0] == pytest.approx(4.0)


@pytest.mark.parametrize("number", [1, 2, 3, 4, 5, 6])
@pytest.mark.parametrize("worn", [0.97, 1.0, 1.03])
def test_gear_with_worn_or_new_tyres(number: int, worn: float) -> None:
    rpm = 2200.0
    speed = rpm * np.pi / 30.0 * RADIUS / RATIOS[number - 1] * worn
    assert gear(_a(rpm), _a(speed), overall_ratios=RATIOS, rolling_radius_m=RADIUS)[0] == number


def test_between_gears_is_no_gear_and_too_slow_is_unknown() -> None:
    speed = 2200.0 * np.pi / 30.0 * RADIUS / 4.7  # between third and fourth
    got = gear(
        _a(2200.0, 2200.0, 0.0, np.nan, 2200.0),
        _a(speed, 0.5, speed, speed, np.nan),
        overall_ratios=RATIOS,
        rolling_radius_m=RADIUS,
    )
    assert got[0] == 0.0
    assert np.all(np.isnan(got[1:]))


@pytest.mark.parametrize("slip", [0.0, 0.03, 0.10])
def test_slip_is_seen_in_a_gear_that_is_told_in_spite_of_it(slip: float) -> None:
    locked = 20.0 * 3.9 / (np.pi / 30.0 * RADIUS)
    rpm, speed = _a(locked / (1.0 - slip)), _a(20.0)

    number = gear(rpm, speed, overall_ratios=RATIOS, rolling_radius_m=RADIUS, over=0.12)

    assert number[0] == 4.0
    got = clutch_slip(rpm, speed, number, overall_ratios=RATIOS, rolling_radius_m=RADIUS)
    assert got[0] == pytest.approx(slip, abs=1e-12)


def test_slip_out_of_gear_is_unknown_and_wheels_that_push_the_engine_give_a_negative_one() -> None:
    rpm = 20.0 * 3.9 / (np.pi / 30.0 * RADIUS)
    got = clutch_slip(
        _a(rpm, rpm * 0.99, rpm), _a(20.0, 20.0, 20.0), _a(0.0, 4.0, np.nan), overall_ratios=RATIOS,
        rolling_radius_m=RADIUS,
    )  # fmt: skip
    assert np.isnan(got[0])
    assert got[1] < 0.0
    assert np.isnan(got[2])


def test_heat_of_a_slipping_clutch() -> None:
    # by hand: 300 N-m at 3,000 rpm is 94.248 kW, a tenth of it slips away; it heats on overrun too
    got = clutch_heat_kw(_a(300.0, 300.0, -300.0), _a(3000.0, 3000.0, 3000.0), _a(0.1, 0.0, -0.1))
    assert got == pytest.approx([9.4248, 0.0, 9.4248], abs=1e-4)


@pytest.mark.parametrize(
    ("ratios", "over"), [((), 0.04), ((3.0, 4.0), 0.04), ((4.0, 4.0), 0.04), ((4.0, -1.0), 0.04), ((4.0, 3.8), 0.04),
                         ((15.2, 9.0, 5.7, 3.9, 3.0), 0.40)]
)  # fmt: skip
def test_ratios_that_cannot_be_told_apart_are_refused(ratios: tuple[float, ...], over: float) -> None:
    with pytest.raises(UphaulError, match=r"over"):
        gear(_a(2000.0), _a(20.0), overall_ratios=ratios, rolling_radius_m=RADIUS, over=over)
