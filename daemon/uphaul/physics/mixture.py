"""Air and fuel: the stoichiometric ratio of a fuel, air-fuel ratio, lambda, and how far it is from smoke."""

from __future__ import annotations

from uphaul.physics.basis import Floats, not_negative, positive

__all__ = [
    "DIESEL_AFR",
    "DIESEL_KG_L",
    "SMOKE_LAMBDA",
    "afr",
    "afr_from_lambda",
    "fuel_from_volume_kg_s",
    "fuel_kg_s",
    "lambda_from_afr",
    "smoke_margin",
    "stoichiometric_afr",
]

DIESEL_AFR = 14.5
"""Stoichiometric air-fuel ratio of light diesel fuel CH1.8. Source: Heywood, Internal Combustion Engine Fundamentals,
appendix D, from memory."""

DIESEL_KG_L = 0.8325
"""Density of diesel fuel at 15 degC: the middle of EN 590's 0.820..0.845 kg/L, from memory; about 0.08 % less a kelvin
(common practice)."""

SMOKE_LAMBDA = 1.2
"""Lambda below which a diesel smokes at full load. Source: common practice (17.5:1), no standard; a default that the
owner sets by what the exhaust shows."""

_OXYGEN = 0.20946  # mole share of dry air; source: US Standard Atmosphere 1976
_AIR_G_MOL = 28.9647  # source: US Standard Atmosphere 1976, rounded
_CARBON_G_MOL = 12.011  # source: IUPAC standard atomic weights
_HYDROGEN_G_MOL = 1.008  # source: IUPAC standard atomic weights


def stoichiometric_afr(hydrogen_per_carbon: Floats) -> Floats:
    """Mass of dry air that just burns a mass of CHn, n = `hydrogen_per_carbon`, 0 (carbon) to 4 (methane).

    Source: CHn + (1 + n/4) O2 -> CO2 + n/2 H2O.
    """
    n = not_negative(hydrogen_per_carbon)
    return (1.0 + n / 4.0) * (_AIR_G_MOL / _OXYGEN) / (_CARBON_G_MOL + _HYDROGEN_G_MOL * n)


def afr(air_kg_s: Floats, fuel_kg_s: Floats) -> Floats:
    """Air-fuel ratio by mass; NaN without fuel (overrun). Source: definition."""
    return not_negative(air_kg_s) / positive(fuel_kg_s)


def lambda_from_afr(afr: Floats, *, stoichiometric: float = DIESEL_AFR) -> Floats:
    """Lambda: air-fuel ratio over the stoichiometric one. Source: definition."""
    return positive(afr) / stoichiometric


def afr_from_lambda(lambda_: Floats, *, stoichiometric: float = DIESEL_AFR) -> Floats:
    """Air-fuel ratio of a wideband sensor's lambda. A sensor that shows petrol AFR shows lambda * 14.7, not this.

    Source: definition.
    """
    return positive(lambda_) * stoichiometric


def smoke_margin(lambda_: Floats, *, limit: float = SMOKE_LAMBDA) -> Floats:
    """Share by which the air exceeds what the smoke limit asks for; below 0 it smokes.

    0.1 means a tenth more fuel would reach the limit. Source: definition, lambda / limit - 1.
    """
    return positive(lambda_) / limit - 1.0


def fuel_kg_s(air_kg_s: Floats, afr: Floats) -> Floats:
    """Fuel mass flow (kg/s) from air mass flow and air-fuel ratio. Source: definition."""
    return not_negative(air_kg_s) / positive(afr)


def fuel_from_volume_kg_s(fuel_l_h: Floats, *, density_kg_l: float = DIESEL_KG_L) -> Floats:
    """Fuel mass flow (kg/s) from volume flow (L/h) and density (kg/L, 15 degC). Source: definition of density."""
    return not_negative(fuel_l_h) * density_kg_l / 3600.0
