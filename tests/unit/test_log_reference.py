"""The reference drive of a log: named once, kept from then on, and never in a log that somebody records to."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner

from support.log_drives import config, counts, records
from uphaul.cli import main
from uphaul.errors import LogError
from uphaul.log import Log, LogWriter
from uphaul.log.info import Reference
from uphaul.log.reference import mark_reference

UTC = "2026-01-01T08:00:00Z"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A log with two drives."""
    path = tmp_path / "vehicle.db"
    writer = LogWriter(path)
    for _ in range(2):
        writer.begin_drive(config(), boot_id="b", began_boot_ms=0)
        for record in records(counts(100)):
            writer.tick(record)
        writer.end_drive("engine off")
    assert writer.close(30.0)
    return path


def test_the_last_one_that_was_named_counts_and_all_are_kept(path: Path) -> None:
    with Log.open(path) as log:
        assert log.reference() is None
    mark_reference(path, 1, actor="a", utc=UTC)
    mark_reference(path, 2, actor="b", utc=UTC)
    with Log.open(path) as log:
        assert log.reference() == Reference(2, UTC, "b")
        assert [d.kept for d in log.drives()] == [True, True]
    assert list(path.parent.iterdir()) == [path]  # nothing is left lying about


def test_drives_beside_it_are_kept_too(path: Path) -> None:
    mark_reference(path, 2, actor="a", utc=UTC, beside=[1, 2])
    with Log.open(path) as log:
        assert [d.kept for d in log.drives()] == [True, True]
        assert log.reference() == Reference(2, UTC, "a")


def test_a_reference_that_was_taken_away_is_none(path: Path) -> None:
    mark_reference(path, 2, actor="a", utc=UTC)
    db = sqlite3.connect(path)
    db.execute("DELETE FROM drive WHERE id = 2")
    db.commit()
    db.close()
    with Log.open(path) as log:
        assert log.reference() is None


def test_no_drive_of_that_number_changes_nothing(path: Path) -> None:
    before = path.read_bytes()
    with pytest.raises(LogError, match="there is no drive 7"):
        mark_reference(path, 7, actor="a", utc=UTC)
    assert path.read_bytes() == before


def test_a_log_that_is_being_recorded_to_is_left_alone(path: Path) -> None:
    writer = LogWriter(path)
    try:
        with pytest.raises(LogError, match="another daemon"):
            mark_reference(path, 1, actor="a", utc=UTC)
    finally:
        assert writer.close(10.0)
    with Log.open(path) as log:
        assert log.reference() is None


def test_a_file_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="can't be made the reference"):
        mark_reference(tmp_path / "none.db", 1, actor="a", utc=UTC)
    assert not (tmp_path / "none.db").exists()


def test_the_list_of_drives_tells_it(path: Path) -> None:
    mark_reference(path, 2, actor="a", utc=UTC)
    lines = CliRunner().invoke(main, ["drives", str(path)]).output.splitlines()
    assert "reference, kept" in lines[2]
    assert "reference" not in lines[1]
