"""Puts invented whole drives into a log as the daemon would have judged them, with people's events, for reports."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.config.spec import Config
from uphaul.exchange.judged import Origin, enter_drive
from uphaul.signals import Block, Event, EventKind, Signal, quantise
from uphaul.units import compatible, convert

__all__ = ["enter", "mark"]

BEGUN = datetime(2026, 1, 1, 8, 0, tzinfo=UTC)


def mark(t_ms: int, text: str = "", actor: str = "dash") -> Event:
    """A driver's mark."""
    return Event(t_ms, 0, EventKind.MARK, actor=actor, text=text)


def enter(log: Path, config: Config, drive: WholeDrive, events: Sequence[Event] = (), *, hz: int = 20) -> int:
    """Enter the drive as the next one of the log and give its number; signals are found by the names of their roles.

    Where it tells boost alone, it was driven at a barometer of 100 kPa.
    """
    at_sea = {"map": 100.0 + drive.read("boost"), "baro": np.full(len(drive), 100.0)}

    def column(signal: Signal) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        if signal.name in at_sea and not drive.has("map"):
            return convert(at_sea[signal.name], "kPa", signal.unit)
        if signal.name not in ROLES or not compatible(ROLES[signal.name], signal.unit):
            return np.full(len(drive), np.nan)
        return convert(drive.read(signal.name), ROLES[signal.name], signal.unit)

    values = np.column_stack([np.full(len(drive), np.nan) if s.computed else column(s) for s in config.signals])
    values = quantise(values, np.array([float(s.per_unit) for s in config.signals]))
    tune = np.array([*(config.tunes.index(t) for t in drive.tunes), -1], dtype=np.int16)[drive.tune]
    placed = tuple(replace(e, seq=i) for i, e in enumerate(sorted(events, key=lambda e: e.t_ms)))
    block = Block(config.signals, drive.t_ms, values, tune, drive.quality, placed)
    origin = Origin("invented", "0" * 64, 0, BEGUN, lambda: BEGUN)
    return enter_drive(log, config, [block], origin, tick_hz=hz).number
