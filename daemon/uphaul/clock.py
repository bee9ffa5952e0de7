"""The daemon's clock: CLOCK_BOOTTIME in ms, which no wall-clock step moves and which runs on through suspend.

`speed` lets the demo run faster than life: everything that waits on this clock speeds up together.
"""

from __future__ import annotations

import asyncio
import time

__all__ = ["Clock"]


class Clock:
    """Milliseconds since boot (times `speed` since this object was made)."""

    def __init__(self, *, speed: float = 1.0) -> None:
        if not speed > 0:
            raise ValueError("speed must be positive")
        self._speed = speed
        self._start = time.clock_gettime_ns(time.CLOCK_BOOTTIME)

    @property
    def speed(self) -> float:
        """How many clock seconds pass in a second."""
        return self._speed

    def now_ms(self) -> float:
        """The present time in ms."""
        now = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
        return (self._start + (now - self._start) * self._speed) / 1e6

    async def sleep_until(self, t_ms: float) -> None:
        """Wait until the clock shows `t_ms`; returns at once if it already does."""
        left_s = (t_ms - self.now_ms()) / 1000.0 / self._speed
        await asyncio.sleep(max(left_s, 0.0))
