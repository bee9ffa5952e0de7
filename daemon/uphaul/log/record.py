"""What is handed to the log writer: one tick with all that belongs to it, and the beginning of a drive."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass

from uphaul.alerts import Condition, Notice, Transition
from uphaul.log.survey import Survey
from uphaul.signals import Event, Quality, QualityChange, Signal

__all__ = ["Begin", "LogHealth", "TickRecord"]


@dataclass(frozen=True, slots=True)
class TickRecord:
    """One tick and everything that happened at it; the log takes it whole or not at all.

    `t_ms` counts from the drive's beginning. `counts` holds a plain int per signal, in the order of the segment's
    signals, or None where unknown; `counts` None enters no tick, only the rest. A signal's quality counts as
    good until its first change in a segment and after each restart of the daemon.
    """

    t_ms: int
    tune: int
    counts: Sequence[int | None] | None
    quality: Sequence[QualityChange] = ()
    conditions: Sequence[Condition] = ()
    transitions: Sequence[Transition] = ()
    notices: Sequence[Notice] = ()
    events: Sequence[Event] = ()

    @property
    def sparse(self) -> bool:
        """True when there is more than the tick's values."""
        return bool(self.quality or self.conditions or self.transitions or self.notices or self.events)


@dataclass(frozen=True, slots=True)
class Begin:
    """A drive begins, or (`resume`) goes on after a restart of the daemon; what the file needs to know of it.

    `files` is the configuration's texts as (name, text), `rules` the rules' names in the order of `Condition.rule`.
    `quality` is set when the drive goes on in a new file: which signals are not good, by column.
    """

    drive: int
    resume: bool
    boot_id: str
    began_boot_ms: int
    continues: int | None
    wall: str | None
    initial_state: str
    files: tuple[tuple[str, str], ...]
    signals: tuple[Signal, ...]
    tunes: tuple[str, ...]
    rules: tuple[str, ...]
    tick_hz: int
    gap_ms: int
    software: str
    judge_version: str
    quality: tuple[tuple[int, Quality], ...] = ()

    def config_json(self) -> str:
        """The configuration as it is kept: one JSON object, file name to text."""
        return json.dumps(dict(self.files), sort_keys=True, ensure_ascii=False)

    def config_sha256(self) -> str:
        """By which one content is kept once."""
        return hashlib.sha256(self.config_json().encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class LogHealth:
    """How recording goes.

    `state` is ``ok`` or ``degraded``; `problem` says in words what is wrong now. `notices` stay for the life of the
    daemon: files set aside. `lost_ticks` will never be in the log, `pending_ticks` are not yet. `free_mb` is the card's
    free space in 10^6 bytes, None while unknown. `stalled_s` is how long the card has been keeping one commit.
    `drive` and `committed_t_ms` are those of the last commit, `survey` what the log holds, None before the first look.
    """

    state: str
    problem: str
    notices: tuple[str, ...]
    lost_ticks: int
    pending_ticks: int
    free_mb: float | None
    stalled_s: float
    drive: int | None
    committed_t_ms: int | None
    survey: Survey | None = None
