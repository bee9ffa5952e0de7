"""SAE J1939 on 29-bit CAN ids, without I/O: parameter groups, codes for "no value", trouble codes, long messages.

Theory of operation. `Network` is asked for each id what to do with the frame's data, as a table of decoders would be.
Wanted parameter groups go by their number, whatever the priority, and only from the senders that are listened to. It
also listens to what the protocol itself says: DM1 ("active trouble codes"), and the broadcast kind of the transport
protocol, by which a message of more than 8 bytes comes in numbered packets after an announcement. A message that is
put together is decoded like a frame.

For each sender there is at most one such message under way. What can go wrong with it (a packet is missing, late or
twice, the announcement makes no sense, another one comes before the end) drops the message and is counted; nothing
is asked for again, because nothing is ever sent. Conversations between two other participants are left alone.

The trouble codes of a sender stand until its next DM1, which comes once a second while a code is active, or until
it has said nothing for `FORGET_MS`.

Source: SAE J1939-21 and -73 as widely described, their own text not read; what a test holds against another program
says so there, the rest is from memory.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import partial

from uphaul.signals import Sample
from uphaul.sources.can_code import Decode

__all__ = [
    "DM1",
    "Assembler",
    "Network",
    "TroubleCode",
    "Troubles",
    "bounds_of",
    "filter_of",
    "group_of",
    "parse_dm1",
]

DM1 = 65226
ANNOUNCEMENT = 60416
PACKET = 60160
EVERYONE = 0xFF
BROADCAST = 0x20

PACKET_BYTES = 7
LEAST_BYTES, MOST_BYTES = 9, 1785
"""Sizes of a message that needs more than one frame and fits 255 packets."""

PACKET_WITHIN_MS = 750.0
"""T1: a packet later than this after the one before is not waited for. Source: SAE J1939-21, from memory."""

FORGET_MS = 5000.0
"""Five missed repetitions of DM1. Common practice."""

SHOWN_CODES = 20
"""Codes of one sender that are named; the rest is a count."""

NO_CODES = ((0, 0), (0x7FFFF, 31))
"""(SPN, FMI) that stand for none: all zero, or all ones where a message is filled up."""


def group_of(can_id: int) -> int:
    """The parameter group number (PGN) of a 29-bit id: without the address that a directed group carries in it."""
    group = (can_id >> 8) & 0x3FFFF
    return group if group & 0xFF00 >= 0xF000 else group & 0x3FF00


def filter_of(group: int, sender: int | None) -> tuple[int, int]:
    """(id, mask) that let pass the group at any priority and to anyone, from `sender` or from all."""
    mask = 0x3FFFF00 if group & 0xFF00 >= 0xF000 else 0x3FF0000
    return (group << 8) & mask | (sender or 0), mask | (0 if sender is None else 0xFF)


def bounds_of(length: int) -> tuple[int, int] | None:
    """(largest raw value, smallest raw value that means "not available") of a field; None if it has no such codes.

    Between the two lie the codes for an indicator, reserved ones and "error". From 8 to 32 bits the highest byte
    tells: FA and below is a value, FF not available. Of 2 to 7 bits all ones mean not available; the code below
    that is "error" in fields of 2 and 4 bits. Source: SAE J1939-71; for 3 to 7 bits from memory.
    """
    if 8 <= length <= 32:
        return (0xFB << (length - 8)) - 1, 0xFF << (length - 8)
    if 2 <= length < 8:
        ones = (1 << length) - 1
        return ones - (2 if length in (2, 4) else 1), ones
    return None


@dataclass(frozen=True, slots=True)
class TroubleCode:
    """One active fault: what it is about (SPN), in which way (FMI), how often it came (None: not told).

    `unsure`: sent in an older order of bits, of which there were three; the SPN may be another.
    """

    spn: int
    fmi: int
    count: int | None
    unsure: bool = False

    @property
    def words(self) -> str:
        """For people: ``SPN 110 (coolant temperature), FMI 0 (far too high), 1 time``."""
        what = f" ({SPN_WORDS[self.spn]})" if self.spn in SPN_WORDS else ""
        how = f" ({FMI_WORDS[self.fmi]})" if self.fmi in FMI_WORDS else ""
        times = "" if self.count is None else f", {self.count} time{'s' if self.count != 1 else ''}"
        return f"SPN {self.spn}{what}, FMI {self.fmi}{how}{times}{', number uncertain' if self.unsure else ''}"


def parse_dm1(data: bytes | bytearray) -> tuple[tuple[str, ...], tuple[TroubleCode, ...]]:
    """(lamps that are on, codes) of a DM1, from one frame or put together.

    Raises ValueError when the length fits no whole number of codes. Source: SAE J1939-73; the packing of a code as
    in the package can-j1939 2.0.12.
    """
    if len(data) < 6:
        raise ValueError(f"must be 2 bytes of lamps and 4 for each code, not {len(data)} bytes")
    end = 2 + (len(data) - 2) // 4 * 4
    if any(byte != 0xFF for byte in data[end:]) and not (len(data) == 8 and not any(data[end:])):
        raise ValueError(f"must be 2 bytes of lamps and 4 for each code, not {len(data)} bytes")
    lamps = tuple(name for name, shift in LAMPS if (data[0] >> shift) & 3 == 1)
    codes = []
    for at in range(2, end, 4):
        low, middle, high, last = data[at : at + 4]
        code = TroubleCode(
            low | middle << 8 | (high & 0xE0) << 11,
            high & 0x1F,
            None if last & 0x7F == 0x7F else last & 0x7F,
            bool(last & 0x80),
        )
        if (code.spn, code.fmi) not in NO_CODES:
            codes.append(code)
    return lamps, tuple(codes)


@dataclass(slots=True)
class _Message:
    """A message under way."""

    group: int
    size: int
    packets: int
    heard_ms: float
    data: bytearray = field(default_factory=bytearray)
    got: int = 0


class Assembler:
    """Puts broadcast messages of more than 8 bytes together. `broken` counts those that came to nothing."""

    def __init__(self) -> None:
        self.broken = 0
        self._open: dict[int, _Message] = {}

    @property
    def waiting(self) -> bool:
        """Whether a message is under way."""
        return bool(self._open)

    def announce(self, sender: int, data: bytes | bytearray, t_ms: float) -> None:
        """Take in an announcement; of other kinds than broadcast nothing is kept."""
        if not data or data[0] != BROADCAST:
            return
        if self._open.pop(sender, None) is not None:
            self.broken += 1
        size = int.from_bytes(data[1:3], "little")
        sound = len(data) == 8 and LEAST_BYTES <= size <= MOST_BYTES and data[3] == -(-size // PACKET_BYTES)
        if not sound:
            self.broken += 1
            return
        self._open[sender] = _Message(int.from_bytes(data[5:8], "little") & 0x3FFFF, size, data[3], t_ms)

    def packet(self, sender: int, data: bytes | bytearray, t_ms: float) -> tuple[int, bytes] | None:
        """Take in a packet; (group, message) when it was the last one."""
        message = self._open.get(sender)
        if message is None:
            return None  # it began before we listened, or was given up
        if t_ms - message.heard_ms > PACKET_WITHIN_MS or len(data) != 8 or data[0] != message.got + 1:
            del self._open[sender]
            self.broken += 1
            return None
        message.data += data[1:]
        message.got += 1
        message.heard_ms = t_ms
        if message.got < message.packets:
            return None
        del self._open[sender]
        return message.group, bytes(message.data[: message.size])

    def sweep(self, t_ms: float) -> None:
        """Give up what has waited too long."""
        late = [s for s, m in self._open.items() if t_ms - m.heard_ms > PACKET_WITHIN_MS]
        for sender in late:
            del self._open[sender]
            self.broken += 1


class Troubles:
    """The active trouble codes of each sender. `malformed` counts DM1 messages that fit no whole number of codes."""

    def __init__(self) -> None:
        self.malformed = 0
        self._said: dict[int, tuple[float, tuple[str, ...]]] = {}

    def update(self, sender: int, data: bytes | bytearray, t_ms: float) -> None:
        """Take in a DM1: it replaces all that the sender said before."""
        try:
            lamps, codes = parse_dm1(data)
        except ValueError:
            self.malformed += 1
            return
        if not codes and not lamps:
            self._said.pop(sender, None)
            return
        who = f"address {sender}"
        notes = [f"trouble code from {who}: {code.words}" for code in codes[:SHOWN_CODES]]
        if len(codes) > SHOWN_CODES:
            notes.append(f"{len(codes) - SHOWN_CODES} more trouble codes from {who}")
        if lamps:
            notes.append(f"lamps on at {who}: {', '.join(lamps)}")
        self._said[sender] = t_ms, tuple(dict.fromkeys(notes))

    def sweep(self, t_ms: float) -> None:
        """Forget the codes of senders that no longer repeat them."""
        for sender in [s for s, (heard_ms, _) in self._said.items() if t_ms - heard_ms > FORGET_MS]:
            del self._said[sender]

    @property
    def notes(self) -> tuple[str, ...]:
        """All that stands, in words, by sender."""
        return tuple(note for _, (_, notes) in sorted(self._said.items()) for note in notes)


class Network:
    """What to do with each frame of a J1939 bus. `groups`: decoder by PGN; `senders`: addresses, None for all."""

    def __init__(self, groups: Mapping[int, Decode], senders: Collection[int] | None) -> None:
        self.assembler = Assembler()
        self.troubles = Troubles()
        self._groups = groups
        self._senders = None if senders is None else frozenset(senders)

    @property
    def filters(self) -> list[tuple[int, int]]:
        """(id, mask) pairs that let pass everything `get` has an answer for."""
        groups = [*self._groups, *(g for g in (DM1, ANNOUNCEMENT, PACKET) if g not in self._groups)]
        senders = [None] if self._senders is None else sorted(self._senders)
        return [filter_of(group, sender) for group in groups for sender in senders]

    def get(self, can_id: int) -> Decode | None:
        """The function for the frame's data, or None for a frame that nobody wants."""
        group, sender = group_of(can_id), can_id & 0xFF
        if self._senders is not None and sender not in self._senders:
            return None
        if group == DM1:
            return partial(self._whole, sender, group)
        if group in (ANNOUNCEMENT, PACKET) and (can_id >> 8) & 0xFF == EVERYONE:
            return partial(self._announcement if group == ANNOUNCEMENT else self._packet, sender)
        return self._groups.get(group)

    @property
    def waiting(self) -> bool:
        """Whether time that passes can change anything: a long message is under way, or trouble codes stand."""
        return self.assembler.waiting or bool(self.troubles.notes)

    def sweep(self, t_ms: float) -> None:
        """Let time pass: give up and forget what is due."""
        self.assembler.sweep(t_ms)
        self.troubles.sweep(t_ms)

    def _announcement(self, sender: int, data: bytes | bytearray, t_ms: float, _: list[Sample]) -> int:
        self.assembler.announce(sender, data, t_ms)
        return 0

    def _packet(self, sender: int, data: bytes | bytearray, t_ms: float, out: list[Sample]) -> int:
        message = self.assembler.packet(sender, data, t_ms)
        return 0 if message is None else self._whole(sender, message[0], message[1], t_ms, out)

    def _whole(self, sender: int, group: int, data: bytes | bytearray, t_ms: float, out: list[Sample]) -> int:
        if group == DM1:
            self.troubles.update(sender, data, t_ms)
        decode = self._groups.get(group)
        return 0 if decode is None else decode(data, t_ms, out)


LAMPS = (("malfunction", 6), ("stop", 4), ("warning", 2), ("protect", 0))
"""Lamps by the shift of their two bits in the first byte. Source: can-j1939 2.0.12 (mil, rsl, awl, pl)."""

FMI_WORDS = {
    0: "far too high",
    1: "far too low",
    2: "erratic or wrong",
    3: "voltage high or shorted to supply",
    4: "voltage low or shorted to ground",
    5: "current low or circuit open",
    6: "current high or shorted to ground",
    7: "mechanism does not respond",
    8: "frequency or pulse abnormal",
    9: "abnormal rate of update",
    10: "abnormal rate of change",
    11: "cause unknown",
    12: "device faulty",
    13: "out of calibration",
    14: "special instructions",
    15: "a little too high",
    16: "too high",
    17: "a little too low",
    18: "too low",
    19: "received in error",
    20: "drifted high",
    21: "drifted low",
    31: "condition exists",
}
"""What each failure mode means, in words of our own. Source: SAE J1939-73, from memory."""

SPN_WORDS = {
    81: "particulate filter inlet pressure",
    84: "wheel speed",
    91: "accelerator pedal",
    100: "oil pressure",
    102: "boost",
    103: "turbo speed",
    105: "intake manifold temperature",
    106: "air inlet pressure",
    108: "barometric pressure",
    110: "coolant temperature",
    168: "battery",
    171: "ambient temperature",
    172: "air inlet temperature",
    173: "exhaust gas temperature",
    175: "oil temperature",
    177: "transmission oil temperature",
    183: "fuel rate",
    190: "engine speed",
    513: "engine torque",
    1127: "boost of turbo 1",
    1128: "boost of turbo 2",
    1129: "boost of turbo 3",
    1130: "boost of turbo 4",
    1180: "turbine inlet temperature",
    1209: "exhaust gas pressure",
}
"""Parameters that `config/j1939.dbc` knows, in words."""
