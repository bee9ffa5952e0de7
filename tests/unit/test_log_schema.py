"""The log's schema: made once, brought up to date step by step, readable with the bare shell."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
import sqlite_utils

from support.log_drives import config, counts, records
from uphaul.errors import LogError
from uphaul.log import Log, LogWriter, schema


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "vehicle.db"


def write_one(path: Path) -> None:
    writer = LogWriter(path)
    writer.begin_drive(config(), boot_id="b", began_boot_ms=0)
    for record in records(counts(100)):
        writer.tick(record)
    writer.end_drive("engine off")
    assert writer.close(30.0)


def test_the_file_says_whose_it_is_and_keeps_its_promises(path: Path) -> None:
    db = schema.connect(path)
    assert schema.migrate(db, path) == list(range(1, schema.SCHEMA_VERSION + 1))
    pragmas = {
        name: db.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("application_id", "user_version", "journal_mode", "synchronous", "auto_vacuum", "secure_delete")
    }
    db.close()
    # synchronous 2 is FULL, auto_vacuum 2 is INCREMENTAL. Source: sqlite.org/pragma.html
    assert pragmas == {
        "application_id": int.from_bytes(b"Uphl", "big"),
        "user_version": schema.SCHEMA_VERSION,
        "journal_mode": "wal",
        "synchronous": 2,
        "auto_vacuum": 2,
        "secure_delete": 0,
    }


def test_opening_again_changes_nothing(path: Path) -> None:
    write_one(path)
    before = path.read_bytes()
    db = schema.connect(path)
    assert schema.migrate(db, path) == []
    db.close()
    assert path.read_bytes() == before


def test_every_step_from_an_earlier_version_runs_once_and_in_order(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_one(path)
    at = schema.SCHEMA_VERSION
    steps = [
        lambda db: db.execute("CREATE TABLE later (minute INTEGER)"),
        lambda db: db.execute("ALTER TABLE later ADD COLUMN sha256 TEXT"),
    ]
    monkeypatch.setattr(schema, "MIGRATIONS", [*schema.MIGRATIONS, *steps])
    monkeypatch.setattr(schema, "SCHEMA_VERSION", at + 2)
    db = schema.connect(path)
    assert schema.migrate(db, path) == [at + 1, at + 2]
    db.close()
    with Log.open(path) as log:
        assert log.drives()[0].ticks == 100
    assert [c.name for c in sqlite_utils.Database(path)["later"].columns] == ["minute", "sha256"]


def test_a_step_that_fails_leaves_the_earlier_version_whole(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_one(path)

    def half(db: sqlite3.Connection) -> None:
        db.execute("CREATE TABLE half (x)")
        raise sqlite3.OperationalError("the power went")

    monkeypatch.setattr(schema, "MIGRATIONS", [*schema.MIGRATIONS, half])
    monkeypatch.setattr(schema, "SCHEMA_VERSION", schema.SCHEMA_VERSION + 1)
    db = schema.connect(path)
    with pytest.raises(sqlite3.OperationalError):
        schema.migrate(db, path)
    version = db.execute("PRAGMA user_version").fetchone()[0]
    db.close()
    assert version == schema.SCHEMA_VERSION - 1
    assert "half" not in sqlite_utils.Database(path).table_names()


def test_there_is_a_step_for_every_version() -> None:
    assert len(schema.MIGRATIONS) == schema.SCHEMA_VERSION


@pytest.mark.parametrize("open_it", [Log.open, LogWriter])
def test_a_newer_version_is_named_with_both_numbers(path: Path, open_it: type) -> None:
    write_one(path)
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA user_version = {schema.SCHEMA_VERSION + 6}")
    db.close()
    with pytest.raises(LogError) as error:
        open_it(path)
    assert str(path) in str(error.value)
    assert f"schema version {schema.SCHEMA_VERSION + 6}" in str(error.value)
    assert f"versions up to {schema.SCHEMA_VERSION}" in str(error.value)


def test_an_older_version_asks_for_the_daemon(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_one(path)
    monkeypatch.setattr(schema, "READABLE_FROM", schema.SCHEMA_VERSION + 1)
    with pytest.raises(LogError, match="older than"):
        Log.open(path)


def test_another_reader_sees_the_same_values_in_the_view(path: Path) -> None:
    write_one(path)
    rows = list(sqlite_utils.Database(path).query("SELECT * FROM drive_1 ORDER BY t_s"))
    with Log.open(path) as log:
        (block,) = log.blocks(1)
    assert [row["t_s"] for row in rows] == (block.t_ms / 1000.0).tolist()
    assert {row["tune"] for row in rows} == {"tow"}
    assert [[row[s.name] for s in block.signals] for row in rows] == block.values.tolist()


def test_a_log_of_version_1_is_read_as_it_is_and_brought_up_to_date_by_the_writer(path: Path) -> None:
    write_one(path)
    db = sqlite3.connect(path)
    db.execute("ALTER TABLE drive DROP COLUMN carried")  # all that version 2 has more
    db.execute("DROP TABLE reference")  # and version 3
    db.execute("DROP TABLE field_check")  # and version 4
    db.execute("PRAGMA user_version = 1")
    db.commit()
    db.close()
    with Log.open(path) as log:
        assert log.drives()[0].ticks == 100
        assert log.reference() is None
    writer = LogWriter(path)
    assert writer.carried == ""
    assert writer.close(10.0)
    with Log.open(path) as log:
        assert log.drives()[0].ticks == 100
    assert "carried" in [c.name for c in sqlite_utils.Database(path)["drive"].columns]
