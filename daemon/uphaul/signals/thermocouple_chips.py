"""Type K behind a converter or an amplifier: raw words with their fault bits, and the straight-line error taken back.

Two kinds assume that a thermocouple is a straight line, which is up to 7 K (digital) or 15 K (analogue) off in the
range of exhaust gas, and must be corrected before a limit is judged. A third linearises on the chip and must not be
corrected again.

What cannot be told: a converter's fault bits show the state of the last conversion only; for a wire that breaks
within one see `uphaul.signals.probe_guard`. None of them notices wires that touch each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from uphaul.signals.model import Quality
from uphaul.signals.reading import Beside, Floats, Reading, floats, graded, require
from uphaul.signals.thermocouple import HIGHEST_DEGC, LOWEST_DEGC, compensated_degc, type_k_degc, type_k_mv

__all__ = [
    "COARSE_UV_PER_K",
    "FINE_UV_PER_K",
    "AnalogueAmplifier",
    "LinearisedConverter",
    "StraightLineConverter",
    "decode_linearised_word",
    "decode_straight_line_word",
    "straight_line_degc",
]

FINE_UV_PER_K = 41.276
"""Slope that the 14-bit converter with fault bits assumes. Source: data sheet of MAX31855K, second-hand."""

COARSE_UV_PER_K = 41.0
"""Slope that the 12-bit converter assumes. Source: data sheet of MAX6675, from memory."""

AMPLIFIER_GAIN = 122.4
AMPLIFIER_V_PER_K = 0.005
"""Gain and slope of the analogue amplifier. Source: application note AN-1087 on AD8494 to AD8497, second-hand."""

Words = npt.NDArray[np.int64]


def straight_line_degc(
    reported_degc: npt.ArrayLike, internal_degc: npt.ArrayLike, uv_per_k: float = FINE_UV_PER_K
) -> Floats:
    """True degC from what a converter reports that assumes V = `uv_per_k` * (reported - internal).

    `internal_degc` is the converter's own temperature, its cold junction. Source of the equation: data sheet of
    MAX31855K, from memory.
    """
    reported, internal = floats(reported_degc, internal_degc)
    return compensated_degc((reported - internal) * (uv_per_k / 1000.0), internal)


def _signed(bits: Words, width: int) -> Floats:
    """Two's complement of `width` bits."""
    return np.where(bits >= 1 << (width - 1), bits - (1 << width), bits).astype(np.float64)


def decode_straight_line_word(words: npt.ArrayLike) -> tuple[Reading, Floats]:
    """Reported degC with its quality and the converter's own degC, from 32-bit words of the straight-line converter.

    D31..18 thermocouple in quarters of a degree, D16 fault, D15..4 internal in sixteenths, D2 short to supply, D1
    short to ground, D0 open; D17 and D3 are always 0. A word of zeros is what an absent converter sends and is called
    undecodable, at the price of one reading that is exactly 0 degC on both sides; so is a set fault bit with no cause.

    Source: bit map of MAX31855 as in a public driver's comment.
    """
    w = np.asarray(words, dtype=np.int64)
    fault = (w >> 16) & 1 == 1
    reported = _signed((w >> 18) & 0x3FFF, 14) * 0.25
    internal = _signed((w >> 4) & 0xFFF, 12) * 0.0625
    impossible = (w == 0) | (w & 0x20008 != 0) | (w < 0) | (w > 0xFFFFFFFF) | (~fault & (w & 7 != 0))
    reading = graded(
        reported,
        (impossible, Quality.UNDECODABLE),
        (fault & (w & 1 != 0), Quality.OPEN_CIRCUIT),
        (fault & (w & 2 != 0), Quality.SHORT_TO_GROUND),
        (fault & (w & 4 != 0), Quality.SHORT_TO_SUPPLY),
        (fault, Quality.UNDECODABLE),
    )
    return reading, np.where(impossible, np.nan, internal)


def decode_linearised_word(words: npt.ArrayLike, faults: npt.ArrayLike = 0) -> Reading:
    """degC with its quality from 24-bit words of the linearising converter and its fault register.

    19 bits of 1/128 degC, left-justified. Fault register: bit 0 open, bit 1 input over the supply or under ground
    (called short to supply, the likelier), bits 6 and 7 outside the converter's range; the bits of its own limit
    comparators (2 to 5) are no faults. Bits 4..0 of a word are always 0.

    Source: resolutions of MAX31856 as in a library's documentation; bits of the register from memory.
    """
    w, f = np.broadcast_arrays(np.asarray(words, dtype=np.int64), np.asarray(faults, dtype=np.int64))
    return graded(
        _signed((w >> 5) & 0x7FFFF, 19) / 128.0,
        ((w & 0x1F != 0) | (w < 0) | (w > 0xFFFFFF) | (f < 0) | (f > 0xFF), Quality.UNDECODABLE),
        (f & 0x01 != 0, Quality.OPEN_CIRCUIT),
        (f & 0x02 != 0, Quality.SHORT_TO_SUPPLY),
        (f & 0xC0 != 0, Quality.UNDECODABLE),
    )


def _check_range(kind: str, range_degc: tuple[float, float]) -> None:
    low, high = range_degc
    require(kind, "range_degc", range_degc, LOWEST_DEGC <= low < high <= HIGHEST_DEGC, "must rise, within -200 to 1372")


def _ranged(degc: Floats, sane: npt.NDArray[np.bool_], range_degc: tuple[float, float], below: Floats) -> Reading:
    """`below` decides the side where `degc` itself is NaN, outside of the reference function."""
    side = np.where(np.isfinite(degc), degc, below)
    return graded(
        degc,
        (~sane, Quality.UNDECODABLE),
        (side < range_degc[0], Quality.BELOW_RANGE),
        (side > range_degc[1], Quality.ABOVE_RANGE),
    )


@dataclass(frozen=True, slots=True)
class StraightLineConverter:
    """Corrects the reported degC of a converter that assumes a straight line of `uv_per_k`, its own degC beside it."""

    uv_per_k: float = FINE_UV_PER_K
    range_degc: tuple[float, float] = (-40.0, 1200.0)
    internal_range_degc: tuple[float, float] = (-40.0, 125.0)

    unit: ClassVar[str] = "degC"
    reads: ClassVar[str] = "degC"
    beside: ClassVar[Beside] = Beside.COLD_DEGC

    def __post_init__(self) -> None:
        require("converter", "uv_per_k", self.uv_per_k, 30.0 < self.uv_per_k < 50.0, "must lie between 30 and 50 uV/K")
        _check_range("converter", self.range_degc)

    def read(self, reported_degc: npt.ArrayLike, beside: npt.ArrayLike) -> Reading:
        """True degC from the reported one and the converter's own temperature `beside` it."""
        reported, internal = floats(reported_degc, beside)
        low, high = self.internal_range_degc
        sane = np.isfinite(reported) & (internal >= low) & (internal <= high)
        return _ranged(straight_line_degc(reported, internal, self.uv_per_k), sane, self.range_degc, reported)

    def read_words(self, words: npt.ArrayLike) -> Reading:
        """True degC from raw 32-bit words: decoded, faults kept, corrected."""
        raw, internal = decode_straight_line_word(words)
        whole = raw.quality <= Quality.SATURATED
        corrected = self.read(np.where(whole, raw.values, 0.0), np.where(whole, internal, 0.0))
        return Reading(
            np.where(whole, corrected.values, np.nan), np.where(whole, corrected.quality, raw.quality).astype(np.int8)
        )


@dataclass(frozen=True, slots=True)
class LinearisedConverter:
    """Takes the degC of a converter that linearises by itself; only the range is looked at."""

    range_degc: tuple[float, float] = (-40.0, 1200.0)

    unit: ClassVar[str] = "degC"
    reads: ClassVar[str] = "degC"
    beside: ClassVar[Beside] = Beside.NOTHING

    def __post_init__(self) -> None:
        _check_range("converter", self.range_degc)

    def read(self, reported_degc: npt.ArrayLike, beside: npt.ArrayLike = np.nan) -> Reading:
        """The same degC with its quality; `beside` is not used."""
        (reported,) = floats(reported_degc)
        return _ranged(reported, np.isfinite(reported), self.range_degc, reported)


@dataclass(frozen=True, slots=True)
class AnalogueAmplifier:
    """An analogue amplifier of nominally 5 mV/K with cold-junction compensation, read exactly instead of by 5 mV/K.

    V = 122.4 (E(T) - E(Tc)) + 5 mV/K Tc + `reference_v`, Tc the amplifier's own temperature: 25 degC unless it is
    measured beside. The 25 degC form agrees with the maker's table within 0.1 K; what it does at another Tc follows
    from the circuit and has no table to stand on. `supply_v` limits the output to `headroom_v` under it; there the
    circuit counts as open, because the amplifier goes to the top when a wire breaks (with the negative wire
    grounded through a resistor; from memory of the data sheet). `highest_degc` tells what that leaves: about 960 degC
    of a 5 V supply. An output under `ground_v` is a short to ground, so without `reference_v` a probe colder than some
    4 degC reads as that fault: raise the reference for a vehicle that stands in the cold.

    Raises: TransferError.
    """

    reference_v: float = 0.0
    supply_v: float = 5.0
    headroom_v: float = 0.1
    ground_v: float = 0.02
    range_degc: tuple[float, float] = (-40.0, 1200.0)

    unit: ClassVar[str] = "degC"
    reads: ClassVar[str] = "V"
    beside: ClassVar[Beside] = Beside.COLD_DEGC

    def __post_init__(self) -> None:
        _check_range("amplifier", self.range_degc)
        top = self.supply_v - self.headroom_v
        require("amplifier", "headroom_v", self.headroom_v, 0.0 < self.headroom_v < 0.5, "must lie between 0 and 0.5")
        require("amplifier", "ground_v", self.ground_v, 0.0 < self.ground_v < 0.5, "must lie between 0 and 0.5")
        require(
            "amplifier", "reference_v", self.reference_v, 0.0 <= self.reference_v < top, f"must lie in 0 to {top:g}"
        )

    @property
    def highest_degc(self) -> float:
        """Highest temperature that can be told from an open circuit, at an amplifier of 25 degC."""
        limit = self._degc(np.array([self.supply_v - self.headroom_v]), np.array([25.0]))[0]
        return min(self.range_degc[1], float(limit)) if np.isfinite(limit) else self.range_degc[1]

    def read(self, volts: npt.ArrayLike, beside: npt.ArrayLike = 25.0) -> Reading:
        """degC from the amplifier's `volts` and its own degC `beside`, 25 when that is not measured (NaN)."""
        v, cold = floats(volts, beside)
        cold = np.where(np.isnan(cold), 25.0, cold)
        sane = np.isfinite(v) & (cold >= -40.0) & (cold <= 125.0)
        low, high = (
            AMPLIFIER_GAIN * (type_k_mv(t) - type_k_mv(cold)) / 1000.0 + AMPLIFIER_V_PER_K * cold + self.reference_v
            for t in self.range_degc
        )
        return graded(
            self._degc(v, cold),
            (~sane, Quality.UNDECODABLE),
            (v > self.supply_v * 1.02, Quality.SHORT_TO_SUPPLY),
            (v > self.supply_v - self.headroom_v, Quality.OPEN_CIRCUIT),
            (v < self.ground_v, Quality.SHORT_TO_GROUND),
            (v < low, Quality.BELOW_RANGE),
            (v > high, Quality.ABOVE_RANGE),
        )

    def _degc(self, volts: Floats, cold_degc: Floats) -> Floats:
        mv = (volts - self.reference_v - AMPLIFIER_V_PER_K * cold_degc) * 1000.0 / AMPLIFIER_GAIN
        return type_k_degc(mv + type_k_mv(cold_degc))
