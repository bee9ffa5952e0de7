"""In which gear a full-load pull over a span of engine speed stays within a speed limit, by the build sheet."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, pi

from uphaul.physics.basis import Floats
from uphaul.vehicle.sheet import BuildSheet, Engine

__all__ = ["PullGear", "pull_gear", "pull_span"]

FROM_IDLE = 2.0
"""A pull begins at so many times idle: below, a diesel is not asked for full load. Source: common practice."""
NEARLY = 0.995
"""Share of its most power from which on a tune is at it. Source: our own choice."""


@dataclass(frozen=True, slots=True)
class PullGear:
    """Gear (1 is first) of a pull, the speeds at its two ends in km/h, and the same in words."""

    gear: int
    from_km_h: float
    to_km_h: float
    words: str


def pull_span(engine: Engine, rpm: Floats, power_kw: Floats) -> tuple[float, float] | None:
    """From which engine speed to which a tune's pull goes: from twice idle to where it is at its power.

    `rpm` (N,) rising and `power_kw` (N,) are what the tune is to reach. None where its power comes before that.
    """
    start = FROM_IDLE * engine.idle_rpm
    end = float(rpm[power_kw >= NEARLY * power_kw.max()][0])
    return (start, end) if start < end else None


def pull_gear(sheet: BuildSheet, limit_km_h: float, from_rpm: float, to_rpm: float) -> PullGear | None:
    """The highest gear in which `to_rpm` is still within the limit; None where there is none: then a dynamometer.

    None too for a sheet without a driveline. Speed at a tyre that rolls without slip: circumference times turns, good
    to some 3 % as tyres wear and grow (common practice). The highest gear makes the longest pull, in which boost has
    time to follow. Raises ValueError for what is no span.
    """
    if not (isfinite(to_rpm) and 0.0 < from_rpm < to_rpm and limit_km_h > 0.0):
        raise ValueError(f"no pull goes from {from_rpm:g} to {to_rpm:g} rpm within {limit_km_h:g} km/h")
    line = sheet.driveline
    if line is None:
        return None
    for gear, overall in sorted(enumerate(line.overall, 1), key=lambda each: each[1]):
        start, end = (2.0 * pi * line.tyre_radius_m * rpm / overall * 0.06 for rpm in (from_rpm, to_rpm))
        if end <= limit_km_h:
            words = f"gear {gear}: {from_rpm:.0f} to {to_rpm:.0f} rpm is {start:.0f} to {end:.0f} km/h"
            return PullGear(gear, start, end, words)
    return None
