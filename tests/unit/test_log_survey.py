"""What the log tells of itself: size, hours, how long its room lasts, and which drive another boot broke off."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from support.faulty_card import Card
from support.log_drives import config, counts, records
from uphaul.config.spec import LogSpec
from uphaul.log import LogWriter, TickRecord
from uphaul.log.survey import Survey

HOUR_MS = 3_600_000
PLENTY = 10**12


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "vehicle.db"


def tick_at(t_ms: int) -> TickRecord:
    return TickRecord(t_ms, 0, [0] * 16)


def drive(writer: LogWriter, last_ms: int, *, boot: str = "b", continues: int | None = None, end: bool = True) -> int:
    """A drive of two ticks, the last at that time."""
    wall = "2026-05-01T14:03:00.000+00:00"
    number = writer.begin_drive(config(), boot_id=boot, began_boot_ms=0, continues=continues, wall=wall)
    writer.tick(tick_at(0))
    writer.tick(tick_at(last_ms))
    if end:
        writer.end_drive("engine off")
    return number


def surveyed(path: Path, *, limits: LogSpec | None = None, free: int = PLENTY) -> Survey:
    """What a writer that begins another drive on the log finds."""
    writer = LogWriter(path, limits=limits, free_bytes=lambda _: free)
    writer.begin_drive(config(), boot_id="b", began_boot_ms=0)
    writer.tick(tick_at(0))
    assert writer.flush(10.0)
    assert writer.flush(10.0)  # the attempt after the one that began the drive looks anew
    found = writer.health.survey
    assert writer.close(10.0)
    assert found is not None
    return found


def test_hours_are_those_of_every_drive_the_present_one_included(path: Path) -> None:
    writer = LogWriter(path)
    drive(writer, 2 * HOUR_MS)
    drive(writer, HOUR_MS // 2)
    drive(writer, HOUR_MS // 4, end=False)
    assert writer.flush(10.0)
    assert writer.flush(10.0)
    found = writer.health.survey
    assert writer.close(10.0)
    assert found is not None
    assert found.hours == 2.75


def test_the_size_is_that_of_the_file(path: Path) -> None:
    writer = LogWriter(path, buffer_s=1e6)
    writer.begin_drive(config(), boot_id="b", began_boot_ms=0)
    for record in records(counts(2000)):
        writer.tick(record)
    writer.end_drive("engine off")
    assert writer.close(30.0)
    size = path.stat().st_size / 1e6
    found = surveyed(path)
    # what another drive adds: its tables and a page or two of ticks, beside what was there
    assert size <= found.size_mb < size + 0.2
    assert found.used_mb <= found.size_mb


@pytest.mark.parametrize(
    ("limits", "free", "by_card"),
    [(LogSpec(free_mb=100, max_mb=1000), 130_000_000, True), (LogSpec(free_mb=100, max_mb=50), PLENTY, False)],
)
def test_what_is_left_is_up_to_the_narrower_bound(path: Path, limits: LogSpec, free: int, by_card: bool) -> None:
    writer = LogWriter(path)
    first = drive(writer, HOUR_MS)
    assert writer.close(10.0)
    found = surveyed(path, limits=limits, free=free)
    # by hand: 130 MB free of which 100 MB stay free; 50 MB less the reserve, which is a tenth of them
    assert found.left_mb == pytest.approx(30.0 if by_card else 45.0, abs=1.0)
    assert (found.by_card, found.next_to_go, found.next_begun) == (by_card, first, "2026-05-01T14:03:00.000+00:00")


def test_a_kept_drive_and_the_present_one_are_not_told_as_the_next_to_go(path: Path) -> None:
    writer = LogWriter(path)
    writer.keep(drive(writer, HOUR_MS), True)
    assert writer.close(10.0)
    assert surveyed(path).next_to_go is None


def test_a_card_that_stalls_holds_up_nobody_who_asks(path: Path) -> None:
    card = Card()
    writer = LogWriter(path, connect=card.connect)
    drive(writer, HOUR_MS, end=False)
    assert writer.flush(10.0)
    assert writer.flush(10.0)
    card.gate.clear()
    writer.tick(tick_at(HOUR_MS + 50))
    assert card.stalled.wait(10.0)
    found = writer.health.survey  # answered while the writer's thread waits on the card
    card.gate.set()
    assert writer.close(10.0)
    assert found is not None
    assert found.hours == 1.0


def test_a_drive_that_another_boot_broke_off_is_found_and_one_that_was_ended_is_not(path: Path) -> None:
    writer = LogWriter(path)
    drive(writer, HOUR_MS, boot="monday")
    cut = drive(writer, HOUR_MS // 2, boot="monday", end=False)
    assert writer.close(10.0)
    writer = LogWriter(path)
    assert writer.open_drive is not None
    assert (writer.open_drive.drive, writer.open_drive.boot_id) == (cut, "monday")
    assert writer.broken_off is None  # not yet: nothing goes on with it
    drive(writer, HOUR_MS, boot="tuesday", continues=cut)
    assert writer.close(10.0)
    writer = LogWriter(path)
    found = writer.broken_off
    assert writer.close(10.0)
    assert found is not None
    assert (found.drive, found.last_t_ms, found.begun) == (cut, HOUR_MS // 2, "2026-05-01T14:03:00.000+00:00")


def test_a_restart_of_the_daemon_alone_is_no_power_cut(path: Path) -> None:
    writer = LogWriter(path)
    left = drive(writer, HOUR_MS, boot="monday", end=False)
    assert writer.close(10.0)
    writer = LogWriter(path)
    drive(writer, HOUR_MS, boot="monday", continues=left)
    assert writer.close(10.0)
    writer = LogWriter(path)
    found = writer.broken_off
    assert writer.close(10.0)
    assert found is None
    with sqlite3.connect(path) as db:
        assert db.execute("SELECT end_reason FROM drive WHERE id = ?", (left,)).fetchall() == [("interrupted",)]
    db.close()
