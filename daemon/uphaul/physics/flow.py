"""Air through the engine by speed and density: mass flow, volumetric efficiency, and the pressure a flow needs.

Four-stroke engines. Volumetric efficiency here is over *manifold* density, so boost is not in it: 0.8..0.95 is usual
(common practice).
"""

from __future__ import annotations

from uphaul.physics.basis import DRY_AIR_J_KG_K, Floats, kelvin, not_negative, positive

__all__ = ["air_kg_s", "air_mg_stroke", "manifold_kpa", "volumetric_efficiency"]


def _swept_kg_s(rpm: Floats, manifold_kpa: Floats, manifold_degc: Floats, displacement_l: float) -> Floats:
    """Mass flow (kg/s) if every second revolution filled the displacement with manifold air; kPa times L are J."""
    return rpm * (displacement_l / 120.0) * manifold_kpa / (DRY_AIR_J_KG_K * kelvin(manifold_degc))


def air_kg_s(
    rpm: Floats, manifold_kpa: Floats, manifold_degc: Floats, efficiency: Floats, *, displacement_l: float
) -> Floats:
    """Air mass flow (kg/s) from engine speed, absolute manifold pressure, charge temperature, volumetric efficiency.

    A standing engine (0 rpm) draws none. Exhaust that is led back counts as air. Source: ideal-gas law with the
    definition of volumetric efficiency.
    """
    swept = _swept_kg_s(not_negative(rpm), positive(manifold_kpa), manifold_degc, displacement_l)
    return positive(efficiency) * swept


def volumetric_efficiency(
    air_kg_s: Floats, rpm: Floats, manifold_kpa: Floats, manifold_degc: Floats, *, displacement_l: float
) -> Floats:
    """Volumetric efficiency from a measured air mass flow (kg/s); NaN for a standing engine. Source: definition."""
    return not_negative(air_kg_s) / _swept_kg_s(positive(rpm), positive(manifold_kpa), manifold_degc, displacement_l)


def manifold_kpa(
    air_kg_s: Floats, rpm: Floats, manifold_degc: Floats, efficiency: Floats, *, displacement_l: float
) -> Floats:
    """Absolute manifold pressure (kPa) that an air mass flow (kg/s) needs; NaN for a standing engine.

    Source: ideal-gas law with the definition of volumetric efficiency.
    """
    per_kpa = positive(rpm) * (displacement_l / 120.0) / (DRY_AIR_J_KG_K * kelvin(manifold_degc))
    return not_negative(air_kg_s) / (positive(efficiency) * per_kpa)


def air_mg_stroke(air_kg_s: Floats, rpm: Floats, *, cylinders: int) -> Floats:
    """Air (mg) in one cylinder for one power stroke; NaN for a standing engine. Source: a four-stroke's definition."""
    return not_negative(air_kg_s) * 120.0e6 / (positive(rpm) * cylinders)
