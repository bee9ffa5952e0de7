"""Moist air: how much water it can hold, what it weighs, and the dry share of its pressure."""

from __future__ import annotations

import numpy as np

from uphaul.physics.basis import DRY_AIR_J_KG_K, ZERO_DEGC_K, Floats, kelvin, not_negative, positive, within

__all__ = ["density_kg_m3", "dry_kpa", "humidity_ratio", "saturation_kpa", "vapour_kpa"]

VAPOUR_J_KG_K = 461.495
"""Gas constant of water vapour. Source: common tables of moist air, from memory; the IAPWS-95 formulation has 461.518,
which is 0.005 % more."""

VAPOUR_TO_AIR = 0.621945
"""Molar mass of water over that of dry air. Source: ASHRAE Handbook, Fundamentals, chapter 1, from memory."""

OVER_FULL = 1.05
"""Relative humidity up to here is a wet sensor's error and read as 1; more than that is no humidity. Source: our own
choice; humidity sensors are commonly good to 2..5 % near saturation."""

_TRIPLE_DEGC = 0.01
# Hyland and Wexler (1983), as in ASHRAE Handbook, Fundamentals, chapter 1: ln(p / Pa) over T / K
_ICE = np.array((-5.6745359e3, 6.3925247, -9.677843e-3, 6.2215701e-7, 2.0747825e-9, -9.484024e-13, 4.1635019))
_WATER = np.array((-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 0.0, 6.5459673))


def saturation_kpa(air_degc: Floats) -> Floats:
    """Pressure (kPa) of saturated water vapour at -100..200 degC, over ice below 0.01 degC; else NaN.

    Source: Hyland and Wexler, ASHRAE Transactions 89 (1983), as in ASHRAE Handbook, Fundamentals, chapter 1.
    """
    degc = within(air_degc, -100.0, 200.0)
    t = degc + ZERO_DEGC_K
    over_ice = degc < _TRIPLE_DEGC
    if not over_ice.any():  # the same numbers for less
        a, b, c, d, e, f, g = _WATER
    else:
        a, b, c, d, e, f, g = np.moveaxis(np.where(over_ice[..., np.newaxis], _ICE, _WATER), -1, 0)
    pascal: Floats = np.exp(a / t + b + t * (c + t * (d + t * (e + t * f))) + g * np.log(t))
    return pascal / 1000.0


def vapour_kpa(air_degc: Floats, humidity: Floats) -> Floats:
    """Pressure (kPa) of the water vapour in air of relative humidity 0..1; up to 1.05 counts as 1, else NaN.

    Source: definition of relative humidity.
    """
    return np.minimum(within(humidity, 0.0, OVER_FULL), 1.0) * saturation_kpa(air_degc)


def dry_kpa(pressure_kpa: Floats, air_degc: Floats, humidity: Floats) -> Floats:
    """Pressure (kPa) that is dry air's, which is what burns fuel; NaN where the vapour alone would be more.

    Source: Dalton's law.
    """
    return not_negative(pressure_kpa - vapour_kpa(air_degc, humidity))


def density_kg_m3(pressure_kpa: Floats, air_degc: Floats, humidity: Floats) -> Floats:
    """Density (kg/m3) of moist air as two ideal gases; for dry air give a humidity of 0.

    Within 0.1 % of CIPM-2007 at 0..40 degC and road altitudes. Source: Dalton's law and the ideal-gas law.
    """
    vapour = vapour_kpa(air_degc, humidity)
    dry = not_negative(pressure_kpa - vapour)
    return (dry / DRY_AIR_J_KG_K + vapour / VAPOUR_J_KG_K) * 1000.0 / kelvin(air_degc)


def humidity_ratio(pressure_kpa: Floats, air_degc: Floats, humidity: Floats) -> Floats:
    """Mass of water over mass of dry air (kg/kg). Source: ASHRAE Handbook, Fundamentals, chapter 1."""
    vapour = vapour_kpa(air_degc, humidity)
    return VAPOUR_TO_AIR * vapour / positive(pressure_kpa - vapour)
