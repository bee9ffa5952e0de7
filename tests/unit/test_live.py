"""The live drive: begins and ends by itself, carries what must be carried, and survives a restart."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from uphaul.alerts import Carried, State
from uphaul.config.spec import Config, DriveSpec
from uphaul.live import Live, carried_from_json, carried_to_json, pick_up
from uphaul.log import Log, LogWriter
from uphaul.rules import ABOVE, Action, Kind, Rule, Setting
from uphaul.signals import Collector, EventKind, Sample, Signal
from uphaul.vehicle import Tune, Vehicle

RPM = Signal("rpm", "rpm", 4, low=0, high=6000, max_age_ms=500)
EGT = Signal("egt", "degC", 4, low=-40, high=1100, max_age_ms=500)
HOT = Rule("egt-high", Kind.THRESHOLD, "egt", ABOVE, Setting(720.0, 25.0, 200, 200), Action.EASE, latch=True)
CONFIG = Config(
    tick_hz=20,
    gap_ms=1000,
    sources=(),
    signals=(RPM, EGT),
    inputs=(),
    computed=(),
    rules=(HOT,),
    vehicle=Vehicle("invented", (Tune("tow"),)),
    drive=DriveSpec("rpm", 300, 1000),
    files=(("rules.toml", ""),),
)


class Rig:
    """A live drive fed by hand."""

    def __init__(self, path: Path, config: Config = CONFIG, boot: str = "boot-1") -> None:
        self.collector = Collector(config.signals, config.tunes)
        self.writer = LogWriter(path)
        self.live = Live(config, self.collector, self.writer, boot)

    def run(self, start_ms: int, stop_ms: int, rpm: float, egt: float) -> list[tuple[int, bool]]:
        changes = []
        for t in range(start_ms, stop_ms, 50):
            self.collector.add([Sample(0, t, rpm), Sample(1, t, egt)])
            changes += [(c.t_ms, c.active) for c in self.live.tick(t).conditions]
        return changes

    def close(self) -> None:
        assert self.writer.close(10)


def test_a_drive_begins_with_the_engine_and_ends_after_its_hold_time(tmp_path: Path) -> None:
    rig = Rig(tmp_path / "a.db")
    rig.run(0, 500, 0, 20)
    assert rig.live.drive is None
    changes = rig.run(500, 2000, 800, 730)
    assert rig.live.drive == 1
    rig.run(2000, 4000, 0, 30)
    assert rig.live.drive is None
    rig.close()
    assert changes == [(200, True)]  # counted from the drive's beginning
    with Log.open(tmp_path / "a.db") as log:
        (drive,) = log.drives()
        (block,) = log.blocks(drive.segments[0])
    assert (drive.ended, drive.end_reason) == (True, "engine off")
    assert block.t_ms.tolist() == list(range(0, 2500, 50))  # the last tick is the one that ended it


def test_what_latched_is_carried_into_the_next_drive(tmp_path: Path) -> None:
    rig = Rig(tmp_path / "a.db")
    rig.run(0, 1000, 800, 730)
    rig.run(1000, 4000, 0, 30)
    (alert,) = rig.live.alerts
    assert alert.state is State.LATCHED_UNACKNOWLEDGED
    rig.run(4000, 4100, 800, 30)
    assert rig.live.alerts[0].state is State.LATCHED_UNACKNOWLEDGED
    rig.collector.event(EventKind.ACKNOWLEDGE, rule="egt-high")
    rig.run(4100, 4150, 800, 30)
    rig.collector.event(EventKind.RESET, rule="egt-high")
    rig.run(4150, 4200, 800, 30)
    assert rig.live.alerts[0].state is State.NORMAL
    rig.close()
    with Log.open(tmp_path / "a.db") as log:
        second = log.drives()[1]
        assert carried_from_json(log.segments(second.id)[0].initial_state, "place") == (
            Carried("egt-high", State.LATCHED_UNACKNOWLEDGED),
        )


def test_a_latching_alert_that_outlasts_its_drive_stays_latched(tmp_path: Path) -> None:
    rig = Rig(tmp_path / "a.db")
    rig.run(0, 1000, 800, 730)
    rig.run(1000, 2050, 0, 730)
    rig.close()
    assert rig.live.drive is None
    assert rig.live.alerts[0].state is State.LATCHED_UNACKNOWLEDGED


def test_a_restart_in_a_drive_is_only_a_gap(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    first = Rig(path)
    first.run(0, 3000, 800, 730)
    first.close()  # nobody ended the drive
    second = Rig(path)
    left = second.writer.open_drive
    assert left is not None
    with Log.open(path) as log:
        carried, blocks = pick_up(log, left.drive, CONFIG)
    assert (carried, sum(len(b) for b in blocks)) == ((), 60)
    second.live.resume(left.drive, left.began_boot_ms, left.began_boot_ms + 2950, carried, blocks)
    assert second.live.alerts[0].active
    changes = second.run(6000, 8000, 800, 30)
    assert changes == [(6200, False)]
    second.live.stop("over")
    second.close()
    with Log.open(path) as log:
        (drive,) = log.drives()
        (block,) = log.blocks(drive.segments[0])
        steps = [(t.t_ms, t.target) for t in log.transitions(drive.id)]
    assert block.t_ms.tolist() == [*range(0, 3000, 50), *range(6000, 8000, 50)]
    assert steps == [(200, State.UNACKNOWLEDGED), (6200, State.LATCHED_UNACKNOWLEDGED)]


def test_a_restart_in_a_drive_keeps_the_tune_that_a_person_named(tmp_path: Path) -> None:
    path, config = tmp_path / "a.db", replace(CONFIG, vehicle=Vehicle("invented", (Tune("stock"), Tune("tow"))))
    first = Rig(path, config)
    first.collector.event(EventKind.TUNE, text="tow", actor="page")
    first.run(0, 1000, 800, 30)
    first.close()
    second = Rig(path, config)
    left = second.writer.open_drive
    assert left is not None
    with Log.open(path) as log:
        carried, blocks = pick_up(log, left.drive, config)
    second.live.resume(left.drive, left.began_boot_ms, left.began_boot_ms + 950, carried, blocks)
    second.run(3000, 4000, 800, 30)
    second.close()
    with Log.open(path) as log:
        (drive,) = log.drives()
        (block,) = log.blocks(drive.segments[0])
        notices = log.notices(drive.id)
    assert set(block.tune.tolist()) == {1}
    assert notices == []


def test_what_a_source_has_to_say_is_in_the_log_of_the_drive_from_its_first_tick(tmp_path: Path) -> None:
    rig = Rig(tmp_path / "a.db")
    rig.collector.notes("bus", ("code 1",))
    rig.run(0, 500, 0, 20)
    rig.run(500, 1000, 800, 20)
    rig.collector.notes("bus", ())
    rig.run(1000, 1500, 800, 20)
    rig.close()
    with Log.open(tmp_path / "a.db") as log:
        (drive,) = log.drives()
        events = [(e.t_ms, e.kind, e.actor, e.text) for e in log.events(drive.id)]
    assert events == [
        (0, EventKind.REMARK, "bus", "code 1"),
        (500, EventKind.REMARK, "bus", "no longer: code 1"),
    ]


def test_between_drives_ticks_are_judged_but_not_logged(tmp_path: Path) -> None:
    rig = Rig(tmp_path / "a.db")
    assert rig.run(0, 1000, 0, 730) == [(200, True)]
    rig.close()
    with Log.open(tmp_path / "a.db") as log:
        assert log.drives() == []


def test_without_a_log_the_drive_is_judged_all_the_same() -> None:
    collector = Collector(CONFIG.signals, CONFIG.tunes)
    live = Live(replace(CONFIG, drive=DriveSpec(None)), collector, None, "boot")
    collector.add([Sample(1, 0, 730.0)])
    found = [live.tick(t).conditions for t in range(0, 300, 50)]
    assert [[c.t_ms for c in each] for each in found] == [[], [], [], [], [200], []]


@pytest.mark.parametrize(
    "carried", [(), (Carried("a", State.SHELVED, False, 600_000), Carried("b", State.OUT_OF_SERVICE))]
)
def test_what_is_carried_survives_the_log(carried: tuple[Carried, ...]) -> None:
    assert carried_from_json(carried_to_json(carried), "place") == carried
