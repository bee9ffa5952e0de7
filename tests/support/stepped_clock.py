"""A clock that moves only as its reader waits on it, so that minutes of a source pass at once and always alike."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from uphaul.clock import Clock

__all__ = ["SteppedClock"]


class SteppedClock(Clock):
    """Stands until `sleep_until` moves it there and `late_ms` further, and tells `moved`.

    At `end_ms` `ended` is set, and from then on waiting never ends.
    """

    def __init__(self, end_ms: float, *, late_ms: float = 0.0, moved: Callable[[], None] = lambda: None) -> None:
        super().__init__()
        self.t_ms = 0.0
        self.ended = asyncio.Event()
        self._end_ms, self._late_ms, self._moved = end_ms, late_ms, moved

    def now_ms(self) -> float:
        """Where the clock stands."""
        return self.t_ms

    def now_ns(self) -> int:
        """The same in ns, as CLOCK_MONOTONIC."""
        return round(self.t_ms * 1e6)

    def move(self, to_ms: float) -> None:
        """On to that time."""
        self.t_ms = max(self.t_ms, to_ms)
        self._moved()
        if self.t_ms >= self._end_ms:
            self.ended.set()

    async def sleep_until(self, t_ms: float) -> None:
        """Be there, or wait for ever at the end."""
        self.move(t_ms + self._late_ms)
        if self.ended.is_set():
            await asyncio.Event().wait()
        await asyncio.sleep(0)
