"""The tables of the log: how a file is opened, made, brought up to date, and how one segment's tables look.

One file per vehicle, SQLite. `application_id` says that a file is ours, `user_version` is the schema version. A drive
has one or more segments; a segment has its own tick table, because its signals are its columns:

    config      the configuration's texts, once per distinct content
    drive       one stretch from engine on to engine off; `t_ms` everywhere counts from its beginning
    segment     the part of a drive judged with one configuration, one signal table and one software version
    signal      the columns of a segment's tick table
    ticks_<n>   t_ms, the tune's number, and a count per signal: value = count / per_unit, NULL is unknown
    quality     why a value is unknown (or only a bound), from this tick until the next change
    condition   a rule's condition became true or false
    transition, notice, event, anchor
    reference   which drive others are compared with, by whom and when; the newest row counts
    field_check what came of each field check of a drive, JSON, as it was told when it ended
    drive_<n>   a view of drive n in engineering units, for a person with nothing but the sqlite3 shell: of the newest
                `KEPT_VIEWS`, because whoever opens the file keeps every view in memory, three times what a table takes

Evidence has its place kept: a later version adds `chain (segment, minute, sha256)`, the hash over a minute's rows of
the tables above and the hash before, written with the first commit of the next minute, and the signed head in
`drive`. Rows are therefore only ever added to a drive, never changed, but for `drive` itself.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from uphaul.errors import LogError
from uphaul.signals import NO_TUNE, Signal

__all__ = [
    "APPLICATION_ID",
    "KEPT_VIEWS",
    "MIGRATIONS",
    "PAGE_SIZE",
    "READABLE_FROM",
    "SCHEMA_VERSION",
    "Segment",
    "columns",
    "connect",
    "create_segment_tables",
    "drive_view",
    "drop_old_views",
    "identify",
    "insert_ticks",
    "migrate",
    "quote",
]

SCHEMA_VERSION = 4

READABLE_FROM = 1
"""Older versions that can be read as they are: later ones say how the next drive begins, name one drive, and keep
what came of field checks."""

APPLICATION_ID = 0x5570686C
"""Marks a file as ours in its header: the letters ``Uphl``."""

PAGE_SIZE = 2048
"""Bytes. Each commit writes at least the last page of the ticks again, so larger pages write more; smaller ones read
slower. Chosen by measurement: tests/bench/log.py."""

KEPT_VIEWS = 10
"""Drives that have a view. A view of 48 signals takes some 7.5 kB in the memory of all who have the file open."""

CACHE_KIB = 512
"""What SQLite may keep of the file in memory; rows are added at its end and hardly read, so more is of no use."""

CHECKPOINT_PAGES = 2000
"""Pages in the write-ahead log before it is carried over into the file; chosen by measurement as well."""

KEEP_WAL_BYTES = 8_000_000
"""A write-ahead log that grew beyond this during a stall is cut back to it."""

_VERSION_1 = """
CREATE TABLE config (id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL UNIQUE, files TEXT NOT NULL);
CREATE TABLE drive (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    boot_id TEXT NOT NULL,
    begun TEXT,                    -- wall clock when the drive began, RFC 3339: a label, never compared
    began_boot_ms INTEGER NOT NULL, -- CLOCK_BOOTTIME at t_ms = 0
    continues INTEGER,             -- the drive that another boot of the machine broke off
    ended INTEGER,                 -- t_ms of the last tick; NULL while the drive is open
    end_reason TEXT,
    kept INTEGER NOT NULL DEFAULT 0,
    ticks INTEGER,                 -- counted when the drive is sealed, as are alerts
    alerts INTEGER,
    lost_ticks INTEGER NOT NULL DEFAULT 0, -- ticks that the card could not take
    going INTEGER NOT NULL DEFAULT 0       -- 1 while retention takes the drive away piece by piece
);
CREATE TABLE segment (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    drive INTEGER NOT NULL REFERENCES drive,
    config INTEGER NOT NULL REFERENCES config,
    tick_hz INTEGER NOT NULL,
    gap_ms INTEGER NOT NULL,
    software TEXT NOT NULL,
    judge_version TEXT NOT NULL,
    tunes TEXT NOT NULL,           -- JSON list: a tick's tune is an index into it, -1 unknown
    initial_state TEXT NOT NULL,   -- JSON: the alerts' states as the segment began
    first_t_ms INTEGER             -- of the segment's first tick
);
CREATE INDEX segment_drive ON segment (drive);
CREATE TABLE signal (
    segment INTEGER NOT NULL REFERENCES segment,
    position INTEGER NOT NULL,
    name TEXT NOT NULL,
    "column" TEXT NOT NULL,        -- of the tick table: the name, numbered where it would clash
    unit TEXT NOT NULL,
    per_unit INTEGER NOT NULL,
    low REAL,                      -- NULL: no bound
    high REAL,
    max_age_ms INTEGER NOT NULL,
    reduce TEXT NOT NULL,
    required INTEGER NOT NULL,
    computed INTEGER NOT NULL,
    meaning TEXT NOT NULL,
    PRIMARY KEY (segment, position)
) WITHOUT ROWID;
CREATE TABLE quality (
    segment INTEGER NOT NULL,
    t_ms INTEGER NOT NULL,
    signal INTEGER NOT NULL,       -- position
    quality INTEGER NOT NULL,      -- 0 good 1 saturated 2 stale 3 below range 4 above range 5 open circuit
                                   -- 6 short to ground 7 short to supply 8 undecodable 9 not fitted
    PRIMARY KEY (segment, t_ms, signal)
) WITHOUT ROWID;
CREATE TABLE condition (
    id INTEGER PRIMARY KEY, segment INTEGER NOT NULL, t_ms INTEGER NOT NULL, rule TEXT NOT NULL,
    active INTEGER NOT NULL, value REAL, "limit" REAL, tune INTEGER NOT NULL
);
CREATE INDEX condition_t ON condition (segment, t_ms);
CREATE TABLE transition (
    id INTEGER PRIMARY KEY, segment INTEGER NOT NULL, t_ms INTEGER NOT NULL, rule TEXT NOT NULL,
    source TEXT NOT NULL, target TEXT NOT NULL, value REAL, "limit" REAL, tune INTEGER NOT NULL,
    raise_number INTEGER NOT NULL
);
CREATE INDEX transition_t ON transition (segment, t_ms);
CREATE TABLE notice (
    id INTEGER PRIMARY KEY, segment INTEGER NOT NULL, t_ms INTEGER NOT NULL, kind TEXT NOT NULL,
    rule TEXT NOT NULL, text TEXT NOT NULL
);
CREATE INDEX notice_t ON notice (segment, t_ms);
CREATE TABLE event (
    id INTEGER PRIMARY KEY, segment INTEGER NOT NULL, t_ms INTEGER NOT NULL, seq INTEGER NOT NULL,
    kind TEXT NOT NULL, rule TEXT NOT NULL, raise_number INTEGER NOT NULL, actor TEXT NOT NULL,
    text TEXT NOT NULL, end_ms INTEGER
);
CREATE INDEX event_t ON event (segment, t_ms);
CREATE TABLE anchor (
    id INTEGER PRIMARY KEY, drive INTEGER NOT NULL, t_ms INTEGER NOT NULL, utc TEXT NOT NULL, source TEXT NOT NULL
);
CREATE INDEX anchor_t ON anchor (drive, t_ms);
"""


def _make(db: sqlite3.Connection) -> None:
    """From nothing to version 1."""
    for statement in _VERSION_1.split(";\n"):
        db.execute(statement)
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")


def _carry(db: sqlite3.Connection) -> None:
    """To version 2: what the alerts of a drive take into the next one, kept as it changes, JSON."""
    db.execute("ALTER TABLE drive ADD COLUMN carried TEXT")


def _refer(db: sqlite3.Connection) -> None:
    """To version 3: which drive is the reference."""
    db.execute(
        "CREATE TABLE reference ("
        "id INTEGER PRIMARY KEY, drive INTEGER NOT NULL, utc TEXT NOT NULL, actor TEXT NOT NULL)"
    )


def _keep_checks(db: sqlite3.Connection) -> None:
    """To version 4: what came of field checks, each named by its drive and the time it began at."""
    db.execute(
        "CREATE TABLE field_check (drive INTEGER NOT NULL, t_ms INTEGER NOT NULL, end_ms INTEGER NOT NULL, "
        "title TEXT NOT NULL, confirmed_by TEXT NOT NULL, software TEXT NOT NULL, results TEXT NOT NULL, "
        "PRIMARY KEY (drive, t_ms)) WITHOUT ROWID"
    )


MIGRATIONS: list[Callable[[sqlite3.Connection], None]] = [_make, _carry, _refer, _keep_checks]
"""Step i brings a file from version i to version i + 1; each runs in a transaction of its own."""


def connect(path: Path) -> sqlite3.Connection:
    """Open the file for writing, made if need be; nothing in it changes yet.

    Transactions are begun and ended in so many words (`isolation_level=None`). Raises sqlite3.Error as the file or the
    card has it.
    """
    return sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=0.2)


def _prepare(db: sqlite3.Connection, *, new: bool) -> None:
    """Set up what the log's promises rest on: a commit is on the card when it returns (WAL, synchronous=FULL)."""
    if new:  # these two are settled for good by the first table
        db.execute(f"PRAGMA page_size = {PAGE_SIZE}")
        db.execute("PRAGMA auto_vacuum = INCREMENTAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute(f"PRAGMA cache_size = {-CACHE_KIB}")
    db.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
    db.execute(f"PRAGMA journal_size_limit = {KEEP_WAL_BYTES}")
    db.execute("PRAGMA secure_delete = OFF")  # else taking a drive away writes zeros over all of it


def identify(db: sqlite3.Connection, path: Path) -> int:
    """The schema version of an open file, 0 for one without any tables.

    Raises LogError when the file is another program's or from a newer version; sqlite3.DatabaseError when it is no
    database at all.
    """
    (version,) = db.execute("PRAGMA user_version").fetchone()
    (application,) = db.execute("PRAGMA application_id").fetchone()
    (tables,) = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application != APPLICATION_ID:
        if application == 0 and version == 0 and tables == 0:
            return 0
        raise LogError(
            f"{path}: this is a database of another program (application id {application:#010x}, "
            f"not {APPLICATION_ID:#010x}); it is left untouched: name another file for the log"
        )
    if version > SCHEMA_VERSION:
        raise LogError(
            f"{path}: the log has schema version {version}, this program knows versions up to {SCHEMA_VERSION}; "
            "use the newer program that wrote it, or name another file"
        )
    return int(version)


def migrate(db: sqlite3.Connection, path: Path) -> list[int]:
    """Bring an open file to the present version; the versions it went through, in order.

    Raises LogError as `identify` does, before anything in the file has changed.
    """
    passed = []
    found = identify(db, path)
    _prepare(db, new=found == 0)
    for version in range(found, SCHEMA_VERSION):
        db.execute("BEGIN IMMEDIATE")
        try:
            MIGRATIONS[version](db)
            db.execute(f"PRAGMA user_version = {version + 1}")
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
        passed.append(version + 1)
    # After the tables, so that a file cut off while it was being made is still an empty one.
    db.execute("PRAGMA journal_mode = WAL")
    return passed


def quote(name: str) -> str:
    """An SQL identifier for any name."""
    return '"' + name.replace('"', '""') + '"'


def columns(signals: Sequence[Signal]) -> list[str]:
    """A column name for each signal: its own, numbered where SQL would take two for the same.

    SQL knows no difference between ``EGT`` and ``egt``, and t_ms, t_s and tune are ours.
    """
    taken = {"t_ms", "t_s", "tune"}
    names = []
    for signal in signals:
        name, number = signal.name, 2
        while name.lower() in taken:
            name, number = f"{signal.name}_{number}", number + 1
        taken.add(name.lower())
        names.append(name)
    return names


def create_segment_tables(db: sqlite3.Connection, segment: int, signals: Sequence[Signal]) -> None:
    """Make the tick table of a segment and enter its signals."""
    names = columns(signals)
    counts = "".join(f", {quote(n)} INTEGER" for n in names)
    db.execute(f"CREATE TABLE ticks_{segment} (t_ms INTEGER PRIMARY KEY, tune INTEGER NOT NULL{counts})")
    db.executemany(
        "INSERT INTO signal VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?)",
        [
            (
                segment,
                i,
                s.name,
                names[i],
                s.unit,
                int(s.per_unit),
                # SQLite keeps infinities, but a shell prints them as odd numbers.
                None if s.low == float("-inf") else float(s.low),
                None if s.high == float("inf") else float(s.high),
                int(s.max_age_ms),
                s.reduce.value,
                int(s.required),
                int(s.computed),
                s.meaning,
            )
            for i, s in enumerate(signals)
        ],
    )


def insert_ticks(segment: int, signals: int) -> str:
    """The statement that enters one tick: t_ms, tune, and a count or NULL per signal."""
    return f"INSERT INTO ticks_{segment} VALUES (?,?{',?' * signals})"


@dataclass(frozen=True, slots=True)
class Segment:
    """What the view of a drive needs to know of one segment. `columns` are those of its tick table."""

    id: int
    tunes: tuple[str, ...]
    signals: tuple[Signal, ...]
    columns: tuple[str, ...]


def drive_view(drive: int, segments: Sequence[Segment]) -> list[str]:
    """Statements that make ``drive_<n>``: t_s, tune by name, then every signal of any segment in its unit.

    A signal that a segment lacks is NULL there. One that changed its unit between segments gets a column per unit:
    two units must never stand in one column.
    """
    units: dict[str, set[str]] = {}
    for segment in segments:
        for column, signal in zip(segment.columns, segment.signals, strict=True):
            units.setdefault(column, set()).add(signal.unit)
    wanted: dict[tuple[str, str], str] = {}
    for segment in segments:
        for column, signal in zip(segment.columns, segment.signals, strict=True):
            title = column if len(units[column]) == 1 else f"{column} [{signal.unit}]"
            wanted.setdefault((column, signal.unit), title)
    selects = []
    for segment in segments:
        here = {(c, s.unit): s for c, s in zip(segment.columns, segment.signals, strict=True)}
        tune = f"CASE tune WHEN {NO_TUNE} THEN NULL"
        for number, name in enumerate(segment.tunes):
            text = name.replace("'", "''")
            tune += f" WHEN {number} THEN '{text}'"
        fields = ["t_ms / 1000.0 AS t_s", f"{tune} ELSE tune END AS tune"]
        for (column, unit), title in wanted.items():
            signal_here = here.get((column, unit))
            value = f"{quote(column)} / {float(signal_here.per_unit)!r}" if signal_here else "NULL"
            fields.append(f"{value} AS {quote(title)}")
        selects.append(f"SELECT {', '.join(fields)} FROM ticks_{segment.id}")
    return [f"DROP VIEW IF EXISTS drive_{drive}", f"CREATE VIEW drive_{drive} AS {' UNION ALL '.join(selects)}"]


def drop_old_views(db: sqlite3.Connection, drive: int) -> None:
    """Take away the views of all drives but the newest `KEPT_VIEWS`, `drive` being the newest."""
    views = db.execute("SELECT name FROM sqlite_master WHERE type = 'view' AND name GLOB 'drive_[0-9]*'")
    for (name,) in views.fetchall():
        if int(name.removeprefix("drive_")) <= drive - KEPT_VIEWS:
            db.execute(f"DROP VIEW {name}")
