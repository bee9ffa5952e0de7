"""What a paired device does on the page of a running daemon is judged, logged and replayed; others do nothing."""

from __future__ import annotations

import http.cookiejar
import json
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from support.bus_vehicle import Vehicle, socketcand_hub, socketcand_source, write_config
from support.daemon import Daemon, command, eventually, running
from uphaul.log import Log
from uphaul.web.access import Access, store_path


@pytest.fixture
def bus() -> Iterator[tuple[Vehicle, str]]:
    """A vehicle on a bus, and the lines of the source that reads it."""
    hub = socketcand_hub()
    with running(hub):
        port = int(hub.wait_for("listening ").split()[1])
        yield Vehicle(hub), socketcand_source(port)


class Device:
    """A browser as far as acting goes: it keeps cookies and says where it comes from."""

    def __init__(self, url: str) -> None:
        self._url = url.rstrip("/")
        self._open = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())).open

    def post(self, path: str, body: object) -> tuple[int, dict[str, Any]]:
        """Status and JSON of the answer."""
        request = urllib.request.Request(
            self._url + path,
            json.dumps(body).encode(),
            {"Content-Type": "application/json", "Origin": self._url},
        )
        try:
            with self._open(request, timeout=10) as answer:
                return answer.status, json.load(answer)
        except urllib.error.HTTPError as error:
            with error:
                return error.code, json.load(error)


def states(daemon: Daemon) -> dict[str, str]:
    return {a["rule"]: a["state"] for a in daemon.status()["alerts"]}


def test_an_alert_is_quieted_and_the_moment_marked_by_a_paired_device_only(
    bus: tuple[Vehicle, str], tmp_path: Path
) -> None:
    vehicle, source = bus
    log = tmp_path / "vehicle.db"
    daemon = Daemon(write_config(tmp_path / "config", source), log)
    with running(daemon):
        eventually(lambda: daemon.status()["sources"][0]["state"] == "running", "the source runs")
        vehicle.drive(1.0, 1800, 500)
        vehicle.drive(1.5, 1800, 760)
        assert "unacknowledged" in states(daemon).values()
        device = Device(daemon.url)
        status, told = device.post("/act", {"do": "quiet"})
        assert (status, "not paired" in told["problem"]) == (403, True)
        code = Access(store_path(log)).new_code()
        assert device.post("/pair", {"code": code, "name": "Red phone"}) == (200, {"name": "Red phone"})
        status, told = device.post("/act", {"do": "quiet"})
        assert (status, told["taken"] >= 1) == (200, True)
        assert device.post("/act", {"do": "mark", "text": "felt flat"}) == (200, {"taken": 1})
        vehicle.drive(1.0, 1800, 760)
        eventually(lambda: "acknowledged" in states(daemon).values(), "the alert is quiet")
        status, told = device.post("/act", {"do": "tune", "text": "none of them"})
        assert (status, "one of the tunes" in told["problem"] or "read from" in told["problem"]) == (400, True)
        assert daemon.end()[0] == 0
    with Log.open(log) as file:
        (drive,) = file.drives()
        events = [(e.kind.value, e.actor, e.text) for e in file.events(drive.id)]
        live = file.transitions(drive.id)
    assert ("mark", "Red phone", "felt flat") in events
    assert any(kind == "acknowledge" and actor == "Red phone" for kind, actor, _ in events)
    assert any(t.target.value == "acknowledged" for t in live)
    assert json.loads(command("replay", str(log), "--json"))["live"]["same"] is True
