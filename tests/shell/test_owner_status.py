"""What the owner reads on the page of a running daemon: log, card, clock, power cuts, and what every input reads."""

from __future__ import annotations

import json
import shutil
import signal
import sqlite3
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from support.bus_vehicle import Vehicle, socketcand_hub, socketcand_source, write_config
from support.daemon import Daemon, eventually, running

CLOCK = ("set from the network", "not set since the machine started", "by the system; nobody tells")


@pytest.fixture
def bus() -> Iterator[tuple[Vehicle, str]]:
    """A vehicle on a bus, and the lines of the source that reads it."""
    hub = socketcand_hub()
    with running(hub):
        port = int(hub.wait_for("listening ").split()[1])
        yield Vehicle(hub), socketcand_source(port)


def drive(daemon: Daemon, vehicle: Vehicle) -> None:
    """Drive until a tick of it is in the log."""
    eventually(lambda: daemon.status()["sources"][0]["state"] == "running", "the source runs")

    def logged() -> bool:
        vehicle.drive(0.2, 1800, 500)
        return bool(daemon.status()["log"]["hours"])

    eventually(logged, "the log has a drive")


def test_log_card_clock_and_power_cuts(bus: tuple[Vehicle, str], tmp_path: Path) -> None:
    vehicle, source = bus
    config, path = write_config(tmp_path / "config", source), tmp_path / "vehicle.db"
    daemon = Daemon(config, path)
    with running(daemon):
        drive(daemon, vehicle)
        shown = daemon.status()
        free_mb = shutil.disk_usage(tmp_path).free / 1e6
        daemon.end(signal.SIGKILL)
    assert shown["log"]["free_mb"] == pytest.approx(free_mb, rel=0.1)  # others write to the disk too
    assert 0 < shown["log"]["size_mb"] < 1
    assert 0 < shown["log"]["hours"] < 60 / 3600
    assert shown["clock"].startswith(CLOCK)
    assert shown["power_cut"] == "none in this log"
    assert shown["notices"] == []

    with sqlite3.connect(path) as db:  # what a power cut leaves: a drive without an end, of another boot
        db.execute("UPDATE drive SET boot_id = 'the boot before'")
    db.close()
    for _ in range(2):  # before and after another drive goes on with it
        daemon = Daemon(config, path)
        with running(daemon):
            said = daemon.status()["power_cut"]
            eventually(lambda d=daemon: d.status()["log"]["hours"] is not None, "the log was surveyed")
            vehicle.drive(2.0, 1800, 500)
            assert daemon.end()[0] == 0
        assert said.startswith("drive 1 of 2")
        assert " UTC was cut off after " in said


def test_a_log_that_is_nearly_full_is_told_before_it_is(bus: tuple[Vehicle, str], tmp_path: Path) -> None:
    vehicle, source = bus
    config = write_config(tmp_path / "config", source)
    text = (config / "daemon.toml").read_text(encoding="utf-8")
    (config / "daemon.toml").write_text(text.replace("free_mb = 10", "free_mb = 10\nmax_mb = 20"), encoding="utf-8")
    daemon = Daemon(config, tmp_path / "vehicle.db")
    with running(daemon):
        drive(daemon, vehicle)
        (said,) = daemon.status()["notices"]
    # by hand: 20 MB less the reserve of a tenth, at 16 MB in three hours
    assert said == (
        "The log takes 0 of the 20 MB that it may. In about 3 h of driving recording stops, for no drive may go"
    )


def test_every_input_is_told_while_somebody_asks(bus: tuple[Vehicle, str], tmp_path: Path) -> None:
    vehicle, source = bus
    daemon = Daemon(write_config(tmp_path / "config", source), tmp_path / "vehicle.db")

    def inputs() -> dict[str, dict[str, Any]]:
        vehicle.drive(0.1, 1800, 650)
        with urllib.request.urlopen(daemon.url + "inputs.json", timeout=10) as answer:
            return {row["signal"]: row for row in json.load(answer)["inputs"]}

    with running(daemon):
        drive(daemon, vehicle)
        with urllib.request.urlopen(daemon.url + "sensors", timeout=10) as answer:
            assert b"What every input reads" in answer.read()
        assert inputs()["egt"]["quality"] == "no reading yet"
        row = eventually(lambda: (found := inputs()["egt"])["counts"] is not None and found, "the number of the field")
        assert daemon.end()[0] == 0
    # by hand: 650 and 50 in quarters of a degree
    assert (row["counts"], row["frame"], row["value"], row["unit"]) == (2800, "0x100", 650.0, "°C")
    assert (row["quality"], row["source_state"]) == ("good", "running")
