"""``uphaul fieldcheck``: the steps to read out, and what came of them, against the engine's own answers."""

from __future__ import annotations

import json
from pathlib import Path

from click.testing import CliRunner, Result

from support.handed import FIELDCHECK, log_of_two, small
from uphaul.cli import main
from uphaul.config import load

CONFIG = Path(__file__).parents[2] / "config"


def run(*args: object) -> Result:
    return CliRunner().invoke(main, ["fieldcheck", *map(str, args)])


def test_every_caution_and_step_is_there_to_be_read_out() -> None:
    told = run("--config", CONFIG)
    check = load(CONFIG).field_check
    assert check is not None
    assert told.exit_code == 0
    places = [told.output.index(words) for words in (*check.cautions, *(s.do for s in check.steps))]
    assert places == sorted(places)


def test_a_folder_without_a_check_is_named(tmp_path: Path) -> None:
    for name in ("signals.toml", "rules.toml", "vehicle.toml", "vehicle.dbc"):
        (tmp_path / name).write_text((CONFIG / name).read_text(encoding="utf-8"), encoding="utf-8")
    told = run("--config", tmp_path)
    assert told.exit_code == 2
    assert "fieldcheck.toml" in told.output


def test_nothing_to_look_at_is_an_error() -> None:
    assert run().exit_code == 2


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
