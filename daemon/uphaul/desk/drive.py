"""One drive of a log in memory, as the page asks for it: stretches, signals, segments, and what was said live."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from math import isnan
from pathlib import Path

import numpy as np

from uphaul.analysis.align import distance_km, places_km
from uphaul.analysis.review import Episode, cut_off, episodes, heard
from uphaul.analysis.route import road_grade, steps_m
from uphaul.analysis.segments import CUT_BY, Segment, cut
from uphaul.analysis.what_if import AllRules, RuleSaid, Stretch
from uphaul.analysis.whole import WholeDrive
from uphaul.config import load_rules, load_texts
from uphaul.config.spec import Config
from uphaul.errors import LogError, UphaulError
from uphaul.live import carried_from_json
from uphaul.log.drives import Part, log_parts, pick_drive
from uphaul.log.reader import Log
from uphaul.physics.basis import Bools, Floats, Ints
from uphaul.rules import Condition, Rule
from uphaul.signals import NO_TUNE, Block, Event, Signal
from uphaul.vehicle import Vehicle

__all__ = ["AXES", "RULES_FILE", "SHOWN", "SHOWN_FIRST", "DeskDrive", "load_drive"]

AXES = ("time", "distance", "place")
RULES_FILE = "rules.toml"
SHOWN_FIRST = ("speed", "rpm", "boost", "egt", "coolant", "charge", "pedal", "oil_pressure")
SHOWN = 6
"""Signals that a page begins with, by preference, and how many of them."""

READ_FIRST = frozenset((*SHOWN_FIRST, *CUT_BY, "latitude", "longitude"))
"""What the lines, the segments, the road and the place of a drive are made of."""


INVENTED = "Invented demo data: no real vehicle, person or place"


@dataclass(eq=False)
class DeskDrive:
    """A drive. `rules` are those in force at its end and `rules_text` the file they stand in.

    `whole` and the `stretches` share their values; the tunes have one numbering. `live` is what was said on the way.
    `signals` are those of the log: more than `whole` has where only what is shown first was read. `said` is what the
    rules say of it, where that was asked for.
    """

    path: Path
    number: int
    begun: str | None
    signals: tuple[Signal, ...]
    whole: WholeDrive
    stretches: tuple[Stretch, ...]
    vehicle: Vehicle
    rules: tuple[Rule, ...]
    rules_text: str
    live: list[Episode]
    notes: tuple[str, ...] = ()
    said: dict[Rule, RuleSaid] | None = None

    @property
    def label(self) -> str:
        """``drive 3 of trip.db``."""
        return f"drive {self.number} of {self.path.name}"

    @cached_property
    def segments(self) -> list[Segment]:
        """What the vehicle was doing, without the figures of each stretch: nobody asks for them here."""
        return cut(self.whole, figures=False)

    @cached_property
    def spans(self) -> dict[str, tuple[float, float]]:
        """The lowest and the highest value of each signal that was known at some tick, in the order of the log."""
        columns = zip(self.whole.signals, self.whole.values.T, strict=True)
        ends = {s.name: (float(np.fmin.reduce(x)), float(np.fmax.reduce(x))) for s, x in columns}
        return {name: (low, high) for name, (low, high) in ends.items() if not isnan(low)}

    @cached_property
    def t_s(self) -> Floats:
        """(N,) time since the first tick, in s."""
        since: Floats = (self.whole.t_ms - self.whole.t_ms[0]) / 1000.0
        return since

    @cached_property
    def km(self) -> Floats:
        """(N,) way since the first tick, in km."""
        return distance_km(self.whole)

    @cached_property
    def grade(self) -> Floats:
        """(N,) the grade of the road, positive uphill."""
        return road_grade(self.whole, steps_m(self.whole))

    @cached_property
    def after_gap(self) -> Bools:
        """(N,) ticks that follow a gap."""
        return np.diff(self.whole.t_ms, prepend=self.whole.t_ms[:1]) > self.whole.gap_ms

    def axis(self, name: str, reference: DeskDrive | None = None) -> Floats:
        """(N,) the drive on that axis; its place is one on the way of the `reference` (its own way without one)."""
        if name == "time":
            return self.t_s
        if name == "distance" or reference is None:
            return self.km
        if name == "place":
            return places_km(self.whole, reference.whole)
        raise UphaulError(f"axis: one of {', '.join(AXES)}, not {name!r}")

    def signal(self, name: str) -> int:
        """The column of a signal. Raises UphaulError."""
        found = next((i for i, s in enumerate(self.whole.signals) if s.name == name), None)
        if found is None:
            raise UphaulError(f"signal {name!r}: {self.label} has none of that name")
        return found

    def rules_of(self, words: str) -> tuple[Rule, ...]:
        """The rules of another text of the rules file, for this drive's signals. Raises ConfigError."""
        return load_rules(words, RULES_FILE, self.whole.signals, self.vehicle, allow_unknown=True)


def load_drive(
    path: Path, drive: int | None, *, first: bool = False, after: DeskDrive | None = None, judge: bool = False
) -> DeskDrive:
    """Load a drive of a log, the last one for None. Raises UphaulError.

    With `first` only what a page shows first is read; `after` is what was read so of the same drive: the rest is read,
    up to its end, though a daemon may have gone on. With `judge` its rules judge it as it is read, which takes hardly
    longer than reading it.
    """
    with Log.open(path) as log:
        number = pick_drive(log, drive)
        label = f"{path} drive {number}"
        parts = log_parts(log, number)
        if after is not None:
            parts = [part for part in parts if part.ticks_ms[0] <= after.whole.t_ms[-1]]
        if not parts:
            raise LogError(f"{label}: it has no tick yet")
        configs = [load_texts(dict(part.files), label=label, check_inputs=False) for part in parts]
        named = [name for part in parts for name in part.tunes]
        named += [name for c in configs for r in c.rules for name, _ in (*r.tunes, *r.expected)]
        tunes = tuple(dict.fromkeys(named))
        columns = signals = _signals(parts, label)
        if first:
            wanted = _read_first(signals)
            columns = tuple(s for s in signals if s.name in wanted)
        else:
            wanted = {s.name for s in signals} - {s.name for s in ([] if after is None else after.whole.signals)}
        parts = log_parts(log, number, wanted)[: len(parts)]
        judging = AllRules(configs[-1].rules) if judge else None
        t_ms, values, tune, ends, events = _read(parts, columns, tunes, judging, after)
        stretches = []
        for i, (part, (start, stop)) in enumerate(zip(parts, pairwise(ends), strict=True)):
            block = Block(columns, t_ms[start:stop], values[:, start:stop].T, tune[start:stop], (), tuple(events[i]))
            carried = carried_from_json(part.initial_state, label)
            ended = ""
            if i + 1 < len(parts):
                ended = f"{'configuration' if part.files != parts[i + 1].files else 'program'} changed"
            stretches.append(Stretch(block, tunes, part.gap_ms, part.grid_ms, carried, ended))
        begins = [part.ticks_ms[0] for part in parts]
        gap_ms = max(part.gap_ms for part in parts)
        whole = WholeDrive(columns, t_ms, values.T, tune, tunes, gap_ms, tuple(e for each in events for e in each))
        config, text = configs[-1], dict(parts[-1].files).get(RULES_FILE, "")
        notes = [INVENTED] if any(c.invented for c in configs) else []
        notes += log.notes
        if len(parts) > 1:
            notes.append(
                "configuration or program changed on the way: the rules here are those of its end, for all of it"
            )
        return DeskDrive(
            path=path,
            number=number,
            begun=next((d.begun for d in log.drives() if d.id == number), None),
            signals=signals,
            whole=whole,
            stretches=tuple(stretches),
            vehicle=config.vehicle,
            rules=config.rules,
            rules_text=text,
            live=_live(log, number, configs, stretches, begins),
            notes=tuple(notes),
            said=None if judging is None else judging.said(),
        )


def _read(
    parts: Sequence[Part],
    columns: tuple[Signal, ...],
    tunes: tuple[str, ...],
    judging: AllRules | None,
    after: DeskDrive | None,
) -> tuple[Ints, Floats, np.ndarray[tuple[int], np.dtype[np.int16]], list[int], list[list[Event]]]:
    """All ticks: their times, values (S, N) and tunes, where each part ends among them, and the events of each.

    By columns: all that the page asks for goes down a column. Room is made for every tick as if none was missed; memory
    that is never written costs nothing. The log is read on in threads while a block is judged here. What
    `after` has is taken from there. Raises LogError when its ticks are no longer those of the log.
    """
    place = {s.name: i for i, s in enumerate(columns)}
    most = sum((part.ticks_ms[1] - part.ticks_ms[0]) // part.grid_ms + 1 for part in parts)
    values, t_ms = np.empty((len(columns), most)), np.empty(most, dtype=np.int64)
    tune = np.empty(most, dtype=np.int16)
    ends, events = [0], list[list[Event]]()
    before = None if after is None else after.whole
    there = {} if before is None else {place[s.name]: x for s, x in zip(before.signals, before.values.T, strict=True)}
    for part in parts:
        at = ends[-1]
        events.append([])
        number_of = np.array([*(tunes.index(name) for name in part.tunes), NO_TUNE], dtype=np.int16)
        mine = [place[s.name] for s in part.signals]
        absent = [i for i in range(len(columns)) if i not in mine and i not in there]
        if judging is not None:
            judging.begin(columns, tunes, part.gap_ms, part.grid_ms)
        for read in part.blocks():
            # a daemon may have written on since the ends were looked up: there is no room for more
            last = part.ticks_ms[1] if before is None else min(part.ticks_ms[1], int(before.t_ms[-1]))
            upto = int(np.searchsorted(read.t_ms, last, "right"))
            b = read if upto == len(read) else read.part(0, upto)
            stop = at + len(b)
            if after is not None and not np.array_equal(after.whole.t_ms[at:stop], b.t_ms):
                raise LogError(f"{after.label}: the log was changed while it was read: begin anew")
            for i, known in there.items():
                values[i, at:stop] = known[at:stop]
            t_ms[at:stop], tune[at:stop] = b.t_ms, number_of[b.tune]
            for i, column in zip(mine, b.values.T, strict=True):
                values[i, at:stop] = column
            values[absent, at:stop] = np.nan
            if judging is not None:
                judging.take(Block(columns, t_ms[at:stop], values[:, at:stop].T, tune[at:stop]))
            events[-1] += b.events
            at = stop
        ends.append(at)
    return t_ms[: ends[-1]], values[:, : ends[-1]], tune[: ends[-1]], ends, events


def _signals(parts: Sequence[Part], label: str) -> tuple[Signal, ...]:
    """The signals of all parts. Raises LogError when one has two units."""
    found: dict[str, Signal] = {}
    for part in parts:
        for s in part.signals:
            if found.setdefault(s.name, s).unit != s.unit:
                raise LogError(f"{label}: {s.name} is in {found[s.name].unit} and in {s.unit}")
    return tuple(found.values())


def _read_first(signals: Sequence[Signal]) -> set[str]:
    """The names of the signals to read first; a drive with few of the usual ones begins with others of its own."""
    names = [s.name for s in signals]
    usual = [n for n in names if n in SHOWN_FIRST]
    others = [n for n in names if n not in READ_FIRST][: max(SHOWN - len(usual), 0)]
    return {*(n for n in names if n in READ_FIRST), *others}


def _live(
    log: Log, number: int, configs: Sequence[Config], stretches: Sequence[Stretch], begins: Sequence[int]
) -> list[Episode]:
    """What was said on the way, each stretch by itself: its judge began anew."""
    logged, steps = log.conditions(number), log.transitions(number)
    names = tuple(dict.fromkeys(c.rule for c in logged))
    conditions = [Condition(c.t_ms, names.index(c.rule), c.active, c.value, c.limit, c.tune) for c in logged]
    out: list[Episode] = []
    for i, (config, stretch) in enumerate(zip(configs, stretches, strict=True)):
        own = [c for c in conditions if bisect_right(begins[1:], c.t_ms) == i]
        told = [t for t in steps if bisect_right(begins[1:], t.t_ms) == i]
        found = heard(episodes(own, names), told, config.rules, stretch.carried)
        if stretch.ended:
            found = cut_off(found, int(stretch.block.t_ms[-1]), stretch.ended)
        out += found
    return out
