"""A card that misbehaves on demand: it stalls, fills up, fails, or says that it failed when it did not."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path


class Card:
    """Hand `connect` to the log writer; faults apply to every connection made through it, at once.

    `gate` cleared: a commit waits until it is set. `broken`: an SQLite error code that every transaction meets
    (SQLITE_CORRUPT: only the next one). `lies`: so many commits go through and are reported as an I/O error.
    `most_pages` bounds the file. `commits` counts.
    """

    def __init__(self) -> None:
        self.gate = threading.Event()
        self.gate.set()
        self.stalled = threading.Event()
        self.met = threading.Event()
        self.broken: int | None = None
        self.lies = 0
        self.most_pages: int | None = None
        self.commits = 0
        self.opened = 0

    def connect(self, path: Path) -> sqlite3.Connection:
        """Open the file on this card."""
        card = self
        if self.broken == sqlite3.SQLITE_CANTOPEN:
            self.met.set()
            raise _error(self.broken)

        class Connection(sqlite3.Connection):
            def execute(self, sql: str, *values: object) -> sqlite3.Cursor:  # type: ignore[override]
                if sql == "BEGIN IMMEDIATE":
                    if card.broken is not None:
                        code = card.broken
                        if code == sqlite3.SQLITE_CORRUPT:
                            card.broken = None
                        card.met.set()
                        raise _error(code)
                    if card.most_pages is not None:
                        super().execute(f"PRAGMA max_page_count = {card.most_pages}")
                if sql != "COMMIT":
                    return super().execute(sql, *values)  # type: ignore[arg-type]
                if not card.gate.is_set():
                    card.stalled.set()
                    assert card.gate.wait(30.0)
                done = super().execute(sql)
                card.commits += 1
                if card.lies:
                    card.lies -= 1
                    card.met.set()
                    raise _error(sqlite3.SQLITE_IOERR)
                return done

        self.opened += 1
        return sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=0.2, factory=Connection)


def _error(code: int) -> sqlite3.DatabaseError:
    words = {
        sqlite3.SQLITE_IOERR: "disk I/O error",
        sqlite3.SQLITE_READONLY: "attempt to write a readonly database",
        sqlite3.SQLITE_CANTOPEN: "unable to open database file",
        sqlite3.SQLITE_CORRUPT: "database disk image is malformed",
    }
    kind = sqlite3.DatabaseError if code == sqlite3.SQLITE_CORRUPT else sqlite3.OperationalError
    error = kind(words[code])
    error.sqlite_errorcode = code
    return error
