"""The grid of counts at its far end."""

from __future__ import annotations

import numpy as np
import pytest

from uphaul.signals import quantise


@pytest.mark.parametrize("value", [1e16, 1e300, 1.7e308, -1.7e308, np.inf, -np.inf, np.nan])
def test_a_value_without_a_whole_count_is_unknown_and_makes_no_noise(value: float) -> None:
    with np.errstate(all="raise"):  # stricter than the daemon: numpy's complaint must not even be possible
        (got,) = quantise(np.array([value]), np.array([1000.0]))
    assert np.isnan(got)


def test_the_largest_count_still_has_its_value() -> None:
    largest = 2.0**53 - 1
    assert quantise(np.array([largest]), np.array([1.0])).tolist() == [largest]
