"""Enters drives and ticks into an open log; every function runs inside a transaction that its caller owns."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

from uphaul.log import schema
from uphaul.log.record import Begin, TickRecord
from uphaul.signals import Quality, Reduce, Signal

__all__ = ["Place", "begin", "count_alerts", "enter", "read_segment", "seal", "seal_others"]


@dataclass(slots=True)
class Place:
    """Where ticks go at present. A transaction works on a copy, which replaces the original when it is committed.

    `quality` is what the first tick must say of the signals besides its own changes.
    """

    begin: Begin
    drive: int
    segment: int
    insert: str
    ticks: int
    last_t_ms: int | None
    fresh: bool
    quality: dict[int, Quality]


def begin(db: sqlite3.Connection, start: Begin, *, alone: bool = True) -> Place:
    """Enter a drive, or find the place where it goes on; a new segment if anything differs from the last one.

    A drive that should go on but is not in this file (it was set aside) is entered anew. With `alone` no other drive
    stays open.
    """
    drive = start.drive
    known = db.execute("SELECT 1 FROM drive WHERE id = ? AND going = 0", (drive,)).fetchone() is not None
    if not (start.resume and known):
        if db.execute("SELECT 1 FROM drive WHERE id = ?", (drive,)).fetchone():
            drive = db.execute("SELECT max(id) FROM drive").fetchone()[0] + 1
        db.execute(
            "INSERT INTO drive (id, boot_id, begun, began_boot_ms, continues) VALUES (?,?,?,?,?)",
            (drive, start.boot_id, start.wall, int(start.began_boot_ms), start.continues),
        )
    if alone:
        seal_others(db, drive)
    ticks, last = _extent(db, drive)
    db.execute("UPDATE drive SET ended = NULL, end_reason = NULL, ticks = NULL, alerts = NULL WHERE id = ?", (drive,))
    found = _same_segment(db, drive, start)
    segment = _new_segment(db, drive, start) if found is None else found
    # After a restart of the daemon qualities start at good, so what the log last said of them no longer holds.
    restored = dict.fromkeys(_quality(db, segment), Quality.GOOD) | dict(start.quality)
    insert = schema.insert_ticks(segment, len(start.signals))
    return Place(start, drive, segment, insert, ticks, last, found is None, restored)


def _segments(db: sqlite3.Connection, drive: int) -> list[int]:
    return [n for (n,) in db.execute("SELECT id FROM segment WHERE drive = ? ORDER BY id", (drive,))]


def _extent(db: sqlite3.Connection, drive: int) -> tuple[int, int | None]:
    """How many ticks a drive has, and the last one's t_ms."""
    ticks: int = 0
    last: int | None = None
    for segment in _segments(db, drive):
        count, newest = db.execute(f"SELECT count(*), max(t_ms) FROM ticks_{segment}").fetchone()
        ticks, last = ticks + count, newest if newest is not None else last
    return ticks, last


def _quality(db: sqlite3.Connection, segment: int) -> dict[int, Quality]:
    rows = db.execute(
        "SELECT signal, quality, max(t_ms) FROM quality WHERE segment = ? GROUP BY signal", (segment,)
    ).fetchall()
    return {signal: Quality(quality) for signal, quality, _ in rows if quality != Quality.GOOD}


def read_segment(db: sqlite3.Connection, segment: int) -> schema.Segment:
    """A segment's signals and tunes as the file has them. Raises KeyError when there is no such segment."""
    row = db.execute("SELECT tunes FROM segment WHERE id = ?", (segment,)).fetchone()
    if row is None:
        raise KeyError(segment)
    signals, names = [], []
    for name, column, unit, per_unit, low, high, max_age_ms, reduce, required, computed, meaning in db.execute(
        'SELECT name, "column", unit, per_unit, low, high, max_age_ms, reduce, required, computed, meaning '
        "FROM signal WHERE segment = ? ORDER BY position",
        (segment,),
    ):
        signals.append(
            Signal(
                name,
                unit,
                per_unit,
                float("-inf") if low is None else low,
                float("inf") if high is None else high,
                max_age_ms,
                Reduce(reduce),
                bool(required),
                bool(computed),
                meaning,
            )
        )
        names.append(column)
    return schema.Segment(segment, tuple(json.loads(row[0])), tuple(signals), tuple(names))


def _same_segment(db: sqlite3.Connection, drive: int, start: Begin) -> int | None:
    """The drive's last segment if ticks of `start` belong into it."""
    row = db.execute(
        "SELECT segment.id, sha256, tick_hz, gap_ms, software, judge_version FROM segment "
        "JOIN config ON config.id = segment.config WHERE drive = ? ORDER BY segment.id DESC LIMIT 1",
        (drive,),
    ).fetchone()
    wanted = (start.config_sha256(), start.tick_hz, start.gap_ms, start.software, start.judge_version)
    if row is None or row[1:] != wanted:
        return None
    found = read_segment(db, row[0])
    same = found.signals == start.signals and found.tunes == start.tunes
    return int(row[0]) if same else None


def _new_segment(db: sqlite3.Connection, drive: int, start: Begin) -> int:
    sha = start.config_sha256()
    db.execute("INSERT OR IGNORE INTO config (sha256, files) VALUES (?,?)", (sha, start.config_json()))
    cursor = db.execute(
        "INSERT INTO segment (drive, config, tick_hz, gap_ms, software, judge_version, tunes, initial_state) "
        "SELECT ?, id, ?, ?, ?, ?, ?, ? FROM config WHERE sha256 = ?",
        (
            drive,
            start.tick_hz,
            start.gap_ms,
            start.software,
            start.judge_version,
            json.dumps(list(start.tunes), ensure_ascii=False),
            start.initial_state,
            sha,
        ),
    )
    segment = cursor.lastrowid
    assert segment is not None
    schema.create_segment_tables(db, segment, start.signals)
    for statement in schema.drive_view(drive, [read_segment(db, n) for n in _segments(db, drive)]):
        db.execute(statement)
    schema.drop_old_views(db, drive)
    return segment


def enter(db: sqlite3.Connection, place: Place, records: Sequence[TickRecord]) -> None:
    """Enter ticks at `place`, which moves on with them. Raises sqlite3.Error, OverflowError (counts beyond 64 bits)."""
    ticks = [(r.t_ms, r.tune, *r.counts) for r in records if r.counts is not None]
    if ticks:
        db.executemany(place.insert, ticks)
        if place.fresh:
            db.execute("UPDATE segment SET first_t_ms = ? WHERE id = ?", (ticks[0][0], place.segment))
            place.fresh = False
        place.ticks += len(ticks)
        place.last_t_ms = ticks[-1][0]
    segment, rules = place.segment, place.begin.rules
    for r in records:
        changes = {c.signal: c.quality for c in r.quality}
        if place.quality:  # of a restart or a new file: the first tick says how things stand
            changes = place.quality | changes
            place.quality = {}
        if changes:
            db.executemany(
                "INSERT OR REPLACE INTO quality VALUES (?,?,?,?)",
                [(segment, r.t_ms, signal, int(quality)) for signal, quality in changes.items()],
            )
        if not r.sparse:
            continue
        db.executemany(
            'INSERT INTO condition (segment, t_ms, rule, active, value, "limit", tune) VALUES (?,?,?,?,?,?,?)',
            [(segment, c.t_ms, rules[c.rule], int(c.active), c.value, c.limit, int(c.tune)) for c in r.conditions],
        )
        db.executemany(
            'INSERT INTO transition (segment, t_ms, rule, source, target, value, "limit", tune, raise_number) '
            "VALUES (?,?,?,?,?,?,?,?,?)",
            [
                (segment, t.t_ms, t.rule, t.source.value, t.target.value, t.value, t.limit, int(t.tune), t.raise_number)
                for t in r.transitions
            ],
        )
        db.executemany(
            "INSERT INTO notice (segment, t_ms, kind, rule, text) VALUES (?,?,?,?,?)",
            [(segment, n.t_ms, n.kind.value, n.rule, n.text) for n in r.notices],
        )
        db.executemany(
            "INSERT INTO event (segment, t_ms, seq, kind, rule, raise_number, actor, text, end_ms) "
            "VALUES (?,?,?,?,?,?,?,?,?)",
            [
                (segment, e.t_ms, e.seq, e.kind.value, e.rule, e.raise_number, e.actor, e.text, e.end_ms)
                for e in r.events
            ],
        )


def count_alerts(db: sqlite3.Connection, drive: int) -> int:
    """How often a rule's condition was raised in the drive: what a replay lists, told to a person or not."""
    (alerts,) = db.execute(
        "SELECT count(*) FROM condition WHERE active = 1 AND segment IN (SELECT id FROM segment WHERE drive = ?)",
        (drive,),
    ).fetchone()
    return int(alerts)


def seal(db: sqlite3.Connection, drive: int, reason: str, ticks: int, last_t_ms: int | None) -> None:
    """End a drive."""
    db.execute(
        "UPDATE drive SET ended = ?, end_reason = ?, ticks = ?, alerts = ? WHERE id = ?",
        (last_t_ms or 0, reason, ticks, count_alerts(db, drive), drive),
    )


def seal_others(db: sqlite3.Connection, drive: int) -> None:
    """End all drives but this one that were left open by a power cut or by a restart that did not go on with them."""
    left = db.execute("SELECT id FROM drive WHERE ended IS NULL AND going = 0 AND id <> ?", (drive,)).fetchall()
    for (other,) in left:
        seal(db, other, "interrupted", *_extent(db, other))
