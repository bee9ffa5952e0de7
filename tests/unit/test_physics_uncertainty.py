"""Propagation of uncertainty against the worked examples of the GUM and its supplement, and against chance."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from uphaul.errors import UphaulError
from uphaul.physics.air import density_kg_m3
from uphaul.physics.charge import gauge_kpa
from uphaul.physics.flow import air_kg_s
from uphaul.physics.power import from_air_kw
from uphaul.physics.uncertainty import contributions, uncertainty

Floats = np.ndarray


def _a(*x: float) -> Floats:
    return np.array(x)


@pytest.mark.parametrize(
    ("last", "combined"),
    # JCGM 101:2008 (supplement 1 to the GUM), 9.2: sum of four, u = 1 each gives 2.0; one of 10 gives 10.1 (from
    # memory)
    [(1.0, 2.0), (10.0, 10.1)],
)
def test_additive_example_of_the_supplement(last: float, combined: float) -> None:
    def model(x1: Floats, x2: Floats, x3: Floats, x4: Floats) -> Floats:
        return x1 + x2 + x3 + x4

    zero = {name: _a(0.0) for name in ("x1", "x2", "x3", "x4")}
    got = uncertainty(model, zero, {"x1": 1.0, "x2": 1.0, "x3": 1.0, "x4": last})
    assert got[0] == pytest.approx(combined, abs=0.05)


def test_end_gauge_example_of_the_guide() -> None:
    # JCGM 100:2008 (GUM), H.1 (from memory, sure): contributions 25, 9.7, 2.9 and 16.6 nm, combined 32 nm
    def length(standard: Floats, difference: Floats, d_alpha: Floats, theta: Floats, d_theta: Floats) -> Floats:
        return standard + difference - standard * (d_alpha * theta + 11.5e-6 * d_theta)

    inputs = {
        "standard": _a(50.000623e6),
        "difference": _a(215.0),
        "d_alpha": _a(0.0),
        "theta": _a(-0.1),
        "d_theta": _a(0.0),
    }
    u = {"standard": 25.0, "difference": 9.7, "d_alpha": 0.58e-6, "theta": 0.41, "d_theta": 0.029}
    parts = contributions(length, inputs, u)
    assert [round(float(parts[n][0]), 1) for n in ("standard", "difference", "d_alpha", "theta")] == [
        25.0,
        9.7,
        2.9,
        0.0,
    ]
    assert parts["d_theta"][0] == pytest.approx(16.6, abs=0.1)
    assert round(float(uncertainty(length, inputs, u)[0])) == 32


def test_a_difference_adds_squares() -> None:
    # GUM 5.1.2 by hand: 1.5 and 0.8 kPa give 1.7
    got = uncertainty(gauge_kpa, {"absolute": _a(233.0), "barometric": _a(101.0)}, {"absolute": 1.5, "barometric": 0.8})
    assert got[0] == pytest.approx(1.7)


def test_products_add_squares_of_their_shares() -> None:
    # GUM 5.1.6, equation (12): 5 % of volumetric efficiency, 2 % of pressure, 1 % of kelvin: root of 30 = 5.477 %
    formula = partial(air_kg_s, displacement_l=3.9)
    inputs = {
        "rpm": _a(3200.0),
        "manifold_kpa": _a(233.05),
        "manifold_degc": _a(50.0),
        "efficiency": _a(0.9),
    }
    u = {"efficiency": 0.045, "manifold_kpa": 4.661, "manifold_degc": 3.2315}
    got = uncertainty(formula, inputs, u)[0] / formula(**inputs)[0]
    assert got == pytest.approx(np.sqrt(30.0) / 100.0, rel=1e-3)


def test_power_from_air_scatters_as_told() -> None:
    rng = np.random.default_rng(11)
    n = 20_000
    formula = partial(from_air_kw, bsfc_g_kwh=215.0)
    told = uncertainty(formula, {"air_kg_s": _a(0.235), "afr": _a(19.0)}, {"air_kg_s": 0.007, "afr": 0.6})[0]
    drawn = formula(rng.normal(0.235, 0.007, n), rng.normal(19.0, 0.6, n))
    assert np.std(drawn) == pytest.approx(told, rel=0.03)


def test_an_input_that_cannot_be_varied_both_ways_is_varied_one_way() -> None:
    got = contributions(
        density_kg_m3,
        {"pressure_kpa": _a(100.0), "air_degc": _a(25.0), "humidity": _a(0.0)},
        {"humidity": 0.02},
    )["humidity"][0]
    # dry air cannot be drier: by hand 0.02 * 3.1692 kPa of vapour in place of air, 1000 / 298.15 (1/287.05 - 1/461.5)
    assert got == pytest.approx(0.02 * 3.1692 * 1000.0 / 298.15 * (1.0 / 287.05 - 1.0 / 461.5), rel=1e-3)


def test_unknown_in_unknown_out() -> None:
    inputs = {"absolute": _a(np.nan, 200.0, 200.0), "barometric": _a(100.0, 100.0, 100.0)}
    got = uncertainty(gauge_kpa, inputs, {"absolute": _a(1.0, np.nan, -1.0)})
    assert np.all(np.isnan(got))
    assert uncertainty(gauge_kpa, {"absolute": _a(200.0), "barometric": _a(100.0)}, {})[0] == 0.0


def test_an_uncertainty_of_nothing_is_refused() -> None:
    with pytest.raises(UphaulError, match="humidity"):
        uncertainty(gauge_kpa, {"absolute": _a(200.0), "barometric": _a(100.0)}, {"humidity": 0.1})
