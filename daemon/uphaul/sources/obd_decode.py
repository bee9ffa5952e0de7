"""Turns the bytes of an OBD answer into values that say how good they are.

The layouts are the facts of `uphaul.config.obd_pids`; this is the one place that reads bytes by them.
"""

from __future__ import annotations

import math

from uphaul.config.obd_pids import Pid, PidField
from uphaul.signals import Quality

__all__ = ["MAXIMA", "decode", "map_full_scale_kpa"]

MAXIMA = 0x4F
"""The parameter whose byte D tells what a full-scale manifold pressure (PID 0x0B) stands for."""

NORMAL_FULL_SCALE_KPA = 255.0


def decode(pid: Pid, data: bytes, *, full_scale_kpa: float | None = None) -> dict[str, tuple[float, Quality]]:
    """(value, quality) by field, of the bytes after the echoed PID; value in the field's unit, NaN where unknown.

    A sensor that the answer calls not fitted is NOT_FITTED whatever its bytes hold. A field that the answer does not
    reach, or whose code means nothing, is UNDECODABLE. A raw value at its top is SATURATED: a bound, not a reading; of
    PID 0x0B that hides everything above 255 kPa absolute. `full_scale_kpa` stretches PID 0x0B to a full scale of so
    much (see `map_full_scale_kpa`); NaN: the vehicle has another full scale and did not tell which.
    """
    out = {}
    for field in pid.fields:
        value, quality = _value(field, data)
        if full_scale_kpa is not None and pid.number == 0x0B:
            value *= full_scale_kpa / NORMAL_FULL_SCALE_KPA
            quality = Quality.UNDECODABLE if math.isnan(value) else quality
        out[field.name] = (value, quality)
    return out


def map_full_scale_kpa(data: bytes) -> float | None:
    """What 255 counts of PID 0x0B stand for, by the answer to PID 0x4F: D * 10 kPa, None if D is 0 (as usual)."""
    return data[3] * 10.0 if len(data) > 3 and data[3] else None


def _value(field: PidField, data: bytes) -> tuple[float, Quality]:
    if not data:
        return math.nan, Quality.UNDECODABLE
    scale = 1
    if field.wide and data[0] & field.wide:
        scale = 4
    elif field.flag and not data[0] & field.flag:
        return math.nan, Quality.NOT_FITTED
    part = data[field.at : field.at + field.length]
    if len(part) < field.length:
        return math.nan, Quality.UNDECODABLE
    raw = int.from_bytes(part, "big")
    if field.bits:
        raw = raw >> field.shift & (1 << field.bits) - 1
    if field.codes and raw not in field.codes:
        return math.nan, Quality.UNDECODABLE
    value = raw * scale * field.mul / field.div + field.add
    return value, Quality.SATURATED if field.top and raw >= field.top else Quality.GOOD
