"""The daemon in its process, the vehicle in another, a real transport between them."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.bus_vehicle import TESTS, Vehicle, socketcand_hub, socketcand_source, write_config
from support.daemon import Daemon, Process, command, eventually, running
from support.reference import reference_conditions
from uphaul.config import load_texts
from uphaul.log import Log


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
        peer = socketcand_hub()
        with running(peer):
            port = int(peer.wait_for("listening ").split()[1])
            yield peer, write_config(tmp_path / "config", socketcand_source(port))


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
