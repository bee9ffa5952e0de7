"""Logs a drive of the invented vehicle as the daemon does, in a moment and always alike: its clock is stepped."""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path

from support.stepped_clock import SteppedClock
from uphaul.config import demo_config
from uphaul.live import Live
from uphaul.log.writer import LogWriter
from uphaul.signals import Collector
from uphaul.sources.make import make_source

__all__ = ["log_demo"]


def log_demo(path: Path, scenario: str, duration_s: float, *, tune_told: bool = True) -> None:
    """Drive the scenario, 20 ticks a second, into a log at `path`. The tune is unknown unless `tune_told`."""
    config = demo_config(scenario)
    tune, writer = config.tune_input if tune_told else None, LogWriter(path)
    collector = Collector(
        config.signals,
        config.tunes,
        tune_signal=None if tune is None else tune.signal,
        tune_reading=None if tune is None else tune.reading(config.tunes),
    )
    live = Live(config, collector, writer, "invented")
    ticks = iter(range(0, round(duration_s * 1000) + 1, 50))
    due = next(ticks)

    def moved() -> None:
        nonlocal due
        while due <= clock.t_ms and due >= 0:
            live.tick(due, "2026-01-01T00:00:00.000+00:00")
            due = next(ticks, -1)

    async def drive() -> None:
        (spec,) = config.sources
        source = make_source(spec, config, clock)
        async with source:
            reading = asyncio.create_task(source.read(collector.add))
            await clock.ended.wait()
            reading.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await reading

    clock = SteppedClock(duration_s * 1000, moved=moved)
    asyncio.run(drive())
    live.stop("over")
    assert writer.close(20)
