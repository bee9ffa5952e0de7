"""Local polynomials: against SciPy's filter, on what they must give back, and what noise and window do to them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import savgol_filter

from uphaul.analysis.smoothing import local_fit

T_MS = 50 * np.arange(400, dtype=np.int64)
RNG = np.random.default_rng(5)


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_on_even_ticks_it_is_the_filter_of_savitzky_and_golay_as_scipy_has_it(degree: int) -> None:
    x = 10.0 * np.sin(T_MS / 1500.0) + RNG.normal(0.0, 0.3, len(T_MS))
    fit = local_fit(T_MS, x, 1000, degree=degree)
    assert fit.readings == 21
    np.testing.assert_allclose(fit.value, savgol_filter(x, 21, degree), atol=1e-9)
    np.testing.assert_allclose(fit.slope, savgol_filter(x, 21, degree, deriv=1, delta=0.05), atol=1e-9)


@given(
    st.lists(st.integers(1, 200), min_size=60, max_size=90),
    st.tuples(st.floats(-50.0, 50.0), st.floats(-5.0, 5.0), st.floats(-2.0, 2.0).filter(lambda c: abs(c) > 0.01)),
)
def test_a_parabola_comes_back_at_any_spacing(steps: list[int], of: tuple[float, float, float]) -> None:
    t_ms = np.cumsum(np.array(steps, dtype=np.int64))
    t = (t_ms - t_ms[0]) / 1000.0
    fit = local_fit(t_ms, of[0] + of[1] * t + of[2] * t * t, 1000)
    known = ~np.isnan(fit.slope)
    np.testing.assert_allclose(fit.slope[known], (of[1] + 2.0 * of[2] * t)[known], atol=1e-4)


def test_the_noise_of_the_slope_is_what_the_gain_says() -> None:
    found = np.array([local_fit(T_MS[:60], RNG.normal(0.0, 2.0, 60), 1000).slope for _ in range(400)])
    fit = local_fit(T_MS[:60], RNG.normal(0.0, 2.0, 60), 1000)
    np.testing.assert_allclose(found.std(axis=0)[15:45], 2.0 * fit.gain[15:45], rtol=0.15)
    # straight line through 21 readings: sigma / sqrt(sum of squared distances), by the theory of least squares
    assert fit.gain[30] == pytest.approx(1.0 / np.sqrt(np.sum((0.05 * np.arange(-10, 11)) ** 2)))


def test_the_noise_of_the_readings_is_told() -> None:
    x = 3.0 * (T_MS / 1000.0) ** 2 + RNG.normal(0.0, 0.7, len(T_MS))
    assert local_fit(T_MS, x, 1000).noise == pytest.approx(0.7, rel=0.1)


def test_the_window_bends_the_slope_of_a_cubic_by_what_the_theory_says() -> None:
    t = T_MS / 1000.0
    fit = local_fit(T_MS, t**3, 1000)
    # third derivative 6, half the window 0.5 s: 6 * 0.25 / 10, for ever finer ticks
    np.testing.assert_allclose((fit.slope - 3.0 * t * t)[20:-20], 0.15, rtol=0.12)


def test_readings_that_are_held_between_are_taken_once() -> None:
    true = 10.0 + 2.0 * T_MS / 1000.0
    noisy = np.repeat((true + RNG.normal(0.0, 0.5, len(T_MS)))[::4], 4)
    fit = local_fit(T_MS, noisy, 2000)
    assert fit.readings in (10, 11)
    assert fit.noise == pytest.approx(0.5, rel=0.25)
    worst = np.nanmax(np.abs(fit.slope - 2.0) / fit.gain) / 0.5
    assert worst < 4.5


def test_a_signal_that_stands_still_is_read_all_the_same() -> None:
    x = np.where(T_MS < 10_000, 20.0, 20.0 + (T_MS - 10_000) / 1000.0)
    np.testing.assert_allclose(local_fit(T_MS, x, 1000).slope[20:150], 0.0, atol=1e-9)


def test_too_few_readings_tell_nothing() -> None:
    seldom = np.where(np.arange(400) % 20 == 0, T_MS / 1000.0, np.nan)
    assert np.isnan(local_fit(T_MS, seldom, 1000).slope).all()
    assert np.isnan(local_fit(T_MS[:10], np.arange(10.0), 1000).slope).all()
    assert np.isnan(local_fit(T_MS, np.full(400, np.nan), 1000).slope).all()
