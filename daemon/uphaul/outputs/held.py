"""Messages that wait for the broker, in order and within a bound: what goes first when there is no room.

Theory of operation. Every message has a rank and a number that only grows. `IMPORTANT` ones (alerts, what people do,
drives, notices) must arrive; `TELEMETRY` is worth less with every second. When the bound is passed the oldest telemetry
goes first, and an important message, the oldest, only when no telemetry is left. Within a rank nothing changes places.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from enum import IntEnum

__all__ = ["OVERHEAD_BYTES", "Held", "Message", "Rank"]

OVERHEAD_BYTES = 100
"""What a message costs beside its topic and payload, in memory and on the card alike, rounded up (measured)."""


class Rank(IntEnum):
    """What is given up last has the lowest number."""

    IMPORTANT = 0
    TELEMETRY = 1


@dataclass(frozen=True, slots=True)
class Message:
    """One message to a broker; `number` orders all of them by when they were made."""

    number: int
    rank: Rank
    topic: str
    payload: bytes

    @property
    def size(self) -> int:
        """Bytes that it counts for."""
        return len(self.topic) + len(self.payload) + OVERHEAD_BYTES


class Held:
    """At most `limit_bytes` of messages, but always room for one. Numbers come in rising order."""

    def __init__(self, limit_bytes: int) -> None:
        self._limit = limit_bytes
        self._by_rank: tuple[OrderedDict[int, Message], ...] = tuple(OrderedDict() for _ in Rank)
        self.size = 0

    def __len__(self) -> int:
        return sum(map(len, self._by_rank))

    def add(self, message: Message) -> list[Message]:
        """Take it in; the messages that had to go for it, in the order they went."""
        self._by_rank[message.rank][message.number] = message
        self.size += message.size
        gone = []
        while self.size > self._limit and len(self) > 1:
            rank = next(r for r in reversed(Rank) if self._by_rank[r])
            _, oldest = self._by_rank[rank].popitem(last=False)
            self.size -= oldest.size
            gone.append(oldest)
        return gone

    def discard(self, number: int, rank: Rank) -> bool:
        """Take one out; whether it was there."""
        message = self._by_rank[rank].pop(number, None)
        if message is None:
            return False
        self.size -= message.size
        return True

    def after(self, number: int, rank: Rank, most: int) -> list[Message]:
        """The first `most` messages of a rank whose numbers are higher."""
        out: list[Message] = []
        for message in self._by_rank[rank].values():
            if message.number > number:
                out.append(message)
                if len(out) == most:
                    break
        return out

    def all(self) -> list[Message]:
        """Everything, in the order in which it was made."""
        return sorted((m for rank in self._by_rank for m in rank.values()), key=lambda m: m.number)

    def count(self, rank: Rank) -> int:
        """How many messages of that rank wait."""
        return len(self._by_rank[rank])
