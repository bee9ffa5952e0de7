"""``uphaul drives LOG --reference N``: marks a drive, and says why not."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from support.handed import log_of_two, small
from uphaul.cli import main
from uphaul.log import Log, LogWriter


def run(*args: object) -> Result:
    return CliRunner().invoke(main, ["drives", *map(str, args)])


def marked(log: Path) -> tuple[int | None, list[bool]]:
    with Log.open(log) as file:
        found = file.reference()
        return None if found is None else found.drive, [d.kept for d in file.drives()]


def test_a_sound_drive_becomes_the_reference_and_stays_kept_when_another_does(tmp_path: Path) -> None:
    log = log_of_two(tmp_path / "trip.db", config=small())
    told = run(log, "--reference", 2)
    assert told.exit_code == 0
    assert told.output == "Drive 2 is the reference from now on, and is kept for good.\n"
    assert marked(log) == (2, [False, True])
    assert "reference, kept" in run(log).output
    told = run(log, "--reference", 1, "--json")  # its check has steps that are not done: they may be in another drive
    assert json.loads(told.output) == {"file": str(log), "reference": 1, "before": 2, "although": []}
    assert marked(log) == (1, [True, True])


def test_a_drive_whose_check_failed_past_a_rating_is_refused_with_both_reasons(tmp_path: Path) -> None:
    log = log_of_two(tmp_path / "hot.db", egt_degc=900.0, pulls=2, config=small())
    told = run(log, "--reference", 2)
    assert told.exit_code == 2
    assert "drive 2 was not made the reference" in told.output
    assert "its field check is not passed: Loaded pull, tow (failed)" in told.output
    assert "a part was used past its rating" in told.output
    assert marked(log) == (None, [False, False])
    told = run(log, "--reference", 2, "--anyway")
    assert told.exit_code == 0
    assert "Although its field check is not passed: Loaded pull, tow (failed)." in told.output
    assert marked(log) == (2, [False, True])


@pytest.mark.parametrize(
    ("args", "why"),
    [
        (("--reference", 7), "there is no drive 7"),
        (("--reference", 1, "--headroom"), "one at a time"),
        (("--anyway",), "--anyway is of --reference"),
    ],
)
def test_what_cannot_be_is_named(tmp_path: Path, args: tuple[object, ...], why: str) -> None:
    log = log_of_two(tmp_path / "trip.db", config=small())
    told = run(log, *args)
    assert told.exit_code == 2
    assert why in told.output


def test_a_log_that_is_being_recorded_is_not_marked(tmp_path: Path) -> None:
    log = log_of_two(tmp_path / "trip.db", config=small())
    writer = LogWriter(log)
    try:
        told = run(log, "--reference", 1)
    finally:
        assert writer.close(10)
    assert told.exit_code == 2
    assert "another daemon" in told.output
    assert marked(log) == (None, [False, False])
