"""The demo vehicle's own textbook equations: air, compressor, turbine, engine air flow and road load.

They stand apart from the formulas that the daemon judges with, so that one is never tested against itself.
Temperatures in K, pressures in kPa, SI otherwise.
"""

from __future__ import annotations

import math

__all__ = [
    "G_M_S2",
    "R_AIR",
    "barometer_kpa",
    "compressor_outlet_k",
    "engine_air_kg_s",
    "leak_kg_s",
    "road_force_n",
    "turbine_drop_k",
]

G_M_S2 = 9.80665
"""Source: 40 CFR 1066.210 (standard gravity)."""
R_AIR = 287.05287
"""J/(kg K). Source: ISO 2533:1975."""

_KAPPA_AIR = 2.0 / 7.0  # (g - 1) / g for g = 1.4
_KAPPA_EXHAUST = 0.33 / 1.33  # g = 1.33, common practice for diesel exhaust


def barometer_kpa(altitude_m: float, sea_level_kpa: float) -> float:
    """Pressure at a height, by the standard atmosphere's profile. Source: ISO 2533:1975."""
    return sea_level_kpa * math.pow(1.0 - 0.0065 * altitude_m / 288.15, 5.255876)


def compressor_outlet_k(inlet_k: float, ratio: float, efficiency: float) -> float:
    """Temperature after compression by `ratio`; the isentropic rise over `efficiency`."""
    return inlet_k * (1.0 + (math.pow(ratio, _KAPPA_AIR) - 1.0) / efficiency)


def turbine_drop_k(inlet_k: float, expansion: float, efficiency: float) -> float:
    """How far the exhaust cools over a turbine that expands it by `expansion`."""
    return inlet_k * efficiency * (1.0 - math.pow(expansion, -_KAPPA_EXHAUST))


def engine_air_kg_s(ve: float, displacement_m3: float, rpm: float, map_kpa: float, charge_k: float) -> float:
    """Air that a four-stroke engine draws in (speed-density)."""
    return ve * displacement_m3 * rpm / 120.0 * map_kpa * 1000.0 / (R_AIR * charge_k)


def leak_kg_s(area_mm2: float, map_kpa: float, charge_k: float, baro_kpa: float) -> float:
    """Air lost through a sharp-edged hole (discharge 0.62, common practice) from the intake to the outside."""
    if area_mm2 <= 0.0 or map_kpa <= baro_kpa:
        return 0.0
    ratio = max(baro_kpa / map_kpa, 0.528)  # choked below the critical ratio of air
    flow = math.sqrt(7.0 * (math.pow(ratio, 10.0 / 7.0) - math.pow(ratio, 12.0 / 7.0)))
    return 0.62 * area_mm2 * 1e-6 * map_kpa * 1000.0 / math.sqrt(R_AIR * charge_k) * flow


def road_force_n(
    *, mass_kg: float, crr: float, cda_m2: float, density_kg_m3: float, grade: float, speed_m_s: float, air_m_s: float
) -> float:
    """Rolling, air and slope resistance against driving forward.

    `grade` is rise over run, `air_m_s` the speed of the air against the vehicle. Rolling resistance fades out
    below walking pace so that a standing vehicle stays where it is.
    Source: 40 CFR 1066.210(d)(3) for the form of the equation.
    """
    cosine = 1.0 / math.sqrt(1.0 + grade * grade)
    rolling = crr * mass_kg * G_M_S2 * cosine * min(speed_m_s / 0.5, 1.0)
    drag = 0.5 * density_kg_m3 * cda_m2 * air_m_s * abs(air_m_s)
    return rolling + drag + mass_kg * G_M_S2 * grade * cosine
