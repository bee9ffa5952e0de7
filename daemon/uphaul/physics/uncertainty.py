"""How good a computed value is: uncertainties of its inputs carried through the formula to first order.

Works on any formula of this room: inputs are its positional parameters, by name. Inputs must be independent of each
other; two that come from one sensor, or share its supply, are not.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from uphaul.errors import UphaulError
from uphaul.physics.basis import Floats

__all__ = ["contributions", "uncertainty"]


def contributions(
    formula: Callable[..., Floats], inputs: Mapping[str, Floats], uncertainties: Mapping[str, Floats | float]
) -> dict[str, Floats]:
    """Standard uncertainty of the result, in its unit, that comes from each uncertain input alone.

    `inputs` by the formula's parameter names, `uncertainties` of any of them in their units (zero for those not named).
    NaN where the result, or an input's uncertainty, is unknown or negative. Half the change of the result from one
    standard uncertainty below to one above; where one of the two is impossible, the change to the other one.
    Raises UphaulError for an uncertainty of something that is no input.
    Source: JCGM 100:2008 (GUM), 5.1.3, note 2.
    """
    if strange := sorted(set(uncertainties) - set(inputs)):
        raise UphaulError(f"uncertainty of {', '.join(strange)}: not among the inputs {', '.join(inputs)}")
    middle = formula(**inputs)
    found = {}
    for name, given in uncertainties.items():
        u = np.where(np.asarray(given) >= 0.0, given, np.nan)
        above = formula(**{**inputs, name: inputs[name] + u})
        below = formula(**{**inputs, name: inputs[name] - u})
        both = np.abs(above - below) / 2.0
        one = np.where(np.isnan(above), np.abs(middle - below), np.abs(above - middle))
        found[name] = np.where(np.isnan(middle), np.nan, np.where(np.isnan(both), one, both))
    return found


def uncertainty(
    formula: Callable[..., Floats], inputs: Mapping[str, Floats], uncertainties: Mapping[str, Floats | float]
) -> Floats:
    """Combined standard uncertainty of the result, in its unit: the root of the contributions' squares.

    Zero where no input is uncertain; see `contributions`. Source: JCGM 100:2008 (GUM), 5.1.2, equation (10).
    """
    squares = np.where(np.isnan(formula(**inputs)), np.nan, 0.0)
    for each in contributions(formula, inputs, uncertainties).values():
        squares = squares + each * each
    return np.sqrt(squares)
