"""What the owner is told of the log, the card, the wall clock and the last power cut, in plain words.

Theory of operation. Nothing here waits: the log's figures are those that the writer's thread keeps (`LogHealth`), and
`WallClock` is shown the system's time once a tick. It knows three witnesses of that time, the best first: satellites,
by what a source told; the network, by the mark that the time service of systemd leaves; and its own memory of steps.
The mark is read rather than the kernel's state of its clock (adjtimex), which a service that may not set the clock may
not ask for either.
"""

from __future__ import annotations

import contextlib
import datetime
from collections.abc import Iterable
from pathlib import Path

from uphaul.config.spec import LogSpec
from uphaul.log.record import LogHealth
from uphaul.log.recover import OpenDrive
from uphaul.log.retention import RESERVE_BYTES
from uphaul.sources.base import WallTime
from uphaul.status import LogView

__all__ = ["STEP_MS", "SYNCHRONISED", "WallClock", "log_notices", "log_view", "power_cut"]

STEP_MS = 1000.0
"""A wall clock that moves by more against the daemon's between two looks was set; less is steering."""

RIGHT_MS = 1000.0
"""A receiver tells its time up to a second late. Source: common practice with serial receivers without a pulse."""

SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
"""Touched at each setting of the clock from the network; its folder is there as long as the time service is. Source:
systemd-timesyncd.service(8), from memory."""

SOON_H = 10.0
"""So many hours of driving before a drive goes it is told: a long day, and time to copy the log. Our own choice."""

USUAL_MB_AN_HOUR = RESERVE_BYTES / 1e6 / 3
"""What an hour takes before the log has an hour to go by; retention's reserve is some three hours."""

NO_CUT = "none in this log"


# --------------------------------------------------------------------------------------------------------- log


def log_view(health: LogHealth | None, *, driving: bool) -> LogView:
    """How the log is doing; `health` None: nothing is logged."""
    if health is None:
        return LogView("not recording")
    state = "not recording" if health.state != "ok" else "recording" if driving else "between drives"
    found = health.survey
    return LogView(
        state,
        health.problem,
        health.lost_ticks,
        free_mb=health.free_mb,
        size_mb=None if found is None else found.size_mb,
        hours=None if found is None else found.hours,
    )


def log_notices(health: LogHealth | None, limits: LogSpec) -> tuple[str, ...]:
    """The log's lasting remarks, and how long there is room, once that is not long any more."""
    if health is None:
        return ()
    found = health.survey
    if found is None or health.state != "ok":  # the problem says it, and more pressingly
        return health.notices
    rate = found.used_mb / found.hours if found.hours >= 1 else USUAL_MB_AN_HOUR
    hours = found.left_mb / rate
    if hours >= SOON_H:
        return health.notices
    if found.by_card and health.free_mb is not None:
        why = f"The card is nearly full: {health.free_mb:.0f} MB are free, {limits.free_mb} MB must stay free"
    else:
        why = f"The log takes {found.used_mb:.0f} of the {limits.max_mb} MB that it may"
    when = f"In about {hours:.0f} h of driving" if hours >= 1 else "Within an hour of driving"
    if found.next_to_go is None:
        return *health.notices, f"{why}. {when} recording stops, for no drive may go"
    goes = f"{_drive(found.next_to_go, found.next_begun)} is deleted to make room: copy the log to keep it"
    return *health.notices, f"{why}. {when} {goes}"


def power_cut(left: OpenDrive | None, broken_off: OpenDrive | None, boot_id: str) -> str:
    """The last power cut. `left` is what the log was found with, `broken_off` what it tells of earlier times."""
    cut = left if left is not None and left.boot_id != boot_id else broken_off
    if cut is None:
        return NO_CUT
    after = "" if cut.last_t_ms is None else f" after {_duration(cut.last_t_ms / 1000)}"
    return (
        f"{_drive(cut.drive, cut.begun)} was cut off{after}, without an end: the power was lost, or the machine stopped"
    )


def _drive(number: int, begun: str | None) -> str:
    """``drive 3 of 2026-05-01 14:03 UTC``."""
    with contextlib.suppress(ValueError, TypeError):
        at = datetime.datetime.fromisoformat(begun or "").astimezone(datetime.UTC)
        return f"drive {number} of {at:%Y-%m-%d %H:%M} UTC"
    return f"drive {number}"


# ------------------------------------------------------------------------------------------------------- clock


class WallClock:
    """How good the system's wall clock is. `synchronised` is where the time service leaves its mark."""

    def __init__(self, synchronised: Path = SYNCHRONISED) -> None:
        self._synchronised = synchronised
        self._offset_ms: float | None = None
        self._step: tuple[float, float] | None = None

    def look(self, now_ms: float, wall_ms: float) -> bool:
        """Whether the wall clock (ms since 1970) was set since the last look; `now_ms` is the daemon's clock."""
        before, self._offset_ms = self._offset_ms, wall_ms - now_ms
        if before is None or abs(self._offset_ms - before) <= STEP_MS:
            return False
        self._step = now_ms, self._offset_ms - before
        return True

    def words(self, now_ms: float, told: Iterable[WallTime]) -> str:
        """What is known of it by now; `told` is the time by each source that told one. Empty before the first look."""
        if self._offset_ms is None:
            return ""
        wall_ms = now_ms + self._offset_ms
        newest = max(told, key=lambda t: t.t_ms, default=None)
        words = self._by_mark(wall_ms) if newest is None else self._by_source(newest, now_ms)
        if self._step is not None:
            at_ms, by_ms = self._step
            way = "forward" if by_ms > 0 else "back"
            words += f"; it was put {way} by {_duration(abs(by_ms) / 1000)}, {_ago(now_ms - at_ms)}"
        return words

    def _by_source(self, told: WallTime, now_ms: float) -> str:
        assert self._offset_ms is not None
        by = "satellites" if told.source == "gps" else told.source
        error_ms = self._offset_ms - (told.utc.timestamp() * 1000 - told.t_ms)
        if abs(error_ms) <= RIGHT_MS:
            return f"right to a second by {by}, {_ago(now_ms - told.t_ms)}"
        way = "fast" if error_ms > 0 else "slow"
        off = f"{_duration(abs(error_ms) / 1000)} {way} by {by}, {_ago(now_ms - told.t_ms)}"
        return f"{off}; the log has their time as well"

    def _by_mark(self, wall_ms: float) -> str:
        try:
            at_s = self._synchronised.stat().st_mtime
        except OSError:
            if self._synchronised.parent.is_dir():
                return "not set since the machine started: dates and times may be off"
            return "by the system; nobody tells whether it is right"
        ago_s = wall_ms / 1000 - at_s
        return f"set from the network {_ago(ago_s * 1000)}" if ago_s >= 0 else "set from the network, then put back"


def _ago(ms: float) -> str:
    return f"{_duration(ms / 1000)} ago"


def _duration(s: float) -> str:
    """``12 s``, ``3 min``, ``1 h 02 min``, ``5 days``."""
    if s < 59.5:
        return f"{s:.0f} s"
    minutes = round(s / 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60:02d} min"
    return f"{minutes // (24 * 60)} days"
