"""The daemon in its process, the vehicle in another, a real transport between them."""

from __future__ import annotations

import json
import struct
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.daemon import Daemon, Process, command, eventually, running
from support.reference import reference_conditions
from uphaul.config import load_texts
from uphaul.log import Log

TESTS = Path(__file__).parents[1]

DBC = """VERSION ""
BU_: Vehicle
BO_ 256 EngineBox: 8 Vehicle
 SG_ Rpm : 0|16@1+ (0.25,0) [0|8000] "rpm" Vector__XXX
 SG_ Egt1 : 16|16@1+ (0.25,-50) [-50|1200] "degC" Vector__XXX
 SG_ Coolant : 39|8@0+ (1,-40) [-40|210] "degC" Vector__XXX
BO_ 2566845952 Extra: 8 Vehicle
 SG_ Map : 0|16@1+ (0.1,0) [0|500] "kPa" Vector__XXX
"""

SIGNALS = """tick_hz = 20
[source.bus]
kind = "can"
{source}
dbc = "test.dbc"
[signal.rpm]
unit = "rpm"
range = [0, 8000]
max_age_s = 0.5
from = {{ source = "bus", message = "EngineBox", field = "Rpm" }}
[signal.egt]
unit = "degC"
range = [-40, 1100]
per_unit = 4
max_age_s = 0.5
required = true
from = {{ source = "bus", message = "EngineBox", field = "Egt1" }}
[signal.map]
unit = "kPa"
range = [10, 400]
max_age_s = 0.5
from = {{ source = "bus", message = "Extra", field = "Map" }}
"""

RULES = """[[rule]]
name = "egt-high"
kind = "threshold"
signal = "egt"
above = 720
deadband = 25
on_delay_s = 0.5
off_delay_s = 0.5
action = "ease"
say = "Exhaust too hot: ease off"
when = [{ signal = "rpm", above = 1200, deadband = 100 }]

[[rule]]
name = "boost-high"
kind = "threshold"
signal = "map"
above = { over = "rpm", points = [[1000, 150], [3000, 250]] }
deadband = 5
on_delay_s = 0.2
off_delay_s = 0.2
action = "note"
say = "Boost above its curve"
"""

DAEMON = """[drive]
signal = "rpm"
above = 300
hold_s = 2
[web]
host = "127.0.0.1"
port = 0
"""


def frames(rpm: float, egt: float, map_kpa: float) -> list[str]:
    """One round of the vehicle's frames, as candump lines."""
    engine = struct.pack("<HHBBH", round(rpm * 4), round((egt + 50) * 4), 130, 0, 0)
    extra = struct.pack("<H6x", round(map_kpa * 10))
    return [f"(0.0) bus 100#{engine.hex()}", f"(0.0) bus 18FEF600#{extra.hex()}"]


class Vehicle:
    """Plays phases of a drive to the peer, 50 rounds a second."""

    def __init__(self, peer: Process) -> None:
        self._peer = peer
        self._pause = threading.Event()

    def drive(self, seconds: float, rpm: float, egt: float, map_kpa: float = 120) -> None:
        """Hold these values for so long."""
        due = time.monotonic()
        for _ in range(round(seconds * 50)):
            for line in frames(rpm, egt, map_kpa):
                self._peer.say(line)
            due += 0.02
            self._pause.wait(max(due - time.monotonic(), 0))


def write_config(folder: Path, source: str) -> Path:
    """The configuration with that source."""
    folder.mkdir(exist_ok=True)
    (folder / "signals.toml").write_text(SIGNALS.format(source=source), encoding="utf-8")
    (folder / "rules.toml").write_text(RULES, encoding="utf-8")
    (folder / "daemon.toml").write_text(DAEMON, encoding="utf-8")
    (folder / "test.dbc").write_text(DBC, encoding="utf-8")
    return folder


@pytest.fixture(params=["slcan", "socketcand"])
def peer_and_config(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Process, Path]]:
    """The vehicle's end of a transport, and a configuration that reads the other end."""
    if request.param == "slcan":
        link = tmp_path / "adapter"
        module = ["support.slcan_peer", "--link", str(link), "--frames", "-"]
        peer = Process([sys.executable, "-m", *module], stream="stdout", cwd=TESTS, stdin=True)
        source = f'interface = "slcan"\nchannel = "{link}"\nbitrate = 500000\noptions = {{ sleep_after_open = 0.0 }}'
        with running(peer):
            peer.wait_for("open ")
            yield peer, write_config(tmp_path / "config", source)
    else:
        module = ["support.socketcand_hub", "--frames", "-"]
        peer = Process([sys.executable, "-m", *module], stream="stdout", cwd=TESTS, stdin=True)
        with running(peer):
            port = peer.wait_for("listening ").split()[1]
            source = f'interface = "socketcand"\nchannel = "bus"\noptions = {{ host = "127.0.0.1", port = {port} }}'
            yield peer, write_config(tmp_path / "config", source)


def test_a_drive_over_a_real_transport(peer_and_config: tuple[Process, Path], tmp_path: Path) -> None:
    peer, config = peer_and_config
    log_path = tmp_path / "vehicle.db"
    daemon = Daemon(config, log_path)
    with running(daemon):
        eventually(lambda: daemon.status()["sources"][0]["state"] == "running", "the source runs")
        vehicle = Vehicle(peer)
        vehicle.drive(1.0, 800, 730)  # hot, but the further condition does not hold
        vehicle.drive(1.5, 2000, 730)
        shown = daemon.status()
        vehicle.drive(1.2, 2000, 600, map_kpa=210)  # the curve gives 200 at 2,000 rpm
        vehicle.drive(1.0, 2000, 600)
        status, took_s = daemon.end()
    assert status == 0
    assert took_s < 2.0
    assert [a["rule"] for a in shown["alerts"]] == ["egt-high"]
    assert shown["alerts"][0]["value"] == 730

    with Log.open(log_path) as log:
        (drive,) = log.drives()
        (block,) = log.blocks(drive.segments[0])
        conditions = log.conditions(drive.id)
        texts = log.config(drive.segments[0])
    assert (drive.ended, drive.end_reason, drive.lost_ticks) == (True, "daemon stopped", 0)
    # complete: every tick of the grid, but for those that a busy machine came too late for
    assert len(block) >= 0.9 * (block.t_ms[-1] / 50 + 1)
    assert set(block.t_ms % 50) == {0}
    # the alerts at the right ticks: those that the plain evaluator finds in what was logged
    judged = load_texts(texts, label="log", check_inputs=False)
    expected = reference_conditions(judged.rules, block.signals, judged.tunes, block, judged.gap_ms)
    found = [(c.t_ms, c.rule, c.active, c.value) for c in conditions]
    assert found == [(c.t_ms, judged.rules[c.rule].name, c.active, c.value) for c in expected]
    assert [(rule, active) for _, rule, active, _ in found] == [
        ("egt-high", True),
        ("boost-high", True),
        ("egt-high", False),
        ("boost-high", False),
    ]
    egt = block.values[:, 1]
    hot = block.t_ms[(egt > 720) & (block.values[:, 0] > 1200)]
    assert found[0][0] == next(int(t) for t in hot if t - hot[0] >= 500)

    replayed = json.loads(command("replay", str(log_path), "--json"))
    assert replayed["live"] == {"same": True, "differences": []}
    assert [c["rule"] for c in replayed["conditions"]] == [rule for _, rule, active, _ in found if active]


def test_a_bus_that_is_missing_and_comes_and_goes(tmp_path: Path) -> None:
    link = tmp_path / "adapter"
    source = (
        f'interface = "slcan"\nchannel = "{link}"\nbitrate = 500000\nsilent_after_s = 0.5\n'
        "options = { sleep_after_open = 0.0 }"
    )
    config = write_config(tmp_path / "config", source)
    daemon = Daemon(config, tmp_path / "vehicle.db")
    arguments = [sys.executable, "-m", "support.slcan_peer", "--link", str(link), "--frames", "-"]

    def egt() -> dict[str, object]:
        return next(s for s in daemon.status()["signals"] if s["name"] == "egt")

    with running(daemon):
        eventually(lambda: daemon.status()["sources"][0]["problem"], "it says what is missing")
        eventually(lambda: daemon.status()["signals"], "the first tick")
        assert egt()["quality"] == "stale"
        for _ in range(2):  # there at last, gone, and there again
            peer = Process(arguments, stream="stdout", cwd=TESTS, stdin=True)
            with running(peer):
                peer.wait_for("open ")
                eventually(lambda: daemon.status()["sources"][0]["state"] == "running", "the source runs")
                Vehicle(peer).drive(1.0, 900, 500)
                shown = egt()
                assert (shown["value"], shown["quality"]) == (500, "good")
            link.unlink(missing_ok=True)
            eventually(lambda: egt()["quality"] == "stale", "the signal goes stale")
            eventually(lambda: daemon.status()["sources"][0]["state"] != "running", "the source notices")
        assert daemon.end()[0] == 0
