"""Gear and end speed of a pull: by hand, and the sample's own words."""

from __future__ import annotations

from dataclasses import replace
from math import pi

import pytest

from uphaul.config import load, sample_directory
from uphaul.vehicle.pull_gear import pull_gear
from uphaul.vehicle.sheet import BuildSheet, Driveline

LINE = Driveline(gears=(4.0, 2.0, 1.0), final_drive=4.0, tyre_radius_m=1.0 / pi, efficiency=0.9)
SHEET = BuildSheet(driveline=LINE)


def test_the_highest_gear_within_the_limit() -> None:
    """By hand: one turn of the wheel is 2 m. In third 3,000 rpm are 750 turns a minute, 90 km/h; in second the half."""
    found = pull_gear(SHEET, 90.001, 1500.0, 3000.0)
    assert found is not None
    assert (found.gear, found.from_km_h, found.to_km_h) == (3, pytest.approx(45.0), pytest.approx(90.0))
    assert found.words == "gear 3: 1500 to 3000 rpm is 45 to 90 km/h"
    lower = pull_gear(SHEET, 89.9, 1500.0, 3000.0)
    assert lower is not None
    assert (lower.gear, lower.to_km_h) == (2, pytest.approx(45.0))


def test_no_gear_is_slow_enough_or_known() -> None:
    assert pull_gear(SHEET, 22.0, 1500.0, 3000.0) is None
    assert pull_gear(replace(SHEET, driveline=None), 90.0, 1500.0, 3000.0) is None


@pytest.mark.parametrize(("limit", "start", "end"), [(0.0, 1500.0, 3000.0), (90.0, 3000.0, 3000.0), (90.0, 0.0, 1.0)])
def test_no_span(limit: float, start: float, end: float) -> None:
    with pytest.raises(ValueError, match="no pull goes from"):
        pull_gear(SHEET, limit, start, end)


def test_the_samples_pull_names_its_gear_and_end_speed() -> None:
    config = load(sample_directory(), check_inputs=False)
    assert config.field_check is not None
    pull = next(s for s in config.field_check.steps if s.name == "pull")
    found = pull_gear(config.vehicle.sheet, 80.0, 1400.0, 3100.0)
    assert found is not None
    assert found.gear == 3
    assert f"some {found.to_km_h:.0f} km/h" in pull.do
