"""What the readings of the last seconds say of one input: how old, how noisy, how many a second, how many unknown.

Theory of operation. Readings come in the order of their times and are forgotten once they are older than the window.
Noise is the experimental standard deviation of the readings that have a value, a drift within the window included.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from uphaul.signals.model import Quality

__all__ = ["WINDOW_S", "Recent", "Summary"]

WINDOW_S = 10.0
MOST = 20_000
"""Readings that are kept at most: 2,000 a second, more than any bus has of one field."""


@dataclass(frozen=True, slots=True)
class Summary:
    """Of the window: readings with a value and without, those at a bound, mean and noise, and how many come a second.

    `mean` is None without a value, `noise` (a standard deviation) below two, `rate_hz` below two readings.
    """

    good: int
    bad: int
    saturated: int
    mean: float | None
    noise: float | None
    rate_hz: float | None


class Recent:
    """The readings of one input over `window_s` seconds."""

    def __init__(self, window_s: float = WINDOW_S) -> None:
        self._window_ms = window_s * 1000.0
        self._readings: deque[tuple[float, float, Quality]] = deque(maxlen=MOST)

    def add(self, t_ms: float, value: float, quality: Quality) -> None:
        """One more reading; NaN where the quality has no value."""
        readings = self._readings
        readings.append((t_ms, value, quality))
        while readings[0][0] < t_ms - self._window_ms:
            readings.popleft()

    def clear(self) -> None:
        """Forget every reading."""
        self._readings.clear()

    def summary(self, now_ms: float) -> Summary:
        """What there is at `now_ms`; what is older than the window is forgotten."""
        readings = self._readings
        while readings and readings[0][0] < now_ms - self._window_ms:
            readings.popleft()
        known = np.array([value for _, value, quality in readings if quality.known], dtype=np.float64)
        known = known[np.isfinite(known)]
        return Summary(
            good=len(known),
            bad=len(readings) - len(known),
            saturated=sum(quality is Quality.SATURATED for _, _, quality in readings),
            mean=float(known.mean()) if len(known) else None,
            noise=_deviation(known) if len(known) > 1 else None,
            rate_hz=self._rate_hz(now_ms),
        )

    def _rate_hz(self, now_ms: float) -> float | None:
        """Readings a second by their intervals; it falls from the moment at which the next one is overdue."""
        count = len(self._readings)
        if count < 2:
            return None
        span_ms = self._readings[-1][0] - self._readings[0][0]
        interval_ms = span_ms / (count - 1)
        span_ms = max(span_ms, now_ms - self._readings[0][0] - interval_ms)
        return (count - 1) * 1000.0 / span_ms if span_ms > 0.0 else None


def _deviation(values: npt.NDArray[np.float64]) -> float:
    """JCGM 100:2008 (GUM), 4.2.2: the experimental standard deviation, with n - 1; 0 where all are the same."""
    return float(values.std(ddof=1)) if np.ptp(values) else 0.0
