"""What a log can be asked about its drives: plain answers of the reader."""

from __future__ import annotations

from dataclasses import dataclass

from uphaul.signals import Signal

__all__ = ["Anchor", "CheckRow", "DriveInfo", "LoggedCondition", "Reference", "SegmentInfo"]


@dataclass(frozen=True, slots=True)
class DriveInfo:
    """One drive. `duration_s` runs to its last tick; `ended` is False while it is open, `end_reason` then None.

    `alerts` counts how often a rule's condition was raised, `lost_ticks` the ticks that the card could not take,
    `continues` is the drive that this one goes on with after another boot.
    """

    id: int
    begun: str | None
    duration_s: float
    ticks: int
    segments: tuple[int, ...]
    alerts: int
    kept: bool
    continues: int | None
    ended: bool
    end_reason: str | None
    boot_id: str
    began_boot_ms: int
    lost_ticks: int


@dataclass(frozen=True, slots=True)
class SegmentInfo:
    """One segment: the signals are the columns of its blocks, a tick's tune counts through `tunes`.

    `initial_state` is the JSON text that the daemon gave as the segment began. `first_t_ms` and `last_t_ms` are None
    without ticks.
    """

    id: int
    drive: int
    tick_hz: int
    gap_ms: int
    software: str
    judge_version: str
    tunes: tuple[str, ...]
    signals: tuple[Signal, ...]
    initial_state: str
    first_t_ms: int | None
    last_t_ms: int | None


@dataclass(frozen=True, slots=True)
class LoggedCondition:
    """As `uphaul.alerts.Condition`, with the rule's name and the segment whose tunes `tune` counts through."""

    segment: int
    t_ms: int
    rule: str
    active: bool
    value: float
    limit: float
    tune: int


@dataclass(frozen=True, slots=True)
class Anchor:
    """The wall-clock time (RFC 3339) that belonged to a tick, by `source`."""

    t_ms: int
    utc: str
    source: str


@dataclass(frozen=True, slots=True)
class Reference:
    """The drive that others are compared with, and who made it so, when (RFC 3339)."""

    drive: int
    utc: str
    actor: str


@dataclass(frozen=True, slots=True)
class CheckRow:
    """What came of a field check: `results` is JSON with its ``version``, of `analysis.field_check_text`."""

    drive: int
    t_ms: int
    end_ms: int
    title: str
    confirmed_by: str
    software: str
    results: str
