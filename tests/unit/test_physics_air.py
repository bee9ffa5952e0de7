"""Moist air against CIPM-2007, CoolProp and PsychroLib."""

from __future__ import annotations

import CoolProp.CoolProp as coolprop  # noqa: N813 (the package's own layout)
import numpy as np
import psychrolib
import pytest

from uphaul.physics.air import density_kg_m3, dry_kpa, humidity_ratio, saturation_kpa, vapour_kpa

psychrolib.SetUnitSystem(psychrolib.SI)


def _a(*x: float) -> np.ndarray:
    return np.array(x)


# degC, Pa, relative humidity; kg/m3 by CIPM-2007 (Picard et al., Metrologia 45 (2008) 149, from memory, within 5e-5 of
# CoolProp), by CoolProp 8.0.0 HAPropsSI, by PsychroLib 2.5.0, by two ideal gases (by hand); vapour pressure in Pa
AIRS = [
    (15.0, 101325.0, 0.0, 1.22552, 1.22557, 1.22505, 1.22501, 0.0),
    (20.0, 101325.0, 0.5, 1.19931, 1.19936, 1.19890, 1.19887, 1169.4),
    (25.0, 99000.0, 0.0, 1.15712, 1.15716, 1.15679, 1.15676, 0.0),
    (25.0, 100000.0, 0.5, 1.16182, 1.16187, 1.16148, 1.16144, 1584.6),
    (35.0, 101325.0, 0.8, 1.12660, 1.12665, 1.12629, 1.12626, 4502.3),
    (40.0, 101325.0, 0.3, 1.11813, 1.11817, 1.11793, 1.11790, 2215.0),
    (25.0, 84556.0, 0.4, 0.98266, 0.98269, 0.98242, 0.98239, 1267.7),
    (0.0, 101325.0, 0.0, 1.29305, 1.29310, 1.29232, 1.29228, 0.0),
]


@pytest.mark.parametrize("row", AIRS)
def test_density_of_moist_air(row: tuple[float, ...]) -> None:
    degc, pa, humidity, cipm, real, ashrae, ideal, vapour = row
    got = density_kg_m3(_a(pa / 1000.0), _a(degc), _a(humidity))[0]

    # real air is up to 0.06 % denser than two ideal gases
    assert got == pytest.approx(cipm, rel=1e-3)
    assert got == pytest.approx(real, rel=1e-3)
    assert got == pytest.approx(ashrae, rel=1e-4)
    assert got == pytest.approx(ideal, abs=2e-5)
    assert vapour_kpa(_a(degc), _a(humidity))[0] * 1000.0 == pytest.approx(vapour, abs=0.15)


def test_density_over_a_grid_as_coolprop_and_psychrolib_have_it() -> None:
    for degc in (-30.0, -5.0, 5.0, 22.0, 45.0):
        for pa in (70000.0, 90000.0, 103000.0):
            for humidity in (0.05, 0.6, 1.0):
                got = density_kg_m3(_a(pa / 1000.0), _a(degc), _a(humidity))[0]
                real = 1.0 / coolprop.HAPropsSI("Vha", "T", degc + 273.15, "P", pa, "R", humidity)
                ratio = psychrolib.GetHumRatioFromRelHum(degc, humidity, pa)
                ashrae = psychrolib.GetMoistAirDensity(degc, ratio, pa)
                assert got == pytest.approx(real, rel=1.5e-3), (degc, pa, humidity)
                assert got == pytest.approx(ashrae, rel=1e-4), (degc, pa, humidity)
                assert humidity_ratio(_a(pa / 1000.0), _a(degc), _a(humidity))[0] == pytest.approx(ratio, rel=1e-4)


def test_reference_air_of_coastdowns() -> None:
    # 40 CFR 1066.310 and 1066.805: 20 degC and 98.21 kPa are 1.17 kg/m3, three digits
    assert density_kg_m3(_a(98.21), _a(20.0), _a(0.0))[0] == pytest.approx(1.17, abs=5e-3)


# Pa over water. Source: PsychroLib 2.5.0; CoolProp 8.0.0 for water is at most 0.03 % over
@pytest.mark.parametrize(
    ("degc", "pa"), [(10, 1228.0), (20, 2338.8), (25, 3169.2), (30, 4246.0), (40, 7383.5), (50, 12349.9)]
)
def test_saturation_pressure(degc: float, pa: float) -> None:
    got = saturation_kpa(_a(degc))[0] * 1000.0
    assert got == pytest.approx(pa, abs=0.06)
    assert got == pytest.approx(coolprop.PropsSI("P", "T", degc + 273.15, "Q", 0, "Water"), rel=4e-4)


def test_saturation_pressure_over_ice_and_water_as_psychrolib_has_it() -> None:
    degc = np.arange(-90.0, 195.0, 7.3)
    expected = [psychrolib.GetSatVapPres(float(t)) for t in degc]
    assert saturation_kpa(degc) * 1000.0 == pytest.approx(np.array(expected), rel=1e-9)


def test_worked_example_of_moist_air() -> None:
    # ASHRAE Handbook, Fundamentals, chapter 1, example 1 (from memory, sure): 40 degC dry bulb, 20 degC wet bulb,
    # 101.325 kPa -> relative humidity 14 %, 6.5 g/kg, 0.896 m3/kg. Read from a chart; PsychroLib 2.5.0 has 13.98 %,
    # 6.401 g/kg and 0.8962, CoolProp 8.0.0 14.02 %, 6.452 and 0.8961.
    p, t, humidity = _a(101.325), _a(40.0), _a(0.14)

    ratio = humidity_ratio(p, t, humidity)
    volume = (1.0 + ratio) / density_kg_m3(p, t, humidity)

    assert ratio[0] == pytest.approx(6.5e-3, rel=0.02)
    assert ratio[0] == pytest.approx(6.401e-3, rel=0.02)
    assert ratio[0] == pytest.approx(6.452e-3, rel=0.02)
    assert volume[0] == pytest.approx(0.896, rel=1e-3)
    assert volume[0] == pytest.approx(0.8962, rel=1e-3)


def test_dry_pressure_is_what_vapour_leaves() -> None:
    # 99.5 kPa, 30 degC, 50 %: 2.123 kPa of vapour (PsychroLib 2.5.0)
    assert dry_kpa(_a(99.5), _a(30.0), _a(0.5))[0] == pytest.approx(97.377, abs=1e-3)


def test_a_wet_sensor_reads_saturated_and_a_wild_one_nothing() -> None:
    got = vapour_kpa(_a(20.0, 20.0, 20.0, 20.0), _a(1.0, 1.04, 1.06, -0.01))
    assert got[1] == got[0] > 0.0
    assert np.all(np.isnan(got[2:]))
