"""Type K thermocouples: electromotive force and temperature by the exact reference function, both ways.

The cold junction is compensated in millivolts, E(hot) = E(measured) + E(cold). Adding temperatures instead is wrong by
many degrees, because the function is curved.

Source: NIST Monograph 175 (1993), the reference function and coefficients of type K (also IEC 60584-1:2013), ITS-90.
Temperatures in degC, electromotive forces in mV against a junction at 0 degC. -200 to 1372 degC; NaN outside.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from uphaul.signals.model import Quality
from uphaul.signals.reading import Beside, Floats, Reading, floats, graded, require

__all__ = [
    "HIGHEST_DEGC",
    "LOWEST_DEGC",
    "Burnout",
    "TypeK",
    "compensated_degc",
    "type_k_degc",
    "type_k_mv",
    "type_k_mv_per_k",
]

LOWEST_DEGC, HIGHEST_DEGC = -200.0, 1372.0

# Powers of the temperature from the constant upwards.
_COLD = np.array([
    0.0, 0.394501280250e-1, 0.236223735980e-4, -0.328589067840e-6, -0.499048287770e-8, -0.675090591730e-10,
    -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16, -0.198892668780e-19, -0.163226974860e-22,
])  # fmt: skip
_HOT = np.array([
    -0.176004136860e-1, 0.389212049750e-1, 0.185587700320e-4, -0.994575928740e-7, 0.318409457190e-9,
    -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18, 0.971511471520e-22, -0.121047212750e-25,
])  # fmt: skip
_A0, _A1, _A2 = 0.118597600000, -0.118343200000e-3, 0.126968600000e3

_COLD_SLOPE = _COLD[1:] * np.arange(1.0, len(_COLD))
_HOT_SLOPE = _HOT[1:] * np.arange(1.0, len(_HOT))

_NEWTON_STEPS = 1
"""From a start within 0.0015 K (a table 1 K apart, straight between) one step comes within 2e-8 K: it squares the
error and multiplies it by half the curvature over the slope, which is under 0.006 / K everywhere."""


def _polynomial(powers: Floats, x: Floats) -> Floats:
    total = np.full(x.shape, powers[-1])
    for c in powers[-2::-1]:
        total = total * x + c
    return total


def _valid(degc: Floats) -> Floats:
    return np.where((degc >= LOWEST_DEGC) & (degc <= HIGHEST_DEGC), degc, np.nan)


def _mv(t: Floats) -> Floats:
    cold, hot = np.minimum(t, 0.0), np.maximum(t, 0.0)
    above = _polynomial(_HOT, hot) + _A0 * np.exp(_A1 * (hot - _A2) ** 2)
    return np.where(t > 0.0, above, _polynomial(_COLD, cold))


def _slope(t: Floats) -> Floats:
    cold, hot = np.minimum(t, 0.0), np.maximum(t, 0.0)
    bump = _A0 * np.exp(_A1 * (hot - _A2) ** 2) * 2.0 * _A1 * (hot - _A2)
    return np.where(t < 0.0, _polynomial(_COLD_SLOPE, cold), _polynomial(_HOT_SLOPE, hot) + bump)


_GRID_DEGC = np.linspace(LOWEST_DEGC, HIGHEST_DEGC, 1573)  # 1 K apart
_GRID_MV = _mv(_GRID_DEGC)


def type_k_mv(degc: npt.ArrayLike) -> Floats:
    """Electromotive force in mV of a junction at `degc` against one at 0 degC. Source: see the module."""
    (t,) = floats(degc)
    return _mv(_valid(t))


def type_k_mv_per_k(degc: npt.ArrayLike) -> Floats:
    """Seebeck coefficient in mV/K at `degc`: the derivative of `type_k_mv`."""
    (t,) = floats(degc)
    return _slope(_valid(t))


def type_k_degc(mv: npt.ArrayLike) -> Floats:
    """Temperature in degC that gives `mv` against a junction at 0 degC: Newton's method on the exact function.

    Not the published inverse polynomials, which are up to 0.06 K off it.
    """
    (e,) = floats(mv)
    spare = 1e-9  # rounding at the very ends is not "outside"
    inside = (e >= _GRID_MV[0] - spare) & (e <= _GRID_MV[-1] + spare)
    aim = np.where(inside, np.clip(e, _GRID_MV[0], _GRID_MV[-1]), 0.0)
    t: Floats = np.interp(aim, _GRID_MV, _GRID_DEGC)
    for _ in range(_NEWTON_STEPS):
        t = np.clip(t - (_mv(t) - aim) / _slope(t), LOWEST_DEGC, HIGHEST_DEGC)
    return np.where(inside, t, np.nan)


def compensated_degc(measured_mv: npt.ArrayLike, cold_degc: npt.ArrayLike) -> Floats:
    """Temperature of the hot junction in degC from the mV at the terminals and the terminals' own temperature."""
    e, cold = floats(measured_mv, cold_degc)
    return type_k_degc(e + type_k_mv(cold))


@lru_cache(maxsize=64)
def _range_mv(range_degc: tuple[float, float]) -> tuple[float, float]:
    low, high = type_k_mv(range_degc)
    return float(low), float(high)


class Burnout(StrEnum):
    """Where a test current drives the input when the thermocouple is open: over the top, under the bottom, nowhere."""

    UP = "up"
    DOWN = "down"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class TypeK:
    """A bare type K thermocouple at an amplifier that measures mV, with the terminals' temperature beside it.

    `range_degc` are the temperatures that can be; outside is a fault. `burnout` is the test current of the amplifier:
    beyond the range on its side the circuit is open. `cold_range_degc` are the temperatures the terminals can have.

    What cannot be told from the voltage alone: wires that touch each other make a new junction there, so that the
    reading is the temperature of that place; without `burnout` an open wire drifts anywhere. For a wire that breaks
    while driving see `uphaul.signals.probe_guard`. Crossed wires read falling when the exhaust heats, and so come out
    below the range once it is hot.

    Raises: TransferError.
    """

    range_degc: tuple[float, float] = (-40.0, 1200.0)
    burnout: Burnout = Burnout.NONE
    cold_range_degc: tuple[float, float] = (-40.0, 125.0)

    unit: ClassVar[str] = "degC"
    reads: ClassVar[str] = "mV"
    beside: ClassVar[Beside] = Beside.COLD_DEGC

    def __post_init__(self) -> None:
        for key, (low, high) in (("range_degc", self.range_degc), ("cold_range_degc", self.cold_range_degc)):
            require(
                "type-k", key, (low, high), LOWEST_DEGC <= low < high <= HIGHEST_DEGC, "must rise, within -200 to 1372"
            )

    def read(self, millivolts: npt.ArrayLike, beside: npt.ArrayLike) -> Reading:
        """degC of the hot junction from `millivolts` at the terminals and the terminals' degC measured `beside`."""
        e, cold = floats(millivolts, beside)
        total = e + type_k_mv(cold)
        lowest, highest = _range_mv(self.range_degc)
        sane = np.isfinite(e) & (cold >= self.cold_range_degc[0]) & (cold <= self.cold_range_degc[1])
        under = Quality.OPEN_CIRCUIT if self.burnout is Burnout.DOWN else Quality.BELOW_RANGE
        over = Quality.OPEN_CIRCUIT if self.burnout is Burnout.UP else Quality.ABOVE_RANGE
        return graded(
            type_k_degc(total),
            (~sane, Quality.UNDECODABLE),
            (total < lowest, under),
            (total > highest, over),
        )
