"""Transfer functions: from an electrical reading to a physical value with its quality. The one place to import from.

Every description of a sensor here is frozen and has `unit` (of the value), `reads` (unit of the reading: V, mV, Hz,
degC), `beside` (what must be measured beside it) and `read(reading, beside) -> Reading`. Nothing is remembered between
calls; the one thing that goes over several samples, `ProbeGuard`, has its state handed in and out.
"""

from __future__ import annotations

from typing import Protocol

import numpy.typing as npt

from uphaul.signals.frequency import PulseSpeed
from uphaul.signals.ntc import NTC_CURVES, Beta, Curve, NtcDivider, NtcTable, SteinhartHart
from uphaul.signals.plain_volts import PlainVolts
from uphaul.signals.probe_guard import ProbeGuard, ProbeState, drive_rate_k_s
from uphaul.signals.reading import Beside, Bias, Reading, TransferError
from uphaul.signals.thermocouple import Burnout, TypeK
from uphaul.signals.thermocouple_chips import (
    COARSE_UV_PER_K,
    FINE_UV_PER_K,
    AnalogueAmplifier,
    LinearisedConverter,
    StraightLineConverter,
    decode_linearised_word,
    decode_straight_line_word,
)
from uphaul.signals.transfer_linear import Linear, Ratiometric, Table

__all__ = [
    "COARSE_UV_PER_K",
    "FINE_UV_PER_K",
    "NTC_CURVES",
    "AnalogueAmplifier",
    "Beside",
    "Beta",
    "Bias",
    "Burnout",
    "Curve",
    "Linear",
    "LinearisedConverter",
    "NtcDivider",
    "NtcTable",
    "PlainVolts",
    "ProbeGuard",
    "ProbeState",
    "PulseSpeed",
    "Ratiometric",
    "Reading",
    "SteinhartHart",
    "StraightLineConverter",
    "Table",
    "Transfer",
    "TransferError",
    "TypeK",
    "decode_linearised_word",
    "decode_straight_line_word",
    "drive_rate_k_s",
]


class Transfer(Protocol):
    """What every description of a sensor offers."""

    @property
    def unit(self) -> str:
        """Unit of the value."""

    @property
    def reads(self) -> str:
        """Unit of the electrical reading: V, mV, Hz, or degC of a converter."""

    @property
    def beside(self) -> Beside:
        """What must be measured beside the reading and handed in with it."""

    def read(self, reading: npt.ArrayLike, beside: npt.ArrayLike, /) -> Reading:
        """Values in `unit` with a quality per element."""
