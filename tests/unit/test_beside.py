"""Which drive is laid beside another: the one that is named, else the reference that a handover named."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.log_drives import config, counts, records
from uphaul.cli.beside import beside
from uphaul.errors import UphaulError
from uphaul.log import LogWriter
from uphaul.log.reference import mark_reference


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A log with three drives."""
    path = tmp_path / "vehicle.db"
    writer = LogWriter(path)
    for _ in range(3):
        writer.begin_drive(config(), boot_id="b", began_boot_ms=0)
        for record in records(counts(20)):
            writer.tick(record)
        writer.end_drive("engine off")
    assert writer.close(30.0)
    return path


def test_without_a_name_it_is_the_reference_of_the_log(path: Path) -> None:
    assert beside(path, 3, None) is None
    mark_reference(path, 2, actor="a", utc="2026-01-01T08:00:00Z")
    assert beside(path, 3, None) == (path, 2)
    assert beside(path, 2, None) is None  # never beside itself
    assert beside(path, 3, "none") is None
    assert beside(path, 3, "1") == (path, 1)


def test_a_drive_is_not_laid_beside_itself(path: Path) -> None:
    with pytest.raises(UphaulError, match="is the drive itself"):
        beside(path, 3, "3")
