"""Opens the log for writing whatever state the file is in: a damaged one is set aside, and recording goes on.

Theory of operation. A file cut off by a power cut is not damaged: SQLite finds its write-ahead log beside it and takes
up what was committed. What can still be wrong is told apart by whose it is. An empty file, one that is no
database, or one whose content does not hold together is *set aside*: renamed, with its write-ahead log, to
``<name>.damaged-<n>``, never deleted; the caller gets a notice that a person must see, and a new file is begun. A sound
file of another program, or of a newer version of this one, is an error and stays untouched. A card that cannot be
read or written at present is neither: sqlite3.OperationalError goes up and the writer tries again later.

Checking all of a large file would take minutes on a small board, so `check` reads all of it only up to
`FULL_CHECK_BYTES`, else the tables that recording touches: the small ones and the newest segment's ticks.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from uphaul.errors import LogError
from uphaul.log import schema

__all__ = [
    "FULL_CHECK_BYTES",
    "OpenDrive",
    "broken_off",
    "check",
    "is_damage",
    "make_folder",
    "open_drive",
    "open_log",
    "set_aside",
]

FULL_CHECK_BYTES = 64_000_000

Connect = Callable[[Path], sqlite3.Connection]


@dataclass(frozen=True, slots=True)
class OpenDrive:
    """A drive that nobody ended. If `boot_id` is that of the running system it goes on, else another continues it.

    `last_t_ms` is that of its last tick, None without any; `segment` the newest of its segments; `begun` the wall
    clock at its beginning (RFC 3339), None where unknown.
    """

    drive: int
    segment: int
    boot_id: str
    began_boot_ms: int
    last_t_ms: int | None
    begun: str | None = None


def is_damage(error: sqlite3.Error) -> bool:
    """True when the file's content is at fault, not the card or another program's lock."""
    code = getattr(error, "sqlite_errorcode", None)
    return code is not None and (code & 0xFF) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def set_aside(path: Path, why: str) -> str:
    """Rename a log and what SQLite left beside it to ``<name>.damaged-<n>``; the notice for people.

    Raises OSError when the card does not let it be renamed.
    """
    number = 1
    while (target := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    path.rename(target)
    for suffix in ("-wal", "-shm", "-journal"):
        beside = path.with_name(path.name + suffix)
        if beside.exists():
            beside.rename(target.with_name(target.name + suffix))
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
    return f"{path}: {why}. It was set aside as {target.name} and a new log was begun"


def make_folder(path: Path) -> None:
    """Make the folder of a log. Raises LogError when a file is in its way, OSError when the card does not let it be."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as error:
        raise LogError(f"{path}: {error.filename} is a file, not a folder that could hold the log") from error


def open_log(path: Path, connect: Connect = schema.connect) -> tuple[sqlite3.Connection, list[str]]:
    """An open, up-to-date log and the notices of what had to be set aside for it.

    Raises LogError for a foreign or newer file, sqlite3.OperationalError or OSError when the card cannot be used now.
    """
    notices = []
    make_folder(path)
    if path.exists() and not path.is_file():
        raise LogError(f"{path}: the log must be a file, and this is not one")
    if path.exists() and path.stat().st_size == 0:
        # SQLite would take it for a new file and delete a write-ahead log that may hold the last drive.
        notices.append(set_aside(path, "the file is empty"))
    for _ in range(2):
        try:
            return _try_open(path, connect), notices
        except sqlite3.DatabaseError as error:
            if not is_damage(error):
                raise
            notices.append(set_aside(path, f"the file is damaged ({error})"))
    return _try_open(path, connect), notices


def _try_open(path: Path, connect: Connect) -> sqlite3.Connection:
    db = connect(path)
    try:
        schema.migrate(db, path)
        open_drive(db)
        return db
    except BaseException:
        db.close()
        raise


def check(db: sqlite3.Connection, *, full_bytes: int = FULL_CHECK_BYTES) -> str:
    """What is wrong with the file's content, in SQLite's words; empty when nothing is."""
    (pages,) = db.execute("PRAGMA page_count").fetchone()
    (page,) = db.execute("PRAGMA page_size").fetchone()
    if pages * page <= full_bytes:
        checks = ["PRAGMA quick_check(1)"]
    else:
        tables = ["config", "drive", "segment", "signal", "quality", "condition", "transition", "notice", "event"]
        newest = db.execute("SELECT max(id) FROM segment").fetchone()[0]
        if newest is not None:
            tables.append(f"ticks_{newest}")
        checks = [f"PRAGMA quick_check({schema.quote(t)})" for t in tables]
    for statement in checks:
        try:
            answer = db.execute(statement).fetchone()[0]
        except sqlite3.DatabaseError as error:
            if not is_damage(error):
                raise
            return str(error)
        if answer != "ok":
            return str(answer).replace("\n", "; ")
    return ""


def open_drive(db: sqlite3.Connection) -> OpenDrive | None:
    """The newest drive if nobody ended it."""
    row = db.execute(
        "SELECT drive.id, boot_id, began_boot_ms, ended, max(segment.id), begun FROM drive "
        "JOIN segment ON segment.drive = drive.id GROUP BY drive.id ORDER BY drive.id DESC LIMIT 1"
    ).fetchone()
    if row is None or row[3] is not None:
        return None
    drive, boot_id, began_boot_ms, _, segment, begun = row
    segments = [n for (n,) in db.execute("SELECT id FROM segment WHERE drive = ? ORDER BY id DESC", (drive,))]
    last = None
    for number in segments:
        last = db.execute(f"SELECT max(t_ms) FROM ticks_{number}").fetchone()[0]
        if last is not None:
            break
    return OpenDrive(drive, segment, boot_id, began_boot_ms, last, begun)


def broken_off(db: sqlite3.Connection) -> OpenDrive | None:
    """The newest drive that a drive of another boot goes on with: the machine stopped before it was ended."""
    row = db.execute(
        "SELECT d.id, max(segment.id), d.boot_id, d.began_boot_ms, d.ended, d.begun FROM drive AS d "
        "JOIN drive AS n ON n.continues = d.id AND n.boot_id <> d.boot_id "
        "JOIN segment ON segment.drive = d.id WHERE d.ended IS NOT NULL GROUP BY d.id ORDER BY d.id DESC LIMIT 1"
    ).fetchone()
    return None if row is None else OpenDrive(*row)
