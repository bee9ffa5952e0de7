"""Retention: which drive goes, in what pieces, and that the file really shrinks."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from pathlib import Path

import pytest

from support.log_drives import config, counts, records
from uphaul.alerts import Condition
from uphaul.log import Log, LogWriter, TickRecord, schema
from uphaul.log.retention import PAGES_A_STEP, ROWS_A_STEP, Retention

PLENTY = 10**12


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "vehicle.db"


def write(path: Path, drives: int, *, ticks: int = 6000, alerts: Sequence[int] = (), kept: Sequence[int] = ()) -> None:
    writer = LogWriter(path, buffer_s=1e6)
    for drive in range(1, drives + 1):
        writer.begin_drive(config(text=f"drive {drive}"), boot_id="b", began_boot_ms=0, rules=("hot",))
        for record in records(counts(ticks)):
            writer.tick(record)
        if drive in alerts:
            raised = Condition(ticks * 50, 0, True, 1.0, 0.0, 0)
            writer.tick(TickRecord(ticks * 50, 0, [0] * 16, conditions=(raised,)))
        writer.keep(drive, drive in kept)
        writer.end_drive("engine off")
    assert writer.close(60.0)
    assert writer.failure is None


def drives(path: Path) -> list[int]:
    with Log.open(path) as log:
        return [d.id for d in log.drives()]


def open_db(path: Path) -> sqlite3.Connection:
    db = schema.connect(path)
    schema.migrate(db, path)
    return db


def run(db: sqlite3.Connection, retention: Retention, current: int | None = None) -> str:
    """Step until nothing more is due; the last note."""
    for _ in range(500):
        step = retention.step(db, current)
        if not step.more:
            return step.note
    raise AssertionError("retention never comes to rest")


def test_oldest_first_but_those_with_alerts_last_and_never_a_kept_or_the_current_one(path: Path) -> None:
    write(path, 6, ticks=2000, alerts=[1, 4], kept=[2])
    db = open_db(path)
    gone: list[int] = []
    free = [0]
    retention = Retention(path, floor_bytes=1, max_bytes=PLENTY, free_bytes=lambda _: free[0])
    here = list(range(1, 7))
    for _ in range(200):
        step = retention.step(db, 6)
        left = [n for (n,) in db.execute("SELECT id FROM drive WHERE going = 0 ORDER BY id")]
        gone += [n for n in here if n not in left]
        here = left
        db.execute("VACUUM")  # free pages are gone at once, so every step asks for the next drive
        if step.note:
            break
    db.close()
    assert gone == [3, 5, 1, 4]
    assert "no drive may go" in step.note
    assert drives(path) == [2, 6]


def test_nothing_goes_while_all_bounds_hold(path: Path) -> None:
    write(path, 3, ticks=200)
    db = open_db(path)
    assert run(db, Retention(path, floor_bytes=1, max_bytes=PLENTY, free_bytes=lambda _: PLENTY)) == ""
    db.close()
    assert drives(path) == [1, 2, 3]


def test_the_size_limit_is_met_and_the_file_really_shrinks(path: Path) -> None:
    write(path, 4)
    before = path.stat().st_size
    limit = before * 6 // 10
    db = open_db(path)
    assert run(db, Retention(path, floor_bytes=0, max_bytes=limit, free_bytes=lambda _: PLENTY)) == ""
    db.close()
    assert path.stat().st_size <= limit
    assert drives(path) == [3, 4]
    check = sqlite3.connect(path)
    assert check.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    leftover = {t: check.execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in ("config", "segment", "signal")}
    names = {n for (n,) in check.execute("SELECT name FROM sqlite_master WHERE type IN ('table', 'view')")}
    check.close()
    assert leftover == {"config": 2, "segment": 2, "signal": 32}
    assert not names & {"ticks_1", "ticks_2", "drive_1", "drive_2"}


def test_a_step_is_a_bounded_piece_of_work(path: Path) -> None:
    write(path, 2, ticks=3 * ROWS_A_STEP)
    db = open_db(path)
    free = [0]
    retention = Retention(path, floor_bytes=10**9, max_bytes=PLENTY, free_bytes=lambda _: free[0])

    def state() -> tuple[int, int]:
        ticks = sum(
            db.execute(f"SELECT count(*) FROM {t}").fetchone()[0]
            for (t,) in db.execute("SELECT name FROM sqlite_master WHERE name GLOB 'ticks_*'").fetchall()
        )
        return ticks, db.execute("PRAGMA page_count").fetchone()[0]

    before = state()
    pieces = []
    while retention.step(db, 2).more:
        now = state()
        pieces.append((before[0] - now[0], before[1] - now[1]))
        before = now
    db.close()
    assert max(rows for rows, _ in pieces) <= ROWS_A_STEP
    # one more than asked for: the last page may be one of the file's own map, which goes with it
    assert max(pages for _, pages in pieces) <= PAGES_A_STEP + 1
    assert sum(rows for rows, _ in pieces) == 3 * ROWS_A_STEP


def test_a_drive_half_gone_is_hidden_and_goes_on_going_after_a_restart(path: Path) -> None:
    write(path, 2, ticks=3 * ROWS_A_STEP)
    db = open_db(path)
    retention = Retention(path, floor_bytes=10**9, max_bytes=PLENTY, free_bytes=lambda _: 0)
    retention.step(db, 2)
    retention.step(db, 2)
    db.close()
    assert drives(path) == [2]
    db = open_db(path)
    run(db, Retention(path, floor_bytes=0, max_bytes=PLENTY, free_bytes=lambda _: PLENTY))
    assert db.execute("SELECT id FROM drive").fetchall() == [(2,)]
    db.close()


def test_numbers_of_drives_that_went_are_not_given_again(path: Path) -> None:
    write(path, 2, ticks=100)
    db = open_db(path)
    retention = Retention(path, floor_bytes=10**15, max_bytes=PLENTY, free_bytes=lambda _: 0)
    assert "no drive may go" in run(db, retention)
    db.close()
    assert drives(path) == []
    writer = LogWriter(path)
    assert writer.begin_drive(config(), boot_id="b", began_boot_ms=0) == 3
    assert writer.close(30.0)


def test_a_keep_can_be_taken_back(path: Path) -> None:
    write(path, 1, ticks=10, kept=[1])
    writer = LogWriter(path)
    writer.keep(1, False)
    assert writer.close(30.0)
    with Log.open(path) as log:
        assert log.drives()[0].kept is False
