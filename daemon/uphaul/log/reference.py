"""Makes a drive of a log at rest the one that others are compared with, and keeps it from being taken away."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from uphaul.errors import LogError
from uphaul.log.at_rest import writing_at_rest

__all__ = ["mark_reference"]


def mark_reference(path: Path, drive: int, *, actor: str, utc: str, beside: Sequence[int] = ()) -> None:
    """Make the drive the reference, by whom and when (RFC 3339), and keep those `beside` it too.

    An earlier reference stays kept.

    Raises LogError when the log is being recorded to, has no such drive, or can't be written.
    """
    with writing_at_rest(path, f"drive {drive} can't be made the reference") as db:
        if db.execute("UPDATE drive SET kept = 1 WHERE id = ? AND going = 0", (drive,)).rowcount != 1:
            raise LogError(f"{path}: there is no drive {drive}, so it can't be the reference")
        db.executemany("UPDATE drive SET kept = 1 WHERE id = ?", [(other,) for other in beside])
        db.execute("INSERT INTO reference (drive, utc, actor) VALUES (?,?,?)", (drive, utc, actor))
