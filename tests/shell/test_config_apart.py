"""The configuration of a daemon is loaded in a process of its own: the same, with the same errors, and none stays."""

from __future__ import annotations

import errno
import os
import signal
from pathlib import Path
from typing import BinaryIO

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


def test_without_a_process_it_is_loaded_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> int:
        raise BlockingIOError(errno.EAGAIN, "no more processes")

    monkeypatch.setattr("os.fork", refuse)
    assert load_apart(SAMPLE)() == load(SAMPLE)


def test_a_process_that_dies_is_made_up_for(monkeypatch: pytest.MonkeyPatch) -> None:
    here = os.getpid()

    def die(config: object, pipe: BinaryIO, protocol: int) -> None:
        if os.getpid() != here:
            pipe.write(b"half of it")
            os.kill(os.getpid(), signal.SIGKILL)

    monkeypatch.setattr("pickle.dump", die)
    assert load_apart(SAMPLE)() == load(SAMPLE)


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
