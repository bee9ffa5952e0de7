"""A voltage that is itself the signal: the supply, a switch, a band of voltages that tells something."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from uphaul.signals.model import Quality
from uphaul.signals.reading import Beside, Bias, Reading, floats, graded, require

__all__ = ["PlainVolts"]


@dataclass(frozen=True, slots=True)
class PlainVolts:
    """Takes the voltage as it is. Where nothing is said of faults, none is found: 0 V is a value like any other.

    `fault_below_v` and `fault_above_v` are where a reading is a fault of the wire, named by `bias`.

    Raises: TransferError.
    """

    fault_below_v: float | None = None
    fault_above_v: float | None = None
    bias: Bias = Bias.DOWN

    unit: ClassVar[str] = "V"
    reads: ClassVar[str] = "V"
    beside: ClassVar[Beside] = Beside.NOTHING

    def __post_init__(self) -> None:
        below, above = self.fault_below_v, self.fault_above_v
        if below is not None and above is not None:
            require("volts", "fault_above_v", above, above > below, f"must lie over fault_below_v = {below:g}")

    def read(self, volts: npt.ArrayLike, beside: npt.ArrayLike = np.nan) -> Reading:
        """The same volts with their quality; `beside` is not used."""
        (v,) = floats(volts)
        below = -np.inf if self.fault_below_v is None else self.fault_below_v
        above = np.inf if self.fault_above_v is None else self.fault_above_v
        return graded(
            v,
            (~np.isfinite(v), Quality.UNDECODABLE),
            (v < below, Quality.OPEN_CIRCUIT if self.bias is Bias.DOWN else Quality.SHORT_TO_GROUND),
            (v > above, Quality.OPEN_CIRCUIT if self.bias is Bias.UP else Quality.SHORT_TO_SUPPLY),
        )
