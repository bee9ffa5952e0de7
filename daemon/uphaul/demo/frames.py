"""The invented vehicle's CAN frames: readings packed as ``config/vehicle.dbc`` describes them.

Packed by hand, not through the DBC library that decodes them, so that one checks the other. A reading whose wire is
open is sent with all bits set (a signed one with its largest value), which lies above every believable range; a
message with a reading that has dropped out is not sent: its box has lost contact.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["MESSAGES", "Message", "pack"]


@dataclass(frozen=True, slots=True)
class Field:
    """One signal: its name in the DBC, the channel it carries, and raw = (value - offset) / factor, `bits` wide."""

    name: str
    channel: str
    factor: float
    offset: float
    bits: int = 16
    signed: bool = False


@dataclass(frozen=True, slots=True)
class Message:
    """One message: identifier, whether it is an extended one, how often it comes, and its bytes' order.

    `layout` is the `struct` format; neighbouring 4-bit fields share a byte, the first in the low half.
    """

    name: str
    identifier: int
    extended: bool
    period_ms: int
    layout: str
    fields: tuple[Field, ...]


MESSAGES = (
    Message(
        "EngineBox",
        0x100,
        False,
        20,
        "<HHHH",
        (
            Field("Rpm", "rpm", 0.25, 0.0),
            Field("Map", "map", 0.1, 0.0),
            Field("Egt1", "egt", 0.1, -40.0),
            Field("Coolant", "coolant", 0.1, -40.0),
        ),
    ),
    Message(
        "ChargeAir",
        0x101,
        False,
        50,
        ">HHhH",
        (
            Field("Charge", "charge", 0.1, -40.0),
            Field("CompressorOut", "compressor_out", 0.1, -40.0),
            Field("Ambient", "ambient", 0.1, 0.0, signed=True),
            Field("Baro", "baro", 0.01, 0.0),
        ),
    ),
    Message(
        "Driving",
        0x102,
        False,
        20,
        "<HBBHH",
        (
            Field("Speed", "speed", 0.01, 0.0),
            Field("Pedal", "pedal", 0.5, 0.0, bits=8),
            Field("Gear", "gear", 1.0, 0.0, bits=4),
            Field("Tune", "tune", 1.0, 0.0, bits=4),
            Field("Fuel", "fuel", 0.01, 0.0),
            Field("Lambda", "lambda", 0.001, 0.0),
        ),
    ),
    Message(
        "OilBox",
        0x18FF5021,
        True,
        100,
        ">HHHH",
        (
            Field("OilPressure", "oil_pressure", 0.1, 0.0),
            Field("OilTemp", "oil_temp", 0.1, -40.0),
            Field("Battery", "battery", 0.001, 0.0),
            Field("Head", "head", 0.1, -40.0),
        ),
    ),
    Message(
        "TurboBox",
        0x18FF5121,
        True,
        50,
        "<HHHh",
        (
            Field("ExhaustPressure", "exhaust_pressure", 0.1, 0.0),
            Field("TurboSpeed", "turbo", 4.0, 0.0),
            Field("Air", "air", 0.05, 0.0),
            Field("Altitude", "altitude", 0.5, 0.0, signed=True),
        ),
    ),
)
"""Every message that the vehicle sends."""


def _raw(field: Field, value: float) -> int:
    low, high = (-(1 << (field.bits - 1)), (1 << (field.bits - 1)) - 1) if field.signed else (0, (1 << field.bits) - 1)
    if math.isnan(value):
        return high
    return min(max(round((value - field.offset) / field.factor), low), high - 1)


def pack(message: Message, readings: Mapping[str, float], faulted: Mapping[str, str]) -> bytes | None:
    """The eight bytes of `message`, or None while it is not sent."""
    if any(faulted.get(field.channel) == "dropout" for field in message.fields):
        return None
    words: list[int] = []
    half: int | None = None
    for field in message.fields:
        raw = _raw(field, readings[field.channel])
        if field.bits != 4:
            words.append(raw)
        elif half is None:
            half = raw
        else:
            words.append(half | raw << 4)
            half = None
    return struct.pack(message.layout, *words)
