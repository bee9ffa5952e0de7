"""A receiver for a source's samples that tests can wait on."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress

from uphaul.errors import SourceError
from uphaul.signals import Sample
from uphaul.sources.base import Source

__all__ = ["WITHIN_S", "Collected", "listening", "reading"]

WITHIN_S = 10.0
"""How long a test waits for what must come: generous, for a busy machine."""


class Collected:
    """What was delivered, in order; pass it to `Source.read` as `deliver`."""

    def __init__(self) -> None:
        self.samples: list[Sample] = []
        self.batches = 0
        self._more = asyncio.Event()

    def __call__(self, samples: Sequence[Sample]) -> None:
        self.samples += samples
        self.batches += 1
        self._more.set()

    def values(self, signal: int) -> list[float]:
        """The values of one signal, rounded to 6 digits."""
        return [round(s.value, 6) for s in self.samples if s.signal == signal]

    async def until(self, met: Callable[[], bool], *, within_s: float = WITHIN_S) -> None:
        """Wait until `met()`, asked anew at each delivery. Raises TimeoutError."""
        async with asyncio.timeout(within_s):
            while not met():
                self._more.clear()
                await self._more.wait()


async def listening(source: Source, *, within_s: float = WITHIN_S) -> None:
    """Wait until a supervised bus is open: a frame that comes together with the server's last answer spoils the opening
    for python-can's socketcand client."""
    async with asyncio.timeout(within_s):
        while source.health.problem != "no frame yet":  # noqa: ASYNC110 (health has no event to wait for)
            await asyncio.sleep(0.005)


@asynccontextmanager
async def reading(source: Source) -> AsyncIterator[tuple[Collected, asyncio.Task[None]]]:
    """The source entered and its `read` under way."""
    collected = Collected()
    async with source:
        task = asyncio.create_task(source.read(collected))
        try:
            yield collected, task
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError, SourceError):
                await task
