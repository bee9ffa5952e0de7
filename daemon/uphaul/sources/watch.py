"""Reads the inputs of a configuration for a person at the wiring, without log and rules: raw, value, quality, noise.

Theory of operation. `Watch.running` supervises every source as the daemon does, and each sample goes into the window of
its input; a daemon lends its own sources and hands over what they deliver (`on_request`). `rows` puts together, at the
moment it is asked, what the newest sample of each input says by the signal's own range and age, what the window says of
noise and rate, and what the source has read before its sensor was applied.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import dataclass

import numpy as np

from uphaul.clock import Clock
from uphaul.config.spec import Config, Input
from uphaul.signals import Quality, Sample, Signal, index_of
from uphaul.signals.recent import WINDOW_S, Recent, Summary
from uphaul.signals.transfer import NtcDivider
from uphaul.sources.base import RawReading, Source, supervise
from uphaul.sources.make import make_source

__all__ = ["InputRow", "Watch"]

_RawOf = Callable[[str], RawReading | None]

NOTHING = "no reading yet"


@dataclass(frozen=True, slots=True)
class InputRow:
    """One input now. None stands for what there is not.

    `counts` is a converter's number or that of a field in a frame, `frame` says which frame (``0x1A0``), `raw` what
    came where that is no number: bytes of an answer in hex, a field of a report. `electrical` is in `electrical_unit`
    (V, mV, degC, Hz), `beside` what is measured beside it in `beside_unit`, `ohms` the resistance of a sensor in a
    divider. `quality` is in words, `noise` one standard deviation in the signal's unit, `unknown` how many of
    `readings` in the window had no value.
    """

    signal: str
    meaning: str
    unit: str
    source: str
    channel: str
    frame: str
    sensor: str | None
    calibrated: bool
    counts: float | None
    raw: str
    electrical: float | None
    electrical_unit: str
    beside: float | None
    beside_unit: str
    ohms: float | None
    value: float | None
    quality: str
    age_s: float | None
    noise: float | None
    rate_hz: float | None
    readings: int
    unknown: int
    source_state: str
    problem: str


class Watch:
    """The sources of `config` and what they deliver: all of them, or the one that the signal `only` comes from.

    Noise and rate are those of the last `window_s`. `sources` are made unless they are given. Raises ConfigError for
    one that can't be made.
    """

    def __init__(
        self,
        config: Config,
        clock: Clock,
        *,
        only: str | None = None,
        window_s: float = WINDOW_S,
        sources: Iterable[Source] | None = None,
    ) -> None:
        wanted = {i.source for i in config.inputs if only in (None, i.signal)}
        self._config, self._clock = config, clock
        self._columns = index_of(config.signals)
        if sources is None:
            sources = [make_source(s, config, clock) for s in config.sources if s.name in wanted]
            for source in sources:
                source.keep_readings()
        self._sources = {s.name: s for s in sources if s.name in wanted}
        self._recent = [Recent(window_s) for _ in config.signals]
        self._newest: list[Sample | None] = [None] * len(config.signals)
        self._heard = asyncio.Event()

    @property
    def sources(self) -> tuple[Source, ...]:
        """The sources that are read."""
        return tuple(self._sources.values())

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """The sources are read as long as the context lasts. An unexpected error of a source ends it."""
        async with asyncio.TaskGroup() as group:
            tasks = [
                group.create_task(supervise(source, self.take, seed=i), name=f"source {source.name}")
                for i, source in enumerate(self.sources)
            ]
            yield
            for task in tasks:
                task.cancel()

    def take(self, samples: Iterable[Sample]) -> None:
        """Take in what a source delivers."""
        for sample in samples:
            self._newest[sample.signal] = sample
            self._recent[sample.signal].add(sample.t_ms, sample.value, self._quality(sample))
        self._heard.set()

    async def more(self) -> None:
        """Wait until a source delivers again."""
        self._heard.clear()
        await self._heard.wait()

    def forget(self) -> None:
        """Begin the windows anew: what was read while a source or a probe settled counts no longer."""
        for recent in self._recent:
            recent.clear()

    def summary(self, signal: str) -> Summary:
        """What the window says of one signal."""
        return self._recent[self._columns[signal]].summary(self._clock.now_ms())

    def newest(self, signal: str) -> Sample | None:
        """The newest sample of one signal, its quality by the signal's range."""
        sample = self._newest[self._columns[signal]]
        return None if sample is None else sample._replace(quality=self._quality(sample))

    def source_of(self, signal: str) -> Source:
        """The source that delivers the signal."""
        return self._sources[next(i.source for i in self._config.inputs if i.signal == signal)]

    def rows(self) -> tuple[InputRow, ...]:
        """Every input as it is now, in the order of the signals."""
        now_ms = self._clock.now_ms()
        raw = {source.name: source.readings() for source in self.sources}
        return tuple(
            self._row(self._config.signals[self._columns[i.signal]], i, raw[i.source].get, now_ms)
            for i in self._config.inputs
            if i.source in raw
        )

    def _quality(self, sample: Sample) -> Quality:
        signal = self._config.signals[sample.signal]
        if not sample.quality.known:
            return sample.quality
        if not math.isfinite(sample.value):
            return Quality.UNDECODABLE
        if sample.value < signal.low:
            return Quality.BELOW_RANGE
        return Quality.ABOVE_RANGE if sample.value > signal.high else sample.quality

    def _row(self, signal: Signal, origin: Input, raw_of: _RawOf, now_ms: float) -> InputRow:
        column = self._columns[signal.name]
        newest, summary = self.newest(signal.name), self._recent[column].summary(now_ms)
        source = self._sources[origin.source]
        value, words, age_s = None, NOTHING, None
        if newest is not None:
            quality = newest.quality
            age_s = max(now_ms - newest.t_ms, 0.0) / 1000.0
            if age_s * 1000.0 > signal.max_age_ms:
                quality = Quality.STALE
            value, words = newest.value if quality.known else None, quality.words
        wiring = origin.wiring
        raw = raw_of(origin.place)
        scale, unit = (1.0, "") if raw is None else (1.0, raw.unit)
        if wiring is not None and wiring.sensor.reads == "mV":
            scale, unit = 1000.0, "mV"
        beside = raw_of(wiring.beside) if wiring is not None and wiring.beside is not None else None
        return InputRow(
            signal=signal.name,
            meaning=signal.meaning,
            unit=signal.unit,
            source=origin.source,
            channel=origin.place,
            frame="" if raw is None else raw.frame,
            sensor=None if wiring is None else wiring.name,
            calibrated=any(c.signal == signal.name for c in self._config.calibrations),
            counts=None if raw is None else _told(raw.counts),
            raw="" if raw is None else raw.text,
            electrical=None if raw is None else _told(raw.value * scale),
            electrical_unit=unit if raw is not None else "",
            beside=None if beside is None else _told(beside.value),
            beside_unit="" if beside is None else beside.unit,
            ohms=_ohms(wiring.sensor, raw, beside) if wiring is not None else None,
            value=value,
            quality=words,
            age_s=age_s,
            noise=summary.noise,
            rate_hz=summary.rate_hz,
            readings=summary.good + summary.bad,
            unknown=summary.bad,
            source_state=source.health.state,
            problem=source.health.problem,
        )


def _told(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _ohms(sensor: object, raw: RawReading | None, beside: RawReading | None) -> float | None:
    """Resistance of a sensor in a divider as its voltage tells it."""
    if not isinstance(sensor, NtcDivider) or raw is None or beside is None:
        return None
    return _told(float(sensor.ohms(np.float64(raw.value), np.float64(beside.value))))
