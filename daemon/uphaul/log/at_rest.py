"""Writes to a log that no daemon records to: claimed, of the present schema, all of it or nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from uphaul.errors import LogError
from uphaul.log import claims, schema

__all__ = ["writing_at_rest"]


@contextmanager
def writing_at_rest(path: Path, what: str) -> Iterator[sqlite3.Connection]:
    """A transaction on the log, committed at the end unless something was raised; `what` is said where it fails.

    Raises LogError when the log is being recorded to or can't be written.
    """
    claims.claim(path)
    try:
        with closing(
            sqlite3.connect(f"{path.resolve().as_uri()}?mode=rw", uri=True, isolation_level=None, timeout=2.0)
        ) as db:
            schema.migrate(db, path)
            db.execute("BEGIN IMMEDIATE")
            yield db
            db.execute("COMMIT")
    except sqlite3.Error as error:
        raise LogError(f"{path}: {what} ({error})") from error
    finally:
        claims.release(path)
