"""What every source is: an async context manager that reads until it fails, and a supervisor that restarts it.

Theory of operation. A source is opened with ``async with`` and then `read` delivers batches of samples until the
task is cancelled or the input fails with `SourceError`. `supervise` owns one source for the life of the daemon: it
opens, reads, closes, waits with jittered, doubling back-off (1 s up to 30 s) and opens again. Meanwhile nothing is
delivered and the collector lets the signals go stale. A `SourceError` with ``retry=False`` ends the source for good;
any other exception is unexpected and goes up.
"""

from __future__ import annotations

import asyncio
import datetime
import random
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from types import TracebackType
from typing import NamedTuple, Self

from uphaul.errors import SourceError
from uphaul.signals import Sample

__all__ = ["Deliver", "Health", "RawReading", "Source", "WallTime", "supervise"]

Deliver = Callable[[Sequence[Sample]], None]
"""Takes a batch of samples on the event loop; never blocks."""


@dataclass(slots=True)
class Health:
    """What can be said about a source at any moment; counters never go back while the daemon runs.

    `notes` is what the input itself says beside its samples and still holds (trouble codes), in words, each once; a
    source replaces the whole tuple, from any thread. What is new and what has gone is logged as remarks.
    """

    state: str = "starting"  # starting | running | waiting | ended
    problem: str = ""
    restarts: int = 0
    counters: dict[str, int] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


class WallTime(NamedTuple):
    """The wall-clock time `utc` at `t_ms` of the daemon's clock, as `source` (``gps``) tells it."""

    t_ms: float
    utc: datetime.datetime
    source: str


class RawReading(NamedTuple):
    """What an input read before its sensor was applied: `value` in `unit` (V, degC, Hz) at `t_ms`, NaN for no number.

    `counts` is the number of a converter or of a field in a frame, None where the source has none. `frame` says in
    which frame it came (``0x1A0``), `text` what came where that is no number (bytes in hex, a field of a report).
    """

    t_ms: float
    value: float
    unit: str
    counts: float | None = None
    frame: str = ""
    text: str = ""


class Source(ABC):
    """One input. Subclasses open in `__aenter__`, close in `__aexit__` and deliver in `read`.

    A source that knows the time puts it into `anchors` now and then; the daemon takes it from there to the log.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self.health = Health()
        self.anchors: deque[WallTime] = deque(maxlen=8)

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    def keep_readings(self) -> None:
        """Keep raw readings from the next opening on, for a person at the wiring. The daemon never asks for it."""
        self.lend_readings(True)

    def lend_readings(self, wanted: bool) -> None:
        """Keep raw readings from now on, or no longer, while a daemon reads: how it is opened and read stays the same.

        It costs time, so it is asked for only as long as somebody looks.
        """
        return

    def readings(self) -> Mapping[str, RawReading]:
        """The newest raw reading by channel (`Input.place`), for whoever wires the input up; empty if none is kept."""
        return {}

    @abstractmethod
    async def read(self, deliver: Deliver) -> None:
        """Deliver samples until cancelled. Raises SourceError when the input fails."""


async def supervise(
    source: Source, deliver: Deliver, *, first_delay_s: float = 1.0, longest_delay_s: float = 30.0, seed: int = 0
) -> None:
    """Keep `source` reading until cancelled; returns only after an error that no retry can mend, or a clean end."""
    jitter = random.Random(seed)
    delay_s = first_delay_s
    while True:
        loop = asyncio.get_running_loop()
        opened = loop.time()
        try:
            async with source:
                source.health.state, source.health.problem = "running", ""
                await source.read(deliver)
            source.health.state = "ended"
            return
        except SourceError as error:
            source.health.problem = str(error)
            if not error.retry:
                source.health.state = "ended"
                return
        source.health.state = "waiting"
        source.health.restarts += 1
        if loop.time() - opened > longest_delay_s:
            delay_s = first_delay_s
        await asyncio.sleep(delay_s * jitter.uniform(0.5, 1.0))
        delay_s = min(delay_s * 2, longest_delay_s)
