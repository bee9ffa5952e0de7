"""Type K against values from outside the project, the source in the row.

"its90" is the package thermocouple-its90 1.0.2 (exact reference function), "thermocouples" the package thermocouples
2.1.2 (published inverse polynomials); both carry the coefficients of NIST Monograph 175 / SRD 60.
"""

from __future__ import annotations

import numpy as np
import pytest
import thermocouple_its90
import thermocouples

from uphaul.signals.model import Quality
from uphaul.signals.thermocouple import compensated_degc, type_k_degc, type_k_mv, type_k_mv_per_k
from uphaul.signals.transfer import Burnout, TransferError, TypeK

# fmt: off
FORWARD = [  # degC, mV; its90 and thermocouples agree in all five decimals
    (-40, -1.52695), (0, 0.00000), (25, 1.00024), (100, 4.09623), (200, 8.13847), (300, 12.20857), (400, 16.39714),
    (500, 20.64429), (600, 24.90547), (650, 27.02486), (700, 29.12897), (750, 31.21345), (800, 33.27538),
    (900, 37.32592), (1000, 41.27561), (1100, 45.11874), (1200, 48.83824), (1300, 52.41027), (1372, 54.88636),
]
INVERSE = [  # mV, degC; its90
    (4.096, 99.994), (8.138, 199.988), (12.209, 300.010), (20.644, 499.993), (24.905, 599.989), (29.129, 700.001),
    (33.275, 799.991), (41.276, 1000.010), (48.838, 1199.993), (54.886, 1371.989),
]
POLYNOMIAL = [  # mV, degC; thermocouples, whose inverse polynomials are up to 0.06 K off the exact function
    (1.000, 24.984), (4.096, 99.963), (29.129, 699.981), (41.276, 999.987), (48.838, 1200.022),
]
COLD_JUNCTION = [  # mV at the terminals, degC of the terminals, degC; its90
    (28.1287, 25, 700.00), (26.6925, 60, 700.00), (25.4131, 40, 650.00), (3.0960, 25, 100.00), (37.8013, 85, 1000.00),
    (1.1900, -10, 20.00),
]
SLOPE = [(0, 39.45), (25, 40.518), (600, 42.505), (1000, 38.981)]  # degC, uV/K; its90
# fmt: on


@pytest.mark.parametrize(("degc", "mv"), FORWARD)
def test_electromotive_force(degc: float, mv: float) -> None:
    assert type_k_mv(degc) == pytest.approx(mv, abs=0.0005)


@pytest.mark.parametrize(("mv", "degc"), INVERSE)
def test_temperature(mv: float, degc: float) -> None:
    assert type_k_degc(mv) == pytest.approx(degc, abs=0.002)


@pytest.mark.parametrize(("mv", "degc"), POLYNOMIAL)
def test_temperature_against_the_published_inverse_polynomials(mv: float, degc: float) -> None:
    assert type_k_degc(mv) == pytest.approx(degc, abs=0.06)


@pytest.mark.parametrize(("mv", "cold", "degc"), COLD_JUNCTION)
def test_cold_junction_is_compensated_in_millivolts(mv: float, cold: float, degc: float) -> None:
    assert compensated_degc(mv, cold) == pytest.approx(degc, abs=0.01)


def test_temperatures_are_never_added() -> None:
    # the trap as the documentation of thermocouple-its90 tells it: not 100, nor 125
    assert compensated_degc(4.096, 25.0) == pytest.approx(124.3, abs=0.05)


@pytest.mark.parametrize(("degc", "uv_per_k"), SLOPE)
def test_seebeck_coefficient(degc: float, uv_per_k: float) -> None:
    assert type_k_mv_per_k(degc) * 1000.0 == pytest.approx(uv_per_k, abs=0.01)


def test_forward_equals_two_packages_over_the_whole_range() -> None:
    degc = np.linspace(-200.0, 1372.0, 3145)
    ours = type_k_mv(degc)
    exact = thermocouple_its90.TypeK
    other = thermocouples.get_thermocouple("K")
    assert ours == pytest.approx([exact.emf(t) for t in degc.tolist()], abs=1e-9)
    assert ours == pytest.approx([1000.0 * other.temp_to_volt(t) for t in degc.tolist()], abs=1e-6)


def test_inverse_equals_the_exact_package_over_the_whole_range() -> None:
    mv = np.linspace(-5.891, 54.886, 3001)
    exact = thermocouple_its90.TypeK
    assert type_k_degc(mv) == pytest.approx([exact.temperature(e) for e in mv.tolist()], abs=1e-4)


def test_inverse_is_within_the_band_of_the_published_polynomials() -> None:
    mv = np.linspace(-1.52, 54.88, 1001)  # the package refuses the last 0.006 mV
    other = thermocouples.get_thermocouple("K")
    assert type_k_degc(mv) == pytest.approx([other.volt_to_temp(e / 1000.0) for e in mv.tolist()], abs=0.06)


def test_there_and_back_is_exact() -> None:
    degc = np.linspace(-200.0, 1372.0, 20_001)
    assert type_k_degc(type_k_mv(degc)) == pytest.approx(degc, abs=1e-7)


@pytest.mark.parametrize("mv", [-6.0, 54.9, np.nan, np.inf, -np.inf])
def test_nothing_beyond_the_function(mv: float) -> None:
    assert np.isnan(type_k_degc(mv))


@pytest.mark.parametrize(
    ("mv", "cold", "burnout", "quality"),
    [
        (28.1287, 25.0, Burnout.NONE, Quality.GOOD),
        (60.0, 25.0, Burnout.NONE, Quality.ABOVE_RANGE),
        (60.0, 25.0, Burnout.UP, Quality.OPEN_CIRCUIT),
        (60.0, 25.0, Burnout.DOWN, Quality.ABOVE_RANGE),
        (-20.0, 25.0, Burnout.NONE, Quality.BELOW_RANGE),
        (-20.0, 25.0, Burnout.DOWN, Quality.OPEN_CIRCUIT),
        (-28.1287, 25.0, Burnout.UP, Quality.BELOW_RANGE),  # crossed wires on a hot probe
        (28.1287, 126.0, Burnout.UP, Quality.UNDECODABLE),
        (28.1287, np.nan, Burnout.UP, Quality.UNDECODABLE),
        (np.nan, 25.0, Burnout.UP, Quality.UNDECODABLE),
        (np.inf, 25.0, Burnout.UP, Quality.UNDECODABLE),
    ],
)
def test_quality(mv: float, cold: float, burnout: Burnout, quality: Quality) -> None:
    value, got = TypeK(burnout=burnout).read(mv, cold).one()
    assert got is quality
    assert np.isnan(value) is not quality.known or value == pytest.approx(700.0, abs=0.01)


def test_touching_wires_read_as_the_temperature_of_the_terminals() -> None:
    # what the description says cannot be told, held here so that nobody believes otherwise
    assert TypeK(burnout=Burnout.UP).read(0.0, 25.0).one() == (pytest.approx(25.0), Quality.GOOD)


@pytest.mark.parametrize("range_degc", [(100.0, 100.0), (-300.0, 100.0), (0.0, 1400.0)])
def test_an_impossible_range_is_refused(range_degc: tuple[float, float]) -> None:
    with pytest.raises(TransferError, match="range_degc"):
        TypeK(range_degc=range_degc)
