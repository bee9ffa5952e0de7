"""The tick collector: what arrived since the last tick becomes one value and one quality per signal.

Theory of operation. Sources and people add samples and events at any time; `collect` is called once a tick. A signal
holds its latest batch of samples, those that arrived together between two ticks; at each tick the samples that
have grown too old are dropped from it and the rest is reduced. With none left the signal is stale. One faulty or
implausible sample makes the whole batch that fault. Values are put on the grid of counts here, once.

What a source has to say beside its samples becomes events: a remark when it is new, another when it has gone, and at
the first tick of a drive one for all that stands.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import fsum, nan

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
from uphaul.signals.tune import TuneReading

__all__ = ["Collected", "Collector"]


@dataclass(frozen=True, slots=True)
class Collected:
    """One tick before it has a place in a drive: `values` (1, S) with computed columns unknown.

    `notes` are (source, words) of all that sources had to say before this tick and that still stands.
    """

    signals: tuple[Signal, ...]
    values: npt.NDArray[np.float64]
    qualities: tuple[Quality, ...]
    changed: tuple[int, ...]
    tune: int
    events: tuple[Event, ...]
    shelf_ms: tuple[int | None, ...]
    notes: tuple[tuple[str, str], ...] = ()

    def block(self, t_ms: int, *, all_qualities: bool = False) -> Block:
        """The tick as a block of one at `t_ms` of its drive.

        `all_qualities`, for the first one, names every quality that is not good and repeats all notes that stand.
        """
        standing = self.notes if all_qualities else ()
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
            )
            + tuple(
                Event(t_ms, len(self.events) + i, EventKind.REMARK, actor=source, text=text)
                for i, (source, text) in enumerate(standing)
            ),
        )


class Collector:
    """Collects the samples of `signals` (computed ones are left unknown) and the events of people.

    `tune_reading` tells the tune from the signal `tune_signal`; without it the tune is the one a person named last, or
    the only one there is.
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
        self._tunes = {name: i for i, name in enumerate(tunes)}
        self._tune = 0 if len(tunes) == 1 else NO_TUNE
        self._tune_column = None if tune_signal is None else index_of(signals)[tune_signal]
        self._tune_reading = tune_reading
        self._notes: dict[str, tuple[str, ...]] = {}
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

    def notes(self, source: str, notes: tuple[str, ...]) -> None:
        """Take in all that `source` has to say now; what is new and what has gone falls on the next tick."""
        before = self._notes.get(source, ())
        if notes == before:
            return
        for text in notes:
            if text not in before:
                self.event(EventKind.REMARK, actor=source, text=text)
        for text in before:
            if text not in notes:
                self.event(EventKind.REMARK, actor=source, text=f"no longer: {text}")
        self._notes[source] = notes

    def resume(self, tune: int) -> None:
        """Go on, after a restart within a drive, with the tune that the log has last."""
        self._tune = tune
        if self._tune_reading is not None:
            self._tune_reading.tune = tune

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
        if self._tune_column is not None and self._tune_reading is not None:
            tune = self._tune_reading.step(t_ms, float(row[0, self._tune_column]))
        new = {(e.actor, e.text) for e, _ in events if e.kind is EventKind.REMARK}
        standing = tuple((s, n) for s, notes in self._notes.items() for n in notes if (s, n) not in new)
        return Collected(
            self._signals,
            row,
            tuple(self._quality),
            tuple(changed),
            tune,
            tuple(e for e, _ in events),
            tuple(s for _, s in events),
            standing,
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
