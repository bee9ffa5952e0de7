"""Looks at full-load pulls beside those of the reference drive."""

from __future__ import annotations

from math import isnan

from uphaul.analysis.looks import UNKNOWN, Seen
from uphaul.analysis.pair import Pair
from uphaul.analysis.pull_beside import USUAL, Beside

__all__ = ["charge", "driven", "in_pulls", "power"]


def in_pulls(pair: Pair, name: str) -> Seen:
    """The difference of a quantity in pulls; unknown where it isn't told there or no two pulls met."""
    return _seen(pair.in_pulls(name)) if name in USUAL else UNKNOWN


def driven(pair: Pair, name: str) -> str:
    """In which pulls the quantity was compared, in words; empty for none."""
    found = pair.in_pulls(name) if name in USUAL else None
    if found is None:
        return ""
    mine, theirs = found.pulls
    many = "a full-load pull" if mine == 1 else f"{mine} full-load pulls"
    return f"in {many} at {found.rpm[0]:,.0f} to {found.rpm[1]:,.0f} rpm beside {theirs} of the reference"


def charge(pair: Pair) -> Seen:
    """Charge air over the outside air for the same compression, where no sensor tells what leaves the turbo.

    With that sensor the intercooler's effectiveness says more, and is a sign of its own.
    """
    if pair.there is None or (pair.here.has("compressor_out") and pair.there.has("compressor_out")):
        return UNKNOWN
    return _seen(pair.in_pulls("charge_over_ambient"))


def power(pair: Pair) -> Seen:
    """Power at the wheels that is missing, by the road load; more than the reference's is wind or weight, no fault."""
    value, uncertainty, moments = _seen(pair.in_pulls("wheel_power"))
    return (value if isnan(value) else min(value, 0.0)), uncertainty, moments


def _seen(found: Beside | None) -> Seen:
    return UNKNOWN if found is None else (found.value, found.uncertainty, found.moments_ms)
