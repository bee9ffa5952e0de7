"""A log that is empty, damaged or not ours: set aside or refused, and recording goes on."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

import pytest

from support.log_drives import config, counts, records
from uphaul.errors import LogError
from uphaul.log import Log, LogWriter, recover, schema


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "vehicle.db"


def write_one(path: Path, ticks: int = 5000) -> LogWriter:
    writer = LogWriter(path)
    writer.begin_drive(config(), boot_id="b", began_boot_ms=0)
    for record in records(counts(ticks)):
        writer.tick(record)
    assert writer.close(30.0)
    assert writer.failure is None
    return writer


def test_an_empty_file_is_set_aside_with_its_write_ahead_log(path: Path) -> None:
    path.touch()
    path.with_name("vehicle.db-wal").write_bytes(b"perhaps the last drive")
    writer = write_one(path)
    assert "empty" in writer.health.notices[0]
    assert path.with_name("vehicle.db.damaged-1").read_bytes() == b""
    assert path.with_name("vehicle.db.damaged-1-wal").read_bytes() == b"perhaps the last drive"
    with Log.open(path) as log:
        assert log.drives()[0].ticks == 5000


def test_a_file_that_is_no_database_is_set_aside(path: Path) -> None:
    path.write_bytes(b"\x13\x37" * 5000)
    writer = write_one(path)
    assert "vehicle.db.damaged-1" in writer.health.notices[0]
    assert path.with_name("vehicle.db.damaged-1").read_bytes() == b"\x13\x37" * 5000


@pytest.mark.parametrize("where", ["schema", "ticks", "cut"])
def test_a_damaged_log_is_set_aside_and_the_drive_goes_on_in_a_new_one(path: Path, where: str) -> None:
    write_one(path)
    whole = bytearray(path.read_bytes())
    if where == "cut":
        path.write_bytes(whole[: len(whole) // 2])
    else:
        at = 100 if where == "schema" else len(whole) // 2 // schema.PAGE_SIZE * schema.PAGE_SIZE
        whole[at : at + 2000] = os.urandom(2000)
        path.write_bytes(whole)
    writer = LogWriter(path)
    drive = writer.resume_drive(config(), 1, boot_id="b", began_boot_ms=0)
    for record in records(counts(20), first_t_ms=400_000):
        writer.tick(record)
    assert writer.close(30.0)
    (notice,) = writer.health.notices
    assert "damaged" in notice
    assert path.with_name("vehicle.db.damaged-1").exists()
    with Log.open(path) as log:
        (found,) = log.drives()
    assert (found.id, found.ticks, found.duration_s) == (drive, 20, 400.95)


def test_a_second_damaged_file_does_not_overwrite_the_first(path: Path) -> None:
    for number in (1, 2):
        path.write_bytes(b"no database, no. %d; " % number * 300)
        write_one(path)
    assert b"no. 1" in path.with_name("vehicle.db.damaged-1").read_bytes()
    assert b"no. 2" in path.with_name("vehicle.db.damaged-2").read_bytes()


def test_a_sound_file_of_another_program_is_refused_and_stays_as_it_is(path: Path) -> None:
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE recipes (name)")
    db.execute("INSERT INTO recipes VALUES ('bread')")
    db.commit()
    db.close()
    before = path.read_bytes()
    with pytest.raises(LogError, match="another program"):
        LogWriter(path)
    with pytest.raises(LogError, match="another program"):
        Log.open(path)
    assert path.read_bytes() == before
    assert [p.name for p in path.parent.iterdir()] == ["vehicle.db"]


def test_a_folder_in_the_place_of_the_log_is_refused(path: Path) -> None:
    path.mkdir()
    with pytest.raises(LogError, match="must be a file"):
        LogWriter(path)
    with pytest.raises(LogError, match="cannot be opened"):
        Log.open(path)


def test_a_file_in_the_place_of_its_folder_is_refused(path: Path) -> None:
    path.write_text("a file")
    with pytest.raises(LogError, match="not a folder"):
        LogWriter(path / "vehicle.db")


def test_a_large_file_is_checked_where_recording_touches_it(path: Path) -> None:
    write_one(path)
    db = schema.connect(path)
    (root,) = db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'ticks_1'").fetchone()
    assert recover.check(db, full_bytes=0) == ""
    db.close()
    whole = bytearray(path.read_bytes())
    whole[(root - 1) * schema.PAGE_SIZE : (root - 1) * schema.PAGE_SIZE + 12] = b"\x05" + b"\xff" * 11
    path.write_bytes(whole)
    db = schema.connect(path)
    assert recover.check(db, full_bytes=0) != ""
    db.close()


def test_a_card_that_keeps_damaging_files_is_given_up_in_the_end(path: Path) -> None:
    writer = LogWriter(path)
    recorder = writer._recorder
    assert writer.close(30.0)
    damage = sqlite3.DatabaseError("malformed")
    damage.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    for _ in range(8):
        path.touch()
        recorder._failed(damage)
    assert len(list(path.parent.glob("*.damaged-*"))) == 5
    assert "card seems to be failing" in recorder.problem
