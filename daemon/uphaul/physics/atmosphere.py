"""The standard atmosphere up to 11 km: pressure, temperature and the altitudes that pressure and density stand for.

Source of all: ISO 2533:1975, the same as ICAO Doc 7488 and the US Standard Atmosphere 1976 below 32 km: 288.15 K and
101.325 kPa at sea level, 6.5 K less each kilometre of *geopotential* height. A map's or a satellite's height is
geometric; at 3,000 m the two are 1.4 m apart.
"""

from __future__ import annotations

import numpy as np

from uphaul.physics.basis import DRY_AIR_J_KG_K, GRAVITY_M_S2, ZERO_DEGC_K, Floats, positive, within

__all__ = [
    "SEA_LEVEL_DENSITY_KG_M3",
    "SEA_LEVEL_KPA",
    "density_altitude_m",
    "geometric_m",
    "geopotential_m",
    "pressure_altitude_m",
    "standard_degc",
    "standard_kpa",
]

SEA_LEVEL_KPA = 101.325
SEA_LEVEL_K = 288.15
LAPSE_K_M = 0.0065
EARTH_RADIUS_M = 6_356_766.0
LOWEST_M = -2_000.0
HIGHEST_M = 11_000.0
"""The layer that the lapse rate holds for. Source of the five above: ISO 2533:1975; its tables begin at -2,000 m."""

_EXPONENT = GRAVITY_M_S2 / (DRY_AIR_J_KG_K * LAPSE_K_M)  # 5.255876
SEA_LEVEL_DENSITY_KG_M3 = SEA_LEVEL_KPA * 1000.0 / (DRY_AIR_J_KG_K * SEA_LEVEL_K)
"""1.225 kg/m3. Source: ISO 2533:1975."""


def standard_degc(altitude_m: Floats) -> Floats:
    """Temperature (degC) of the standard atmosphere at a geopotential height of -2,000..11,000 m, else NaN."""
    return SEA_LEVEL_K - LAPSE_K_M * within(altitude_m, LOWEST_M, HIGHEST_M) - ZERO_DEGC_K


def standard_kpa(altitude_m: Floats) -> Floats:
    """Pressure (kPa) of the standard atmosphere at a geopotential height of -2,000..11,000 m, else NaN."""
    cooler = 1.0 - within(altitude_m, LOWEST_M, HIGHEST_M) * (LAPSE_K_M / SEA_LEVEL_K)
    return SEA_LEVEL_KPA * np.power(cooler, _EXPONENT)


def pressure_altitude_m(barometric_kpa: Floats) -> Floats:
    """Geopotential height (m) at which the standard atmosphere has this pressure; NaN outside -2,000..11,000 m.

    Weather moves it: 1 kPa is about 85 m near the sea.
    """
    share = positive(barometric_kpa) / SEA_LEVEL_KPA
    return within((1.0 - np.power(share, 1.0 / _EXPONENT)) * (SEA_LEVEL_K / LAPSE_K_M), LOWEST_M, HIGHEST_M)


def density_altitude_m(density_kg_m3: Floats) -> Floats:
    """Geopotential height (m) at which the standard atmosphere has this density; NaN outside -2,000..11,000 m.

    What the engine breathes, in one number: hot, damp or thin air all count as height.
    """
    share = positive(density_kg_m3) / SEA_LEVEL_DENSITY_KG_M3
    return within((1.0 - np.power(share, 1.0 / (_EXPONENT - 1.0))) * (SEA_LEVEL_K / LAPSE_K_M), LOWEST_M, HIGHEST_M)


def geopotential_m(height_m: Floats) -> Floats:
    """Geopotential height (m) of a geometric one (-5..80 km, else NaN)."""
    z = within(height_m, -5_000.0, 80_000.0)
    return EARTH_RADIUS_M * z / (EARTH_RADIUS_M + z)


def geometric_m(altitude_m: Floats) -> Floats:
    """Geometric height (m) of a geopotential one (-5..79 km, else NaN)."""
    h = within(altitude_m, -5_000.0, 79_000.0)
    return EARTH_RADIUS_M * h / (EARTH_RADIUS_M - h)
