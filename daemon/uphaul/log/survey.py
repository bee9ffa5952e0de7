"""What the log holds and how long its room lasts: looked at now and then, told as a frozen value."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from uphaul.log.retention import Retention, Room

__all__ = ["SURVEY_EVERY_S", "Survey", "survey"]

SURVEY_EVERY_S = 10.0
"""A person looks no more often, and every commit's time is the ticks'."""


@dataclass(frozen=True, slots=True)
class Survey:
    """The log as it stood at most `SURVEY_EVERY_S` ago, sizes in 10^6 bytes.

    `size_mb` is the file's, `used_mb` what of it is in use, `hours` the driving that it holds, the present drive
    included. `left_mb` may still be written before a drive has to go (negative: one has to now); the card sets that
    bound where `by_card`, else the log's own largest size. `next_to_go` is the drive that goes then and `next_begun`
    when it began (RFC 3339, None: unknown); None where no drive may go, and recording stops.
    """

    size_mb: float
    used_mb: float
    hours: float
    left_mb: float
    by_card: bool
    next_to_go: int | None
    next_begun: str | None


def survey(db: sqlite3.Connection, retention: Retention, room: Room, current: int | None) -> Survey:
    """Look at the log, while drive `current` is being written. Raises sqlite3.Error.

    Reads the table of drives and the end of each drive without one: no tick table as a whole.
    """
    (ended_ms,) = db.execute("SELECT coalesce(sum(ended), 0) FROM drive WHERE going = 0").fetchone()
    segments = db.execute(
        "SELECT drive.id, segment.id FROM drive JOIN segment ON segment.drive = drive.id "
        "WHERE ended IS NULL AND going = 0"
    ).fetchall()
    spans: dict[int, int] = {}
    for drive, segment in segments:
        (last,) = db.execute(f"SELECT max(t_ms) FROM ticks_{segment}").fetchone()
        spans[drive] = max(spans.get(drive, 0), last or 0)
    left, by_card = retention.left(room)
    going = retention.next_to_go(db, current)
    begun = None
    if going is not None:
        (begun,) = db.execute("SELECT begun FROM drive WHERE id = ?", (going,)).fetchone()
    return Survey(
        size_mb=room.file / 1e6,
        used_mb=(room.file - room.file_free) / 1e6,
        hours=(ended_ms + sum(spans.values())) / 3.6e6,
        left_mb=left / 1e6,
        by_card=by_card,
        next_to_go=going,
        next_begun=begun,
    )
