"""Which alerts the page is told to be back to normal: those that a person had seen, in the drive in which it was."""

from __future__ import annotations

from uphaul.config.spec import Config, DriveSpec
from uphaul.live import Live
from uphaul.people import Act, People
from uphaul.present import Presenter
from uphaul.rules import ABOVE, Action, Kind, Rule, Setting
from uphaul.signals import Collector, Sample, Signal
from uphaul.vehicle import Tune, Vehicle

RPM = Signal("rpm", "rpm", 4, low=0, high=6000, max_age_ms=500)
EGT = Signal("egt", "degC", 4, low=-40, high=1100, max_age_ms=500)
HOTTER = Rule("egt-higher", Kind.THRESHOLD, "egt", ABOVE, Setting(750.0, 25.0, 0, 0), Action.EASE)
HOT = Rule(
    "egt-high", Kind.THRESHOLD, "egt", ABOVE, Setting(720.0, 25.0, 0, 0), Action.EASE, suppressed_by=(HOTTER.name,)
)
CONFIG = Config(
    tick_hz=20,
    gap_ms=1000,
    sources=(),
    signals=(RPM, EGT),
    inputs=(),
    computed=(),
    rules=(HOTTER, HOT),
    vehicle=Vehicle("invented", (Tune("tow"),)),
    drive=DriveSpec("rpm", 300, 1000),
)


class Drive:
    """An invented vehicle, driven by hand."""

    def __init__(self) -> None:
        self.collector = Collector(CONFIG.signals, CONFIG.tunes)
        self.live = Live(CONFIG, self.collector, None, "boot")
        self.now_ms = 0
        self.presenter = Presenter(CONFIG, self.live, lambda: self.now_ms)
        self.people = People(CONFIG, self.collector, lambda: self.live.alerts)

    def run(self, egt: float, *, ms: int = 500, rpm: float = 1800) -> list[tuple[str, int]]:
        """Drive on; what the page is told of as recovered then, by rule and raise."""
        for _ in range(0, ms, 50):
            self.collector.add([Sample(0, self.now_ms, rpm), Sample(1, self.now_ms, egt)])
            self.presenter.moment(self.live.tick(self.now_ms), self.now_ms, "")
            self.now_ms += 50
        return [(a.rule, a.raise_number) for a in self.presenter.status().recovered]

    def quiet(self) -> None:
        self.people.do(Act(None, "a test"))


def test_what_a_person_had_seen_is_told_when_it_is_over() -> None:
    drive = Drive()
    drive.run(730)
    drive.quiet()
    assert drive.run(730) == []
    assert drive.run(600) == [("egt-high", 1)]
    drive.run(730)
    drive.quiet()
    drive.run(730)
    assert drive.run(600) == [("egt-high", 1), ("egt-high", 2)]


def test_what_nobody_saw_stays_among_the_alerts_instead() -> None:
    drive = Drive()
    drive.run(730)
    assert drive.run(600) == []
    assert [a.over for a in drive.presenter.status().alerts] == [True]
    drive.quiet()
    assert drive.run(600) == []  # seen when it was over already: no news


def test_an_alert_that_a_louder_one_covers_is_not_over() -> None:
    drive = Drive()
    drive.run(730)
    drive.quiet()
    assert drive.run(760) == []
    assert [a.rule for a in drive.presenter.status().alerts] == ["egt-higher"]


def test_another_drive_begins_with_none() -> None:
    drive = Drive()
    drive.run(730)
    drive.quiet()
    drive.run(730)
    assert drive.run(600) != []
    while drive.live.drive is not None:
        drive.run(600, ms=50, rpm=0)
    drive.run(600)
    assert drive.run(600) == []
