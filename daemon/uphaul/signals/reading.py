"""What a transfer function hands back, a value and a quality per element, and how an electrical reading is graded.

Arrays of any shape, elementwise. A transfer function never raises for bad data: what cannot be a value gets a quality.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from uphaul.errors import UphaulError
from uphaul.signals.model import Quality

__all__ = ["Beside", "Bias", "Flags", "Floats", "Grades", "Reading", "TransferError", "floats", "graded", "require"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Grades = npt.NDArray[np.int8]
"""Members of `Quality`, one an element."""


class TransferError(UphaulError):
    """A transfer function is described wrongly: `key` the field, `value` what stands there, `allowed` what is right."""

    def __init__(self, kind: str, key: str, value: object, allowed: str) -> None:
        self.kind, self.key, self.value, self.allowed = kind, key, value, allowed
        super().__init__(f"{kind}: {key} = {value!r}: {allowed}")


class Beside(StrEnum):
    """What must be measured beside the reading itself, as the second argument of `read`."""

    NOTHING = "nothing"
    SUPPLY_V = "supply"
    COLD_DEGC = "cold junction"


class Bias(StrEnum):
    """Where the input goes when the sensor's wire is broken.

    `DOWN` and `UP` say that a resistor pulls it to ground or to the sensor's supply. Then the fault zone on that side
    is named `OPEN_CIRCUIT`: by its voltage alone it cannot be told from a short of the signal wire to the same rail,
    and a broken wire is the likelier of the two. `FLOATING` says that nothing pulls; such an input drifts anywhere
    after a break and the break is found only if it happens to drift into a fault zone, where it is named as a short.
    """

    DOWN = "down"
    UP = "up"
    FLOATING = "floating"


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """Physical values with their qualities: `values` is NaN exactly where `quality` carries no value."""

    values: Floats
    quality: Grades

    def one(self, index: int = 0) -> tuple[float, Quality]:
        """Value and quality of one element, counted through the flattened arrays."""
        return float(self.values.flat[index]), Quality(int(self.quality.flat[index]))


def floats(*arguments: npt.ArrayLike) -> tuple[Floats, ...]:
    """The arguments as float64 arrays of one shape."""
    return tuple(np.broadcast_arrays(*(np.asarray(a, dtype=np.float64) for a in arguments)))


def graded(values: Floats, *grades: tuple[Flags, Quality]) -> Reading:
    """A reading in which the first condition that holds names the quality, `GOOD` where none does.

    Values that are not finite although called good or saturated become `UNDECODABLE`.
    """
    masks: Sequence[Flags] = [mask for mask, _ in grades]
    quality = np.select(masks, [np.int8(q) for _, q in grades], np.int8(Quality.GOOD)).astype(np.int8)
    known = quality <= Quality.SATURATED
    quality = np.where(known & ~np.isfinite(values), np.int8(Quality.UNDECODABLE), quality)
    return Reading(np.where(quality <= Quality.SATURATED, values, np.nan), quality)


def require(kind: str, key: str, value: object, holds: bool, allowed: str) -> None:
    """Raise `TransferError` unless `holds`."""
    if not holds:
        raise TransferError(kind, key, value, allowed)
