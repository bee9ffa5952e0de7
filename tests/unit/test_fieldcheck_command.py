"""``uphaul fieldcheck``: the steps to read out, and what came of them, against the engine's own answers."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from support.driven_check import Rig
from support.handed import FIELDCHECK, log_of_two, small
from uphaul.cli import main
from uphaul.config import load
from uphaul.errors import LogError
from uphaul.log import Log, LogWriter
from uphaul.log.checks import Keeping, keep_checks

CONFIG = Path(__file__).parents[2] / "config"


def run(*args: object) -> Result:
    return CliRunner().invoke(main, ["fieldcheck", *map(str, args)])


def test_every_caution_and_step_is_there_to_be_read_out() -> None:
    told = run("--config", CONFIG, "--sheet")
    check = load(CONFIG).field_check
    assert check is not None
    assert told.exit_code == 0
    places = [told.output.index(words) for words in (*check.cautions, *(s.do for s in check.steps))]
    assert places == sorted(places)


def test_a_folder_without_a_check_is_named(tmp_path: Path) -> None:
    for name in ("signals.toml", "rules.toml", "vehicle.toml", "vehicle.dbc"):
        (tmp_path / name).write_text((CONFIG / name).read_text(encoding="utf-8"), encoding="utf-8")
    told = run("--config", tmp_path, "--sheet")
    assert told.exit_code == 2
    assert "fieldcheck.toml" in told.output


@pytest.mark.parametrize(
    ("args", "why"),
    [
        ((), "a LOG, or --config DIR"),
        (("--config", CONFIG, "--keep"), "--keep and --drive are of a LOG"),
        (("LOG", "--sheet"), "leave out the LOG"),
        (("LOG", "--by", "T. Echnician (invented)"), "leave out the LOG"),
    ],
)
def test_what_does_not_go_together_is_an_error(tmp_path: Path, args: tuple[object, ...], why: str) -> None:
    (tmp_path / "a.db").touch()
    told = run(*(tmp_path / "a.db" if a == "LOG" else a for a in args))
    assert told.exit_code == 2
    assert why in told.output


def test_what_came_of_it_is_kept_once_and_made_anew_by_another_check(tmp_path: Path) -> None:
    log = log_of_two(tmp_path / "trip.db", config=small())
    asked = (log, "--drive", 1, "--drive", 2, "--keep")
    told = run(*asked)
    assert "Drive 1: what came of the check is kept.\nDrive 2: what came of the check is kept." in told.output
    with Log.open(log) as file:
        rows = [row for n in (1, 2) for row in file.field_checks(n)]
    runs = json.loads(run(log, "--drive", 1, "--drive", 2, "--json").output)["runs"]
    assert [(r.drive, r.title, [r.t_ms, r.end_ms], r.confirmed_by, json.loads(r.results)["results"]) for r in rows] == [
        (r["drive"], "small check", r["t_ms"], "", r["results"]) for r in runs
    ]
    again = json.loads(run(*asked, "--json").output)
    assert [k["words"] for k in again["kept"]] == ["is kept already"] * 2
    folder = tmp_path / "stricter"
    folder.mkdir()
    for name in ("signals.toml", "rules.toml", "vehicle.toml", "vehicle.dbc"):
        (folder / name).write_text((CONFIG / name).read_text(encoding="utf-8"), encoding="utf-8")
    (folder / "fieldcheck.toml").write_text(FIELDCHECK.replace("low = 700", "low = 800"), encoding="utf-8")
    told = run(log, "--config", folder, "--drive", 1, "--keep")
    assert "kept in the place of an earlier look" in told.output
    with Log.open(log) as file:
        (row,) = file.field_checks(1)
    assert json.loads(row.results)["results"][0]["verdict"] == "failed"


def test_what_was_confirmed_and_driven_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    rig = Rig(path)
    rig.run(0, 0.5)
    rig.begin()
    rig.run(0.5, 8)
    rig.end()
    with Log.open(path) as log:
        (driven,) = log.field_checks(1)
    looked = replace(driven, results='{"version":1,"results":[]}')
    other = replace(looked, t_ms=600, confirmed_by="")
    assert keep_checks(path, [driven, looked, other]) == [Keeping.SAME, Keeping.DRIVEN, Keeping.NEW]
    with Log.open(path) as log:
        assert log.field_checks(1) == [driven, other]
    with pytest.raises(LogError, match="there is no drive 7"):
        keep_checks(path, [other, replace(other, drive=7, t_ms=700)])
    with Log.open(path) as log:
        assert log.field_checks(1) == [driven, other]  # all or nothing


def test_nothing_is_kept_in_a_log_that_a_daemon_records_to(tmp_path: Path) -> None:
    log = log_of_two(tmp_path / "trip.db", config=small())
    writer = LogWriter(log)
    try:
        told = run(log, "--keep")
        assert told.exit_code == 2
        assert "another daemon" in told.output
    finally:
        assert writer.close(10)


def test_what_came_of_the_steps_is_what_the_handover_tells(tmp_path: Path) -> None:
    log = log_of_two(tmp_path / "trip to the hill.db", config=small())
    asked = (log, "--drive", 1, "--drive", 2)
    told = run(*asked, "--json")
    handover = CliRunner().invoke(main, ["handover", *map(str, asked), "--json", "--no-mark"])
    assert told.exit_code == handover.exit_code == 0
    assert json.loads(told.output)["checks"] == json.loads(handover.output)["checks"]
    words = run(*asked).output
    assert "Loaded pull, tow: passed\n    highest EGT" in words
    assert "at most 720" in words
    assert "Nobody confirmed the cautions" in words
    assert words.rstrip().endswith("passed; 2 not needed: " + words.rstrip().rpartition("not needed: ")[2])


def test_a_failed_step_is_told_and_the_exit_status_says_so(tmp_path: Path) -> None:
    log = log_of_two(tmp_path / "hot.db", egt_degc=760.0, config=small())
    told = run(log)  # the last drive
    assert told.exit_code == 1
    assert "Loaded pull, tow: failed" in told.output
    assert "outside" in told.output


def test_a_check_in_other_units_than_the_logs_is_refused(tmp_path: Path) -> None:
    log = log_of_two(tmp_path / "trip.db", config=small())
    folder = tmp_path / "psi"
    folder.mkdir()
    for name in ("signals.toml", "rules.toml", "vehicle.toml", "fieldcheck.toml", "vehicle.dbc"):
        (folder / name).write_text((CONFIG / name).read_text(encoding="utf-8"), encoding="utf-8")
    signals = (folder / "signals.toml").read_text(encoding="utf-8")
    before = signals.index("[signal.egt]")
    changed = signals[:before] + signals[before:].replace('unit = "degC"', 'unit = "degF"', 1)
    (folder / "signals.toml").write_text(changed, encoding="utf-8")
    (folder / "fieldcheck.toml").write_text(FIELDCHECK, encoding="utf-8")
    told = run(log, "--drive", 2, "--config", folder)
    assert told.exit_code == 2
    assert "egt is in degF there and in degC" in told.output
