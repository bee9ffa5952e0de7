"""What a signal is, what a source says about it, and the block of ticks that everything after the collector reads."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = [
    "LARGEST_COUNT",
    "NO_TUNE",
    "Block",
    "Event",
    "EventKind",
    "Quality",
    "QualityChange",
    "Reduce",
    "Sample",
    "Signal",
    "index_of",
    "quantise",
]

NO_TUNE = -1
"""Number of the tune when it is unknown."""


class Quality(IntEnum):
    """How far a value can be believed. Only `GOOD` and `SATURATED` (a bound, judged as its value) carry one."""

    GOOD = 0
    SATURATED = 1
    STALE = 2
    BELOW_RANGE = 3
    ABOVE_RANGE = 4
    OPEN_CIRCUIT = 5
    SHORT_TO_GROUND = 6
    SHORT_TO_SUPPLY = 7
    UNDECODABLE = 8
    NOT_FITTED = 9

    @property
    def known(self) -> bool:
        """True when a value comes with it."""
        return self <= Quality.SATURATED

    @property
    def words(self) -> str:
        """Plain words for people: ``open circuit``."""
        return self.name.lower().replace("_", " ")


class Reduce(StrEnum):
    """How the samples that arrived between two ticks become one value."""

    LAST = "last"
    MEAN = "mean"
    MIN = "min"
    MAX = "max"


@dataclass(frozen=True, slots=True)
class Signal:
    """One quantity with its unit.

    `low` and `high` bound the believable values, in `unit`; outside is a fault, not a value. `per_unit` is the
    number of counts per unit: the resolution that is judged and logged. A sample older than `max_age_ms` at
    a tick is stale. `required` adds a `lost:` rule. `computed` signals come from `uphaul.derive`.
    """

    name: str
    unit: str
    per_unit: int
    low: float = -np.inf
    high: float = np.inf
    max_age_ms: int = 1000
    reduce: Reduce = Reduce.LAST
    required: bool = False
    computed: bool = False
    meaning: str = ""


class Sample(NamedTuple):
    """One reading: column of the signal, time in ms on the collector's clock, value (NaN when unknown), quality.

    A named tuple because a busy bus makes 18,000 of them a second.
    """

    signal: int
    t_ms: float
    value: float
    quality: Quality = Quality.GOOD


class EventKind(StrEnum):
    """What a person can do; a remark is what a source has to say (`actor` is its name).

    A field check begins and ends by a person too; `text` names it. A step of it is skipped: `rule` is the step's name
    (``step:tune`` for one tune of it), `text` the reason.
    """

    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    DISABLE = "disable"
    ENABLE = "enable"
    MARK = "mark"
    TUNE = "tune"
    CHECK_BEGIN = "check-begin"
    CHECK_END = "check-end"
    CHECK_SKIP = "check-skip"
    REMARK = "remark"


@dataclass(frozen=True, slots=True)
class Event:
    """What a person did, at the tick that took it in.

    `seq` orders the events of one tick by arrival. `raise_number` names the raise that an acknowledgement is
    meant for. `end_ms` is the end of a shelving on the drive's time. `text` is the note of a mark or the
    name of a tune.
    """

    t_ms: int
    seq: int
    kind: EventKind
    rule: str = ""
    raise_number: int = 0
    actor: str = ""
    text: str = ""
    end_ms: int | None = None


@dataclass(frozen=True, slots=True)
class QualityChange:
    """From this tick on the signal in column `signal` has this quality (until the next change)."""

    t_ms: int
    signal: int
    quality: Quality


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """N ticks of S signals: the one currency between collector, derive, judge, log, replay and analysis.

    `t_ms` int64 (N,), strictly increasing, ms since the drive began. `values` float64 (N, S), NaN where
    unknown, every known value on its signal's grid of counts. `tune` int16 (N,), index into the tunes of the
    drive, -1 unknown. `quality` and `events` are sparse and in order of time.
    """

    signals: tuple[Signal, ...]
    t_ms: npt.NDArray[np.int64]
    values: npt.NDArray[np.float64]
    tune: npt.NDArray[np.int16]
    quality: tuple[QualityChange, ...] = field(default=())
    events: tuple[Event, ...] = field(default=())

    def __len__(self) -> int:
        return len(self.t_ms)

    def part(self, start: int, stop: int) -> Block:
        """Ticks start..stop-1 with the changes and events that fall on them (a view, nothing copied)."""
        t = self.t_ms[start:stop]
        first, last = (int(t[0]), int(t[-1])) if len(t) else (0, -1)
        return Block(
            signals=self.signals,
            t_ms=t,
            values=self.values[start:stop],
            tune=self.tune[start:stop],
            quality=tuple(q for q in self.quality if first <= q.t_ms <= last),
            events=tuple(e for e in self.events if first <= e.t_ms <= last),
        )


def index_of(signals: tuple[Signal, ...]) -> dict[str, int]:
    """Column of each signal by name."""
    return {s.name: i for i, s in enumerate(signals)}


LARGEST_COUNT = 2.0**53
"""Counts beyond are no whole numbers in a double, and none that a sensor meant."""


def quantise(values: npt.NDArray[np.float64], per_unit: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """`values` (..., S) on the grid of counts: rint(x * per_unit) / per_unit; NaN where there is no such count."""
    with np.errstate(over="ignore"):  # an infinite count is no count either, and no news for the journal
        counts = np.rint(values * per_unit)
    return np.where(np.abs(counts) < LARGEST_COUNT, counts / per_unit, np.nan)
