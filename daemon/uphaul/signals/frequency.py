"""Frequency to engine speed, and how finely a speed can be told from periods or from counting.

What cannot be told: no pulses are a standing engine, a broken wire and a shorted wire alike. Another signal (oil
pressure, charging voltage, boost) must say which; here 0 Hz is 0 rpm.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from uphaul.signals.model import Quality
from uphaul.signals.reading import Beside, Floats, Reading, floats, graded, require

__all__ = ["PulseSpeed", "gate_step_rpm", "period_error_rpm", "period_error_rpm_first_order"]


@dataclass(frozen=True, slots=True)
class PulseSpeed:
    """Speed in rpm from a frequency: 60 f / `pulses_per_turn` of the engine, up to `highest_rpm`.

    Raises: TransferError.
    """

    pulses_per_turn: float
    highest_rpm: float = 8000.0

    unit: ClassVar[str] = "rpm"
    reads: ClassVar[str] = "Hz"
    beside: ClassVar[Beside] = Beside.NOTHING

    def __post_init__(self) -> None:
        require("speed", "pulses_per_turn", self.pulses_per_turn, self.pulses_per_turn > 0.0, "must be over 0")
        require("speed", "highest_rpm", self.highest_rpm, self.highest_rpm > 0.0, "must be over 0")

    @classmethod
    def alternator(cls, pole_pairs: int, ratio: float, highest_rpm: float = 8000.0) -> PulseSpeed:
        """The W terminal: `pole_pairs` (a rotor of 12 claws has 6) and alternator turns per engine turn.

        A slipping belt reads low. Source: f = rpm p / 60, definition of a synchronous machine.
        """
        require("alternator", "pole_pairs", pole_pairs, pole_pairs >= 1, "must be 1 or more")
        require("alternator", "ratio", ratio, ratio > 0.0, "must be over 0")
        return cls(pole_pairs * ratio, highest_rpm)

    @classmethod
    def crank(cls, teeth: float, ratio: float = 1.0, highest_rpm: float = 8000.0) -> PulseSpeed:
        """A toothed wheel that turns `ratio` times an engine turn (0.5 on a camshaft).

        On a wheel with missing teeth: the full count for the spacing of two teeth, the real count for whole turns.
        Source: f = rpm teeth / 60, definition.
        """
        require("crank", "teeth", teeth, teeth >= 1, "must be 1 or more")
        require("crank", "ratio", ratio, ratio > 0.0, "must be over 0")
        return cls(teeth * ratio, highest_rpm)

    def read(self, hertz: npt.ArrayLike, beside: npt.ArrayLike = np.nan) -> Reading:
        """rpm from `hertz`; `beside` is not used. A frequency beyond the highest speed is interference."""
        (f,) = floats(hertz)
        rpm = 60.0 * f / self.pulses_per_turn
        return graded(
            rpm,
            (~np.isfinite(f) | (f < 0.0), Quality.UNDECODABLE),
            (rpm > self.highest_rpm, Quality.ABOVE_RANGE),
        )


def period_error_rpm(rpm: npt.ArrayLike, pulses_per_turn: float, tick_s: float, periods: int = 1) -> Floats:
    """Largest error in rpm of a speed from `periods` whole periods timed in ticks of `tick_s`; infinite below one tick.

    A time T is counted as T - tick to T + tick, so the speed is at most rpm T / (T - tick). Source: interval
    arithmetic on the definition.
    """
    (speed,) = floats(rpm)
    turning = speed > 0.0
    total_s = periods * 60.0 / (np.where(turning, speed, 1.0) * pulses_per_turn)
    shortest = total_s - tick_s
    error = speed * tick_s / np.where(shortest > 0.0, shortest, 1.0)
    return np.where(turning, np.where(shortest > 0.0, error, np.inf), 0.0)


def period_error_rpm_first_order(rpm: npt.ArrayLike, pulses_per_turn: float, tick_s: float, periods: int = 1) -> Floats:
    """rpm^2 pulses tick / (60 periods): fits only while the tick is under a tenth of the time measured."""
    (speed,) = floats(rpm)
    return speed * speed * (pulses_per_turn * tick_s / (60.0 * periods))


def gate_step_rpm(pulses_per_turn: float, gate_s: float) -> float:
    """Step in rpm of a speed from counting pulses for `gate_s`. Source: one count more or less."""
    return 60.0 / (pulses_per_turn * gate_s)
