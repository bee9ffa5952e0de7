"""The ticks of a step of a field check while it holds, and what is missing among them.

Theory of operation. A stretch begins with the tick at which all that its step waits for holds, grows by pieces of
blocks, and is read once, when it is over.
"""

from __future__ import annotations

import numpy as np

from uphaul.physics.basis import Floats, Ints

__all__ = ["Stretch", "unlogged_ms"]

MOST_PIECES = 256
"""Live, a piece is a tick, and an array of one costs ten times what is in it."""


class Stretch:
    """A step that holds: since when, in which tunes one after the other (empty: unknown), and the ticks so far."""

    def __init__(self, start_ms: int, tune: str) -> None:
        self.start_ms = self.last_ms = start_ms
        self.tunes = [tune]
        self._t: list[Ints] = []
        self._values: list[Floats] = []

    def add(self, t_ms: Ints, values: Floats) -> None:
        """Ticks at which it holds; `values` (N, columns), only the ones that measures need."""
        self._t.append(t_ms.copy())
        self._values.append(values.copy())
        self.last_ms = int(t_ms[-1])
        if len(self._t) > MOST_PIECES:
            self._t, self._values = [np.concatenate(self._t)], [np.concatenate(self._values)]

    def ticks(self) -> tuple[Ints, Floats]:
        """All ticks so far."""
        return np.concatenate(self._t), np.concatenate(self._values)


def unlogged_ms(t_ms: Ints) -> int:
    """How much of the time between these ticks was not recorded: of steps longer than twice the usual, what is over."""
    step = t_ms[1:] - t_ms[:-1]
    if not len(step):
        return 0
    usual = int(np.median(step))
    return int((step[step > 2 * usual] - usual).sum())
