"""What tshark, an independent decoder, makes of CAN frames: a process of its own, never anything that is imported."""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Sequence
from pathlib import Path

from support.machine import tool

__all__ = ["OBD", "dissect"]

SOCKETCAN = 227
"""Number of the link type in the registry of capture files (LINKTYPE_CAN_SOCKETCAN)."""

OBD = ("can.subdissector,iso15765", "iso15765.subdissector,obd-ii")


def dissect(
    folder: Path, frames: Sequence[tuple[int, bytes]], fields: Sequence[str], decode_as: Sequence[str]
) -> list[tuple[str, ...]]:
    """For each frame (id, data) the text of every field, empty where the frame has none.

    Ids above 0x7FF are of 29 bits. Raises CalledProcessError when tshark can't read them.
    """
    capture = folder / "frames.pcap"
    with capture.open("wb") as file:
        file.write(struct.pack(">IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, SOCKETCAN))
        for i, (can_id, data) in enumerate(frames):
            extended = 0x8000_0000 if can_id > 0x7FF else 0
            body = struct.pack(">IBxxx", can_id | extended, len(data)) + data
            file.write(struct.pack(">IIII", *divmod(1000 * i, 1_000_000), len(body), len(body)) + body)
    command = [tool("tshark", "tshark"), "-r", str(capture), "-T", "fields", "-E", "separator=|", "-E", "occurrence=f"]
    command += [word for each in decode_as for word in ("-d", each)] + [
        word for each in fields for word in ("-e", each)
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    rows = [tuple(line.split("|")) for line in done.stdout.splitlines()]
    assert len(rows) == len(frames), done.stderr
    return rows
