"""What is latched, shelved or off goes into the next drive, however the daemon ended in between."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from support.config_files import config_of
from uphaul.alerts import State
from uphaul.config.spec import Config, DriveSpec
from uphaul.live import Live
from uphaul.log.writer import LogWriter
from uphaul.rules import ABOVE, Action, Kind, Rule, Setting
from uphaul.signals import Collector, EventKind, Sample, Signal

RPM, EGT = Signal("rpm", "rpm", 1), Signal("egt", "degC", 4)
LATCHING = Rule("hot", Kind.THRESHOLD, "egt", ABOVE, Setting(700.0, deadband=10.0), Action.EASE, latch=True)
PLAIN = Rule("warm", Kind.THRESHOLD, "egt", ABOVE, Setting(600.0, deadband=10.0), Action.NOTE)
TICK_MS = 50


def config() -> Config:
    drive = DriveSpec("rpm", above=300.0, hold_ms=1000)
    return replace(config_of(), signals=(RPM, EGT), inputs=(), computed=(), rules=(LATCHING, PLAIN), drive=drive)


class Daemon:
    """A live drive with its log, as the app has it."""

    def __init__(self, path: Path, boot_id: str, now_ms: int = 0) -> None:
        self.now_ms = now_ms
        self.collector = Collector((RPM, EGT))
        self.writer = LogWriter(path)
        self.live = Live(config(), self.collector, None, boot_id)
        self.live.record_to(self.writer)

    def run(self, seconds: float, rpm: float, egt: float) -> None:
        """Tick on with these readings."""
        for _ in range(round(seconds * 1000 / TICK_MS)):
            self.now_ms += TICK_MS
            self.collector.add([Sample(0, self.now_ms, rpm), Sample(1, self.now_ms, egt)])
            self.live.tick(self.now_ms)

    def states(self) -> dict[str, State]:
        return {a.rule.name: a.state for a in self.live.alerts}

    def end(self, *, orderly: bool) -> None:
        """As a service manager ends it, or as a power cut does: then the drive stays open."""
        if orderly:
            self.live.stop("daemon stopped")
        assert self.writer.close(10.0)


@pytest.mark.parametrize("orderly", [True, False])
@pytest.mark.parametrize("over", [True, False])
def test_a_latched_alert_outlives_the_daemon(tmp_path: Path, orderly: bool, over: bool) -> None:
    before = Daemon(tmp_path / "vehicle.db", "first")
    before.run(1, 1800, 500)
    before.run(1, 1800, 750)
    if over:
        before.run(1, 1800, 500)
    before.end(orderly=orderly)
    after = Daemon(tmp_path / "vehicle.db", "second")
    after.run(1, 0, 30)
    assert after.states()["hot"] is State.LATCHED_UNACKNOWLEDGED
    after.run(1, 900, 200)
    assert after.states() == {"hot": State.LATCHED_UNACKNOWLEDGED, "warm": State.NORMAL}
    after.end(orderly=True)


def test_what_is_off_stays_off_and_a_shelf_goes_on_with_what_was_left(tmp_path: Path) -> None:
    before = Daemon(tmp_path / "vehicle.db", "first")
    before.run(1, 1800, 500)
    before.collector.event(EventKind.SHELVE, rule="warm", shelf_ms=10_000)
    before.collector.event(EventKind.DISABLE, rule="hot")
    before.run(1, 1800, 500)
    before.end(orderly=True)
    after = Daemon(tmp_path / "vehicle.db", "second")
    after.run(1, 0, 30)
    assert after.states() == {"hot": State.OUT_OF_SERVICE, "warm": State.SHELVED}
    after.run(12, 1800, 30)
    assert after.states() == {"hot": State.OUT_OF_SERVICE, "warm": State.NORMAL}
    after.end(orderly=True)


def test_what_a_person_did_between_drives_counts(tmp_path: Path) -> None:
    before = Daemon(tmp_path / "vehicle.db", "first")
    before.run(1, 1800, 750)
    before.run(3, 0, 30)
    assert before.live.drive is None
    before.collector.event(EventKind.ACKNOWLEDGE, rule="hot")
    before.run(0.1, 0, 30)
    before.collector.event(EventKind.RESET, rule="hot")
    before.run(0.1, 0, 30)
    assert before.states()["hot"] is State.NORMAL
    before.end(orderly=True)
    after = Daemon(tmp_path / "vehicle.db", "second")
    after.run(1, 0, 30)
    assert after.states()["hot"] is State.NORMAL
    after.end(orderly=True)


def test_a_new_log_begins_with_nothing(tmp_path: Path) -> None:
    fresh = Daemon(tmp_path / "vehicle.db", "first")
    fresh.run(1, 900, 200)
    assert set(fresh.states().values()) == {State.NORMAL}
    fresh.end(orderly=True)
