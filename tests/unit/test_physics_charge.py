"""Charge-air formulas against values from outside the project, the source in the row."""

from __future__ import annotations

import numpy as np
import pytest

from uphaul.physics.charge import cooler_effectiveness, gauge_kpa, quotient


def _a(x: float) -> np.ndarray:
    return np.array([x])


@pytest.mark.parametrize(
    ("absolute", "barometric", "boost", "source"),
    [
        (233.05, 101.325, 131.725, "calculated by hand from the definition"),
        # 20 psi = 137.895 kPa over 1 atm = 101.325 kPa: NIST SP 811 appendix B
        (101.325 + 137.895, 101.325, 137.895, "NIST SP 811 app. B"),
        # turbocharger handbooks' worked example: 41.1 psia is 26.4 psig at 14.7 psi, in kPa
        (41.0925 * 6.894757, 14.7 * 6.894757, 26.3925 * 6.894757, "published worked example"),
        # their diesel example, inputs from memory (fairly sure): 34.549 psia is 19.849 psig
        (34.549 * 6.894757, 14.7 * 6.894757, 19.849 * 6.894757, "published worked example"),
    ],
)
def test_boost_is_manifold_over_measured_barometric_pressure(
    absolute: float, barometric: float, boost: float, source: str
) -> None:
    assert gauge_kpa(_a(absolute), _a(barometric))[0] == pytest.approx(boost, rel=1e-5), source


@pytest.mark.parametrize(
    ("outlet", "inlet", "ratio", "source"),
    [
        (233.05, 101.325, 2.300, "calculated by hand from the definition"),
        # 84.556 kPa is 1,500 m in ISO 2533:1975
        (233.05, 84.556, 2.756, "ISO 2533:1975 pressure at 1,500 m"),
        # the diesel worked example of turbocharger handbooks: (34.5 + 2) / (14.7 - 1)
        (34.549 + 2, 14.7 - 1, 2.668, "published worked example"),
    ],
)
def test_pressure_ratio(outlet: float, inlet: float, ratio: float, source: str) -> None:
    assert quotient(_a(outlet), _a(inlet), 0.1)[0] == pytest.approx(ratio, abs=5e-4), source


@pytest.mark.parametrize(
    ("hot", "cooled", "ambient", "effectiveness"),
    # heat-exchanger texts' definition, worked by hand: 0.7 of 130 K, 0.8 of 135.4 K, 0.6 of 100 K
    [(160.0, 69.0, 30.0, 0.7), (160.4, 52.08, 25.0, 0.8), (140.0, 80.0, 40.0, 0.6)],
)
def test_cooler_effectiveness(hot: float, cooled: float, ambient: float, effectiveness: float) -> None:
    assert cooler_effectiveness(_a(hot), _a(cooled), _a(ambient))[0] == pytest.approx(effectiveness, abs=1e-9)


def test_a_compressor_hardly_over_ambient_tells_nothing_of_the_cooler() -> None:
    got = cooler_effectiveness(np.array([39.9, 40.0]), _a(35.0), _a(30.0))
    assert np.isnan(got[0])
    assert got[1] == pytest.approx(0.5)


@pytest.mark.parametrize("denominator", [0.0, -5.0, np.nan])
def test_no_ratio_over_nothing(denominator: float) -> None:
    with np.errstate(all="raise"):
        assert np.isnan(quotient(_a(3.0), _a(denominator), 0.1)[0])
