"""Frames for the peers: from candump text, and in time.

One line a frame, as can-utils' candump and canplayer have it: ``(12.345678) bus 123#DEADBEEF``; eight digits of id
are an extended frame, ``20000004#0000000000000000`` with the error bit set an error frame.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import can

__all__ = ["ERROR_FLAG", "parse", "play", "read"]

ERROR_FLAG = 0x20000000
"""Linux' CAN_ERR_FLAG (include/uapi/linux/can.h), as candump writes error frames."""


def parse(line: str) -> can.Message:
    """The frame of one candump line; `timestamp` is the line's."""
    stamp, _, frame = line.split()[:3]
    number, _, data = frame.partition("#")
    fd = data.startswith("#")
    if fd:
        data = data[2:]  # a second # and one digit of flags
    value = int(number, 16)
    error = len(number) == 8 and bool(value & ERROR_FLAG)
    remote = data.startswith("R")
    return can.Message(
        timestamp=float(stamp.strip("()")),
        arbitration_id=value & 0x1FFFFFFF,
        is_extended_id=len(number) == 8,
        is_error_frame=error,
        is_remote_frame=remote,
        is_fd=fd,
        data=b"" if remote else bytes.fromhex(data),
    )


def read(path: Path) -> list[can.Message]:
    """All frames of a candump file; empty lines and lines with # in front are left out."""
    lines = path.read_text(encoding="utf-8").splitlines()
    return [parse(line) for line in lines if line.strip() and not line.startswith("#")]


def play(frames: Iterable[can.Message], send: Callable[[can.Message], None], *, speed: float = 1.0) -> None:
    """Send each frame when its time has come, the first at once. Blocks."""
    for due, frame in _schedule(frames, speed):
        time.sleep(max(due - time.monotonic(), 0.0))
        send(frame)


def _schedule(frames: Iterable[can.Message], speed: float) -> Iterator[tuple[float, can.Message]]:
    began, first = time.monotonic(), None
    for frame in frames:
        first = frame.timestamp if first is None else first
        yield began + (frame.timestamp - first) / speed, frame
