"""How much of a CAN bus's time its frames take, for the person who wires it up.

Source of the lengths: ISO 11898-1, classic frames with the gap between them; the most stuff bits that a frame can hold
by Davis, Burns, Bril and Lukkien, Real-Time Systems 35 (2007), from memory, highly sure: at worst 55 + 10 n bits with
an 11-bit id and 80 + 10 n with one of 29, n being the data bytes.

Theory of operation. How many stuff bits a frame had is not told by any adapter, so a `LoadMeter` counts both ends: bits
without stuffing and bits at worst. What it says is of the last full second or so. Error frames are left out, because no
adapter tells how long they were, and so are frames of CAN FD. It counts what it is given: a bus whose adapter filters
must be opened without filters.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from can import Message as Frame

__all__ = ["BusLoad", "LoadMeter", "frame_bits", "most_stuff_bits"]

WINDOW_S = 1.0


def frame_bits(data_bytes: int, *, extended: bool) -> int:
    """Bits of a classic frame without stuffing, the gap of 3 bits after it included."""
    return (67 if extended else 47) + 8 * data_bytes


def most_stuff_bits(data_bytes: int, *, extended: bool) -> int:
    """The most stuff bits that such a frame can need: one for every four bits of what is stuffed, after the first."""
    return ((54 if extended else 34) + 8 * data_bytes - 1) // 4


@dataclass(frozen=True, slots=True)
class BusLoad:
    """Frames and bits a second over the last window: without stuffing, and at worst."""

    frames_per_s: float
    bits_per_s: float
    worst_bits_per_s: float

    def percent(self, bitrate: int) -> tuple[float, float]:
        """Least and greatest share of the time of a bus of `bitrate` bit/s."""
        return 100.0 * self.bits_per_s / bitrate, 100.0 * self.worst_bits_per_s / bitrate

    def words(self, bitrate: int | None) -> str:
        """``bus load 27 to 33 % of 500 kbit/s, 1,234 frames/s``; without a bit rate the bits themselves."""
        frames = f"{self.frames_per_s:,.0f} frames/s"
        if bitrate is None:
            least, most = self.bits_per_s / 1000.0, self.worst_bits_per_s / 1000.0
            return f"bus load {least:,.0f} to {most:,.0f} kbit/s, {frames} (its share needs the source's `bitrate`)"
        least, most = self.percent(bitrate)
        return f"bus load {least:.0f} to {most:.0f} % of {bitrate / 1000.0:g} kbit/s, {frames}"


class LoadMeter:
    """Adds up the frames of a bus. Times in s on any clock that only goes forward."""

    def __init__(self, now_s: float) -> None:
        self.load: BusLoad | None = None
        """None before the first window is over."""
        self._began_s = now_s
        self._frames = self._bits = self._stuff = 0

    def add(self, frame: Frame) -> None:
        """One frame that was received."""
        if frame.is_error_frame or frame.is_fd:
            return
        data_bytes, extended = 0 if frame.is_remote_frame else len(frame.data), frame.is_extended_id
        self._frames += 1
        self._bits += frame_bits(data_bytes, extended=extended)
        self._stuff += most_stuff_bits(data_bytes, extended=extended)

    def look(self, now_s: float) -> bool:
        """Whether a window has ended, and `load` is that of it now."""
        past_s = now_s - self._began_s
        if past_s < WINDOW_S:
            return False
        bits, worst = self._bits / past_s, (self._bits + self._stuff) / past_s
        self.load = BusLoad(self._frames / past_s, bits, worst)
        self._began_s = now_s
        self._frames = self._bits = self._stuff = 0
        return True
