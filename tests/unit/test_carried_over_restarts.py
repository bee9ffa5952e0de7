"""What is latched, shelved or off, and the tune that a person told, outlive the daemon, however it ended."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from support.config_files import config_of
from uphaul.alerts import Carried, State
from uphaul.app import App
from uphaul.config.spec import Config, DriveSpec
from uphaul.errors import LogError
from uphaul.live import Live, carried_to_json, kept_from_json, kept_to_json
from uphaul.log.reader import Log
from uphaul.log.writer import LogWriter
from uphaul.rules import ABOVE, Action, Kind, Rule, Setting
from uphaul.signals import Collector, EventKind, Sample, Signal
from uphaul.vehicle import Tune, Vehicle

RPM, EGT = Signal("rpm", "rpm", 1), Signal("egt", "degC", 4)
LATCHING = Rule("hot", Kind.THRESHOLD, "egt", ABOVE, Setting(700.0, deadband=10.0), Action.EASE, latch=True)
PLAIN = Rule("warm", Kind.THRESHOLD, "egt", ABOVE, Setting(600.0, deadband=10.0), Action.NOTE)
TICK_MS = 50
TUNES = (Tune("daily"), Tune("tow"))


def plain() -> Config:
    drive = DriveSpec("rpm", above=300.0, hold_ms=1000)
    return replace(config_of(), signals=(RPM, EGT), inputs=(), computed=(), rules=(LATCHING, PLAIN), drive=drive)


class Daemon:
    """A live drive with its log, as the app has it."""

    def __init__(self, path: Path, boot_id: str, config: Config | None = None) -> None:
        self.now_ms = 0
        self.config = config or plain()
        self.collector = Collector((RPM, EGT), self.config.tunes)
        self.writer = LogWriter(path)
        self.live = Live(self.config, self.collector, None, boot_id)
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


def tuned(tunes: tuple[Tune, ...] = TUNES) -> Config:
    return replace(plain(), vehicle=Vehicle(tunes=tunes), rules=(LATCHING,))


def tune_of(daemon: Daemon) -> str | None:
    assert daemon.live.block is not None
    number = int(daemon.live.block.tune[-1])
    return daemon.config.tunes[number] if number >= 0 else None


@pytest.mark.parametrize("orderly", [True, False])
@pytest.mark.parametrize("driving", [True, False])
def test_a_tune_that_a_person_told_outlives_the_daemon(tmp_path: Path, orderly: bool, driving: bool) -> None:
    before = Daemon(tmp_path / "vehicle.db", "first", config=tuned())
    before.run(1, 1800, 500)
    if not driving:
        before.run(3, 0, 30)
        assert before.live.drive is None
    assert tune_of(before) is None
    before.collector.event(EventKind.TUNE, text="tow")
    before.run(0.1, 1800 if driving else 0, 30)
    assert (tune_of(before), before.live.tune_note) == ("tow", "")
    before.end(orderly=orderly)
    after = Daemon(tmp_path / "vehicle.db", "second", config=tuned())
    after.run(1, 0, 30)
    assert (tune_of(after), after.live.tune_note) == ("tow", "tune tow as told before the restart")
    after.run(1, 1800, 30)
    assert tune_of(after) == "tow"
    after.end(orderly=orderly)
    third = Daemon(tmp_path / "vehicle.db", "third", config=tuned())
    third.run(1, 1800, 30)
    assert (tune_of(third), third.live.tune_note) == ("tow", "tune tow as told before the restart")
    third.end(orderly=True)


def test_the_log_says_where_the_tune_comes_from_until_a_person_tells_one_again(tmp_path: Path) -> None:
    path = tmp_path / "vehicle.db"
    before = Daemon(path, "first", config=tuned())
    before.run(1, 1800, 500)
    before.collector.event(EventKind.TUNE, text="tow")
    before.run(1, 1800, 500)
    before.end(orderly=True)
    after = Daemon(path, "second", config=tuned())
    after.run(1, 1800, 500)
    after.collector.event(EventKind.TUNE, text="daily")
    after.run(1, 1800, 500)
    assert (tune_of(after), after.live.tune_note) == ("daily", "")
    after.end(orderly=True)
    with Log.open(path) as log:
        newest = log.segments(log.drives()[-1].id)[-1]
        events = [e for block in log.blocks(newest.id) for e in block.events]
    assert [(e.actor, e.text) for e in events if e.kind is EventKind.REMARK] == [
        ("the log", "tune tow as told before the restart"),
        ("the log", "no longer: tune tow as told before the restart"),
    ]


@pytest.mark.parametrize("left", [("daily", "race"), ("tow",)])
def test_a_tune_is_known_by_its_name_and_only_where_one_may_be_told(tmp_path: Path, left: tuple[str, ...]) -> None:
    before = Daemon(tmp_path / "vehicle.db", "first", config=tuned())
    before.run(1, 1800, 500)
    before.collector.event(EventKind.TUNE, text="tow")
    before.run(1, 1800, 500)
    before.end(orderly=True)
    after = Daemon(tmp_path / "vehicle.db", "second", config=tuned(tuple(Tune(name) for name in left)))
    after.run(1, 1800, 500)
    assert tune_of(after) == (None if len(left) > 1 else "tow")  # the only one there is needs no telling
    assert after.live.tune_note == ""
    after.end(orderly=True)


def test_what_logs_of_before_have_kept_is_read() -> None:
    states = (Carried("hot", State.LATCHED_UNACKNOWLEDGED, False, None),)
    assert kept_from_json(carried_to_json(states), "a log") == (states, "")
    assert kept_from_json(kept_to_json(states, "tow"), "a log") == (states, "tow")
    assert kept_from_json("", "a log") == ((), "")
    for damaged in ("{", '{"alerts": 5}', "[1]", "3"):
        with pytest.raises(LogError, match="a log: the states that the alerts began with cannot be read"):
            kept_from_json(damaged, "a log")


def test_the_page_asks_for_a_tune_that_is_the_one_of_before(tmp_path: Path) -> None:
    path = tmp_path / "vehicle.db"
    before = Daemon(path, "first", config=tuned())
    before.run(1, 1800, 500)
    before.collector.event(EventKind.TUNE, text="tow")
    before.run(1, 1800, 500)
    before.end(orderly=True)
    writer = LogWriter(path)
    app = App(tuned(), None)
    assert app.status().notices == ()
    app._live.record_to(writer)
    assert app.status().notices == ("Tune tow as told before the restart: choose it anew, this one or another",)
    assert writer.close(10.0)
