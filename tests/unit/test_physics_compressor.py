"""Compressor, charge cooler and turbine against CoolProp's real air, fluids, ht and published examples."""

from __future__ import annotations

import CoolProp.CoolProp as coolprop  # noqa: N813 (the package's own layout)
import fluids
import ht
import numpy as np
import pytest

from uphaul.physics.charge import (
    cooled_degc,
    cooler_drop_kpa,
    cooler_effectiveness,
    counterflow_effectiveness,
    crossflow_effectiveness,
    density_ratio,
)
from uphaul.physics.compressor import efficiency, outlet_degc, power_kw, turbine_drop_k


def _a(*x: float) -> np.ndarray:
    return np.array(x)


# Inlet degC, pressure ratio, isentropic efficiency; outlet degC by fluids 1.3.1 (isentropic_T_rise_compression, gamma
# 1.4), by CoolProp 8.0.0 for real air from 98 kPa, and with the older textbooks' exponent of 0.283 (by hand)
COMPRESSIONS = [
    (25.0, 2.0, 1.00, 90.30, 90.22, 89.62),
    (25.0, 2.0, 0.70, 118.28, 117.98, 117.31),
    (20.0, 2.5, 0.75, 136.97, 136.52, 135.71),
    (25.0, 2.8, 0.72, 166.63, 165.81, 165.08),
    (30.0, 3.0, 0.68, 194.39, 193.09, 192.57),
    (40.0, 2.8, 0.70, 193.01, 191.74, 191.33),
    (25.0, 3.5, 0.74, 198.40, 197.04, 196.44),
]


@pytest.mark.parametrize("row", COMPRESSIONS)
def test_compressor_outlet_and_back(row: tuple[float, ...]) -> None:
    inlet, ratio, eta, ideal, real, older = row
    got = outlet_degc(_a(inlet), _a(ratio), efficiency=eta)

    assert got[0] == pytest.approx(ideal, abs=0.01)
    assert got[0] == pytest.approx(real, abs=1.5)
    assert outlet_degc(_a(inlet), _a(ratio), efficiency=eta, gamma=1.0 / (1.0 - 0.283))[0] == pytest.approx(
        older, abs=0.01
    )
    assert efficiency(_a(inlet), got, _a(ratio))[0] == pytest.approx(eta, abs=1e-9)
    assert efficiency(_a(inlet), _a(real), _a(ratio))[0] == pytest.approx(eta, rel=0.015)


@pytest.mark.parametrize(("inlet", "ratio", "eta"), [row[:3] for row in COMPRESSIONS])
def test_compressor_outlet_as_the_packages_have_it(inlet: float, ratio: float, eta: float) -> None:
    t1, p1 = inlet + 273.15, 98000.0
    entropy = coolprop.PropsSI("S", "T", t1, "P", p1, "Air")
    h1 = coolprop.PropsSI("H", "T", t1, "P", p1, "Air")
    ideal_h2 = coolprop.PropsSI("H", "S", entropy, "P", p1 * ratio, "Air")
    real = coolprop.PropsSI("T", "H", h1 + (ideal_h2 - h1) / eta, "P", p1 * ratio, "Air") - 273.15

    got = outlet_degc(_a(inlet), _a(ratio), efficiency=eta)[0]

    assert got == pytest.approx(real, abs=1.5)
    expected = fluids.isentropic_T_rise_compression(T1=t1, P1=p1, P2=p1 * ratio, k=1.4, eta=eta) - 273.15
    assert got == pytest.approx(expected, abs=1e-9)


def test_documented_example_of_isentropic_compression() -> None:
    # documentation of fluids 1.3.1: isentropic_T_rise_compression(286.8, 54050, 432400, 1.4) = 519.5230938 K
    got = outlet_degc(_a(286.8 - 273.15), _a(432400.0 / 54050.0), efficiency=1.0)
    assert got[0] + 273.15 == pytest.approx(519.5230938, abs=1e-6)


def test_documented_example_of_compression_work() -> None:
    # fluids 1.3.1: isentropic_work_compression(T1=300, P1=1e5, P2=2e5, k=1.4, eta=0.78) = 2451.320 J/mol
    gas_constant, mol_kg = 8.31446261815324, 0.0289647
    hot = outlet_degc(_a(26.85), _a(2.0), efficiency=0.78)
    flow = _a(mol_kg)  # one mole a second

    got = power_kw(flow, _a(26.85), hot, cp_kj_kg_k=3.5 * gas_constant / mol_kg / 1000.0)

    assert got[0] * 1000.0 == pytest.approx(2451.320, rel=1e-6)
    assert power_kw(flow, _a(26.85), hot)[0] * 1000.0 == pytest.approx(2451.320, rel=1e-3)  # default specific heat


def test_a_turbo_at_idle_does_not_cool_the_air() -> None:
    assert outlet_degc(_a(25.0), _a(0.97), efficiency=0.7)[0] == pytest.approx(25.0)


def test_efficiency_of_a_compressor_that_hardly_works_is_unknown() -> None:
    got = efficiency(_a(25.0, 25.0, 25.0), _a(60.0, 34.9, 20.0), _a(1.09, 1.5, 1.5))
    assert np.all(np.isnan(got))


# Source: definition of effectiveness, by hand; 63 degC out at 30 ambient with 160 in is 0.746
@pytest.mark.parametrize(
    ("hot", "ambient", "effectiveness", "cooled"),
    [(160.0, 30.0, 0.7, 69.0), (160.4, 25.0, 0.8, 52.08), (140.0, 40.0, 0.6, 80.0), (160.0, 30.0, 0.7461538, 63.0)],
)
def test_charge_cooler(hot: float, ambient: float, effectiveness: float, cooled: float) -> None:
    assert cooled_degc(_a(hot), _a(ambient), effectiveness=effectiveness)[0] == pytest.approx(cooled, abs=1e-3)
    assert cooler_effectiveness(_a(hot), _a(cooled), _a(ambient))[0] == pytest.approx(effectiveness, abs=1e-6)


def test_effectiveness_outside_0_to_1_shows() -> None:
    # swapped sensors, heat soak: the signal's range is to flag it, so it must not be hidden here
    got = cooler_effectiveness(_a(100.0, 100.0), _a(110.0, 20.0), _a(30.0, 30.0))
    assert got[0] < 0.0
    assert got[1] > 1.0


# Source: ht 1.2.0, effectiveness_from_NTU
def test_effectiveness_from_transfer_units() -> None:
    assert counterflow_effectiveness(_a(1.5), _a(0.3))[0] == pytest.approx(0.7263114, abs=1e-7)
    assert crossflow_effectiveness(_a(2.0), _a(0.2))[0] == pytest.approx(0.8107527, rel=0.01)  # ht's is the series


@pytest.mark.parametrize("units", [0.3, 1.0, 2.5, 4.0])
@pytest.mark.parametrize("ratio", [0.05, 0.5, 0.95, 1.0])
def test_effectiveness_from_transfer_units_as_ht_has_it(units: float, ratio: float) -> None:
    n, c = _a(units), _a(ratio)
    counterflow = ht.hx.effectiveness_from_NTU(units, ratio, "counterflow")
    series = ht.hx.effectiveness_from_NTU(units, ratio, "crossflow")
    closed = ht.hx.effectiveness_from_NTU(units, ratio, "crossflow approximate")
    assert counterflow_effectiveness(n, c)[0] == pytest.approx(counterflow, rel=1e-6)
    assert crossflow_effectiveness(n, c)[0] == pytest.approx(closed, rel=1e-9)
    assert crossflow_effectiveness(n, c)[0] == pytest.approx(series, rel=0.02 if units >= 1.5 else 0.04)


def test_without_a_second_stream_both_coolers_are_the_same() -> None:
    # Kays and London: 1 - exp(-NTU)
    n, c = _a(0.7, 2.0), _a(0.0, 0.0)
    assert counterflow_effectiveness(n, c) == pytest.approx(1.0 - np.exp(-n))
    assert crossflow_effectiveness(n, c) == pytest.approx(1.0 - np.exp(-n))


def test_pressure_and_density_over_the_charge_system() -> None:
    # by hand from the definitions: (233.05 / 101.325) (298.15 / 323.15)
    assert density_ratio(_a(101.325), _a(25.0), _a(233.05), _a(50.0))[0] == pytest.approx(2.12208, abs=1e-5)
    assert cooler_drop_kpa(_a(240.0), _a(233.0))[0] == pytest.approx(7.0)


# Source: ideal gas with gamma 1.33, by hand, 700 degC before, efficiency 0.70. It bears out the trade's "100 to 150
# degC lower after the turbine" (common practice) for expansion ratios of 1.9 to 2.7.
@pytest.mark.parametrize(("ratio", "drop"), [(1.5, 65.2), (2.0, 107.6), (2.5, 138.5), (3.0, 162.5)])
def test_turbine_drop(ratio: float, drop: float) -> None:
    assert turbine_drop_k(_a(700.0), _a(ratio), efficiency=0.70)[0] == pytest.approx(drop, abs=0.1)


def test_turbine_drop_as_fluids_has_it() -> None:
    # the same equation with falling pressure; an expansion's efficiency multiplies where a compression's divides
    ideal = 973.15 - fluids.isentropic_T_rise_compression(T1=973.15, P1=2.0e5, P2=1.0e5, k=1.33, eta=1.0)
    assert turbine_drop_k(_a(700.0), _a(2.0), efficiency=0.70)[0] == pytest.approx(0.70 * ideal, abs=1e-6)
