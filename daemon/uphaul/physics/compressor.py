"""Turbocharger: how hot the compressor makes the charge, how well it works, and what the turbine takes out.

Ideal gas with constant specific heat: up to a ratio of 3.5 within 1.5 K of real air.
"""

from __future__ import annotations

import numpy as np

from uphaul.physics.basis import ZERO_DEGC_K, Floats, kelvin, not_negative, positive, within

__all__ = ["efficiency", "outlet_degc", "power_kw", "turbine_drop_k"]

AIR_GAMMA = 1.4
"""Specific heats of air, ratio. Source: textbook value of a diatomic ideal gas."""

AIR_CP_KJ_KG_K = 1.005
"""Specific heat of air at constant pressure. Source: textbook value near 300 K; 7/2 R over 28.9647 g/mol is 1.0047."""

EXHAUST_GAMMA = 1.33
"""Specific heats of diesel exhaust, ratio. Source: common practice (1.32..1.35 over load), from memory."""

LEAST_RATIO = 1.1
"""Compressor pressure ratio below which its efficiency says nothing. Source: our own choice: an error of 1 kPa makes
one of a tenth there."""

LEAST_RISE_K = 10.0
"""Temperature rise below which efficiency says nothing. Source: our own choice, two sensors of 1 K each."""


def outlet_degc(inlet_degc: Floats, pressure_ratio: Floats, *, efficiency: float, gamma: float = AIR_GAMMA) -> Floats:
    """Temperature (degC) that leaves a compressor of isentropic `efficiency` (over 0..1) at `pressure_ratio`.

    A ratio below 1 (an idling turbo is only in the way) leaves the temperature as it is: throttling keeps enthalpy.
    Source: isentropic compression of an ideal gas, with the definition of isentropic efficiency.
    """
    inlet = kelvin(inlet_degc)
    work = np.power(np.maximum(positive(pressure_ratio), 1.0), (gamma - 1.0) / gamma) - 1.0
    return inlet * (1.0 + work / efficiency) - ZERO_DEGC_K


def efficiency(
    inlet_degc: Floats,
    hot_degc: Floats,
    pressure_ratio: Floats,
    *,
    gamma: float = AIR_GAMMA,
    least_ratio: float = LEAST_RATIO,
    least_rise_k: float = LEAST_RISE_K,
) -> Floats:
    """Isentropic efficiency of the compressor from the temperatures before and after it (before the charge cooler).

    NaN below `least_ratio` or `least_rise_k`. Over 1 means a sensor that reads low or lags; heat from the turbine makes
    it read low. Source: definition of isentropic efficiency.
    """
    inlet = kelvin(inlet_degc)
    rise = kelvin(hot_degc) - inlet
    ratio = within(pressure_ratio, least_ratio, 100.0)
    return inlet * (np.power(ratio, (gamma - 1.0) / gamma) - 1.0) / np.where(rise >= least_rise_k, rise, np.nan)


def power_kw(air_kg_s: Floats, inlet_degc: Floats, hot_degc: Floats, *, cp_kj_kg_k: float = AIR_CP_KJ_KG_K) -> Floats:
    """Power (kW) that the compressor takes up, which the turbine has to give. Source: steady-flow energy equation."""
    return not_negative(air_kg_s) * cp_kj_kg_k * (kelvin(hot_degc) - kelvin(inlet_degc))


def turbine_drop_k(
    before_degc: Floats, expansion_ratio: Floats, *, efficiency: float, gamma: float = EXHAUST_GAMMA
) -> Floats:
    """Fall of exhaust temperature (K) over a turbine of isentropic `efficiency`; expansion ratio below 1 is NaN.

    Expansion ratio: pressure before over pressure after the turbine, both absolute. Says how far a probe after the
    turbine reads below the one before. Source: isentropic expansion of an ideal gas.
    """
    ratio = within(expansion_ratio, 1.0, 100.0)
    return kelvin(before_degc) * efficiency * (1.0 - np.power(ratio, -(gamma - 1.0) / gamma))
