"""Frequency to engine speed against values from outside the project, the source in the row."""

from __future__ import annotations

import numpy as np
import pytest

from uphaul.signals.frequency import PulseSpeed, gate_step_rpm, period_error_rpm, period_error_rpm_first_order
from uphaul.signals.model import Quality
from uphaul.signals.transfer import TransferError


@pytest.mark.parametrize(
    ("hertz", "pole_pairs", "ratio", "rpm"),
    # by hand from f = rpm p / 60; pole counts of claw rotors from memory
    [(300.0, 6, 2.5, 1200.0), (250.0, 6, 2.2, 1136.36), (400.0, 8, 2.8, 1071.43)],
)
def test_alternator(hertz: float, pole_pairs: int, ratio: float, rpm: float) -> None:
    assert PulseSpeed.alternator(pole_pairs, ratio).read(hertz).one() == (pytest.approx(rpm, abs=0.005), Quality.GOOD)


def test_crank_wheel() -> None:
    # f = rpm teeth / 60 by hand: 60 teeth give as many Hz as rpm; of 60 less 2, 58 pass in a whole turn
    assert PulseSpeed.crank(60).read(3600.0).one()[0] == pytest.approx(3600.0)
    assert PulseSpeed.crank(58).read(58 * 3600.0 / 60.0).one()[0] == pytest.approx(3600.0)
    assert PulseSpeed.crank(1, ratio=0.5).read(10.0).one()[0] == pytest.approx(1200.0)


@pytest.mark.parametrize(
    ("teeth", "rpm", "tick_s", "periods", "bound_rpm"),
    [  # by hand from rpm^2 teeth tick / (60 periods)
        (60, 3600.0, 1e-6, 1, 12.96),
        (60, 3600.0, 5e-6, 1, 64.8),
        (1, 3600.0, 1e-6, 1, 0.216),
        (60, 750.0, 1e-6, 1, 0.5625),
        (60, 3600.0, 1e-4, 1, 1296.0),
        (60, 3600.0, 1e-6, 60, 0.216),
    ],
)
def test_first_order_error_of_a_period(teeth: int, rpm: float, tick_s: float, periods: int, bound_rpm: float) -> None:
    assert period_error_rpm_first_order(rpm, teeth, tick_s, periods) == pytest.approx(bound_rpm)


@pytest.mark.parametrize(
    ("teeth", "rpm", "tick_s", "seen"),
    [  # 100,000 random phases elsewhere
        (60, 3600.0, 1e-6, (-2.9, 10.1)),
        (60, 3600.0, 5e-6, (-28.6, 36.4)),
        (1, 3600.0, 1e-6, (-0.07, 0.14)),
        (60, 750.0, 1e-6, (-0.37, 0.19)),
        (60, 3600.0, 1e-4, (-1300.0, 1400.0)),
    ],
)
def test_no_error_of_a_period_is_beyond_the_bound(
    teeth: int, rpm: float, tick_s: float, seen: tuple[float, float]
) -> None:
    bound = float(period_error_rpm(rpm, teeth, tick_s))
    period_s = 60.0 / (rpm * teeth)
    start = np.random.default_rng(14).uniform(0.0, tick_s, 100_000)
    ticks = np.floor((start + period_s) / tick_s) - np.floor(start / tick_s)
    error = 60.0 / (ticks * tick_s * teeth) - rpm
    assert np.abs(error).max() <= bound * (1.0 + 1e-9)
    assert max(map(abs, seen)) <= bound


def test_first_order_is_not_a_bound_for_coarse_ticks() -> None:
    # 1,400 rpm have been seen where the first order allows 1,296
    assert period_error_rpm_first_order(3600.0, 60, 1e-4) < 1400.0 < period_error_rpm(3600.0, 60, 1e-4)


def test_a_period_shorter_than_a_tick_tells_nothing() -> None:
    assert np.isinf(period_error_rpm(6000.0, 60, 1e-3))
    assert period_error_rpm(0.0, 60, 1e-6) == 0.0


@pytest.mark.parametrize(("teeth", "gate_s", "step_rpm"), [(60, 0.1, 10.0), (60, 1.0, 1.0), (1, 0.1, 600.0)])
def test_step_of_counting(teeth: int, gate_s: float, step_rpm: float) -> None:
    # one count more or less, by hand
    assert gate_step_rpm(teeth, gate_s) == pytest.approx(step_rpm)


@pytest.mark.parametrize(
    ("hertz", "value", "quality"),
    [
        (0.0, 0.0, Quality.GOOD),
        (8000.0, 8000.0, Quality.GOOD),
        (8000.1, np.nan, Quality.ABOVE_RANGE),
        (-1.0, np.nan, Quality.UNDECODABLE),
        (np.nan, np.nan, Quality.UNDECODABLE),
        (np.inf, np.nan, Quality.UNDECODABLE),
    ],
)
def test_quality(hertz: float, value: float, quality: Quality) -> None:
    assert PulseSpeed.crank(60).read(hertz).one() == (pytest.approx(value, nan_ok=True), quality)


def test_impossible_wheels_are_refused() -> None:
    with pytest.raises(TransferError, match="pole_pairs"):
        PulseSpeed.alternator(0, 2.5)
    with pytest.raises(TransferError, match="teeth"):
        PulseSpeed.crank(0)
