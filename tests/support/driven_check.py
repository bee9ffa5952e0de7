"""A daemon's live drive with a field check, fed by hand: key on, an idle that an alert interrupts, an idle."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from support.handed import CHECK
from uphaul.analysis.field_check import FieldCheck, FieldCheckRun
from uphaul.config.spec import Config, DriveSpec
from uphaul.live import Live, pick_up
from uphaul.log import Log, LogWriter
from uphaul.people import Act, People
from uphaul.pipeline import Outcome
from uphaul.rules import ABOVE, Action, Kind, Rule, Setting
from uphaul.signals import Collector, EventKind, Sample, Signal
from uphaul.vehicle import Tune, Vehicle

__all__ = ["CONFIG", "NAME", "STEPS", "Rig"]

RPM = Signal("rpm", "rpm", 4, low=0, high=6000, max_age_ms=500)
EGT = Signal("egt", "degC", 4, low=-40, high=1100, max_age_ms=500)
HOT = Rule("egt-high", Kind.THRESHOLD, "egt", ABOVE, Setting(720.0, 25.0, 200, 200), Action.EASE, say="EGT high")
STEPS = FieldCheck("invented check", CHECK.steps[:2], ("Two people: one drives.",))
CONFIG = Config(
    tick_hz=20,
    gap_ms=1000,
    sources=(),
    signals=(RPM, EGT),
    inputs=(),
    computed=(),
    rules=(HOT,),
    vehicle=Vehicle("invented", (Tune("tow"),)),
    drive=DriveSpec("rpm", -1, 60_000),
    field_check=STEPS,
    files=(("rules.toml", ""),),
)
NAME = "T. Echnician (invented)"


class Rig:
    """A daemon's live drive, fed by hand."""

    def __init__(self, path: Path, config: Config = CONFIG) -> None:
        self.path = path
        self.collector = Collector(config.signals, config.tunes)
        self.writer = LogWriter(path)
        self.live = Live(config, self.collector, self.writer, "boot-1")
        self.live.record_to(self.writer)
        self.people = People(config, self.collector, lambda: self.live.alerts)

    def run(
        self, start_s: float, stop_s: float, then: Callable[[Outcome, int], None] = lambda outcome, t_ms: None
    ) -> None:
        """Key on until 6 s (the thermocouple climbs), then idle; too hot from 12 s to 14 s, off idle at 15 s.

        `then` is told every tick.
        """
        for t in range(round(start_s * 1000), round(stop_s * 1000), 50):
            hot = 12_000 <= t < 14_000
            rpm, egt = (0.0, 120.0 + t / 500) if t < 6000 else (780.0 + t % 350 / 50, 760.0 if hot else 180.0)
            rpm = 1500.0 if 15_000 <= t < 16_000 else rpm
            self.collector.add([Sample(0, t, rpm), Sample(1, t, egt)])
            then(self.live.tick(t), t)

    def begin(self) -> None:
        self.people.do(Act(EventKind.CHECK_BEGIN, "phone", text=NAME))

    def killed(self) -> Rig:
        """Another daemon on the same log, without the drive having been ended."""
        assert self.writer.close(10)
        left = Rig(self.path)
        with Log.open(self.path) as log:
            carried, blocks = pick_up(log, 1, CONFIG)
        left.live.resume(1, 0, int(blocks[-1].t_ms[-1]), carried, blocks)
        return left

    def end(self) -> tuple[FieldCheckRun, ...]:
        self.live.stop("test over")
        assert self.writer.close(10)
        return () if self.live.check is None else self.live.check.runs
