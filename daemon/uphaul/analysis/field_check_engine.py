"""Runs a field check over a drive, tick by tick or as a whole.

Theory of operation. A run begins and ends with what a person does, or with the drive. While one is under way, the
blocks go to a `Progress`, cut at the ticks where it begins and ends; in between only the alerts that stand are
followed. What is carried from block to block does not depend on where a drive is cut, so live, replay and a look at a
logged drive give the same run to the bit.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np

from uphaul.alerts import Carried, Transition
from uphaul.analysis.field_check import FieldCheck, FieldCheckRun, News, Now
from uphaul.analysis.field_check_progress import STANDING, Asking, Progress, Surroundings
from uphaul.analysis.whole import WholeDrive
from uphaul.pipeline import Row
from uphaul.rules import Rule
from uphaul.signals import Block, EventKind, Signal
from uphaul.vehicle import Vehicle

__all__ = ["FieldCheckEngine", "check_drive"]

_OF_CHECKS = (EventKind.CHECK_BEGIN, EventKind.CHECK_END, EventKind.CHECK_SKIP)


class FieldCheckEngine:
    """Takes the consecutive blocks of one drive.

    `signals` are the columns of the blocks, `tunes` the names of their tunes by number, `rules` those whose alerts are
    told, `standing` the names of those that stand as the drive begins. `whole`: a run is under way from the first
    tick, whatever people did; else one begins with what a person does (`EventKind.CHECK_BEGIN`, by the one who
    confirmed the cautions) and ends with `EventKind.CHECK_END`.
    """

    def __init__(
        self,
        check: FieldCheck,
        signals: tuple[Signal, ...],
        tunes: tuple[str, ...] = (),
        *,
        vehicle: Vehicle | None = None,
        rules: Sequence[Rule] = (),
        standing: Iterable[str] = (),
        gap_ms: int = 1000,
        grid_ms: int = 1,
        whole: bool = False,
    ) -> None:
        self.check = check
        self._around = Surroundings(signals, tunes, vehicle or Vehicle(), gap_ms, grid_ms)
        self._asking = Asking(rules, standing)
        self._whole = whole
        self._last_ms: int | None = None
        self._progress: Progress | None = None
        self._done: list[FieldCheckRun] = []

    @property
    def running(self) -> bool:
        """Whether a run is under way."""
        return self._progress is not None

    def run(self, block: Block, transitions: Sequence[Transition] = ()) -> list[News]:
        """Take the next block, computed columns filled in, and the steps of alerts in it: what there is to say."""
        news: list[News] = []
        if not len(block):
            return news
        people = [(int(np.searchsorted(block.t_ms, e.t_ms)), e) for e in block.events if e.kind in _OF_CHECKS]
        cuts = {0, len(block), *(i for i, e in people if e.kind is not EventKind.CHECK_SKIP)}
        for start, stop in pairwise(sorted(cuts)):
            piece = block.part(start, stop)
            first_ms, last_ms = int(piece.t_ms[0]), int(piece.t_ms[-1])
            for i, event in people:
                if i == start and event.kind is EventKind.CHECK_END and not self._whole:
                    self._finish(first_ms)
                elif i == start and event.kind is EventKind.CHECK_BEGIN and not self._whole and not self.running:
                    self._progress = Progress(self.check, self._around, first_ms, event.actor)
            if self._whole and not self.running and not self._done:
                self._progress = Progress(self.check, self._around, first_ms, "")
            inside = [t for t in transitions if first_ms <= t.t_ms <= last_ms and self._asking.asks(t.rule)]
            if self._progress is None:
                for transition in inside:
                    self._asking.note(transition)
            else:
                skips = [e for i, e in people if start <= i < stop and e.kind is EventKind.CHECK_SKIP]
                news += self._progress.take(piece, inside, skips, self._asking)
            self._last_ms = last_ms
        return news

    def _finish(self, t_ms: int) -> None:
        if self._progress is not None:
            self._progress.end()
            self._done.append(self._progress.result(t_ms))
            self._progress = None

    def end(self) -> None:
        """The drive is over: so is a run that is under way."""
        if self._last_ms is not None:
            self._finish(self._last_ms)

    @property
    def finished(self) -> int:
        """How many runs are over."""
        return len(self._done)

    @property
    def runs(self) -> tuple[FieldCheckRun, ...]:
        """All runs of the drive, the one under way, as far as it is, last."""
        if self._progress is None or self._last_ms is None:
            return tuple(self._done)
        return (*self._done, self._progress.result(self._last_ms))

    def now(self) -> Now | None:
        """Where the run under way stands; None when there is none."""
        return None if self._progress is None else self._progress.now(self._asking)


def check_drive(
    check: FieldCheck,
    drive: WholeDrive,
    rules: Sequence[Rule] = (),
    *,
    vehicle: Vehicle | None = None,
    carried: Sequence[Carried] = (),
    grid_ms: int = 1,
) -> tuple[FieldCheckRun, ...]:
    """The runs of a recorded drive, judged again by `rules`, its alerts having begun with what was `carried`.

    Where nobody began one in it, the whole drive is looked at as one run.
    """
    block = Block(drive.signals, drive.t_ms, drive.values, drive.tune, drive.quality, drive.events)
    row = Row(drive.signals, tuple(rules), drive.tunes, gap_ms=drive.gap_ms, grid_ms=grid_ms, carried=carried)
    engine = FieldCheckEngine(
        check,
        drive.signals,
        drive.tunes,
        vehicle=vehicle,
        rules=rules,
        standing=[c.rule for c in carried if c.state in STANDING],
        gap_ms=drive.gap_ms,
        grid_ms=grid_ms,
        whole=not any(e.kind is EventKind.CHECK_BEGIN for e in drive.events),
    )
    engine.run(block, row.run(block).transitions)
    engine.end()
    return engine.runs
