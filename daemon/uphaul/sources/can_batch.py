"""Decodes many frames of one message at once: what its function makes of each frame, to the bit.

Theory of operation. `Frames` holds the data of a message's frames as one table of bytes, filled up with zeros, and how
long each frame is. A field is put together from its bytes in whole numbers of 64 bits, which are exact, and only then
becomes a float, at the same place where the function's calculation does. Fields for which that is not enough (longer
than 8 bytes with their shift, or whole numbers that outgrow 63 bits) are taken apart frame by frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan

import numpy as np
import numpy.typing as npt

from uphaul.signals import Quality
from uphaul.signals.collect_blocks import Samples
from uphaul.sources.can_code import Field, Want

__all__ = ["Frames", "decode_batch"]

WIDEST_BYTES = 8
LARGEST = 2.0**63
"""Whole numbers below are exact in int64."""

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.uint64]

_BITS = {16: np.uint16, 32: np.uint32, 64: np.uint64}
_FLOATS = {16: np.float16, 32: np.float32, 64: np.float64}


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """n frames of one message: times in ms (n,), bytes (n, longest) with zeros behind their ends, lengths (n,)."""

    t_ms: Floats
    data: npt.NDArray[np.uint8]
    length: npt.NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.t_ms)

    def wide(self, least: int) -> Frames:
        """With at least so many bytes a frame, further zeros being added."""
        missing = least - self.data.shape[1]
        return self if missing <= 0 else Frames(self.t_ms, np.pad(self.data, ((0, 0), (0, missing))), self.length)


def decode_batch(wants: Sequence[Want], frames: Frames) -> list[tuple[int, Samples]]:
    """(column, its samples) of each want in turn, as the message's function gives them frame by frame."""
    fields = [want.field for want in wants]
    fields += [selector for field in fields for selector, _ in field.guards]
    frames = frames.wide(max(field.end for field in fields))
    return [(want.column, _samples(want, frames)) for want in wants]


def _samples(want: Want, frames: Frames) -> Samples:
    field = want.field
    carried = _carried(field, frames)
    if carried is not None and not carried.all():
        kept = np.flatnonzero(carried)
        frames = Frames(frames.t_ms[kept], frames.data[kept], frames.length[kept])
    reached = frames.length >= field.end
    if not _vectorises(field):
        return _one_by_one(want, frames, reached)
    bits = _bits(field, frames.data)
    with np.errstate(over="ignore", invalid="ignore"):  # what comes of it is told as undecodable
        value = _floats(_scaled(field, bits))
        if want.converts:
            value = value * want.factor + want.offset
    quality = np.zeros(len(frames), dtype=np.int8)
    quality[~(reached & np.isfinite(value))] = Quality.UNDECODABLE
    if field.bounds is not None:
        largest, absent = field.bounds
        quality[reached & (bits > np.uint64(largest))] = Quality.UNDECODABLE
        quality[reached & (bits >= np.uint64(absent))] = Quality.NOT_FITTED
    return Samples(frames.t_ms, np.where(quality == Quality.GOOD, value, nan), quality)


def _vectorises(field: Field) -> bool:
    if field.end - field.first > WIDEST_BYTES:
        return False
    if field.is_float:
        return True
    if field.scaled and isinstance(field.scale, int):
        return float(1 << field.length) * abs(field.scale) + abs(field.offset) < LARGEST
    return True


def _carried(field: Field, frames: Frames) -> Bools | None:
    """Where its multiplexers say that the frame carries the field; None: everywhere."""
    if not field.guards:
        return None
    carried = np.ones(len(frames), dtype=bool)
    for selector, numbers in field.guards:
        if not _vectorises(selector):
            rows = zip(frames.data, frames.length.tolist(), strict=True)
            return np.array([field.carried(row[:length].tobytes()) for row, length in rows], dtype=bool)
        with np.errstate(over="ignore", invalid="ignore"):
            value = _scaled(selector, _bits(selector, frames.data))
        carried &= frames.length >= selector.end
        if value.dtype.kind == "f":
            carried &= np.isfinite(value)
            carried &= np.isin(np.trunc(value), [float(n) for n in numbers])
        else:
            low, high = (-(2**63), 2**63 - 1) if value.dtype.kind == "i" else (0, 2**64 - 1)
            there = [n for n in numbers if low <= n <= high]
            carried &= np.isin(value, np.array(there, dtype=value.dtype))
    return carried


def _bits(field: Field, data: npt.NDArray[np.uint8]) -> Numbers:
    """The raw number of each frame, without its sign."""
    taken = range(field.first, field.end) if field.big else range(field.end - 1, field.first - 1, -1)
    bits = np.zeros(len(data), dtype=np.uint64)
    for i in taken:
        if i != taken[0]:
            bits <<= np.uint64(8)
        bits |= data[:, i]
    if field.shift:
        bits >>= np.uint64(field.shift)
    return bits & np.uint64((1 << field.length) - 1)


def _scaled(field: Field, bits: Numbers) -> npt.NDArray[np.float64 | np.int64 | np.uint64]:
    """The scaled value: whole numbers where the function calculates in them, else floats."""
    if field.is_float:
        raw = bits.astype(_BITS[field.length]).view(_FLOATS[field.length]).astype(np.float64)
        return raw * float(field.scale) + float(field.offset) if field.scaled else raw
    number: npt.NDArray[np.int64 | np.uint64] = bits
    if field.signed:
        sign = np.uint64(1 << (field.length - 1))
        number = ((bits ^ sign) - sign).view(np.int64)  # wraps around to the negative number's bits
    if not field.scaled:
        return number
    if not isinstance(field.scale, int):
        return number.astype(np.float64) * field.scale + float(field.offset)
    product = number.astype(np.int64) * np.int64(field.scale)
    if isinstance(field.offset, int):
        return product + np.int64(field.offset)
    return product.astype(np.float64) + field.offset


def _floats(value: npt.NDArray[np.float64 | np.int64 | np.uint64]) -> Floats:
    return value.astype(np.float64)


def _one_by_one(want: Want, frames: Frames, reached: Bools) -> Samples:
    """Frame by frame, for a field that no 64 bits hold."""
    field = want.field
    value = np.full(len(frames), nan)
    quality = np.full(len(frames), Quality.UNDECODABLE, dtype=np.int8)
    for i in np.flatnonzero(reached).tolist():
        data = frames.data[i].tobytes()
        if field.bounds is not None and (raw := field.bits(data)) > field.bounds[0]:
            quality[i] = Quality.NOT_FITTED if raw >= field.bounds[1] else Quality.UNDECODABLE
            continue
        found = field.value(data)
        if want.converts:
            found = found * want.factor + want.offset
        if isfinite(found):
            value[i], quality[i] = float(found), Quality.GOOD
    return Samples(frames.t_ms, value, quality)
