"""Buzzer and lamp over whole drives: the real judge, life cycle and moments in front, the lines behind."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from support.driven_check import CONFIG as CHECKED
from support.driven_check import Rig
from uphaul.analysis.field_check import NewsKind
from uphaul.config.spec import Config, DriveSpec
from uphaul.live import Live
from uphaul.outputs.panel_sounds import PROMPTS, Player
from uphaul.people import Act, People
from uphaul.pipeline import Outcome
from uphaul.present import Presenter
from uphaul.rules import ABOVE, Action, Kind, Rule, Setting
from uphaul.signals import Collector, Sample, Signal
from uphaul.vehicle import Tune, Vehicle

RPM = Signal("rpm", "rpm", 4, low=0, high=6000, max_age_ms=500)
EGT = Signal("egt", "degC", 4, low=-40, high=1100, max_age_ms=500)
HOT = Rule("egt-high", Kind.THRESHOLD, "egt", ABOVE, Setting(720.0, 25.0, 0, 0), Action.EASE)
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
)


class Vehicles:
    """An invented vehicle with a panel, driven by hand; the lines are looked at every 10 ms."""

    def __init__(self, action: Action) -> None:
        config = replace(CONFIG, rules=(replace(HOT, action=action),))
        self.collector = Collector(config.signals, config.tunes)
        self.live = Live(config, self.collector, None, "boot")
        self.now_ms = 0
        self.presenter = Presenter(config, self.live, lambda: self.now_ms)
        self.people = People(config, self.collector, lambda: self.live.alerts)
        self.player = Player(0)
        self.lit = False
        self.run(500, 20)

    def run(self, ms: int, egt: float, rpm: float = 1800) -> list[int]:
        """The buzzer's spans meanwhile, on and off by turns, beginning with on."""
        spans: list[int] = []
        level = False
        for _ in range(0, ms, 50):
            self.collector.add([Sample(0, self.now_ms, rpm), Sample(1, self.now_ms, egt)])
            moment = self.presenter.moment(self.live.tick(self.now_ms), self.now_ms, "")
            self.player.tell(moment, self.now_ms)
            for _ in range(5):
                lines, _ = self.player.step(self.now_ms)
                self.lit = lines.lamp
                if lines.buzzer != level or (spans and not lines.buzzer):
                    if lines.buzzer != level:
                        spans.append(0)
                    level = lines.buzzer
                if spans:
                    spans[-1] += 10
                self.now_ms += 10
        return spans if level or not spans else spans[:-1]

    def quiet(self) -> int:
        return self.people.do(Act(None, "button"))


def test_an_ease_calls_until_it_is_quieted_and_its_end_is_told() -> None:
    vehicle = Vehicles(Action.EASE)
    assert vehicle.run(4000, 730) == [150, 150, 150, 150, 150, 2500, 150, 150, 150, 150, 150]
    assert vehicle.quiet() == 1
    assert vehicle.run(5000, 730) == []
    assert vehicle.lit
    assert vehicle.run(1000, 600) == [40, 120, 40]
    assert not vehicle.lit
    assert vehicle.quiet() == 0


def test_a_stop_that_is_quieted_sounds_again_every_thirty_seconds_of_its_raise() -> None:
    vehicle = Vehicles(Action.STOP)
    assert vehicle.run(1000, 730) == [800]
    vehicle.quiet()
    assert vehicle.run(28_900, 730) == []
    assert vehicle.run(4_000, 730) == [800, 200, 800, 200, 800]
    assert vehicle.run(25_900, 730) == []
    assert vehicle.run(4_000, 730) == [800, 200, 800, 200, 800]
    assert vehicle.run(1_000, 600) == [40, 120, 40]


def test_an_ease_that_keeps_coming_back_is_muted_and_a_stop_is_not() -> None:
    def three_raises(vehicle: Vehicles) -> list[list[int]]:
        found = []
        for _ in range(4):
            found.append(vehicle.run(1000, 730)[:1])
            vehicle.run(1000, 600)
        return found

    assert three_raises(Vehicles(Action.EASE)) == [[150], [150], [], []]
    assert three_raises(Vehicles(Action.STOP)) == [[800]] * 4


def test_a_drive_that_ends_with_an_alert_is_not_back_to_normal() -> None:
    vehicle = Vehicles(Action.EASE)
    vehicle.run(1000, 730)
    vehicle.quiet()
    assert vehicle.run(50, 730) == []
    assert vehicle.lit
    while vehicle.live.drive is not None:
        assert vehicle.run(50, 730, rpm=0) == []
    assert vehicle.run(2000, 20, rpm=0) == []


def test_a_field_check_is_followed_by_ear_and_gives_way_to_the_alert_that_stops_it(tmp_path: Path) -> None:
    rig, player = Rig(tmp_path / "a.db"), Player(0)
    presenter = Presenter(CHECKED, rig.live, lambda: 0.0)
    heard: list[int] = []

    def watch(outcome: Outcome, t_ms: int) -> None:
        player.tell(presenter.moment(outcome, t_ms, ""), t_ms)
        for ms in range(t_ms, t_ms + 50, 10):
            on = player.step(ms)[0].buzzer
            if on != bool(len(heard) % 2):
                heard.append(0)
            if heard:
                heard[-1] += 10

    rig.run(0, 0.5, then=watch)
    rig.begin()
    rig.run(0.5, 6, then=watch)
    assert heard[:-1] == [*PROMPTS[NewsKind.HOLD].spans_ms, heard[5], *PROMPTS[NewsKind.PASSED].spans_ms]
    heard.clear()
    rig.run(6, 13, then=watch)  # idle holds, and is stopped by the alert: that is what sounds
    assert heard[:9] == [*PROMPTS[NewsKind.HOLD].spans_ms, heard[5], 150, 150, 150]
    rig.end()
