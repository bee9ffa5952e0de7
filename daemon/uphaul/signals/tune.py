"""Which tune the reading of a signal means, and for how long it must mean it.

Theory of operation. At every tick the reading is one tune or unknown: another number, between two bands, or lost. What
differs from the present tune must be the same at every tick for the hold time to become it, the unknown included; so a
selector on its way from one band to the next changes nothing until it has arrived. At the start the tune is unknown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite

from uphaul.signals.model import NO_TUNE

__all__ = ["TuneReading"]


class TuneReading:
    """`values`: a tune's number by the rounded reading; `bands`: (lowest, highest, tune's number), ends included."""

    def __init__(
        self, values: Mapping[int, int], bands: Sequence[tuple[float, float, int]] = (), hold_ms: int = 300
    ) -> None:
        self.tune = NO_TUNE
        self._values = dict(values)
        self._bands = tuple(bands)
        self._hold_ms = hold_ms
        self._other = NO_TUNE
        self._since_ms = 0.0

    @property
    def settled(self) -> bool:
        """Whether the last reading means the present tune: more ticks with the same reading change nothing."""
        return self._other == self.tune

    def step(self, t_ms: float, reading: float) -> int:
        """The tune at the tick `t_ms`, at which the signal reads so (NaN when unknown)."""
        found = self._meaning(reading)
        if found == self.tune:
            self._other = found
            return self.tune
        if found != self._other:
            self._other, self._since_ms = found, t_ms
        if t_ms - self._since_ms >= self._hold_ms:
            self.tune = found
        return self.tune

    def _meaning(self, reading: float) -> int:
        if not isfinite(reading):
            return NO_TUNE
        for low, high, tune in self._bands:
            if low <= reading <= high:
                return tune
        return self._values.get(round(reading), NO_TUNE)
