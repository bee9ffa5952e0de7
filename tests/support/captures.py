"""CAN captures of the invented vehicle, written by python-can's own writers, for tests of import and its figures."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing
from pathlib import Path

import can

from uphaul.config.scenario import load_scenario
from uphaul.sources.demo_can import schedule

__all__ = ["BEGUN_S", "FORMATS", "driven", "write"]

BEGUN_S = 1_760_000_000.0
"""When the invented drives began, in s since 1970."""

FORMATS = ("asc", "blf", "csv", "db", "log", "trc")
"""All that python-can writes without a further library."""


def driven(seconds: float, *, scenario: str = "climb-heat", channel: int | None = 0) -> Iterator[can.Message]:
    """Every frame of the invented vehicle's drive."""
    for t_s, message, data in schedule(load_scenario(scenario), seconds=seconds):
        yield can.Message(
            timestamp=BEGUN_S + t_s,
            arbitration_id=message.identifier,
            is_extended_id=message.extended,
            data=data,
            channel=channel,
        )


def write(path: Path, frames: Iterable[can.Message]) -> Path:
    """The frames as a capture in the format of the file's ending."""
    if path.suffix == ".db":
        _write_sqlite(path, frames)
        return path
    with can.Logger(str(path)) as writer:
        for frame in frames:
            writer(frame)
    return path


def _write_sqlite(path: Path, frames: Iterable[can.Message]) -> None:
    """As python-can's SqliteWriter would, which loses frames that come in a burst."""
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(
            "CREATE TABLE messages (ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER, error INTEGER, "
            "dlc INTEGER, data BLOB)"
        )
        db.executemany(
            "INSERT INTO messages VALUES (?,?,?,?,?,?,?)",
            (
                (
                    f.timestamp,
                    f.arbitration_id,
                    f.is_extended_id,
                    f.is_remote_frame,
                    f.is_error_frame,
                    f.dlc,
                    bytes(f.data),
                )
                for f in frames
            ),
        )
