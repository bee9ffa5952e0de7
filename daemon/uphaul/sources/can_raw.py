"""What arrived on a CAN bus before it was decoded, kept for whoever wires it up.

Theory of operation. Only a source that is watched has a `RawFrames`: its decoders are then wrapped, so that every frame
with a wanted message is kept for each field that it carries, and taken apart when `readings` is asked. A source that
nobody looks at has none, and decodes as fast as without this module. Frames come in the reader's thread and are asked
for on the loop: the fields are fixed, and a kept frame is replaced as a whole.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from math import isfinite, nan

from uphaul.signals import Sample
from uphaul.sources.base import RawReading
from uphaul.sources.can_code import Decode
from uphaul.sources.can_decode import Decoder
from uphaul.sources.j1939 import Network, group_of

__all__ = ["RawFrames"]

_Kept = tuple[bytes, float, int]
"""Data, time in ms, sender under J1939."""


class RawFrames:
    """The newest frame of every field of `decoders`. Under `j1939` 29-bit frames are told by group and sender."""

    def __init__(self, decoders: Sequence[Decoder], *, j1939: bool) -> None:
        self.decoders = tuple(self._keeping(d) for d in decoders)
        self.sender = 0
        """Of the frame that is being decoded, under J1939."""
        self._of = {_key(d, name): (d, field) for d in decoders for name, field in d.fields}
        self._j1939 = j1939
        self._kept: dict[str, _Kept] = {}

    def network(self, groups: Mapping[int, Decode], senders: Collection[int] | None, plain: Network) -> Network:
        """A J1939 bus whose senders are noted; it goes on with the long messages and trouble codes of `plain`."""
        return _Heard(groups, senders, self, plain)

    def readings(self) -> dict[str, RawReading]:
        """By ``message.field``: the raw number, NaN and no counts before the first frame, and which frame it is."""
        out = {}
        for key, (decoder, field) in self._of.items():
            kept = self._kept.get(key)
            frame = self._frame(decoder, kept)
            if kept is None:
                out[key] = RawReading(nan, nan, "", frame=frame)
                continue
            data, t_ms, _ = kept
            raw = field.raw(data) if len(data) >= field.end else nan
            out[key] = RawReading(t_ms, nan, "", raw if isfinite(raw) else None, frame=frame)
        return out

    def _keeping(self, decoder: Decoder) -> Decoder:
        fields = [(_key(decoder, name), field) for name, field in decoder.fields]
        inner = decoder.decode

        def decode(data: bytes | bytearray, t_ms: float, out: list[Sample]) -> int:
            kept = bytes(data), t_ms, self.sender
            for key, field in fields:
                if not field.guards or field.carried(data):
                    self._kept[key] = kept
            return inner(data, t_ms, out)

        return replace(decoder, decode=decode)

    def _frame(self, decoder: Decoder, kept: _Kept | None) -> str:
        """``0x1A0``, ``0x18FEEE00``, ``PGN 65262 from 0``."""
        if not decoder.extended:
            return f"0x{decoder.frame_id:03X}"
        if not self._j1939:
            return f"0x{decoder.frame_id:08X}"
        return f"PGN {group_of(decoder.frame_id)}" + ("" if kept is None else f" from {kept[2]}")


def _key(decoder: Decoder, name: str) -> str:
    return f"{decoder.message}.{name}"


class _Heard(Network):
    """A network that tells `frames` who sent what is being decoded."""

    def __init__(
        self, groups: Mapping[int, Decode], senders: Collection[int] | None, frames: RawFrames, plain: Network
    ) -> None:
        super().__init__(groups, senders)
        self.assembler, self.troubles = plain.assembler, plain.troubles
        self._frames = frames

    def get(self, can_id: int) -> Decode | None:
        self._frames.sender = can_id & 0xFF
        return super().get(can_id)
