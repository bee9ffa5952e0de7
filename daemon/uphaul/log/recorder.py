"""Puts what is waiting into the file, whatever the card does: the part of the log writer that owns the file.

Theory of operation. `attempt` brings a queue's items into the file in transactions of up to `BATCH` and says whether
that went well. If not, `problem` says why and the items stay in `batch`, to be tried again first. How it can fail:

- the card is full, or a bound of retention is broken: drives go, piece by piece, then the attempt is repeated;
- the card is read-only, does not answer, or the file is locked: the file is closed, opened again, and tried again;
- the file turns out to be damaged: it is set aside, a new one is begun, and the drive goes on in the new one;
- a record cannot be entered (a time that comes twice, a count beyond 64 bits): it alone is dropped and counted;
- the card reports a failed commit that it has stored after all: the file, opened again, shows it; nothing is doubled.

What is known of the place in the file changes only when a transaction is through. All runs in the writer's thread; what
others read (`problem`, `done`, `place` ...) is replaced, never changed in place.
"""

from __future__ import annotations

import contextlib
import copy
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from uphaul.errors import LogError
from uphaul.log import enter, recover
from uphaul.log.record import Begin, TickRecord
from uphaul.log.retention import Retention, Room
from uphaul.log.survey import SURVEY_EVERY_S, Survey, survey
from uphaul.signals import Quality

__all__ = ["Anchor", "Checked", "End", "Flush", "Item", "Keep", "Recorder"]

BATCH = 2_000
LONGEST_TIDY_S = 0.3
MOST_SET_ASIDE = 5
"""After so many damaged files in one life of the daemon it is the card that is failing."""


@dataclass(frozen=True, slots=True)
class End:
    """The drive ends."""

    reason: str


@dataclass(frozen=True, slots=True)
class Anchor:
    """A tick and the wall-clock time that belonged to it."""

    t_ms: int
    utc: str
    source: str


@dataclass(frozen=True, slots=True)
class Keep:
    """Protect a drive from retention, or no longer."""

    drive: int
    kept: bool


@dataclass(frozen=True, slots=True)
class Carry:
    """What alerts take into the next drive, as of now; it stands beside the newest drive."""

    text: str


@dataclass(frozen=True, slots=True)
class Checked:
    """What came of a field check of the drive; `results` is JSON. One that is in the log already stays as it is."""

    t_ms: int
    end_ms: int
    title: str
    confirmed_by: str
    software: str
    results: str


@dataclass(frozen=True, slots=True)
class Flush:
    """Set `done` when all before it is durable."""

    done: threading.Event


@dataclass(frozen=True, slots=True)
class _Transaction:
    """What is so once `items` are committed."""

    items: list[Item]
    place: enter.Place | None
    lost: int
    ticks: int


Item = TickRecord | Begin | End | Anchor | Keep | Carry | Checked | Flush


class Recorder:
    """One log file being written. `done` ticks are dealt with: in the file, or `refused`, and then never in it.

    `problem` is what is wrong now, `notices` what a person must know for the life of the daemon, `busy_since` when the
    present attempt began (time.monotonic), `place` where ticks go as of the last commit.
    """

    def __init__(
        self,
        path: Path,
        retention: Retention,
        connect: Callable[[Path], sqlite3.Connection],
        on_commit: Callable[[int], None] | None,
    ) -> None:
        self.path = path
        self.place: enter.Place | None = None
        self.batch: list[Item] = []
        self.done = self.refused = 0
        self.problem = self.refusal = ""
        self.notices: list[str] = []
        self.free_mb: float | None = None
        self.busy_since: float | None = None
        self.committed_t_ms: int | None = None
        self.open_drive: recover.OpenDrive | None = None
        self.broken_off: recover.OpenDrive | None = None
        self.survey: Survey | None = None
        self._surveyed: tuple[float, int | None] | None = None
        self.last_drive = 0
        self.carried = ""
        self._retention, self._connect, self._on_commit = retention, connect, on_commit
        self._db: sqlite3.Connection | None = None
        self._lost = self._lost_entered = 0
        self._bad: dict[int, Quality] = {}
        self._checked = self._pressed = False
        self._unsure: _Transaction | None = None

    def attempt(self, queue: deque[Item], lost: int) -> bool:
        """Bring all that is waiting into the file; True if that went well. `lost` ticks never got into the queue."""
        self._lost = lost
        self.busy_since = time.monotonic()
        try:
            if self._db is None:
                self.open()
            db = self._db
            if db is None:
                return False
            self._settle(db)
            if not self._checked:
                wrong = recover.check(db)
                if wrong:
                    return self._begin_anew(f"the file is damaged ({wrong})")
                self._checked = True
            if not self._tidy(db):
                return False
            while self.batch or queue:
                while queue and len(self.batch) < BATCH:
                    self.batch.append(queue.popleft())
                self._commit_or_halve(db)
                self.busy_since = time.monotonic()
            self.problem, self._pressed = "", False
            return True
        except sqlite3.Error as error:
            return self._failed(error)
        except OSError as error:
            self.problem = f"{self.path}: {error.strerror or error}: nothing is recorded"
            return False
        finally:
            self.busy_since = None

    def _failed(self, error: sqlite3.Error) -> bool:
        """Learn from an attempt that did not go through. Always False: nothing is written."""
        if recover.is_damage(error):
            return self._begin_anew(f"the file is damaged ({error})")
        self.problem = f"{self.path}: {error}: nothing is recorded"
        code = (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF
        if code == sqlite3.SQLITE_FULL:
            self._pressed, self._unsure = True, None
        elif code != sqlite3.SQLITE_BUSY:
            self.close()  # what the library believes of the file may no longer hold
        return False

    def _tidy(self, db: sqlite3.Connection) -> bool:
        """Retention's turn: one step, or some when nothing can be written without; False if nothing may be written."""
        if self._pressed:
            with contextlib.suppress(sqlite3.Error):  # its pages may be used again, then the card need not give more
                db.execute("PRAGMA wal_checkpoint(RESTART)").fetchall()
        current = None if self.place is None else self.place.drive
        until = time.monotonic() + LONGEST_TIDY_S
        while True:
            step = self._retention.step(db, current, pressed=self._pressed)
            self.free_mb = step.room.card_free / 1e6
            self._look(db, step.room, current)
            short = self._retention.short(step.room)
            if not step.more or not (short or self._pressed) or time.monotonic() > until:
                break
        if short:
            self.problem = step.note or "making room on the card: nothing is recorded until then"
        return not short

    def _look(self, db: sqlite3.Connection, room: Room, current: int | None) -> None:
        """Survey the log when it is time, or when another drive is being written than last time."""
        now = time.monotonic()
        before = self._surveyed
        if before is None or before[1] != current or now - before[0] >= SURVEY_EVERY_S:
            self.survey = survey(db, self._retention, room, current)
            self._surveyed = now, current

    def _commit_or_halve(self, db: sqlite3.Connection) -> None:
        """Commit the batch; if a record in it cannot be entered at all, all the others."""
        whole = self.batch
        todo = [whole]
        while todo:
            part = todo.pop()
            try:
                self._commit(db, part)
            except (sqlite3.IntegrityError, sqlite3.ProgrammingError, sqlite3.InterfaceError) as error:
                self._halve(part, todo, error)
            except (sqlite3.Error, OSError):
                self.batch = [item for p in [part, *reversed(todo)] for item in p]
                raise
            except (OverflowError, TypeError, ValueError, IndexError) as error:
                self._halve(part, todo, error)
        self.batch = []

    def _halve(self, part: list[Item], todo: list[list[Item]], error: Exception) -> None:
        if len(part) > 1:
            middle = len(part) // 2
            todo += [part[middle:], part[:middle]]
            return
        item = part[0]
        self.refusal = self.refusal or f"a record could not be logged ({error})"
        if isinstance(item, TickRecord):
            self.refused += 1
            self.done += item.counts is not None

    def _commit(self, db: sqlite3.Connection, items: list[Item]) -> None:
        """One transaction. All of the writer's own state changes only when it is through."""
        place = copy.copy(self.place)
        lost, ticks = self._lost, 0
        records: list[TickRecord] = []
        self._unsure = None
        try:
            db.execute("BEGIN IMMEDIATE")
            for item in items:
                if isinstance(item, TickRecord):
                    if place is not None:
                        records.append(item)
                    ticks += item.counts is not None
                    continue
                if records and place is not None:
                    enter.enter(db, place, records)
                    records = []
                place = self._obey(db, place, item)
            if records and place is not None:
                enter.enter(db, place, records)
            if place is not None and lost > self._lost_entered:
                new = lost - self._lost_entered
                db.execute("UPDATE drive SET lost_ticks = lost_ticks + ? WHERE id = ?", (new, place.drive))
            transaction = _Transaction(items, place, lost, ticks)
            self._unsure = transaction
            db.execute("COMMIT")
            self._unsure = None
        except BaseException:
            if db.in_transaction:
                with contextlib.suppress(sqlite3.Error):
                    db.execute("ROLLBACK")
            raise
        self._is_through(transaction)

    def _is_through(self, transaction: _Transaction) -> None:
        place = self.place = transaction.place
        self._lost_entered = transaction.lost
        self.done += transaction.ticks
        for item in transaction.items:
            if isinstance(item, TickRecord):
                self._bad.update({c.signal: c.quality for c in item.quality})
            elif isinstance(item, Begin):
                self._bad = dict(item.quality)
            elif isinstance(item, Flush):
                item.done.set()
        if place is not None and place.last_t_ms is not None:
            self.committed_t_ms = place.last_t_ms
            if transaction.ticks and self._on_commit is not None:
                self._on_commit(place.last_t_ms)

    def _settle(self, db: sqlite3.Connection) -> None:
        """Look whether a commit that failed is in the file after all.

        A card may report an error after it has stored everything; opening the file again then finds it committed.
        """
        unsure, self._unsure = self._unsure, None
        if unsure is None or unsure.place is None or unsure.place.last_t_ms is None or not unsure.ticks:
            return
        table = f"ticks_{unsure.place.segment}"
        if db.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (table,)).fetchone() is None:
            return
        if db.execute(f"SELECT 1 FROM {table} WHERE t_ms = ?", (unsure.place.last_t_ms,)).fetchone() is not None:
            self._is_through(unsure)
            self.batch = self.batch[len(unsure.items) :]

    def _obey(self, db: sqlite3.Connection, place: enter.Place | None, item: Item) -> enter.Place | None:
        """Do what is not a tick; where ticks go from then on."""
        match item:
            case Begin():
                return enter.begin(db, item)
            case End(reason) if place is not None:
                enter.seal(db, place.drive, reason, place.ticks, place.last_t_ms)
                return None
            case Anchor(t_ms, utc, source) if place is not None:
                row = (place.drive, t_ms, utc, source)
                db.execute("INSERT INTO anchor (drive, t_ms, utc, source) VALUES (?,?,?,?)", row)
            case Keep(drive, kept):
                db.execute("UPDATE drive SET kept = ? WHERE id = ?", (int(kept), drive))
            case Checked() if place is not None:
                told = (place.drive, item.t_ms, item.end_ms, item.title, item.confirmed_by, item.software, item.results)
                db.execute("INSERT OR IGNORE INTO field_check VALUES (?,?,?,?,?,?,?)", told)
            case Carry(text):
                db.execute("UPDATE drive SET carried = ? WHERE id = (SELECT max(id) FROM drive)", (text,))
        return place

    def open(self, *, first: bool = False) -> None:
        """Open the file if the card allows it. Raises LogError only the `first` time, in the constructor."""
        try:
            db, notices = recover.open_log(self.path, self._connect)
        except LogError as error:
            if first:
                raise
            self.problem = f"{error}: nothing is recorded"
            return
        except (sqlite3.Error, OSError) as error:
            self.problem = f"{self.path}: {error}: nothing is recorded"
            return
        self._db = db
        self.notices += notices
        if self.broken_off is None:
            with contextlib.suppress(sqlite3.Error):  # damage is found, and told, by the check that comes
                self.broken_off = recover.broken_off(db)
        if first:
            self.open_drive = recover.open_drive(db)
            row = db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'drive'").fetchone()
            self.last_drive = 0 if row is None else int(row[0])
            with contextlib.suppress(sqlite3.Error):
                last = db.execute("SELECT carried FROM drive ORDER BY id DESC LIMIT 1").fetchone()
                self.carried = "" if last is None else last[0] or ""
        if notices:
            self._checked = True
            self._go_on_in_new_file()

    def _begin_anew(self, why: str) -> bool:
        """Set the file aside; the next attempt begins a new one and goes on there. Always False: nothing is written."""
        self.close()
        self._unsure = None
        self.problem = f"{self.path}: {why}: nothing is recorded"
        if len(self.notices) >= MOST_SET_ASIDE:
            self.problem = f"{self.path}: {why}, again; the card seems to be failing: nothing is recorded"
            return False
        try:
            self.notices.append(recover.set_aside(self.path, why))
        except OSError as error:
            self.problem = f"{self.path}: {why}, and it cannot be set aside ({error}): nothing is recorded"
            return False
        self._checked = True
        self._go_on_in_new_file()
        return False

    def _go_on_in_new_file(self) -> None:
        """See to it that the drive is begun in the new file before its next tick."""
        if self.place is not None:
            bad = tuple((signal, quality) for signal, quality in self._bad.items() if quality != Quality.GOOD)
            start = replace(self.place.begin, resume=True, drive=self.place.drive, quality=bad)
            self.place = None
            self.batch.insert(0, start)

    def close(self) -> None:
        """Close the file as it is."""
        if self._db is not None:
            with contextlib.suppress(sqlite3.Error):
                self._db.close()
            self._db = None
