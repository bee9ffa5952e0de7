"""What the last seconds of an input say: noise, rate, readings without a value, and what is forgotten."""

from __future__ import annotations

import statistics
from math import isnan, nan

import numpy as np
import pytest

from uphaul.signals import Quality
from uphaul.signals.recent import Recent, Summary

GOOD = Quality.GOOD


def of(values: list[float], *, every_ms: float = 100.0, now_ms: float | None = None) -> Summary:
    recent = Recent(10.0)
    for i, value in enumerate(values):
        recent.add(i * every_ms, value, GOOD)
    return recent.summary((len(values) - 1) * every_ms if now_ms is None else now_ms)


def test_mean_and_noise_are_the_certified_ones() -> None:
    # NIST Statistical Reference Datasets, univariate summary, NumAcc1: mean 10000002, standard deviation 1 (exact)
    found = of([10000001.0, 10000003.0, 10000002.0])
    assert (found.mean, found.noise) == (10000002.0, 1.0)


def test_noise_is_the_standard_librarys() -> None:
    values = np.random.default_rng(1).normal(690.0, 3.0, 80).tolist()
    found = of(values)
    assert found.noise == pytest.approx(statistics.stdev(values), rel=1e-12)
    assert found.mean == pytest.approx(statistics.fmean(values), rel=1e-12)


def test_what_is_older_than_the_window_is_forgotten() -> None:
    recent = Recent(2.0)
    recent.add(0.0, 500.0, GOOD)
    recent.add(1000.0, nan, Quality.OPEN_CIRCUIT)
    recent.add(2000.0, 10.0, GOOD)
    recent.add(2500.0, 12.0, Quality.SATURATED)
    found = recent.summary(2600.0)
    assert (found.good, found.bad, found.saturated, found.mean) == (2, 1, 1, 11.0)
    assert recent.summary(3100.0).bad == 0
    assert recent.summary(9000.0) == Summary(0, 0, 0, None, None, None)


def test_no_more_than_the_window_is_kept_while_nobody_asks() -> None:
    recent = Recent(2.0)
    for t_ms in range(0, 60_000, 100):
        recent.add(t_ms, 1.0, GOOD)
    assert recent.summary(0.0).good == 21  # asked for the oldest there are: of two seconds, both ends included


def test_one_reading_has_no_noise_and_no_rate() -> None:
    assert of([5.0]) == Summary(1, 0, 0, 5.0, None, None)


def test_the_rate_is_that_of_the_intervals_and_falls_once_one_is_overdue() -> None:
    assert of([1.0] * 21, every_ms=50.0).rate_hz == pytest.approx(20.0)
    assert of([1.0] * 21, every_ms=50.0, now_ms=1049.0).rate_hz == pytest.approx(20.0)
    assert of([1.0] * 21, every_ms=50.0, now_ms=2050.0).rate_hz == pytest.approx(10.0)  # 20 intervals in 2 s


def test_readings_without_a_value_do_not_touch_the_noise() -> None:
    recent = Recent()
    for i, value in enumerate((1.0, nan, 3.0)):
        recent.add(i, value, Quality.UNDECODABLE if isnan(value) else GOOD)
    assert recent.summary(2.0).noise == pytest.approx(statistics.stdev([1.0, 3.0]))
    recent.clear()
    assert recent.summary(2.0).good == 0
