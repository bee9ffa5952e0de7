"""The live drive: one tick after another through collector, row and drive keeper to the log.

Theory of operation. `tick` is called with the clock's time of each tick and never waits. Between drives the ticks are
judged but not logged. When the engine starts, a new row begins with the time at zero, and takes over what was
latched, shelved or out of service; when it has been off for the hold time, the drive ends and the row for the time
between drives takes over in turn. After a restart of the daemon within a drive, `resume` judges what the log has of
it, so that row and field check stand where they stood; the restart itself is then no more than a gap.

A tune that a person told is taken over by any restart too, by its name. Nobody knows whether the engine still runs on
it, so page and log say where it comes from until a person tells a tune again. A tune that an input tells is never kept.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Iterable
from math import isnan, nan

import numpy as np
import numpy.typing as npt

from uphaul import __version__
from uphaul.alerts import Carried, State
from uphaul.alerts.lifecycle import Alert
from uphaul.analysis.field_check import News
from uphaul.analysis.field_check_follow import CheckFollower
from uphaul.config.spec import Config
from uphaul.errors import ConfigError, LogError
from uphaul.log.reader import Log
from uphaul.log.record import TickRecord
from uphaul.log.writer import LogWriter
from uphaul.pipeline import DriveKeeper, DriveStep, Outcome, Row
from uphaul.signals import Block, Collector, EventKind, index_of

_log = logging.getLogger("uphaul")

PIECE = 200
"""Ticks of a resumed drive that are judged at once: as far apart as what follows them may look."""

WHERE_KEPT = "the log"
"""Who says where a tune comes from, in the log's remarks."""

__all__ = ["Live", "carried_from_json", "carried_to_json", "kept_from_json", "kept_to_json", "pick_up"]


def carried_to_json(carried: Iterable[Carried]) -> str:
    """What a drive starts with, as the log keeps it."""
    return json.dumps([[c.rule, c.state.value, c.was_true, c.shelf_left_ms] for c in carried])


def carried_from_json(text: str, place: str) -> tuple[Carried, ...]:
    """The inverse of `carried_to_json`; an empty text or object means nothing.

    Raises LogError for any other text, with `place` in it: the log and the segment that it comes from.
    """
    try:
        rows = json.loads(text or "[]")
        return tuple(Carried(rule, State(state), was_true, left) for rule, state, was_true, left in rows or [])
    except (ValueError, TypeError) as error:
        raise LogError(f"{place}: the states that the alerts began with cannot be read ({error})") from error


def kept_to_json(carried: Iterable[Carried], tune: str) -> str:
    """What goes into the next drive, as the log keeps it: the alerts' states, and the tune that a person told or ""."""
    return json.dumps({"alerts": json.loads(carried_to_json(carried)), "tune": tune})


def kept_from_json(text: str, place: str) -> tuple[tuple[Carried, ...], str]:
    """The inverse of `kept_to_json`; logs of before have the alerts' states alone. Raises LogError as theirs does."""
    try:
        kept = json.loads(text or "[]")
    except ValueError:
        kept = None
    if not isinstance(kept, dict):
        return carried_from_json(text, place), ""
    tune = kept.get("tune", "")
    return carried_from_json(json.dumps(kept.get("alerts", [])), place), tune if isinstance(tune, str) else ""


def pick_up(log: Log, drive: int, config: Config) -> tuple[tuple[Carried, ...], list[Block]]:
    """Where a drive that was broken off goes on: what the alerts of its present segment began with, and its ticks.

    When `config` or the software is not what judged it so far, a new segment begins, without ticks; its alerts begin
    with what the old ones ended with. Raises LogError when the log cannot be read.
    """
    from uphaul.config import load_texts  # the daemon has it; a replay without a log does without

    segment = log.segments(drive)[-1]
    carried = carried_from_json(segment.initial_state, f"{log.path} segment {segment.id}")
    blocks = list(log.blocks(segment.id))
    files = log.config(segment.id)
    if (files, segment.software) == (dict(config.files), __version__):
        return carried, blocks
    try:
        old = load_texts(files, label=f"{log.path} drive {drive}", check_inputs=False)
    except ConfigError:  # of another version; at least what its segment began with is known
        return carried, []
    row = Row(
        segment.signals,
        old.rules,
        segment.tunes,
        gap_ms=segment.gap_ms,
        grid_ms=1000 // segment.tick_hz,
        carried=carried,
    )
    for block in blocks:
        row.run(block)
    return row.cycle.carry(segment.last_t_ms or 0), []


class Live:
    """`collector` brings the ticks, `writer` (None: nothing is logged) takes them; `boot_id` names this boot.

    `tune_note` says that the tune is the one of before the restart, where that is so.
    """

    def __init__(self, config: Config, collector: Collector, writer: LogWriter | None, boot_id: str) -> None:
        self._config = config
        self._collector = collector
        self._writer = writer
        self._boot_id = boot_id
        self._per_unit = np.array([float(s.per_unit) for s in config.signals])
        self._column = None if config.drive.signal is None else index_of(config.signals)[config.drive.signal]
        self._keeper = DriveKeeper(config.drive.above, config.drive.hold_ms, always=self._column is None)
        self._continues: int | None = None
        self._carried: tuple[Carried, ...] = ()
        self._kept = ""
        self._tune_told = ""
        self.tune_note = ""
        self._row = self._new_row(())
        self.check = self._new_check()
        self.check_news: tuple[News, ...] = ()
        self._checks_kept = 0
        self._origin_ms: int | None = None
        self.drive: int | None = None
        self.block: Block | None = None
        self.qualities = collector.qualities
        self.ticked_ms: int | None = None
        self.ticks = 0

    def _new_row(self, carried: tuple[Carried, ...]) -> Row:
        c = self._config
        return Row(
            c.signals,
            c.rules,
            c.tunes,
            computed=c.computed,
            gap_ms=c.gap_ms,
            grid_ms=1000 // c.tick_hz,
            carried=carried,
        )

    def _new_check(self) -> CheckFollower | None:
        c = self._config
        self._checks_kept = 0
        if c.field_check is None:
            return None
        return CheckFollower(
            c.field_check, c.signals, c.tunes, c.rules, c.vehicle, gap_ms=c.gap_ms, grid_ms=1000 // c.tick_hz
        )

    def _judge(self, block: Block) -> Outcome:
        """Judge ticks, and let the field check of the drive know of them."""
        if self.check is not None:
            self.check.before(block, self._row.alerts if block.events else ())
        outcome = self._row.run(block)
        if self.check is not None:
            self.check_news = tuple(self.check.after(block, outcome.transitions))
        return outcome

    @property
    def alerts(self) -> tuple[Alert, ...]:
        """Every alert as it stands."""
        return self._row.alerts

    @property
    def applies(self) -> npt.NDArray[np.bool_]:
        """Which rules are judged now, (rules,): those whose further conditions hold."""
        return self._row.judge.applies

    @property
    def flood(self) -> bool:
        """Whether more alerts came than anyone can take in."""
        return self._row.cycle.flood

    def record_to(self, writer: LogWriter) -> None:
        """Log from now on; to be said before the first tick. What the newest drive of the log left stands goes on."""
        self._writer = writer
        self._kept = writer.carried
        try:
            self._carried, tune = kept_from_json(writer.carried, str(writer.path))
        except LogError as error:
            _log.error("%s: alerts begin anew", error)
        else:
            self._recall(tune)
        self._row = self._new_row(self._carried)

    def _recall(self, tune: str) -> None:
        """Go on with the tune that a person told before the restart, if one may be told and there still is that one."""
        c = self._config
        if c.tune_input is not None or len(c.tunes) < 2 or tune not in c.tunes:
            return
        self._collector.resume(c.tunes.index(tune))
        self._tune_told = tune
        self.tune_note = f"tune {tune} as told before the restart"
        self._collector.notes(WHERE_KEPT, (self.tune_note,))

    def _follow_tune(self, block: Block) -> bool:
        """Whether a person told the tune at this tick."""
        told = [e.text for e in block.events if e.kind is EventKind.TUNE]
        if told and self._config.tune_input is None:
            self._tune_told, self.tune_note = told[-1], ""
            self._collector.notes(WHERE_KEPT, ())
        return bool(told)

    def continue_from(self, drive: int) -> None:
        """The next drive goes on where that one, of another boot, broke off."""
        self._continues = drive

    def resume(
        self,
        drive: int,
        began_ms: int,
        last_ms: int,
        carried: tuple[Carried, ...],
        blocks: Iterable[Block],
        *,
        taken_up: Callable[[Block], None] = lambda block: None,
    ) -> None:
        """Go on with a drive of this boot that began at `began_ms` and was last logged at `last_ms`, on the clock.

        `carried` and `blocks` are what `pick_up` found; `taken_up` is told each piece of them when it has been judged.
        """
        self.drive, self._origin_ms = drive, began_ms
        self._row, self.check = self._new_row(carried), self._new_check()
        for block in blocks:
            for i in range(0, len(block), PIECE):
                piece = block.part(i, i + PIECE)
                self._judge(piece)
                taken_up(piece)
            self._collector.resume(int(block.tune[-1]))
        self._keeper.resume(last_ms)
        if self._writer is not None:
            self._writer.resume_drive(
                self._config,
                drive,
                boot_id=self._boot_id,
                began_boot_ms=began_ms,
                initial_state=carried_to_json(carried),
            )

    def tick(self, now_ms: int, wall: str | None = None) -> Outcome:
        """One tick at `now_ms` on the clock; `wall` is the wall clock's label for it."""
        collected = self._collector.collect(now_ms)
        value = nan if self._column is None else float(collected.values[0, self._column])
        step = self._keeper.step(now_ms, value)
        first = self._origin_ms is None
        if step is DriveStep.BEGIN:
            first = True
            self._begin(now_ms, wall)
        elif self._origin_ms is None:
            self._origin_ms = now_ms
        assert self._origin_ms is not None
        block = collected.block(now_ms - self._origin_ms, all_qualities=first)
        outcome = self._judge(block)
        self.block, self.qualities, self.ticked_ms = block, collected.qualities, now_ms
        self.ticks += 1
        if self.drive is not None and self._writer is not None:
            self._writer.tick(self._record(block, outcome))
            self._keep_checks()
        told = self._follow_tune(block)
        if self._writer is not None and (outcome.transitions or first or told):
            self._keep_carried(now_ms - self._origin_ms)
        if step is DriveStep.END:
            self._end(now_ms)
        return outcome

    def _keep_carried(self, t_ms: int) -> None:
        """Have what the next drive begins with in the log, should this be the end."""
        assert self._writer is not None
        text = kept_to_json(self._row.cycle.carry(t_ms), self._tune_told)
        if text != self._kept:
            self._kept = text
            self._writer.carry(text)

    def _begin(self, now_ms: int, wall: str | None) -> None:
        carried = self._carried if self._origin_ms is None else self._row.cycle.carry(now_ms - self._origin_ms)
        self._row, self._origin_ms = self._new_row(carried), now_ms
        self.check = self._new_check()
        if self._writer is None:
            self.drive = 0
            return
        self.drive = self._writer.begin_drive(
            self._config,
            boot_id=self._boot_id,
            began_boot_ms=now_ms,
            continues=self._continues,
            initial_state=carried_to_json(carried),
            wall=wall,
        )
        self._continues = None
        self._kept = ""

    def _end(self, now_ms: int) -> None:
        assert self._origin_ms is not None
        self._row = self._new_row(self._row.cycle.carry(now_ms - self._origin_ms))
        self._origin_ms, self.drive = None, None
        self._end_check()
        if self._writer is not None:
            self._writer.end_drive("engine off")

    def _end_check(self) -> None:
        """What came of it stays to be told until the next drive."""
        if self.check is not None:
            self.check.end()
        self._keep_checks()

    def _keep_checks(self) -> None:
        """Have the field checks that are over in the log; one that is there already stays."""
        check, writer = self.check, self._writer
        if check is None or writer is None or check.finished == self._checks_kept:
            return
        from uphaul.analysis.field_check_text import run_to_json

        for run in check.runs[self._checks_kept : check.finished]:
            writer.field_check(*run.t_ms, run.title, run.confirmed_by, run_to_json(run))
        self._checks_kept = check.finished

    def stop(self, reason: str) -> None:
        """End the drive that is under way, if any."""
        self._end_check()
        if self.drive is not None and self._writer is not None:
            self._writer.end_drive(reason)
        self.drive = None

    def _record(self, block: Block, outcome: Outcome) -> TickRecord:
        counts = np.rint(block.values[0] * self._per_unit).tolist()
        return TickRecord(
            t_ms=int(block.t_ms[0]),
            tune=int(block.tune[0]),
            counts=[None if isnan(c) else int(c) for c in counts],
            quality=block.quality,
            conditions=outcome.conditions,
            transitions=outcome.transitions,
            notices=outcome.notices,
            events=block.events,
        )
