"""A GPIO chip for tests of the panel, at the place where the gpiod library hands out a request.

It keeps the levels that were set, by line, with every change, and lets the test press the button: the edges are the
library's own objects, the file descriptor is a real one that becomes readable. What it cannot show: interrupts, bias,
electrical levels, and a chip whose descriptor reports an error.
"""

from __future__ import annotations

import contextlib
import errno
import os
import threading
from collections import deque
from datetime import timedelta
from typing import Any

import gpiod
from gpiod import EdgeEvent
from gpiod.line import Value

__all__ = ["Chip"]

DEADLINE_S = 20.0


class Chip:
    """One chip; `there` False is a chip that is not there (any more), `busy` one whose lines another program has."""

    def __init__(self, *, there: bool = True, pressed: bool = False) -> None:
        self.there, self.busy = there, False
        self.asked: list[tuple[str, dict[Any, gpiod.LineSettings], dict[str, Any]]] = []
        self.levels: dict[int | str, bool] = {}
        self.changes: list[dict[int | str, bool]] = []
        self.requests: list[Request] = []
        self.tries = 0
        self._pressed = pressed
        self.changed = threading.Condition()

    def request_lines(self, path: str, config: dict[Any, gpiod.LineSettings], **more: Any) -> Request:
        """In the place of gpiod.request_lines."""
        with self.changed:
            self.tries += 1
            self.changed.notify_all()
            if not self.there:
                raise FileNotFoundError(errno.ENOENT, "No such file or directory")
            if self.busy:
                raise OSError(errno.EBUSY, "Device or resource busy")
            self.asked.append((path, dict(config), more))
            self.requests.append(request := Request(self))
            return request

    def until(self, what: Any) -> None:
        """Wait until `what()` holds; called from a thread that is not the panel's."""
        with self.changed:
            assert self.changed.wait_for(what, DEADLINE_S), f"never came; {self.changes[-10:]}"

    def press(self, *edges: tuple[bool, int]) -> None:
        """The button's edges: (pressed then, when in ns)."""
        with self.changed:
            for pressed, t_ns in edges:
                self._pressed = pressed
                self.requests[-1].put(pressed, t_ns)

    def kick(self) -> None:
        """Wake whoever waits, with nothing to read."""
        with self.changed:
            os.eventfd_write(self.requests[-1].fd, 1)


class Request:
    """The part of gpiod's LineRequest that is used."""

    def __init__(self, chip: Chip) -> None:
        self._chip = chip
        self._edges: deque[EdgeEvent] = deque()
        self._number = 0
        self.fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self.released = False

    def put(self, pressed: bool, t_ns: int) -> None:
        self._number += 1
        kind = EdgeEvent.Type.RISING_EDGE if pressed else EdgeEvent.Type.FALLING_EDGE
        self._edges.append(EdgeEvent(kind.value, t_ns, 22, self._number, self._number))
        os.eventfd_write(self.fd, 1)

    def _need(self) -> None:
        assert not self.released
        if not self._chip.there:
            raise OSError(errno.ENODEV, "No such device")

    def set_values(self, values: dict[int | str, Value]) -> None:
        with self._chip.changed:
            self._need()
            self._chip.levels.update({line: value is Value.ACTIVE for line, value in values.items()})
            self._chip.changes.append(dict(self._chip.levels))
            self._chip.changed.notify_all()

    def get_value(self, _line: int | str) -> Value:
        with self._chip.changed:
            self._need()
            return Value.ACTIVE if self._chip._pressed else Value.INACTIVE

    def wait_edge_events(self, timeout: timedelta | float | None = None) -> bool:
        assert timeout == 0, "the thread would be held"
        with self._chip.changed:
            self._need()
            if not self._edges:
                self._drain()
            return bool(self._edges)

    def read_edge_events(self, max_events: int | None = None) -> list[EdgeEvent]:
        with self._chip.changed:
            taken = [self._edges.popleft() for _ in range(min(max_events or 64, len(self._edges)))]
            if not self._edges:
                self._drain()
            return taken

    def _drain(self) -> None:
        with contextlib.suppress(BlockingIOError):
            os.eventfd_read(self.fd)

    def release(self) -> None:
        with self._chip.changed:
            self.released = True
            os.close(self.fd)
            self._chip.changed.notify_all()
