"""The outbox on the card: one small SQLite file of its own, never the log's. Used by the outbox's thread alone.

A commit is on the card when it returns (WAL, synchronous=FULL). Other processes are kept out as long as it is open.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from uphaul.errors import LogError
from uphaul.log import recover, schema
from uphaul.outputs.held import OVERHEAD_BYTES, Message, Rank

__all__ = ["Change", "OutboxFile", "Written"]

APPLICATION_ID = 0x55706D71
"""Marks a file as an outbox of ours in its header: the letters ``Upmq``."""
VERSION = 1
PAGE_SIZE = 1024
"""Bytes. A message is a few hundred; a commit writes whole pages, so small ones write less (measured)."""
CHECKPOINT_PAGES = 1000
KEEP_WAL_BYTES = 2_000_000

_TABLES = {Rank.IMPORTANT: "important", Rank.TELEMETRY: "telemetry"}
_SCHEMA = """
CREATE TABLE important (number INTEGER PRIMARY KEY, topic TEXT NOT NULL, payload BLOB NOT NULL);
CREATE TABLE telemetry (number INTEGER PRIMARY KEY, topic TEXT NOT NULL, payload BLOB NOT NULL);
CREATE TABLE stream (topic TEXT PRIMARY KEY, run TEXT NOT NULL, seq INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE kept (topic TEXT PRIMARY KEY) WITHOUT ROWID;
"""
TRIM_AT_ONCE = 64


@dataclass(frozen=True, slots=True)
class Change:
    """What one transaction does. `streams` are their newest numbers, `kept` topics that the broker keeps (or None)."""

    add: tuple[Message, ...]
    remove: Mapping[Rank, set[int]]
    streams: Mapping[str, tuple[str, int]]
    kept: frozenset[str] | None


@dataclass(frozen=True, slots=True)
class Written:
    """What a transaction took away for want of room, by rank; the oldest come first."""

    trimmed: Mapping[Rank, tuple[int, ...]]


class OutboxFile:
    """The open file. `limit_bytes` bounds its messages. `notices` tell what had to be set aside to open it.

    Raises sqlite3.Error or OSError as the card has it, LogError for a file that is not an outbox of ours.
    """

    def __init__(
        self, path: Path, limit_bytes: int, connect: Callable[[Path], sqlite3.Connection] = schema.connect
    ) -> None:
        self._limit = limit_bytes
        self.notices: tuple[str, ...] = ()
        recover.make_folder(path)
        try:
            self._db = _open(path, connect)
        except sqlite3.DatabaseError as error:
            if not recover.is_damage(error):
                raise
            self.notices = (recover.set_aside(path, str(error)),)
            self._db = _open(path, connect)
        self.counts = {rank: self._one(f"SELECT count(*) FROM {_TABLES[rank]}") for rank in Rank}
        self.size = sum(
            self._one(f"SELECT coalesce(sum(length(topic) + length(payload) + {OVERHEAD_BYTES}), 0) FROM {table}")
            for table in _TABLES.values()
        )

    def _one(self, sql: str) -> int:
        return int(self._db.execute(sql).fetchone()[0])

    def last(self, rank: Rank) -> int:
        """The highest number of a rank, 0 for none."""
        return self._one(f"SELECT coalesce(max(number), 0) FROM {_TABLES[rank]}")

    def streams(self) -> dict[str, tuple[str, int]]:
        """By topic, the run and the sequence number of the newest message that was ever put here."""
        return {topic: (run, seq) for topic, run, seq in self._db.execute("SELECT topic, run, seq FROM stream")}

    def kept(self) -> frozenset[str]:
        """The topics that the broker was asked to keep."""
        return frozenset(topic for (topic,) in self._db.execute("SELECT topic FROM kept"))

    def push_back(self) -> None:
        """Number all messages anew, below 1 and in their order: they come before any that this process makes."""
        with self._transaction():
            down = max(self.last(rank) for rank in Rank) + 1
            for table in _TABLES.values():
                self._db.execute(f"UPDATE {table} SET number = number - {down}")

    def read(self, rank: Rank, after: int, most: int) -> list[Message]:
        """The first `most` messages of a rank with higher numbers."""
        rows = self._db.execute(
            f"SELECT number, topic, payload FROM {_TABLES[rank]} WHERE number > ? ORDER BY number LIMIT ?",
            (after, most),
        )
        return [Message(number, rank, topic, payload) for number, topic, payload in rows]

    def write(self, change: Change) -> Written:
        """One transaction; on the card when it returns. Raises sqlite3.Error with nothing changed."""
        counts, size = dict(self.counts), self.size
        try:
            with self._transaction():
                for message in change.add:
                    sql = f"INSERT OR IGNORE INTO {_TABLES[message.rank]} VALUES (?, ?, ?)"
                    # ignored: a commit that was reported as failed and was not
                    if self._db.execute(sql, (message.number, message.topic, message.payload)).rowcount:
                        self.counts[message.rank] += 1
                        self.size += message.size
                for rank, numbers in change.remove.items():
                    self._remove(rank, numbers)
                for topic, (run, seq) in change.streams.items():
                    self._db.execute("INSERT OR REPLACE INTO stream VALUES (?, ?, ?)", (topic, run, seq))
                if change.kept is not None:
                    self._db.execute("DELETE FROM kept")
                    self._db.executemany("INSERT INTO kept VALUES (?)", [(t,) for t in sorted(change.kept)])
                return Written({rank: self._trim(rank) for rank in reversed(Rank)})
        except BaseException:
            self.counts, self.size = counts, size
            raise

    def _remove(self, rank: Rank, numbers: Iterable[int]) -> None:
        for number in numbers:
            row = self._db.execute(
                f"DELETE FROM {_TABLES[rank]} WHERE number = ? RETURNING length(topic) + length(payload)", (number,)
            ).fetchone()
            if row is not None:
                self.counts[rank] -= 1
                self.size -= row[0] + OVERHEAD_BYTES

    def _trim(self, rank: Rank) -> tuple[int, ...]:
        """Take the oldest of a rank away until everything fits; their numbers."""
        gone: list[int] = []
        while self.size > self._limit and self.counts[rank]:
            rows = self._db.execute(
                f"SELECT number, length(topic) + length(payload) FROM {_TABLES[rank]} ORDER BY number LIMIT ?",
                (TRIM_AT_ONCE,),
            ).fetchall()
            for number, size in rows:
                if self.size <= self._limit:
                    break
                self._db.execute(f"DELETE FROM {_TABLES[rank]} WHERE number = ?", (number,))
                self.counts[rank] -= 1
                self.size -= size + OVERHEAD_BYTES
                gone.append(number)
        return tuple(gone)

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                self._db.execute("ROLLBACK")
            raise

    def close(self) -> None:
        """Close the file; never raises."""
        with contextlib.suppress(sqlite3.Error):
            self._db.close()


def _open(path: Path, connect: Callable[[Path], sqlite3.Connection]) -> sqlite3.Connection:
    db = connect(path)
    try:
        db.execute("PRAGMA locking_mode = EXCLUSIVE")
        (application,) = db.execute("PRAGMA application_id").fetchone()
        (tables,) = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        if tables and application != APPLICATION_ID:
            raise LogError(f"{path}: is no outbox of this program; name another file or move it away")
        if not tables:
            db.execute(f"PRAGMA page_size = {PAGE_SIZE}")
        db.execute("PRAGMA journal_mode = WAL").fetchone()
        db.execute("PRAGMA synchronous = FULL")
        db.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
        db.execute(f"PRAGMA journal_size_limit = {KEEP_WAL_BYTES}")
        (version,) = db.execute("PRAGMA user_version").fetchone()
        if version > VERSION:
            raise LogError(f"{path}: an outbox of a newer version; move it away, or bring the program up to date")
        if not tables:
            script = f"PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {VERSION}; {_SCHEMA}"
            db.execute("BEGIN IMMEDIATE")
            for statement in script.split(";"):
                db.execute(statement)
            db.execute("COMMIT")
        else:
            db.execute("SELECT number FROM important ORDER BY number LIMIT 1").fetchone()
        return db
    except BaseException:
        db.close()
        raise
