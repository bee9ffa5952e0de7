"""The configuration of a daemon is loaded in a process of its own: the same, with the same errors, and none stays."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from support.bus_vehicle import write_config
from support.daemon import Daemon, command, running
from uphaul.config import load
from uphaul.config.apart import load_apart
from uphaul.errors import ConfigError

SAMPLE = Path(__file__).parents[2] / "config"
NOBODY = 'interface = "virtual"\nchannel = "nobody"'


def test_it_is_the_configuration_that_a_load_here_gives() -> None:
    assert load_apart(SAMPLE)() == load(SAMPLE)


def test_problems_are_raised_where_the_configuration_is_waited_for(tmp_path: Path) -> None:
    folder = write_config(tmp_path / "config", NOBODY, rules="[[rule]]\nname = 'x'\nkind = 'no such kind'\n")
    wait = load_apart(folder)
    with pytest.raises(ConfigError) as here:
        load(folder)
    with pytest.raises(ConfigError) as there:
        wait()
    assert str(there.value) == str(here.value)


def test_without_a_process_it_is_loaded_all_the_same(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(sys, "executable", str(tmp_path / "no such program"))
    assert load_apart(SAMPLE)() == load(SAMPLE)


def test_a_file_beside_the_daemon_is_not_taken_for_a_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "numpy.py").write_text("open('taken', 'w')\nraise SystemExit(1)\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    assert load_apart(SAMPLE)() == load(SAMPLE)
    assert not (tmp_path / "taken").exists()


def test_a_running_daemon_holds_nothing_of_what_checked_it(tmp_path: Path) -> None:
    daemon = Daemon(write_config(tmp_path / "config", NOBODY), tmp_path / "vehicle.db")
    with running(daemon):
        mapped = Path(f"/proc/{daemon.child.pid}/maps").read_text(encoding="utf-8")
        assert daemon.end()[0] == 0
    assert "_multiarray_umath" in mapped  # else this would test nothing
    assert "pydantic" not in mapped


def test_what_is_wrong_is_told_once(tmp_path: Path) -> None:
    folder = write_config(tmp_path / "config", NOBODY, rules="rule = 3\n")
    told = command("run", "--config", str(folder), "--log", str(tmp_path / "vehicle.db"), status=2)
    assert told.count("rules.toml") == 1
    assert "Traceback" not in told
