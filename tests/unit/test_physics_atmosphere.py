"""The standard atmosphere against its published tables and three independent implementations."""

from __future__ import annotations

import ambiance
import fluids
import numpy as np
import psychrolib
import pytest

from uphaul.physics.air import density_kg_m3
from uphaul.physics.atmosphere import (
    density_altitude_m,
    geometric_m,
    geopotential_m,
    pressure_altitude_m,
    standard_degc,
    standard_kpa,
)

DRY = np.zeros(1)

# Height (m), then Pa and kg/m3 if it is geometric, then Pa and kg/m3 if it is geopotential.
# Sources: ISO 2533:1975 (= US Standard Atmosphere 1976 below 32 km); the geometric columns run with ambiance 1.3.1,
# fluids 1.3.1 and ussa1976 0.3.4, which agree to 0.05 Pa and 2e-6 kg/m3; the geopotential ones by the standard's
# formula, 1,000 and 1,500 m with PsychroLib 2.5.0 too.
HEIGHTS = [
    (0.0, 101325.0, 1.22500, 101325.0, 1.22500),
    (500.0, 95461.3, 1.16727, 95460.8, 1.16727),
    (1000.0, 89876.3, 1.11166, 89874.6, 1.11164),
    (1500.0, 84559.7, 1.05810, 84556.0, 1.05807),
    (2000.0, 79501.4, 1.00655, 79495.2, 1.00649),
    (3000.0, 70121.1, 0.90925, 70108.5, 0.90912),
    (4000.0, 61660.4, 0.81935, 61640.2, 0.81913),
    (5000.0, 54048.3, 0.73643, 54019.9, 0.73612),
]


@pytest.mark.parametrize(("height", "geometric_pa", "geometric_density", "pa", "density"), HEIGHTS)
def test_published_tables(
    height: float, geometric_pa: float, geometric_density: float, pa: float, density: float
) -> None:
    h = np.array([height, geopotential_m(np.array([height]))[0]])

    kpa = standard_kpa(h)

    assert kpa * 1000.0 == pytest.approx([pa, geometric_pa], abs=0.1)
    assert density_kg_m3(kpa, standard_degc(h), np.zeros(2)) == pytest.approx([density, geometric_density], abs=1e-5)


# Source: ISO 2533:1975 formula; 90 kPa is ambiance 1.3.1's from_pressure(90000).H = 988.5000789
@pytest.mark.parametrize(
    ("kpa", "metres"), [(95.0, 540.34), (90.0, 988.50), (84.556, 1500.0), (80.0, 1948.99), (70.0, 3012.18)]
)
def test_pressure_altitude(kpa: float, metres: float) -> None:
    assert pressure_altitude_m(np.array([kpa]))[0] == pytest.approx(metres, abs=0.05)


def test_the_lowest_eleven_kilometres_as_ambiance_and_fluids_have_them() -> None:
    heights = np.linspace(-1500.0, 10900.0, 63)
    h = geopotential_m(heights)
    theirs = ambiance.Atmosphere(heights)
    others = [fluids.ATMOSPHERE_1976(float(z)) for z in heights]

    kpa, degc = standard_kpa(h), standard_degc(h)

    for pressure, temperature in (
        (theirs.pressure, theirs.temperature),
        ([a.P for a in others], [a.T for a in others]),
    ):
        assert kpa * 1000.0 == pytest.approx(np.asarray(pressure), abs=0.2)
        assert degc + 273.15 == pytest.approx(np.asarray(temperature), abs=1e-3)
    assert h == pytest.approx(theirs.H, abs=0.01)
    assert density_altitude_m(theirs.density) == pytest.approx(theirs.H, abs=0.05)


@pytest.mark.parametrize("altitude", [1000.0, 1500.0])
def test_pressure_at_a_geopotential_height_as_psychrolib_has_it(altitude: float) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)

    expected = psychrolib.GetStandardAtmPressure(altitude)

    # PsychroLib rounds the exponent to 5.2559
    assert standard_kpa(np.array([altitude]))[0] * 1000.0 == pytest.approx(expected, abs=0.2)


def test_altitudes_turn_back() -> None:
    h = np.linspace(-1900.0, 10900.0, 40)
    assert pressure_altitude_m(standard_kpa(h)) == pytest.approx(h, abs=1e-6)
    assert geopotential_m(geometric_m(h)) == pytest.approx(h, abs=1e-6)


@pytest.mark.parametrize("kpa", [np.nan, 0.0, -5.0, 20.0, 140.0, np.inf])
def test_a_pressure_that_no_road_has_has_no_altitude(kpa: float) -> None:
    assert np.isnan(pressure_altitude_m(np.array([kpa]))[0])
