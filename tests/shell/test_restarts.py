"""The daemon ends and starts in the middle of things: signals at any time, other rules, a second one, a damaged log."""

from __future__ import annotations

import json
import shutil
import signal
import sqlite3
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.bus_vehicle import RULES, Vehicle, socketcand_hub, socketcand_source, write_config
from support.daemon import Daemon, Process, command, eventually, running
from uphaul.log import Log

END_WITHIN_S = 2.0
"""Promised in the README of systemd's units and to the owner: SIGTERM ends the daemon so soon."""

LATCHING = RULES.replace('say = "Exhaust too hot: ease off"', 'say = "Exhaust too hot: ease off"\nlatch = true')
assert LATCHING != RULES


@pytest.fixture
def bus() -> Iterator[tuple[Vehicle, str]]:
    """A vehicle on a bus, and the lines of the source that reads it."""
    hub = socketcand_hub()
    with running(hub):
        port = int(hub.wait_for("listening ").split()[1])
        yield Vehicle(hub), socketcand_source(port)


def driving(config: Path, log: Path, vehicle: Vehicle) -> Daemon:
    """A daemon whose drive has come as far as the log."""
    daemon = Daemon(config, log)
    eventually(lambda: daemon.status()["sources"][0]["state"] == "running", "the source runs")
    vehicle.drive(1.2, 1800, 500)
    return daemon


def conditions(log: Path) -> list[tuple[str, bool]]:
    with Log.open(log) as file:
        return [(c.rule, c.active) for c in file.conditions(file.drives()[-1].id)]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_while_driving_ends_the_drive(
    number: signal.Signals, bus: tuple[Vehicle, str], tmp_path: Path
) -> None:
    vehicle, source = bus
    daemon = driving(write_config(tmp_path / "config", source), tmp_path / "vehicle.db", vehicle)
    with running(daemon):
        status, took_s = daemon.end(number)
    assert (status, took_s < END_WITHIN_S) == (0, True), took_s
    with Log.open(tmp_path / "vehicle.db") as log:
        (drive,) = log.drives()
    assert (drive.ended, drive.end_reason) == (True, "daemon stopped")
    assert not (tmp_path / "vehicle.db-wal").exists()


@pytest.mark.parametrize("delay_s", [0.1, 0.25, 0.4, 0.5, 0.6, 0.7, 0.8, 1.0])
def test_a_signal_while_it_starts_ends_it_and_leaves_the_log_sound(delay_s: float, tmp_path: Path) -> None:
    config = write_config(tmp_path / "config", 'interface = "virtual"\nchannel = "nobody"')
    path = tmp_path / "vehicle.db"
    arguments = [sys.executable, "-m", "uphaul", "run", "--config", str(config), "--log", str(path)]
    daemon = Process(arguments, stream="stderr")
    with running(daemon):
        with pytest.raises(TimeoutError):
            daemon.wait_for("nothing like that", within_s=delay_s)
        status, took_s = daemon.end(signal.SIGTERM)
    # Before the interpreter has come as far as our code, the signal itself ends the process.
    assert status in (0, -signal.SIGTERM)
    assert took_s < END_WITHIN_S
    assert not any(line.startswith("Traceback") for line in daemon.said), daemon.said
    again = Daemon(config, path)
    with running(again):
        assert again.end()[0] == 0
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    db.close()
    assert list(tmp_path.glob("*.damaged-*")) == []


def test_a_signal_while_the_card_stalls_ends_it_in_time(bus: tuple[Vehicle, str], tmp_path: Path) -> None:
    vehicle, source = bus
    path = tmp_path / "vehicle.db"
    daemon = driving(write_config(tmp_path / "config", source), path, vehicle)
    with running(daemon):
        # As a card that takes nothing: nobody gets the write lock that this holds.
        holder = sqlite3.connect(path, isolation_level=None)
        eventually(lambda: holder.execute("BEGIN IMMEDIATE") is not None, "the lock")
        vehicle.drive(1.5, 1800, 500)
        assert daemon.status()["log"]["state"] == "not recording"
        assert "locked" in daemon.status()["log"]["problem"]
        status, took_s = daemon.end()
        holder.execute("ROLLBACK")
        holder.close()
    assert (status, took_s < END_WITHIN_S) == (0, True), took_s
    with Log.open(path) as log:  # what had been committed is there, and the next start closes or continues the drive
        (drive,) = log.drives()
        assert drive.ticks >= 1
        assert not drive.ended


def test_other_rules_in_the_middle_of_a_drive(bus: tuple[Vehicle, str], tmp_path: Path) -> None:
    vehicle, source = bus
    config, path = write_config(tmp_path / "config", source, hold_s=0.6, rules=LATCHING), tmp_path / "vehicle.db"
    daemon = driving(config, path, vehicle)
    with running(daemon):
        vehicle.drive(1.0, 1800, 760)
        vehicle.drive(1.8, 1800, 500)
        assert [(a["rule"], a["state"]) for a in daemon.status()["alerts"]] == [("egt-high", "latched-unacknowledged")]
        eventually(lambda: ("egt-high", False) in conditions(path), "the end of the condition is logged")
        daemon.end(signal.SIGKILL)
    write_config(config, source, hold_s=600, rules=LATCHING.replace("above = 720", "above = 650"))
    daemon = driving(config, path, vehicle)
    with running(daemon):
        shown = daemon.status()
        vehicle.drive(1.0, 1800, 700)
        vehicle.drive(1.0, 1800, 500)
        assert daemon.end()[0] == 0
    assert shown["drive"] == 1
    assert [(a["rule"], a["state"]) for a in shown["alerts"]] == [("egt-high", "latched-unacknowledged")]
    with Log.open(path) as log:
        (drive,) = log.drives()
    assert len(drive.segments) == 2
    assert [c for c in conditions(path) if c[0] == "egt-high"] == [("egt-high", True), ("egt-high", False)] * 2
    assert json.loads(command("replay", str(path), "--json"))["live"] == {"same": True, "differences": []}


def test_a_second_daemon_on_the_log_is_refused(bus: tuple[Vehicle, str], tmp_path: Path) -> None:
    vehicle, source = bus
    # the bus is silent while the second one starts, which takes its time: the drive goes on
    config, path = write_config(tmp_path / "config", source, hold_s=600), tmp_path / "vehicle.db"
    daemon = driving(config, path, vehicle)
    with running(daemon):
        told = command("run", "--config", str(config), "--log", str(path), status=2)
        vehicle.drive(1.0, 1800, 500)
        assert daemon.end()[0] == 0
    assert told.startswith(f"uphaul: {path}: another daemon (process {daemon.child.pid}) is recording to this log")
    with Log.open(path) as log:
        (drive,) = log.drives()
    assert drive.end_reason == "daemon stopped"
    assert json.loads(command("replay", str(path), "--json"))["live"] == {"same": True, "differences": []}


def damage_all(data: bytearray) -> None:
    data[:] = b"no database at all\n" * 500


def damage_content(data: bytearray) -> None:
    data[4096 * 2 :] = b"\x5a" * (len(data) - 4096 * 2)


def damage_last_pages(data: bytearray) -> None:
    data[-4096 * 6 :] = b"\x5a" * (4096 * 6)


def cut_off(data: bytearray) -> None:
    del data[len(data) // 2 :]


def empty(data: bytearray) -> None:
    data.clear()


@pytest.mark.parametrize("damage", [damage_all, damage_content, damage_last_pages, cut_off, empty])
@pytest.mark.parametrize("left", ["ended", "open"])
def test_a_damaged_log_is_set_aside_and_recording_goes_on(
    damage: object, left: str, bus: tuple[Vehicle, str], tmp_path: Path
) -> None:
    assert callable(damage)
    vehicle, source = bus
    config, path = write_config(tmp_path / "config", source, hold_s=600), tmp_path / "vehicle.db"
    daemon = driving(config, path, vehicle)
    with running(daemon):
        vehicle.drive(0.3, 1800, 500)
        daemon.end(signal.SIGKILL if left == "open" else signal.SIGTERM)
    if left == "open":  # carried over into the file, so that the damage is in what counts
        db = sqlite3.connect(path)
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        db.close()
    data = bytearray(path.read_bytes())
    damage(data)
    shutil.copy(path, tmp_path / "sound.db")
    path.write_bytes(data)
    begun = time.monotonic()
    daemon = Daemon(config, path)
    with running(daemon):
        eventually(lambda: daemon.status()["sources"][0]["state"] == "running", "the source runs")
        vehicle.drive(2.5, 1800, 500)
        shown = daemon.status()
        status, _ = daemon.end()
    assert status == 0, (daemon.said, time.monotonic() - begun)
    (aside,) = tmp_path.glob("vehicle.db.damaged-1")
    assert aside.read_bytes()[: len(data)] == bytes(data)
    log = shown["log"]
    assert (log["state"], log["problem"], log["lost_ticks"]) == ("recording", "", 0)
    assert any("set aside as vehicle.db.damaged-1" in notice for notice in shown["notices"])
    lines = [*daemon.said, *daemon.rest()]
    assert any("set aside as vehicle.db.damaged-1" in line for line in lines), lines
    assert not any("Traceback" in line for line in lines), lines
    with Log.open(path) as log:
        drive = log.drives()[-1]
        assert drive.ended
        assert drive.ticks > 20
    assert json.loads(command("replay", str(path), "--json"))["live"] == {"same": True, "differences": []}
