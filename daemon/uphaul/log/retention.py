"""Keeps the log within its bounds: whole drives go, the least missed first, a bounded piece of work at a time.

Theory of operation. Two bounds: the free space that the card must keep (the system lives on it too) and the size of the
file. `Retention.step` runs between two commits and does at most one piece of work, so that ticks never wait long:

1. a drive that is *going* loses up to `ROWS_A_STEP` ticks, and at last its tables and rows;
2. else, if a bound is broken and the file has free pages, up to `PAGES_A_STEP` of them are given back to the card;
3. else, if a bound is broken beyond what free pages can mend, the next drive is marked as going and hidden.

Pages that a drive leaves behind are used again by new ticks; they are given back only when a bound asks for it, since
moving pages about wears the card. Order of going: oldest first, those with alerts after all those without. Kept drives
and the current one never go. If nothing may go, `step` says so and the writer stops writing: a full card would stop
the whole machine.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

__all__ = ["PAGES_A_STEP", "ROWS_A_STEP", "Retention", "Room", "Step", "card_free_bytes"]

ROWS_A_STEP = 5_000
PAGES_A_STEP = 128

RESERVE_BYTES = 16_000_000
"""Room to have in hand when a drive has gone: the write-ahead log and some three hours of driving, so that drives go
one by one and not one an hour's ticks. At most a tenth of the file's bound."""

SPARE_BYTES = 1_000_000
"""Unused bytes in the file with which writing may go on below the card's floor."""


def card_free_bytes(path: Path) -> int:
    """Bytes free on the card that holds the folder `path`."""
    return shutil.disk_usage(path).free


@dataclass(frozen=True, slots=True)
class Room:
    """What the last look found, bytes: on the card, in the file, and unused inside the file."""

    card_free: int
    file: int
    file_free: int


@dataclass(frozen=True, slots=True)
class Step:
    """What a step found: the room, whether more work is due, and what a person should know (empty: nothing)."""

    room: Room
    more: bool
    note: str = ""


class Retention:
    """Bounds in bytes. `free_bytes` asks the card; tests put a smaller card in its place."""

    def __init__(
        self, path: Path, *, floor_bytes: int, max_bytes: int, free_bytes: Callable[[Path], int] = card_free_bytes
    ) -> None:
        self._path = path
        self._floor = floor_bytes
        self._max = max_bytes
        self._reserve = min(RESERVE_BYTES, max_bytes // 10)
        self._free_bytes = free_bytes

    def room(self, db: sqlite3.Connection) -> Room:
        """How things stand. Raises OSError or sqlite3.Error when the card does not say."""
        (pages,) = db.execute("PRAGMA page_count").fetchone()
        (unused,) = db.execute("PRAGMA freelist_count").fetchone()
        (size,) = db.execute("PRAGMA page_size").fetchone()
        return Room(self._free_bytes(self._path.parent), pages * size, unused * size)

    def short(self, room: Room) -> bool:
        """True when no more may be written before something has gone."""
        # A file with pages to spare does not grow: new ticks may go in while a bound is being met again.
        full_card = room.card_free < self._floor and room.file_free < SPARE_BYTES
        return full_card or room.file - room.file_free > self._max

    def step(self, db: sqlite3.Connection, current: int | None, *, pressed: bool = False) -> Step:
        """Do one piece of work, if any is due, outside of any transaction.

        `current` is the drive being written. `pressed` says that the card just refused a commit as full, whatever
        the figures say. Raises sqlite3.Error or OSError when the card fails.
        """
        going = db.execute("SELECT id FROM drive WHERE going = 1 ORDER BY id LIMIT 1").fetchone()
        if going is not None:
            self._take_from(db, going[0])
            return Step(self.room(db), more=True)
        room = self.room(db)
        broken = room.card_free < self._floor or room.file > self._max
        if broken and room.file_free:
            # fetchall, because each row that the statement steps through is one page given back
            db.execute(f"PRAGMA incremental_vacuum({PAGES_A_STEP})").fetchall()
        used = room.file - room.file_free
        if self.left(room)[0] >= 0 and not (pressed and not room.file_free):
            return Step(room, more=broken and room.file_free > 0)
        victim = self.next_to_go(db, current)
        if victim is not None:
            self._begin_taking(db, victim)
            return Step(room, more=True)
        if not self.short(room):
            return Step(room, more=False)
        if room.card_free < self._floor:
            why = f"{_mb(self._floor)} MB must stay free on the card, {_mb(room.card_free)} MB are"
        else:
            why = f"it may take {_mb(self._max)} MB, and takes {_mb(used)}"
        return Step(room, more=False, note=f"no room for the log: {why}; no drive may go, so nothing is recorded")

    def left(self, room: Room) -> tuple[int, bool]:
        """(bytes that may still be written before a drive has to go, whether it is the card that bounds them)."""
        by_size = self._max - self._reserve - (room.file - room.file_free)
        by_card = room.card_free + room.file_free - self._floor
        return min(by_size, by_card), by_card < by_size

    @staticmethod
    def next_to_go(db: sqlite3.Connection, current: int | None) -> int | None:
        """The drive that goes next while `current` is written; None: none may go. Raises sqlite3.Error."""
        row = db.execute(
            "SELECT id FROM drive WHERE kept = 0 AND going = 0 AND id IS NOT ? AND ended IS NOT NULL "
            "ORDER BY coalesce(alerts, 0) > 0, id LIMIT 1",
            (current,),
        ).fetchone()
        return None if row is None else int(row[0])

    @staticmethod
    def _begin_taking(db: sqlite3.Connection, drive: int) -> None:
        db.execute("BEGIN IMMEDIATE")
        try:
            db.execute("UPDATE drive SET going = 1 WHERE id = ?", (drive,))
            db.execute(f"DROP VIEW IF EXISTS drive_{drive}")
            db.execute("COMMIT")
        except BaseException:
            _roll_back(db)
            raise

    @staticmethod
    def _take_from(db: sqlite3.Connection, drive: int) -> None:
        segments = [n for (n,) in db.execute("SELECT id FROM segment WHERE drive = ? ORDER BY id", (drive,))]
        db.execute("BEGIN IMMEDIATE")
        try:
            left = ROWS_A_STEP
            for segment in segments:
                table = f"ticks_{segment}"
                last = db.execute(f"SELECT t_ms FROM {table} ORDER BY t_ms LIMIT 1 OFFSET ?", (left,)).fetchone()
                if last is not None:
                    db.execute(f"DELETE FROM {table} WHERE t_ms < ?", last)
                    break
                left -= db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
                db.execute(f"DROP TABLE {table}")
                for name in ("quality", "condition", "transition", "notice", "event", "signal"):
                    db.execute(f"DELETE FROM {name} WHERE segment = ?", (segment,))
                db.execute("DELETE FROM segment WHERE id = ?", (segment,))
                if left <= 0:
                    break
            else:
                db.execute("DELETE FROM anchor WHERE drive = ?", (drive,))
                db.execute("DELETE FROM field_check WHERE drive = ?", (drive,))
                db.execute("DELETE FROM drive WHERE id = ?", (drive,))
                db.execute("DELETE FROM config WHERE id NOT IN (SELECT config FROM segment)")
            db.execute("COMMIT")
        except BaseException:
            _roll_back(db)
            raise


def _mb(count: int) -> str:
    return f"{count / 1e6:.0f}" if count >= 10_000_000 else f"{count / 1e6:.1f}"


def _roll_back(db: sqlite3.Connection) -> None:
    if db.in_transaction:
        db.execute("ROLLBACK")
