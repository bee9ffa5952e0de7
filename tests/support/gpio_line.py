"""The far end of a GPIO line for tests: a request as the gpiod library hands it out, the kernel's buffer behind it.

It keeps what the kernel keeps: at most 1,024 edges, the oldest thrown away first, each edge numbered whether it was
thrown away or not. The edges are the library's own objects. What it cannot show: interrupts, bias, electrical levels.
"""

from __future__ import annotations

import errno
from collections import deque
from collections.abc import Callable, Iterable
from datetime import timedelta

from gpiod import EdgeEvent

__all__ = ["GpioLine"]

RISING = 1
"""GPIO_V2_LINE_EVENT_RISING_EDGE of include/uapi/linux/gpio.h."""


class GpioLine:
    """The edges at `times_ns` gather in the buffer as `now_ns` passes them; calls fail while `there` says no."""

    def __init__(
        self, times_ns: Iterable[int], now_ns: Callable[[], int], there: Callable[[], bool], *, kept: int = 1024
    ) -> None:
        begun_ns = now_ns()
        self._to_come = deque(t for t in sorted(times_ns) if t >= begun_ns)
        self._now_ns, self._there = now_ns, there
        self._edges: deque[EdgeEvent] = deque(maxlen=kept)
        self._number = 0
        self.released = False

    def _gather(self) -> None:
        if not self._there():
            raise OSError(errno.ENODEV, "No such device")
        while self._to_come and self._to_come[0] <= self._now_ns():
            self._number += 1
            self._edges.append(EdgeEvent(RISING, self._to_come.popleft(), 17, self._number, self._number))

    def wait_edge_events(self, timeout: timedelta | float | None = None) -> bool:
        """Whether there are any; must not be asked to wait."""
        assert timeout == 0, "the loop would be held"
        self._gather()
        return bool(self._edges)

    def read_edge_events(self, max_events: int | None = None) -> list[EdgeEvent]:
        """Up to that many, oldest first."""
        self._gather()
        return [self._edges.popleft() for _ in range(min(max_events or 64, len(self._edges)))]

    def release(self) -> None:
        """Given back."""
        self.released = True
        self._gather()
