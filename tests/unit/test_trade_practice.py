"""Facts that a workshop would laugh at if they came out otherwise: plausibility, not physics.

Source of all: common practice; no published source. Engine: an invented four-cylinder of 3.9 L.
"""

from __future__ import annotations

import numpy as np
import pytest

from uphaul.physics import charge, flow, injection, mixture, power
from uphaul.units import convert


def _a(x: float) -> np.ndarray:
    return np.array([x])


def _power_hp(boost_psi: float, ratio: float) -> float:
    """Crankshaft power at 3,200 rpm, 60 degC charge, VE 0.85, 230 g/kWh: an older engine with direct injection."""
    manifold = _a(101.325 + convert(boost_psi, "psi", "kPa"))
    air = flow.air_kg_s(_a(3200.0), manifold, _a(60.0), _a(0.85), displacement_l=3.9)
    kw = power.from_air_kw(air, _a(ratio), bsfc_g_kwh=230.0)
    return convert(float(kw[0]), "kW", "hp")


def test_a_factory_turbo_is_trusted_to_18_psi_and_200_hp() -> None:
    assert _power_hp(18.0, 20.0) == pytest.approx(200.0, rel=0.12)
    ratio = charge.quotient(_a(101.325 + convert(18.0, "psi", "kPa")), _a(101.325), 20.0)
    assert 2.1 < float(ratio[0]) < 2.4


@pytest.mark.parametrize(("ratio", "lambda_"), [(17.5, 1.207), (18.0, 1.241)])
def test_17_and_a_half_to_18_is_a_clean_full_load_mixture(ratio: float, lambda_: float) -> None:
    found = mixture.lambda_from_afr(_a(ratio), stoichiometric=14.5)
    assert float(found[0]) == pytest.approx(lambda_, abs=5e-4)
    assert float(mixture.smoke_margin(found, limit=1.2)[0]) > 0.0


def test_flat_mixture_at_26_and_a_half_psi_gives_a_power_that_rises_with_speed() -> None:
    manifold = _a(101.325 + convert(26.5, "psi", "kPa"))
    kw = [
        float(power.from_air_kw(
            flow.air_kg_s(_a(rpm), manifold, _a(60.0), _a(0.88), displacement_l=3.9), _a(17.75), bsfc_g_kwh=220.0
        )[0])
        for rpm in (2000.0, 2600.0, 3200.0)
    ]  # fmt: skip
    assert kw[0] < kw[1] < kw[2]
    assert 250.0 < convert(kw[2], "kW", "hp") < 340.0


def test_840_newton_metres_at_2200_are_193_and_a_half_kilowatts() -> None:
    kw = float(power.from_torque_kw(_a(840.0), _a(2200.0))[0])
    assert kw == pytest.approx(193.5, abs=0.05)
    assert convert(kw, "kW", "hp") < 326.0  # so a peak of 326 hp comes at a higher speed


def test_a_clutch_of_1300_newton_metres_is_used_to_65_percent_by_840() -> None:
    assert float(charge.quotient(_a(840.0), _a(1300.0), 1.0)[0]) == pytest.approx(0.65, abs=0.005)


def test_the_larger_the_injector_the_fewer_degrees_for_the_same_fuel() -> None:
    fuel_mm3 = 90.0
    degrees = [
        float(injection.crank_deg(_a(2600.0), _a(fuel_mm3 / mm3_ms / 1000.0))[0]) for mm3_ms in (40.0, 60.0, 80.0)
    ]
    assert degrees[0] > degrees[1] > degrees[2]
    assert degrees[0] == pytest.approx(2 * degrees[2])
