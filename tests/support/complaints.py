"""A log of a good drive and one that is complained about, made by hand, so that what a report must say is known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from support.complained import enter, mark
from support.whole_drives import CRUISING, IDLING, OFF, Leg, by_hand
from uphaul.analysis.whole import WholeDrive
from uphaul.config import demo_config
from uphaul.config.spec import Config
from uphaul.signals import Event, Quality, QualityChange

__all__ = [
    "EVIL",
    "GAP_S",
    "HZ",
    "LOST_MS",
    "MARKS_MS",
    "PEAK_DEGC",
    "PEAK_MS",
    "complained",
    "log_of",
    "marks",
    "sound",
]

HZ = 5
EVIL = """<script>alert("x")</script><img src=x onerror=alert(1)>'"&{{ 7*7 }}"""
GAP_S = 30.0
PEAK_MS, PEAK_DEGC = 235_000, 777.0
MARKS_MS = (240_000, 250_000)
LOST_MS = (280_000, 300_000)
CLIMB = Leg(
    90.0, rpm=2600.0, speed=21.0, pedal=0.85, boost=150.0, egt=(600.0, 670.0), coolant=92.0, grade=0.065, gear=4.0
)
LEGS = [OFF, IDLING, CRUISING, CLIMB, replace(CRUISING, gap_s=GAP_S), CRUISING]


def sound() -> WholeDrive:
    """The good drive, with some noise."""
    return _noisy(by_hand(LEGS, HZ), 1)


def complained() -> WholeDrive:
    """Hotter by 60 degC on the climb and after it, with one tick of `PEAK_DEGC`; without coolant over `LOST_MS`."""
    drive = _noisy(by_hand(LEGS, HZ), 2)
    values = drive.values.copy()
    name = {s.name: i for i, s in enumerate(drive.signals)}
    hot = (drive.t_ms >= 100_000) & (drive.values[:, name["boost"]] > 40.0)
    values[hot, name["egt"]] += 60.0
    values[int(np.searchsorted(drive.t_ms, PEAK_MS)), name["egt"]] = PEAK_DEGC
    values[(drive.t_ms >= LOST_MS[0]) & (drive.t_ms < LOST_MS[1]), name["coolant"]] = np.nan
    return replace(drive, values=values)


def marks(text: str = EVIL) -> list[Event]:
    """Two marks ten seconds apart, the first with that text."""
    return [mark(MARKS_MS[0], text), mark(MARKS_MS[1])]


def log_of(path: Path, config: Config | None = None, *, text: str = EVIL) -> Path:
    """A log with the good drive as its first and the other one, with its marks, as its second."""
    config = config or demo_config("demo")
    enter(path, config, sound(), hz=HZ)
    column = next(i for i, s in enumerate(config.signals) if s.name == "coolant")
    quality = (QualityChange(LOST_MS[0], column, Quality.OPEN_CIRCUIT), QualityChange(LOST_MS[1], column, Quality.GOOD))
    enter(path, config, replace(complained(), quality=quality), marks(text), hz=HZ)
    return path


def _noisy(drive: WholeDrive, seed: int) -> WholeDrive:
    rng = np.random.default_rng(seed)
    return replace(drive, values=drive.values * (1.0 + rng.normal(0.0, 0.002, drive.values.shape)))
