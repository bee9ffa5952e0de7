"""Charge air: gauge pressure, pressure ratios, how well the charge cooler cools and what it costs in pressure.

Pressures in kPa absolute, temperatures in degC; arrays of any shape, elementwise, NaN in gives NaN out.
"""

from __future__ import annotations

import numpy as np

from uphaul.physics.basis import Floats, kelvin, positive, within

__all__ = [
    "LEAST_SPREAD_K",
    "cooled_degc",
    "cooler_drop_kpa",
    "cooler_effectiveness",
    "counterflow_effectiveness",
    "crossflow_effectiveness",
    "density_ratio",
    "gauge_kpa",
    "quotient",
]

LEAST_SPREAD_K = 10.0
"""Compressor outlet over ambient below which a cooler's effectiveness says nothing. Source: our own choice: two
sensors of 1 K each make an error of about a seventh there."""


def gauge_kpa(absolute: Floats, barometric: Floats) -> Floats:
    """Pressure over the surrounding air, both measured (never a fixed 101.325 kPa). Source: definition."""
    return absolute - barometric


def quotient(numerator: Floats, denominator: Floats, least: float) -> Floats:
    """`numerator` / `denominator`, NaN where the denominator is not at least `least` (> 0): both in one unit.

    A compressor's pressure ratio is outlet over inlet, both absolute; with boost and ambient pressure alone, manifold
    over barometric stands in for it. Source: definition.
    """
    if denominator.size == 1:  # a tick alone, for less
        return numerator / denominator if denominator.item() >= least else numerator * np.nan
    usable = denominator >= least
    return np.where(usable, numerator / np.where(usable, denominator, 1.0), np.nan)


def cooler_effectiveness(hot: Floats, cooled: Floats, ambient: Floats, least: float = LEAST_SPREAD_K) -> Floats:
    """(hot - cooled) / (hot - ambient): the share of the possible cooling that the charge cooler does.

    NaN where hot is less than `least` (K) over ambient. Outside 0..1 means swapped sensors or heat soak; that is for
    the signal's range to say. Source: definition of heat-exchanger effectiveness where the charge air's heat capacity
    is the smaller.
    """
    return quotient(hot - cooled, hot - ambient, least)


def cooled_degc(hot_degc: Floats, ambient_degc: Floats, *, effectiveness: float) -> Floats:
    """Temperature (degC) behind a charge cooler of known `effectiveness` (0..1). Source: definition, solved."""
    hot, ambient = within(hot_degc, -273.15, 2000.0), within(ambient_degc, -273.15, 2000.0)
    return hot - effectiveness * (hot - ambient)


def cooler_drop_kpa(before_kpa: Floats, after_kpa: Floats) -> Floats:
    """Pressure (kPa) lost in charge cooler and pipes, both absolute; negative means swapped or drifted sensors.

    Source: definition.
    """
    return positive(before_kpa) - positive(after_kpa)


def density_ratio(inlet_kpa: Floats, inlet_degc: Floats, manifold_kpa: Floats, manifold_degc: Floats) -> Floats:
    """Density in the manifold over density at the inlet, absolute pressures: what charging gains after its heat.

    Source: ideal-gas law.
    """
    return positive(manifold_kpa) / positive(inlet_kpa) * (kelvin(inlet_degc) / kelvin(manifold_degc))


def counterflow_effectiveness(transfer_units: Floats, capacity_ratio: Floats) -> Floats:
    """Effectiveness of a counterflow cooler from its number of transfer units (UA / Cmin) and Cmin / Cmax (0..1).

    Source: effectiveness-NTU method, Kays and London, Compact Heat Exchangers.
    """
    n, c = within(transfer_units, 0.0, 100.0), within(capacity_ratio, 0.0, 1.0)
    even = 1.0 - c < 1e-6  # the general form is 0 / 0 at equal capacities
    left = np.exp(-n * (1.0 - c))
    return np.where(even, n / (1.0 + n), (1.0 - left) / np.where(even, 1.0, 1.0 - c * left))


def crossflow_effectiveness(transfer_units: Floats, capacity_ratio: Floats) -> Floats:
    """Effectiveness of a crossflow cooler, neither stream mixed (tube and fin), from transfer units and Cmin / Cmax.

    The usual closed form: within 2 % of the exact series from 1.5 transfer units up, up to 4 % below it under that.
    Source: Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, from memory.
    """
    n, c = within(transfer_units, 0.0, 100.0), within(capacity_ratio, 0.0, 1.0)
    none = c < 1e-9  # the general form is 0 / 0 without a second stream
    share = np.where(none, 1.0, c)
    general = 1.0 - np.exp(np.power(n, 0.22) / share * (np.exp(-share * np.power(n, 0.78)) - 1.0))
    return np.where(none, 1.0 - np.exp(-n), general)
