"""Puts a whole drive into a log at once: all of it in one transaction, or nothing.

For drives that come from elsewhere, into a log that no daemon is recording to. Ticks go in as tables of counts, without
a record each: the live writer's second-by-second promises would cost more than judging the drive.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from uphaul.errors import LogError
from uphaul.log import claims, enter, recover, schema
from uphaul.log.record import Begin, TickRecord
from uphaul.signals import Block

__all__ = ["DriveEntry"]


class DriveEntry:
    """A drive being entered into the log at `path`; `with` enters it when it ends well, and else leaves the log alone.

    `number` is the drive's. Raises LogError when the file is another program's, newer, damaged, full, or being written.
    """

    def __init__(self, path: Path, start: Begin) -> None:
        self.path = path
        self.number = 0
        self._start = start
        self._new = False
        self._db: sqlite3.Connection | None = None
        self._place: enter.Place | None = None
        self._per_unit = np.array([float(s.per_unit) for s in start.signals])

    def __enter__(self) -> Self:
        try:
            recover.make_folder(self.path)
        except OSError as error:
            raise LogError(f"{self.path}: {error.strerror or error}") from error
        claims.claim(self.path)
        self._new = not self.path.exists()
        try:
            with self._errors():
                self._db = db = self._open()
                db.execute("BEGIN IMMEDIATE")
                row = db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'drive'").fetchone()
                number = 1 if row is None else int(row[0]) + 1
                self._place = enter.begin(db, replace(self._start, drive=number), alone=False)
            self.number = self._place.drive
        except BaseException:
            self._close(well=False)
            raise
        return self

    def _open(self) -> sqlite3.Connection:
        """The log, brought up to date; unlike the daemon's, one that is damaged stays where it is."""
        if not self._new and self.path.stat().st_size == 0:
            raise LogError(f"{self.path}: the file is empty, so no log; name another one, or take it away")
        db = sqlite3.connect(self.path, isolation_level=None, timeout=2.0)
        try:
            schema.migrate(db, self.path)
        except BaseException:
            db.close()
            raise
        return db

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        well = False
        try:
            if kind is None:
                with self._errors():
                    self._end()
                well = True
        finally:
            self._close(well=well)

    def _end(self) -> None:
        db, place = self._db, self._place
        assert db is not None
        assert place is not None
        enter.seal(db, place.drive, "imported", place.ticks, place.last_t_ms)
        db.execute("COMMIT")

    def _close(self, *, well: bool) -> None:
        db, self._db = self._db, None
        if db is not None:
            if db.in_transaction:
                db.execute("ROLLBACK")
            db.close()
        if self._new and not well:
            for suffix in ("", "-wal", "-shm"):
                self.path.with_name(self.path.name + suffix).unlink(missing_ok=True)
        claims.release(self.path)

    def anchor(self, t_ms: int, utc: str, source: str) -> None:
        """Note which wall-clock time (RFC 3339) belonged to a tick."""
        db, place = self._db, self._place
        assert db is not None
        assert place is not None
        with self._errors():
            db.execute(
                "INSERT INTO anchor (drive, t_ms, utc, source) VALUES (?,?,?,?)", (place.drive, t_ms, utc, source)
            )

    def write(self, block: Block, records: Iterable[TickRecord]) -> None:
        """Enter the next ticks, and `records` of what happened at them, which hold no counts."""
        db, place = self._db, self._place
        assert db is not None
        assert place is not None
        with self._errors():
            if len(block):
                table = np.empty((len(block), 2 + len(self._per_unit)))
                table[:, 0], table[:, 1] = block.t_ms, block.tune
                np.rint(block.values * self._per_unit, out=table[:, 2:])
                # SQLite makes NULL of NaN and, in a column of integers, integers of whole floats (datatype3.html).
                db.executemany(place.insert, table.tolist())
                if place.fresh:
                    db.execute("UPDATE segment SET first_t_ms = ? WHERE id = ?", (int(block.t_ms[0]), place.segment))
                    place.fresh = False
                place.ticks += len(block)
                place.last_t_ms = int(block.t_ms[-1])
            enter.enter(db, place, list(records))

    def _errors(self) -> _Errors:
        return _Errors(self.path)


class _Errors:
    """Says in our words what SQLite could not do."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> None:
        return None

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if isinstance(error, sqlite3.IntegrityError):
            raise LogError(f"{self._path}: a tick comes twice ({error}); nothing was imported") from error
        if isinstance(error, sqlite3.Error):
            raise LogError(f"{self._path}: the log cannot be written ({error}); nothing was imported") from error
