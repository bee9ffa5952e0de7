"""Charge air: gauge pressure, pressure ratios and how well the charge cooler cools.

Pressures in kPa absolute, temperatures in degC; arrays of any shape, elementwise, NaN in gives NaN out.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["LEAST_SPREAD_K", "cooler_effectiveness", "gauge_kpa", "quotient"]

Floats = npt.NDArray[np.float64]

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
    usable = denominator >= least
    return np.where(usable, numerator / np.where(usable, denominator, 1.0), np.nan)


def cooler_effectiveness(hot: Floats, cooled: Floats, ambient: Floats, least: float = LEAST_SPREAD_K) -> Floats:
    """(hot - cooled) / (hot - ambient): the share of the possible cooling that the charge cooler does.

    NaN where hot is less than `least` (K) over ambient. Outside 0..1 means swapped sensors or heat soak; that is for
    the signal's range to say. Source: definition of heat-exchanger effectiveness where the charge air's heat capacity
    is the smaller.
    """
    return quotient(hot - cooled, hot - ambient, least)
