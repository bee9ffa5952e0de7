"""Power: from torque, from fuel, from air; brake efficiency and specific consumption.

Crankshaft quantities. Power from air rests on three assumptions (volumetric efficiency, air-fuel ratio, specific
consumption), each of which it follows one to one: say them whenever it is shown.
"""

from __future__ import annotations

import numpy as np

from uphaul.physics.basis import Floats, not_negative, positive

__all__ = [
    "DIESEL_LHV_MJ_KG",
    "brake_efficiency",
    "bsfc_g_kwh",
    "from_air_kw",
    "from_fuel_kw",
    "from_torque_kw",
    "fuel_power_kw",
    "torque_nm",
]

DIESEL_LHV_MJ_KG = 42.8
"""Lower heating value of diesel fuel. Source: between 42.79 (US DOE fuel properties, GREET) and 43.0 (IPCC 2006
guidelines, gas/diesel oil), both from memory; Heywood appendix D has 42.5 for light diesel."""

_KW_PER_NM_RPM = np.pi / 30_000.0


def from_torque_kw(torque_nm: Floats, rpm: Floats) -> Floats:
    """Power (kW) of a torque (N·m, negative on overrun) at a speed. Source: definition of power."""
    return torque_nm * not_negative(rpm) * _KW_PER_NM_RPM


def torque_nm(power_kw: Floats, rpm: Floats) -> Floats:
    """Torque (N·m) of a power (kW, negative on overrun); NaN for a standing shaft. Source: definition of power."""
    return power_kw / (positive(rpm) * _KW_PER_NM_RPM)


def from_fuel_kw(fuel_kg_s: Floats, *, bsfc_g_kwh: float) -> Floats:
    """Brake power (kW) of a fuel mass flow at a brake-specific consumption (g/kWh).

    Typical best values: direct injection 195..235, indirect 240..270; part load far higher (common practice).
    Source: definition of specific consumption.
    """
    return not_negative(fuel_kg_s) * (3.6e6 / bsfc_g_kwh)


def from_air_kw(air_kg_s: Floats, afr: Floats, *, bsfc_g_kwh: float) -> Floats:
    """Brake power (kW) of an air mass flow at an air-fuel ratio and a brake-specific consumption (g/kWh).

    Source: definitions of the two ratios.
    """
    return from_fuel_kw(not_negative(air_kg_s) / positive(afr), bsfc_g_kwh=bsfc_g_kwh)


def fuel_power_kw(fuel_kg_s: Floats, *, lhv_mj_kg: float = DIESEL_LHV_MJ_KG) -> Floats:
    """Heat (kW) that a fuel mass flow sets free. Source: definition of the lower heating value."""
    return not_negative(fuel_kg_s) * (lhv_mj_kg * 1000.0)


def bsfc_g_kwh(fuel_kg_s: Floats, power_kw: Floats) -> Floats:
    """Brake-specific consumption (g/kWh); NaN without brake power. Source: definition."""
    return not_negative(fuel_kg_s) * 3.6e6 / positive(power_kw)


def brake_efficiency(bsfc_g_kwh: Floats, *, lhv_mj_kg: float = DIESEL_LHV_MJ_KG) -> Floats:
    """Share of the fuel's heat that reaches the crankshaft. Source: 3600 / (g/kWh * MJ/kg)."""
    return 3600.0 / (positive(bsfc_g_kwh) * lhv_mj_kg)
