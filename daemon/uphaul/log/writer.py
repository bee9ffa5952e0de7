"""Records drives: takes ticks from the event loop in microseconds and puts them on the card from a thread of its own.

Theory of operation. The event loop appends records to a queue and never waits. The writer's thread wakes about once a
second (`COMMIT_EVERY_S`), takes what is there and commits it in one transaction; what a commit has taken up is
durable. Ticks, transitions and events of one record are in the file together or not at all.

The thread is in one of two states. *ok*: the last attempt went through. *degraded*: it did not, and `health.problem`
says why; the batch is kept and tried again, after 1 s and then ever more rarely, up to every 10 s, while the queue
holds `buffer_s` of ticks. Beyond that new ticks are dropped and counted (what else their records hold is kept as long
as it is no flood). What can go wrong with the file, and what is done about it, is told in `recorder`.

None of that is ever raised into the daemon: it goes on judging. Only the constructor raises, and only LogError, for a
file that is not ours to write. An error of our own ends the thread and stands in `failure`.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import uphaul
from uphaul.config.spec import Config, LogSpec
from uphaul.log import claims, recover, schema
from uphaul.log.record import Begin, LogHealth, TickRecord
from uphaul.log.recorder import Anchor, Carry, Checked, End, Flush, Item, Keep, Recorder
from uphaul.log.retention import Retention, card_free_bytes

__all__ = ["COMMIT_EVERY_S", "LogWriter"]

COMMIT_EVERY_S = 0.9
"""A tick waits so long for its commit at most; with the commit itself that stays within the promised second."""

LONGEST_RETRY_S = 10.0
STALL_S = 5.0


class LogWriter:
    """One log being written. All methods but `flush` and `close` return at once; call them from one thread.

    `limits` are retention's bounds. `on_commit` is called in the writer's thread after each commit, with the newest
    t_ms. `connect` opens the file and `free_bytes` asks the card (in tests: faulty or small ones). `failure` is set if
    the thread ended by an error of ours: nothing is recorded any more, and the daemon should end and be restarted.
    Raises LogError when the file is another program's, from a newer version, or being written by another daemon.
    """

    def __init__(
        self,
        path: Path,
        *,
        limits: LogSpec | None = None,
        software: str = uphaul.__version__,
        judge_version: str = "1",
        commit_every_s: float = COMMIT_EVERY_S,
        buffer_s: float = 600.0,
        on_commit: Callable[[int], None] | None = None,
        connect: Callable[[Path], sqlite3.Connection] = schema.connect,
        free_bytes: Callable[[Path], int] = card_free_bytes,
    ) -> None:
        limits = limits or LogSpec()
        self.path = path
        self.failure: BaseException | None = None
        self._software, self._judge_version = software, judge_version
        self._commit_every_s, self._buffer_s = commit_every_s, buffer_s
        self._queue: deque[Item] = deque()
        self._bound = int(buffer_s * 20)
        self._handed = self._lost = 0
        self._wake = threading.Event()
        self._close_by: float | None = None
        retention = Retention(
            path, floor_bytes=limits.free_mb * 1_000_000, max_bytes=limits.max_mb * 1_000_000, free_bytes=free_bytes
        )
        self._recorder = Recorder(path, retention, connect, on_commit)
        with contextlib.suppress(OSError):  # told by the attempt to open the file
            recover.make_folder(path)
        claims.claim(path)
        try:
            self._recorder.open(first=True)
        except BaseException:
            claims.release(path)
            raise
        self._next_drive = self._recorder.last_drive + 1
        self._thread = threading.Thread(target=self._run, name="log-writer", daemon=True)
        self._thread.start()

    @property
    def open_drive(self) -> recover.OpenDrive | None:
        """The drive that was found without an end when the file was opened, for the daemon to resume or to continue."""
        return self._recorder.open_drive

    @property
    def broken_off(self) -> recover.OpenDrive | None:
        """The newest drive that another boot of the machine broke off and another drive of the log goes on with."""
        return self._recorder.broken_off

    @property
    def carried(self) -> str:
        """What the newest drive hands on, as `carry` was told last; empty where nothing is known."""
        return self._recorder.carried

    def carry(self, text: str) -> None:
        """Keep what goes into the next drive (JSON), whenever it changes: the end may come without a word."""
        self._queue.append(Carry(text))

    def begin_drive(
        self,
        config: Config,
        *,
        boot_id: str,
        began_boot_ms: int,
        continues: int | None = None,
        initial_state: str = "{}",
        wall: str | None = None,
        rules: tuple[str, ...] | None = None,
    ) -> int:
        """Begin a drive; its number, which is the one in the file unless the card failed from the start (`health`).

        `began_boot_ms` is the clock at t_ms = 0, `wall` the wall clock then (RFC 3339), `initial_state` JSON, `rules`
        the names that `Condition.rule` counts through (default: the configuration's rules).
        """
        drive, self._next_drive = self._next_drive, self._next_drive + 1
        self._begin(
            config,
            drive=drive,
            resume=False,
            boot_id=boot_id,
            began_boot_ms=began_boot_ms,
            continues=continues,
            initial_state=initial_state,
            wall=wall,
            rules=rules,
        )
        return drive

    def resume_drive(
        self,
        config: Config,
        drive: int,
        *,
        boot_id: str,
        began_boot_ms: int,
        initial_state: str = "{}",
        rules: tuple[str, ...] | None = None,
    ) -> int:
        """Go on with the drive that a restart of the daemon left open, as `open_drive` told."""
        self._begin(
            config,
            drive=drive,
            resume=True,
            boot_id=boot_id,
            began_boot_ms=began_boot_ms,
            continues=None,
            initial_state=initial_state,
            wall=None,
            rules=rules,
        )
        return drive

    def _begin(
        self,
        config: Config,
        *,
        drive: int,
        resume: bool,
        boot_id: str,
        began_boot_ms: int,
        continues: int | None,
        initial_state: str,
        wall: str | None,
        rules: tuple[str, ...] | None,
    ) -> None:
        self._bound = int(self._buffer_s * config.tick_hz)
        start = Begin(
            drive=drive,
            resume=resume,
            boot_id=boot_id,
            began_boot_ms=began_boot_ms,
            continues=continues,
            wall=wall,
            initial_state=initial_state,
            files=config.files,
            signals=config.signals,
            tunes=config.tunes,
            rules=rules if rules is not None else tuple(r.name for r in config.rules),
            tick_hz=config.tick_hz,
            gap_ms=config.gap_ms,
            software=self._software,
            judge_version=self._judge_version,
        )
        self._queue.append(start)

    def tick(self, record: TickRecord) -> None:
        """Hand one tick over. A tick outside of a drive is not logged."""
        if self._handed - self._recorder.done >= self._bound:
            self._lost += 1
            if record.sparse and len(self._queue) < 2 * self._bound:
                self._queue.append(replace(record, counts=None))
            return
        self._handed += record.counts is not None
        self._queue.append(record)

    def anchor(self, t_ms: int, utc: str, source: str) -> None:
        """Note which wall-clock time (RFC 3339) belonged to a tick, by `source` (``system``, ``gps`` ...)."""
        self._queue.append(Anchor(t_ms, utc, source))

    def field_check(self, t_ms: int, end_ms: int, title: str, confirmed_by: str, results: str) -> None:
        """Keep what came of a field check of the drive that is under way: its span, and `results` as JSON."""
        self._queue.append(Checked(t_ms, end_ms, title, confirmed_by, self._software, results))

    def keep(self, drive: int, kept: bool = True) -> None:
        """Protect a drive from retention, or no longer."""
        self._queue.append(Keep(drive, kept))

    def end_drive(self, reason: str) -> None:
        """The drive ends; ticks until the next one are not logged."""
        self._queue.append(End(reason))

    def flush(self, deadline_s: float) -> bool:
        """Wait until all that was handed over before is durable; False when that takes longer. Blocks."""
        mark = Flush(threading.Event())
        self._queue.append(mark)
        self._wake.set()
        return mark.done.wait(deadline_s)

    def close(self, deadline_s: float) -> bool:
        """Commit what is left and close the file; False if something was left when the time was up. Blocks.

        A drive that is open stays open: the next start goes on with it. Call `end_drive` first to end it.
        """
        if self._close_by is None:
            self._close_by = time.monotonic() + deadline_s
            self._wake.set()
        self._thread.join(deadline_s)
        return not self._thread.is_alive() and not self._queue and not self._recorder.batch

    @property
    def health(self) -> LogHealth:
        """How recording goes; cheap, and valid in any thread."""
        at = self._recorder
        since, place, problem = at.busy_since, at.place, at.problem
        stalled_s = 0.0 if since is None else time.monotonic() - since
        if not problem and stalled_s > STALL_S:
            problem = f"the card has been keeping a commit for {stalled_s:.0f} s"
        return LogHealth(
            state="degraded" if problem else "ok",
            problem=problem,
            notices=(*at.notices, at.refusal) if at.refusal else tuple(at.notices),
            lost_ticks=self._lost + at.refused,
            pending_ticks=max(self._handed - at.done, 0),
            free_mb=at.free_mb,
            stalled_s=stalled_s,
            drive=None if place is None else place.drive,
            committed_t_ms=at.committed_t_ms,
            survey=at.survey,
        )

    def _run(self) -> None:
        try:
            due, retry_s = time.monotonic() + self._commit_every_s, 1.0
            while True:
                self._wake.wait(max(due - time.monotonic(), 0.0))
                self._wake.clear()
                close_by = self._close_by
                well = self._recorder.attempt(self._queue, self._lost)
                now = time.monotonic()
                if close_by is not None and (well or now >= close_by):
                    return
                if well:
                    retry_s = 1.0
                    due = max(due + self._commit_every_s, now)
                else:
                    due = now + (min(0.1, retry_s) if close_by is not None else retry_s)
                    retry_s = min(retry_s * 2, LONGEST_RETRY_S)
        except BaseException as error:
            self.failure = error
            self._recorder.problem = f"the log writer failed ({error!r}): nothing is recorded"
            raise
        finally:
            self._recorder.close()
            claims.release(self.path)
