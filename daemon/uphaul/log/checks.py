"""Keeps in a log at rest what a look at one of its drives says of the field check."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path

from uphaul.errors import LogError
from uphaul.log.at_rest import writing_at_rest
from uphaul.log.info import CheckRow

__all__ = ["Keeping", "keep_checks"]


class Keeping(StrEnum):
    """What became of a run that was to be kept."""

    NEW = "is kept"
    INSTEAD = "is kept in the place of an earlier look"
    SAME = "is kept already"
    DRIVEN = "is not kept: the log has what was told when it was driven, which is not overwritten"


def keep_checks(path: Path, rows: Sequence[CheckRow]) -> list[Keeping]:
    """Keep each run with its drive, which may be there from an earlier look or from the drive itself.

    What was confirmed by a person and told while it was driven stays as it is. Raises LogError when the log is being
    recorded to, has no such drive, or can't be written.
    """
    with writing_at_rest(path, "what came of the field check can't be kept") as db:
        return [_keep(db, path, row) for row in rows]


def _keep(db: sqlite3.Connection, path: Path, row: CheckRow) -> Keeping:
    if db.execute("SELECT 1 FROM drive WHERE id = ? AND going = 0", (row.drive,)).fetchone() is None:
        raise LogError(f"{path}: there is no drive {row.drive} to keep a field check with")
    found = db.execute("SELECT * FROM field_check WHERE drive = ? AND t_ms = ?", (row.drive, row.t_ms)).fetchone()
    before = None if found is None else CheckRow(*found)
    if before is not None and (before.end_ms, before.title, before.confirmed_by, before.results) == (
        row.end_ms,
        row.title,
        row.confirmed_by,
        row.results,
    ):
        return Keeping.SAME
    if before is not None and before.confirmed_by:
        return Keeping.DRIVEN
    db.execute(
        "INSERT OR REPLACE INTO field_check VALUES (?,?,?,?,?,?,?)",
        (row.drive, row.t_ms, row.end_ms, row.title, row.confirmed_by, row.software, row.results),
    )
    return Keeping.NEW if before is None else Keeping.INSTEAD
