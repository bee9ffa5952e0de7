"""A drive of a log as one table, whatever its segments: what every kind of export writes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from uphaul import units
from uphaul.config.problems import nearest
from uphaul.errors import LogError, UphaulError
from uphaul.log.drives import Part, log_parts
from uphaul.log.reader import Log
from uphaul.signals import NO_TUNE, Event, EventKind, Quality, QualityChange, Signal

__all__ = ["Outgoing", "Piece", "event_words", "outgoing"]


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """N ticks: times in ms, values (N, S) in the units of `Outgoing.signals`, numbers of tunes in `Outgoing.tunes`.

    `quality` counts through `Outgoing.signals`.
    """

    t_ms: npt.NDArray[np.int64]
    values: npt.NDArray[np.float64]
    tune: npt.NDArray[np.int16]
    quality: tuple[QualityChange, ...]
    events: tuple[Event, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Outgoing:
    """One drive. `begun` is the wall clock at its t = 0 (RFC 3339), None where unknown; `ticks_ms` its first and last.

    `software` is what recorded it.
    """

    log: Log
    number: int
    begun: str | None
    software: str
    signals: tuple[Signal, ...]
    tunes: tuple[str, ...]
    parts: tuple[Part, ...]
    ticks_ms: tuple[int, int]

    def pieces(self) -> Iterator[Piece]:
        """The ticks in order."""
        numbers = {name: i for i, name in enumerate(self.tunes)}
        stands: dict[int, Quality] = {}
        for part in self.parts:
            tune = np.array([numbers[name] for name in part.tunes] + [NO_TUNE], dtype=np.int16)
            here = {s.name: i for i, s in enumerate(part.signals)}
            own = {here[s.name]: k for k, s in enumerate(self.signals) if s.name in here}
            fresh = True
            for block in part.blocks():
                values = np.full((len(block), len(self.signals)), np.nan)
                for i, k in own.items():
                    values[:, k] = units.convert(block.values[:, i], part.signals[i].unit, self.signals[k].unit)
                changes = [replace(c, signal=own[c.signal]) for c in block.quality if c.signal in own]
                if fresh:  # a segment's qualities begin at good
                    at = int(block.t_ms[0])
                    told = {c.signal for c in changes if c.t_ms == at}
                    again = [k for k, quality in stands.items() if quality != Quality.GOOD and k not in told]
                    changes = [*(QualityChange(at, k, Quality.GOOD) for k in again), *changes]
                    fresh = False
                stands.update({c.signal: c.quality for c in changes})
                yield Piece(block.t_ms, values, tune[block.tune], tuple(changes), block.events)


def outgoing(log: Log, drive: int, names: Sequence[str] = ()) -> Outgoing:
    """The drive, with the signals of these names or all. Raises LogError, UphaulError for a name that is not there.

    Where a signal changed its unit within the drive, all of it is in the last one.
    """
    parts = tuple(log_parts(log, drive))
    if not parts:
        raise LogError(f"{log.path}: drive {drive} has no tick yet")
    signals = {s.name: s for part in parts for s in part.signals}
    last = {s.name: s for s in parts[-1].signals}
    table = [*last.values(), *(s for name, s in signals.items() if name not in last)]
    if names:
        for name in names:
            if name not in signals:
                near = nearest(name, signals)
                hint = f"; did you mean {near!r}?" if near else f"; it has: {', '.join(signals)}"
                raise UphaulError(f"--signals {name}: drive {drive} has no such signal{hint}")
        table = [signals[name] for name in dict.fromkeys(names)]
    for part in parts:
        for signal in part.signals:
            mine = signals[signal.name]
            if signal.unit != mine.unit and not units.compatible(signal.unit, mine.unit):
                raise UphaulError(
                    f"{log.path}: drive {drive}: signal {signal.name!r} changed from {signal.unit!r} to {mine.unit!r}, "
                    "which do not convert; leave it out with --signals"
                )
    info = next(d for d in log.drives() if d.id == drive)
    return Outgoing(
        log=log,
        number=drive,
        begun=info.begun,
        software=log.segments(drive)[-1].software,
        signals=tuple(table),
        tunes=tuple(dict.fromkeys(name for part in parts for name in part.tunes)),
        parts=parts,
        ticks_ms=(parts[0].ticks_ms[0], parts[-1].ticks_ms[1]),
    )


def event_words(event: Event) -> str:
    """What a person did or a source remarked, in one line."""
    if event.kind is EventKind.REMARK:
        return f"{event.actor}: {event.text}"
    about = " ".join(part for part in (event.rule, event.text) if part)
    who = f" ({event.actor})" if event.actor else ""
    return f"{event.kind.value}{': ' + about if about else ''}{who}"
