"""The tick collector for a whole stretch at once: what `Collector` makes of samples tick by tick, to the bit.

Theory of operation. `add` takes in samples in the order of their times, which count as the times at which they arrived;
`collect` is told the ticks up to which no more will come. A signal's latest batch are the samples between two ticks of
which the later one had any; at a tick those of the batch that are not too old are reduced. So every tick of a signal is
a stretch of its samples, found by two look-ups and reduced with all others at once. What is carried from call to call
is each signal's latest batch, the samples after the last tick, its last quality and the tune. What people do and
sources remark is not dealt with here: it has no need of speed.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import fsum
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from uphaul.signals.model import (
    LARGEST_COUNT,
    NO_TUNE,
    Block,
    Quality,
    QualityChange,
    Reduce,
    Signal,
    index_of,
    quantise,
)
from uphaul.signals.tune import TuneReading

__all__ = ["BlockCollector", "Samples"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Qualities = npt.NDArray[np.int8]
T = TypeVar("T", bound=np.generic)


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Samples of one signal: times in ms, not decreasing, values (NaN when unknown) and qualities, each (n,)."""

    t_ms: Floats
    value: Floats
    quality: Qualities

    @classmethod
    def joined(cls, parts: list[Samples]) -> Samples:
        """One after the other."""
        if len(parts) == 1:
            return parts[0]
        return cls(
            np.concatenate([p.t_ms for p in parts]) if parts else np.empty(0),
            np.concatenate([p.value for p in parts]) if parts else np.empty(0),
            np.concatenate([p.quality for p in parts]) if parts else np.empty(0, np.int8),
        )

    def part(self, start: int, stop: int) -> Samples:
        """Samples start..stop-1."""
        return Samples(self.t_ms[start:stop], self.value[start:stop], self.quality[start:stop])

    def __len__(self) -> int:
        return len(self.t_ms)


_NONE = Samples(np.empty(0), np.empty(0), np.empty(0, np.int8))


class BlockCollector:
    """Collects the samples of `signals` into blocks; computed columns are left unknown.

    `tune_signal` and `tune_reading` are as for `Collector`; without them the tune is the only one of `tunes`, if there
    is just one, or unknown.
    """

    def __init__(
        self,
        signals: tuple[Signal, ...],
        tunes: tuple[str, ...] = (),
        *,
        tune_signal: str | None = None,
        tune_reading: TuneReading | None = None,
    ) -> None:
        self._signals = signals
        self._tune = 0 if len(tunes) == 1 else NO_TUNE
        self._tune_column = None if tune_signal is None else index_of(signals)[tune_signal]
        self._tune_reading = tune_reading
        self._per_unit = np.array([float(s.per_unit) for s in signals])
        self._held = [_NONE for _ in signals]
        self._new: list[list[Samples]] = [[] for _ in signals]
        self._quality = [int(Quality.GOOD)] * len(signals)

    def add(self, column: int, samples: Samples) -> None:
        """Take in samples of the signal in `column`; none may lie before one that was taken in earlier."""
        if len(samples):
            self._new[column].append(samples)

    def collect(self, t_ms: Ints) -> Block:
        """The block of these ticks, on the samples' clock; they follow those of the call before.

        The first block of a collector names every quality that is not good at its first tick.
        """
        n = len(t_ms)
        values = np.full((n, len(self._signals)), np.nan)
        changes: list[tuple[int, int, int]] = []
        for column, signal in enumerate(self._signals):
            if signal.computed or not n:
                continue
            quality, values[:, column] = self._column(column, signal, t_ms)
            edges = np.flatnonzero(np.diff(quality, prepend=np.int8(self._quality[column])))
            changes += [(k, column, q) for k, q in zip(edges.tolist(), quality[edges].tolist(), strict=True)]
            self._quality[column] = int(quality[-1])
        changes.sort()
        values = quantise(values, self._per_unit)
        times = t_ms.tolist()
        return Block(
            signals=self._signals,
            t_ms=t_ms,
            values=values,
            tune=self._tunes(times, values),
            quality=tuple(QualityChange(times[k], column, Quality(q)) for k, column, q in changes),
        )

    def _tunes(self, times: list[int], values: Floats) -> npt.NDArray[np.int16]:
        if self._tune_column is None or self._tune_reading is None:
            return np.full(len(times), self._tune, dtype=np.int16)
        tunes = np.empty(len(times), dtype=np.int16)
        readings = values[:, self._tune_column]
        same = (readings[1:] == readings[:-1]) | (np.isnan(readings[1:]) & np.isnan(readings[:-1]))
        ends = [0, *(np.flatnonzero(~same) + 1).tolist(), len(times)] if times else [0]
        for start, stop in pairwise(ends):  # a run of one reading
            reading = float(readings[start])
            for k in range(start, stop):
                tunes[k] = self._tune_reading.step(times[k], reading)
                if self._tune_reading.settled:
                    tunes[k:stop] = tunes[k]
                    break
        return tunes

    def _column(self, column: int, signal: Signal, t_ms: Ints) -> tuple[Qualities, Floats]:
        """Quality and value of one signal at every tick."""
        held = self._held[column]
        all_of_it = Samples.joined([held, *self._new[column]])
        at = all_of_it.t_ms
        stop = np.searchsorted(at, t_ms, side="right")
        before = np.concatenate(([len(held)], stop[:-1]))
        newest = np.maximum.accumulate(np.where(stop > before, np.arange(len(t_ms)), -1))
        start = np.where(newest >= 0, before[newest], 0)
        self._held[column] = all_of_it.part(int(start[-1]), int(stop[-1]))
        self._new[column] = [all_of_it.part(int(stop[-1]), len(at))] if stop[-1] < len(at) else []
        first = np.maximum(start, np.searchsorted(at, t_ms - float(signal.max_age_ms), side="left"))
        quality = np.full(len(t_ms), Quality.STALE, dtype=np.int8)
        value = np.full(len(t_ms), np.nan)
        there = np.flatnonzero(first < stop)
        if len(there):
            quality[there], value[there] = _reduced(all_of_it, first[there], stop[there], signal)
        return quality, value


def _reduced(samples: Samples, first: Ints, stop: Ints, signal: Signal) -> tuple[Qualities, Floats]:
    """Quality and value of each stretch first..stop-1, none of them empty."""
    single = bool((stop - first == 1).all())
    values, qualities = samples.value, samples.quality
    largest = LARGEST_COUNT / signal.per_unit
    sound = np.abs(values) < largest  # false for NaN as well
    if single:
        low = high = last = values[first]
        worst, countable = qualities[first], sound[first]
    else:
        low, high = _over(np.minimum, values, first, stop), _over(np.maximum, values, first, stop)
        worst, countable = _over(np.maximum, qualities, first, stop), _over(np.logical_and, sound, first, stop)
        last = values[stop - 1]
    if signal.reduce is Reduce.LAST:
        value = last
    elif signal.reduce is Reduce.MIN:
        value = low
    elif signal.reduce is Reduce.MAX:
        value = high
    else:
        value = _means(values, first, stop, countable & (worst <= Quality.SATURATED))
    quality = worst.copy()
    known = quality <= Quality.SATURATED
    quality[known & (high > signal.high)] = Quality.ABOVE_RANGE
    quality[known & (low < signal.low)] = Quality.BELOW_RANGE
    quality[known & ~countable] = Quality.UNDECODABLE
    return quality, np.where(quality <= Quality.SATURATED, value, np.nan)


def _over(function: np.ufunc, values: npt.NDArray[T], first: Ints, stop: Ints) -> npt.NDArray[T]:
    """`function` over each stretch; stretches may overlap."""
    ends = np.empty(2 * len(first), dtype=np.int64)
    ends[0::2], ends[1::2] = first, stop
    # One more at the end: a stretch may end where the values do. What lies between two is reduced for nothing.
    found: npt.NDArray[T] = function.reduceat(np.append(values, values[-1:]), ends)[0::2]
    return found


def _means(values: Floats, first: Ints, stop: Ints, wanted: npt.NDArray[np.bool_]) -> Floats:
    """The correctly rounded mean of each wanted stretch."""
    count = stop - first
    means = values[first]
    two = np.flatnonzero((count == 2) & wanted)
    means[two] = (values[first[two]] + values[first[two] + 1]) / 2  # one addition is rounded correctly by itself
    more = np.flatnonzero((count > 2) & wanted)
    if len(more):
        low, high = int(first[more].min()), int(stop[more].max())
        listed = values[low:high].tolist()
        ends = zip((first[more] - low).tolist(), (stop[more] - low).tolist(), strict=True)
        means[more] = [fsum(listed[a:b]) / (b - a) for a, b in ends]
    return means
