"""Straight-line sensors and tables against values from outside the project, the source in the row."""

from __future__ import annotations

import numpy as np
import pytest

from uphaul.signals.model import Quality
from uphaul.signals.transfer import Beside, Bias, Linear, Ratiometric, Table, TransferError

# Vout = Vs (0.004 P - 0.04), 20 to 250 kPa: formula as read in the data sheet of MPX4250A
ABSOLUTE_250 = Ratiometric(0.04, 20.0, 0.96, 250.0, "kPa")
# 0.5 to 4.5 V of 5 V for 0 to 400 kPa: common practice
ABSOLUTE_400 = Ratiometric(0.1, 0.0, 0.9, 400.0, "kPa")


@pytest.mark.parametrize(
    ("kpa", "at_5v1", "at_5v0"),
    [  # V; 0.204 and 4.896 are the data sheet's limits (from memory), the others its formula by hand
        (20.0, 0.204, 0.200),
        (50.0, 0.816, 0.800),
        (100.0, 1.836, 1.800),
        (101.325, 1.8630, 1.8265),
        (150.0, 2.856, 2.800),
        (200.0, 3.876, 3.800),
        (250.0, 4.896, 4.800),
    ],
)
def test_250_kpa_sensor(kpa: float, at_5v1: float, at_5v0: float) -> None:
    reading = ABSOLUTE_250.read([at_5v1, at_5v0], [5.1, 5.0])
    assert reading.values == pytest.approx([kpa, kpa], abs=0.005)
    assert reading.quality.tolist() == [Quality.GOOD, Quality.GOOD]


@pytest.mark.parametrize(
    ("volts", "supply", "kpa"), [(0.5, 5.0, 0.0), (2.5, 5.0, 200.0), (4.5, 5.0, 400.0), (4.41, 4.90, 400.0)]
)
def test_400_kpa_sensor(volts: float, supply: float, kpa: float) -> None:
    # by hand from the definition; the last row is what a reading that takes the supply as 5 V makes 391
    assert ABSOLUTE_400.read(volts, supply).one() == (pytest.approx(kpa, abs=1e-9), Quality.GOOD)


def test_a_fixed_5_v_would_read_another_pressure() -> None:
    fixed = Linear(0.5, 0.0, 4.5, 400.0, "kPa", 0.25, 4.75)
    assert fixed.read(4.41).one()[0] == pytest.approx(391.0, abs=0.1)


@pytest.mark.parametrize("supply", [0.0, 4.4, 5.6, np.nan, -5.0])
def test_nothing_is_known_without_a_sound_supply(supply: float) -> None:
    value, quality = ABSOLUTE_400.read(2.5, supply).one()
    assert np.isnan(value)
    assert quality is Quality.UNDECODABLE


@pytest.mark.parametrize(
    ("volts", "value", "quality"),
    [
        (0.24, np.nan, Quality.SHORT_TO_GROUND),
        (0.26, 0.0, Quality.SATURATED),
        (0.49, -1.0, Quality.GOOD),  # within the tolerance a sensor at rest does not flicker
        (4.51, 401.0, Quality.GOOD),
        (4.6, 400.0, Quality.SATURATED),
        (4.76, np.nan, Quality.OPEN_CIRCUIT),
        (5.05, np.nan, Quality.OPEN_CIRCUIT),
        (5.2, np.nan, Quality.SHORT_TO_SUPPLY),  # more than the pull-up can give
        (13.8, np.nan, Quality.SHORT_TO_SUPPLY),
        (np.inf, np.nan, Quality.UNDECODABLE),
    ],
)
def test_zones_of_an_input_that_is_pulled_up(volts: float, value: float, quality: Quality) -> None:
    sensor = Ratiometric(0.1, 0.0, 0.9, 400.0, "kPa", bias=Bias.UP)
    assert sensor.read(volts, 5.0).one() == (pytest.approx(value, nan_ok=True), quality)


@pytest.mark.parametrize(
    ("bias", "low", "high"),
    [
        (Bias.DOWN, Quality.OPEN_CIRCUIT, Quality.SHORT_TO_SUPPLY),
        (Bias.UP, Quality.SHORT_TO_GROUND, Quality.OPEN_CIRCUIT),
        (Bias.FLOATING, Quality.SHORT_TO_GROUND, Quality.SHORT_TO_SUPPLY),
    ],
)
def test_faults_are_named_by_what_pulls_the_wire(bias: Bias, low: Quality, high: Quality) -> None:
    reading = Linear(0.5, 0.0, 4.5, 100.0, "degC", 0.25, 4.75, bias=bias).read([0.0, 5.0])
    assert reading.quality.tolist() == [low, high]


def test_a_falling_sensor() -> None:
    sensor = Linear(0.5, 100.0, 4.5, 0.0, "%", 0.25, 4.75)
    assert sensor.read([0.5, 2.5, 4.5, 4.7]).values.tolist() == [100.0, 50.0, 0.0, 0.0]


TABLE = Table(((0.5, 0.0), (1.0, 50.0), (3.0, 100.0), (4.5, 400.0)), "kPa", 0.25, 4.75)


def test_table_is_straight_between_its_points_and_holds_its_ends() -> None:
    reading = TABLE.read([0.2, 0.3, 0.5, 0.75, 2.0, 3.75, 4.5, 4.7, 4.8])
    assert reading.values == pytest.approx([np.nan, 0.0, 0.0, 25.0, 75.0, 250.0, 400.0, 400.0, np.nan], nan_ok=True)
    saturated = reading.quality == Quality.SATURATED
    assert saturated.tolist() == [False, True, False, False, False, False, False, True, False]


def test_ratiometric_table_needs_its_supply() -> None:
    table = Table(((0.1, 0.0), (0.9, 400.0)), "kPa", 0.05, 0.95, ratiometric=True)
    assert table.beside is Beside.SUPPLY_V
    assert TABLE.beside is Beside.NOTHING
    assert table.read(4.41, 4.9).one()[0] == pytest.approx(400.0)
    assert table.read(4.41, np.nan).one()[1] is Quality.UNDECODABLE


def test_any_shape() -> None:
    volts = np.array([[1.0, 2.0, 3.0], [4.0, 0.1, 4.9]])
    reading = ABSOLUTE_400.read(volts, 5.0)
    assert reading.values.shape == reading.quality.shape == (2, 3)


@pytest.mark.parametrize(
    "points",
    [
        ((0.5, 0.0),),
        ((0.5, 0.0), (0.5, 1.0)),
        ((1.0, 0.0), (0.5, 1.0)),
        ((0.5, 0.0), (1.0, 1.0), (2.0, 1.0)),
        ((0.5, 0.0), (1.0, 1.0), (2.0, 0.5)),
        ((0.5, 0.0), (1.0, float("nan"))),
    ],
)
def test_a_table_that_is_not_strict_is_refused(points: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(TransferError, match="points"):
        Table(points, "kPa", 0.25, 4.75)


def test_a_fault_zone_inside_the_band_is_refused() -> None:
    with pytest.raises(TransferError, match=r"fault_below_v = 0\.6: must lie over 0, under low_v = 0\.5"):
        Linear(0.5, 0.0, 4.5, 100.0, "kPa", 0.6, 4.75)
    with pytest.raises(TransferError, match="fault_above_share"):
        Ratiometric(0.1, 0.0, 0.9, 100.0, "kPa", fault_above_share=0.9)
    with pytest.raises(TransferError, match="fault_above"):
        Table(((0.5, 0.0), (4.5, 1.0)), "kPa", 0.25, 5.5)
