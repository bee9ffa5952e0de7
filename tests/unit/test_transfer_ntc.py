"""NTC curves and dividers against values from outside the project, the source in the row."""

from __future__ import annotations

import numpy as np
import pytest

from uphaul.signals.model import Quality
from uphaul.signals.transfer import NTC_CURVES, Beta, NtcDivider, NtcTable, SteinhartHart, TransferError

AUTOMOTIVE = NTC_CURVES["ntc-2.5k-20c"]
PLAIN_10K = NTC_CURVES["ntc-10k-3977"]
assert isinstance(AUTOMOTIVE, NtcTable)
assert isinstance(PLAIN_10K, SteinhartHart)

# fmt: off
# degC, ohm: the 2.5 kohm curve of sensors 0 280 130 023/026/039, from memory; digits agree with a third-party page
ROW = [
    (-40, 45313), (-30, 26114), (-20, 15462), (-10, 9397), (0, 5896), (10, 3792), (20, 2500), (30, 1707), (40, 1175),
    (50, 834), (60, 596), (70, 436), (80, 323), (90, 243), (100, 187), (110, 144), (120, 113), (130, 89),
]
# degC, V at 5 V and 1 kohm to the supply: printed next to the table on that page
VOLTS = [
    (-40, 4.892), (0, 4.275), (20, 3.571), (40, 2.701), (60, 1.867), (80, 1.221), (100, 0.788), (120, 0.508),
]
# degC, ohm: 1e4 exp(-14.6337 + 4791.842/T - 115334/T^2 - 3.730535e6/T^3), the data sheet's other direction
# (NTCLE100E3103), coefficients as in four public files
PLAIN_ROW = [
    (-40, 332100), (-20, 96360), (0, 32554.8), (10, 19872.6), (20, 12488.0), (25, 10000.2), (40, 5330.0),
    (50, 3605.3), (60, 2490.0), (80, 1256.4), (85, 1070.3), (100, 677.3), (120, 386.6), (150, 182.6),
]
PLAIN_PRINTED = [(20, 12490), (30, 8057), (50, 3603), (80, 1258), (100, 680)]  # table in another maker's manual
# fmt: on


@pytest.mark.parametrize(("degc", "ohm"), ROW)
def test_automotive_curve(degc: float, ohm: float) -> None:
    assert AUTOMOTIVE.degc(np.array([ohm]))[0] == pytest.approx(degc, abs=1e-6)
    assert AUTOMOTIVE.ohms(np.array([degc]))[0] == pytest.approx(ohm, rel=1e-9)


@pytest.mark.parametrize(("degc", "volts"), VOLTS)
def test_automotive_curve_in_its_divider(degc: float, volts: float) -> None:
    divider = NtcDivider(AUTOMOTIVE, 1000.0)
    assert divider.volts(degc, 5.0) == pytest.approx(volts, abs=0.001)
    assert divider.read(divider.volts(degc, 5.0), 5.0).one() == (pytest.approx(degc, abs=1e-6), Quality.GOOD)


@pytest.mark.parametrize(
    ("at", "abc", "largest_error_k"),
    [  # solved with numpy from those rows; largest error against the whole row
        ((0, 50, 100), (1.30173314e-3, 2.58730556e-4, 1.72596812e-7), 0.29),
        ((-20, 40, 100), (1.28562148e-3, 2.62491648e-4, 1.47706134e-7), 0.53),
    ],
)
def test_steinhart_hart_through_three_points(
    at: tuple[int, ...], abc: tuple[float, ...], largest_error_k: float
) -> None:
    ohm = dict(ROW)
    curve = SteinhartHart.through(tuple((ohm[t], t) for t in at), (-40.0, 130.0))
    assert (curve.a, curve.b) == pytest.approx(abc[:2], abs=1e-8)
    assert curve.c == pytest.approx(abc[2], abs=1e-10)
    degc, ohms = np.array(ROW, dtype=np.float64).T
    assert np.abs(curve.degc(ohms) - degc).max() == pytest.approx(largest_error_k, abs=0.005)


def test_one_beta_is_not_enough_for_the_automotive_curve() -> None:
    beta = Beta.between((2500.0, 20.0), (187.0, 100.0))
    assert beta.beta_k == pytest.approx(3545.5, abs=0.1)
    for degc, error in [(20, 0.0), (100, 0.0), (50, -0.73), (-20, 1.62), (-40, 3.35), (130, 1.63)]:
        got = beta.degc(np.array([float(dict(ROW)[degc])]))[0]
        assert got - degc == pytest.approx(error, abs=0.02), degc


@pytest.mark.parametrize(("degc", "ohm"), PLAIN_ROW)
def test_plain_10k_curve(degc: float, ohm: float) -> None:
    assert PLAIN_10K.degc(np.array([ohm]))[0] == pytest.approx(degc, abs=0.02)
    assert PLAIN_10K.ohms(np.array([degc]))[0] == pytest.approx(ohm, rel=1e-3)


@pytest.mark.parametrize(("degc", "ohm"), PLAIN_PRINTED)
def test_plain_10k_curve_against_another_table(degc: float, ohm: float) -> None:
    assert PLAIN_10K.ohms(np.array([degc]))[0] == pytest.approx(ohm, rel=4.5e-3)


@pytest.mark.parametrize(("true", "reads"), [(100, 100.39), (150, 152.83), (-40, -37.01), (0, 0.76)])
def test_beta_alone_on_the_plain_10k(true: float, reads: float) -> None:
    t = true + 273.15
    ohm = 1e4 * np.exp(-14.6337 + 4791.842 / t - 115334.0 / t**2 - 3.730535e6 / t**3)
    assert Beta(1e4, 25.0, 3977.0).degc(np.array([ohm]))[0] == pytest.approx(reads, abs=0.01)


def test_table_between_its_points_against_the_plain_10k_formula() -> None:
    table = NtcTable(
        tuple((t, float(PLAIN_10K.ohms(np.array([t]))[0])) for t in np.arange(-40.0, 151.0, 10.0).tolist())
    )
    degc = np.linspace(-40.0, 150.0, 381)
    assert table.degc(PLAIN_10K.ohms(degc)) == pytest.approx(degc, abs=0.05)


@pytest.mark.parametrize("pull_up", [True, False])
@pytest.mark.parametrize("supply", [4.6, 5.0, 5.4])
def test_divider_there_and_back(pull_up: bool, supply: float) -> None:
    divider = NtcDivider(AUTOMOTIVE, 2200.0, pull_up=pull_up)
    degc = np.linspace(-40.0, 130.0, 341)
    reading = divider.read(divider.volts(degc, supply), supply)
    # the very ends may be rounded into the bound beyond them
    assert set(reading.quality[1:-1].tolist()) == {Quality.GOOD}
    assert reading.values == pytest.approx(degc, abs=1e-6)


@pytest.mark.parametrize(
    ("pull_up", "volts", "quality"),
    [
        (True, 0.0, Quality.SHORT_TO_GROUND),
        (True, -0.1, Quality.SHORT_TO_GROUND),
        (True, 0.3, Quality.SATURATED),  # hotter than the table, short of a short
        (True, 4.91, Quality.SATURATED),  # colder than the table, short of open
        (True, 5.0, Quality.OPEN_CIRCUIT),
        (True, 5.2, Quality.SHORT_TO_SUPPLY),
        (True, 13.8, Quality.SHORT_TO_SUPPLY),
        (False, 0.0, Quality.OPEN_CIRCUIT),
        (False, 5.0, Quality.SHORT_TO_SUPPLY),
        (False, 13.8, Quality.SHORT_TO_SUPPLY),
        (True, np.nan, Quality.UNDECODABLE),
        (True, np.inf, Quality.UNDECODABLE),
    ],
)
def test_faults_of_a_divider(pull_up: bool, volts: float, quality: Quality) -> None:
    assert NtcDivider(AUTOMOTIVE, 1000.0, pull_up=pull_up).read(volts, 5.0).one()[1] is quality


def test_coolant_hotter_than_the_table_is_judged_as_its_end() -> None:
    assert NtcDivider(AUTOMOTIVE, 1000.0).read(0.3, 5.0).one() == (pytest.approx(130.0), Quality.SATURATED)


def test_a_divider_knows_how_far_it_reaches() -> None:
    assert NtcDivider(AUTOMOTIVE, 1000.0).reach_degc == pytest.approx((-40.0, 130.0))
    coldest, hottest = NtcDivider(PLAIN_10K, 1000.0).reach_degc
    # 199 kohm is half a percent of the supply from open: by the data sheet's row between -40 (332 k) and -20 (96 k)
    assert -40.0 < coldest < -20.0
    assert hottest == pytest.approx(150.0)


@pytest.mark.parametrize("supply", [0.0, 3.3, np.nan])
def test_nothing_is_known_without_a_sound_supply(supply: float) -> None:
    assert NtcDivider(AUTOMOTIVE, 1000.0).read(1.0, supply).one()[1] is Quality.UNDECODABLE


@pytest.mark.parametrize("points", [((0.0, 100.0),), ((0.0, 100.0), (10.0, 100.0)), ((10.0, 200.0), (0.0, 100.0))])
def test_a_table_that_is_not_strict_is_refused(points: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(TransferError, match="points"):
        NtcTable(points)


def test_impossible_curves_are_refused() -> None:
    with pytest.raises(TransferError, match="falls"):
        SteinhartHart(1.3e-3, -2.6e-4, 1.7e-7, (-40.0, 130.0))
    with pytest.raises(TransferError, match="three"):
        SteinhartHart.through(((100.0, 0.0), (100.0, 10.0), (50.0, 20.0)), (-40.0, 130.0))
    with pytest.raises(TransferError, match="fixed_ohm"):
        NtcDivider(AUTOMOTIVE, 0.0)
    with pytest.raises(TransferError, match="fixed_ohm"):
        NtcDivider(AUTOMOTIVE, 1e8)


@pytest.mark.parametrize("pull_up", [True, False])
def test_ohms_of_a_voltage_are_those_of_the_divider(pull_up: bool) -> None:
    sensor = NtcDivider(NTC_CURVES["ntc-2.5k-20c"], 1000.0, pull_up=pull_up)
    degc = np.array([-20.0, 20.0, 40.0, 100.0])
    told = sensor.ohms(sensor.volts(degc, 5.0), 5.0)
    assert told == pytest.approx([15462.0, 2500.0, 1175.0, 187.0], rel=1e-9)  # the rows of the curve's own table
    # Ohm's law, by hand: 4 V of 5 V over the sensor are four times the fixed resistor, over the fixed one a quarter
    assert sensor.ohms(4.0, 5.0) == pytest.approx(4000.0 if pull_up else 250.0)
    assert np.isinf(sensor.ohms(5.0 if pull_up else 0.0, 5.0))
    assert np.isnan([sensor.ohms(6.0, 5.0), sensor.ohms(-0.1, 5.0), sensor.ohms(1.0, 0.0)]).all()
