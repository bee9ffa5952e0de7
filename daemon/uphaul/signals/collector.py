"""The tick collector: what arrived since the last tick becomes one value and one quality per signal.

Theory of operation. Sources and people add samples and events at any time; `collect` is called once a tick. A signal
holds its latest batch of samples, those that arrived together between two ticks; at each tick the samples that
have grown too old are dropped from it and the rest is reduced. With none left the signal is stale. One faulty or
implausible sample makes the whole batch that fault. Values are put on the grid of counts here, once.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import fsum, isfinite, nan

import numpy as np
import numpy.typing as npt

from uphaul.signals.model import (
    LARGEST_COUNT,
    NO_TUNE,
    Block,
    Event,
    EventKind,
    Quality,
    QualityChange,
    Reduce,
    Sample,
    Signal,
    index_of,
    quantise,
)

__all__ = ["Collected", "Collector"]


@dataclass(frozen=True, slots=True)
class Collected:
    """One tick before it has a place in a drive: `values` (1, S) with computed columns unknown."""

    signals: tuple[Signal, ...]
    values: npt.NDArray[np.float64]
    qualities: tuple[Quality, ...]
    changed: tuple[int, ...]
    tune: int
    events: tuple[Event, ...]
    shelf_ms: tuple[int | None, ...]

    def block(self, t_ms: int, *, all_qualities: bool = False) -> Block:
        """The tick as a block of one at `t_ms` of its drive. `all_qualities` names every quality that is not good."""
        columns = [i for i, q in enumerate(self.qualities) if q] if all_qualities else self.changed
        return Block(
            signals=self.signals,
            t_ms=np.array([t_ms], dtype=np.int64),
            values=self.values,
            tune=np.array([self.tune], dtype=np.int16),
            quality=tuple(QualityChange(t_ms, i, self.qualities[i]) for i in columns),
            events=tuple(
                Event(t_ms, e.seq, e.kind, e.rule, e.raise_number, e.actor, e.text, None if s is None else t_ms + s)
                for e, s in zip(self.events, self.shelf_ms, strict=True)
            ),
        )


class Collector:
    """Collects the samples of `signals` (computed ones are left unknown) and the events of people.

    `tune_of` maps a whole number of the signal `tune_signal` to a tune's number; without it the tune is the one a
    person named last, or the only one there is.
    """

    def __init__(
        self,
        signals: tuple[Signal, ...],
        tunes: tuple[str, ...] = (),
        *,
        tune_signal: str | None = None,
        tune_of: dict[int, int] | None = None,
    ) -> None:
        self._signals = signals
        self._tunes = {name: i for i, name in enumerate(tunes)}
        self._tune = 0 if len(tunes) == 1 else NO_TUNE
        self._tune_column = None if tune_signal is None else index_of(signals)[tune_signal]
        self._tune_of = tune_of or {}
        self._per_unit = np.array([float(s.per_unit) for s in signals])
        self._new: list[list[Sample]] = [[] for _ in signals]
        self._held: list[list[Sample]] = [[] for _ in signals]
        self._quality = [Quality.GOOD if s.computed else Quality.NOT_FITTED for s in signals]
        self._measured = [(i, s) for i, s in enumerate(signals) if not s.computed]
        self._events: list[tuple[Event, int | None]] = []

    @property
    def qualities(self) -> tuple[Quality, ...]:
        """The quality of every signal as of the last tick."""
        return tuple(self._quality)

    def add(self, samples: Iterable[Sample]) -> None:
        """Take in samples; their times are on the same clock as the ticks'."""
        new = self._new
        for sample in samples:
            new[sample[0]].append(sample)

    def event(
        self,
        kind: EventKind,
        *,
        rule: str = "",
        raise_number: int = 0,
        actor: str = "",
        text: str = "",
        shelf_ms: int | None = None,
    ) -> None:
        """Take in what a person did; it falls on the next tick. `shelf_ms` is how long to shelve."""
        event = Event(0, len(self._events), kind, rule, raise_number, actor, text)
        self._events.append((event, shelf_ms))

    def collect(self, t_ms: float) -> Collected:
        """One tick at `t_ms` on the samples' clock."""
        values = [nan] * len(self._signals)
        changed = []
        for i, signal in self._measured:
            if self._new[i]:
                self._held[i], self._new[i] = self._new[i], []
            quality, values[i] = self._reduce(i, signal, t_ms)
            if quality is not self._quality[i]:
                self._quality[i] = quality
                changed.append(i)
        row = quantise(np.array([values]), self._per_unit)
        events, self._events = self._events, []
        for event, _ in events:
            if event.kind is EventKind.TUNE:
                self._tune = self._tunes.get(event.text, NO_TUNE)
        tune = self._tune
        if self._tune_column is not None:
            code = row[0, self._tune_column]
            tune = self._tune_of.get(round(code), NO_TUNE) if isfinite(code) else NO_TUNE
        return Collected(
            self._signals,
            row,
            tuple(self._quality),
            tuple(changed),
            tune,
            tuple(e for e, _ in events),
            tuple(s for _, s in events),
        )

    def _reduce(self, i: int, signal: Signal, t_ms: float) -> tuple[Quality, float]:
        held = self._held[i]
        oldest = t_ms - signal.max_age_ms
        if len(held) == 1:  # the usual case, and 20 times a second for every signal
            _, at, value, quality = held[0]
            largest = LARGEST_COUNT / signal.per_unit
            known = quality <= Quality.SATURATED and -largest < value < largest
            if known and at >= oldest and signal.low <= value <= signal.high:
                return quality, value
        if held and min(s[1] for s in held) < oldest:
            self._held[i] = held = [s for s in held if s[1] >= oldest]
        if not held:
            return Quality.STALE, nan
        worst = max(s[3] for s in held)
        if worst > Quality.SATURATED:
            return worst, nan
        values = [s[2] for s in held]
        low, high = min(values), max(values)
        largest = LARGEST_COUNT / signal.per_unit
        if not all(-largest < v < largest for v in values):  # false for NaN as well
            return Quality.UNDECODABLE, nan
        if low < signal.low:
            return Quality.BELOW_RANGE, nan
        if high > signal.high:
            return Quality.ABOVE_RANGE, nan
        if signal.reduce is Reduce.LAST:
            return worst, values[-1]
        if signal.reduce is Reduce.MEAN:
            return worst, fsum(values) / len(values)
        return worst, low if signal.reduce is Reduce.MIN else high
