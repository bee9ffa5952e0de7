"""Reads analogue and thermocouple converters that drivers of the kernel show as files, and delivers what hangs on them.

Theory of operation. Entering the context looks for the device by where it is wired (I2C address, SPI chip select, or
its label) among all that the kernel shows, never by its number, which changes from boot to boot; the scales are read
then. `read` asks for one round after another, `rate_hz` of them a second, all in one thread of the source's own: a
driver may take long over a conversion or hang in a bus, and a tick must not. A hung thread is left to itself (a daemon
thread), and no second one is started beside it. Rounds that can't keep up are counted as `late` and not made up for.

A reading goes (raw + offset) * scale, in mV or thousandths of a degree, times the divider, into the sensor's transfer
function together with what is measured beside it. Then the guard of a probe watches for its wire to break; its state
outlives a reopening.

What can go wrong: a device that has gone (its files are away or say so) or does not answer for `SILENT_S` ends the
reading, so that it is looked for anew, under whatever number it returns. A single failed reading is counted and
left out, and the signal grows stale if it stays; text that is no number is delivered as undecodable. A converter
for thermocouples tells of its fault bits by failing to be read, see `fault_of`: that is a quality, not a failure.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import math
import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

import numpy as np

from uphaul.clock import Clock
from uphaul.config.spec import AdcSpec, Input, Wiring
from uphaul.errors import SourceError
from uphaul.signals import Sample
from uphaul.signals.transfer import LinearisedConverter, ProbeState, Reading, StraightLineConverter
from uphaul.sources.adc_files import fault_of, find_device, number_in, scale_of
from uphaul.sources.base import Deliver, RawReading, Source

__all__ = ["AdcSource"]

SILENT_S = 1.0
"""A device of which nothing could be read for so long is opened anew."""

ANSWER_WITHIN_S = 5.0
"""A round that takes longer hangs in the driver: an I2C bus gives up after 1 s at the most (common practice)."""

CLOSE_WITHIN_S = 1.0

GONE = frozenset({errno.ENODEV, errno.ENOENT, errno.ENXIO, errno.ENOTDIR, errno.ESTALE})
"""What the kernel says of a device that is no more."""

COUNTERS = ("rounds", "late", "errors", "undecodable", "reopened")

T = TypeVar("T")


@dataclass(slots=True)
class _Wired:
    """One signal: where it goes, what hangs on the channel, and the state of the probe's guard."""

    column: int
    input: Input
    wiring: Wiring
    probe: ProbeState = field(default_factory=ProbeState)


@dataclass(frozen=True, slots=True)
class _Channel:
    """A channel's file and what makes volts (mV for millivolts) or degC of its number: (raw + offset) * factor."""

    path: str
    offset: float
    factor: float
    unit: str
    raw: bool


class AdcSource(Source):
    """A converter as a source.

    `inputs` are (column, input) pairs of the signals that come from it, each with its wiring. Counters in `health`:
    `rounds` of reading, `late` ones that came after their time, `errors` readings that failed, `undecodable` ones,
    `reopened`.
    """

    def __init__(
        self,
        spec: AdcSpec,
        inputs: Sequence[tuple[int, Input]],
        clock: Clock,
        *,
        answer_within_s: float = ANSWER_WITHIN_S,
    ) -> None:
        super().__init__(spec.name)
        self.health.counters = dict.fromkeys(COUNTERS, 0)
        self._spec = spec
        self._clock = clock
        self._wired = [_Wired(column, i, i.wiring) for column, i in inputs if i.wiring is not None]
        self._divider = dict(spec.divider)
        self._channels: dict[str, _Channel] = {}
        self._raw: dict[str, RawReading] = {}
        self._device = Path(spec.folder)
        self._worker: _Worker | None = None
        self._failing_ms: float | None = None
        self._opened = False
        self._answer_within_s = answer_within_s

    async def __aenter__(self) -> Self:
        if self._worker is not None and not self._worker.ended.is_set():
            raise SourceError(f"ADC {self.name}: the driver still hangs in the reading before")
        self._worker = _Worker(f"adc {self.name}")
        try:
            await self._ask(self._open)
        except BaseException as error:
            self._worker.end()
            if isinstance(error, SourceError):
                await self._ended()
            raise
        self.health.counters["reopened"] += self._opened
        self._opened = True
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._worker is not None:
            self._worker.end()
            await self._ended()

    async def read(self, deliver: Deliver) -> None:
        """Deliver samples until cancelled. Raises SourceError when the device has gone or does not answer."""
        loop = asyncio.get_running_loop()
        period_s, number = 1.0 / self._spec.rate_hz, 0
        due_s = loop.time()
        self._failing_ms = None
        while True:
            samples = await self._ask(lambda n=number: self._round(n))  # type: ignore[misc]
            if samples:
                deliver(samples)
            number += 1
            due_s += period_s
            left_s = due_s - loop.time()
            if left_s < 0:
                self.health.counters["late"] += 1
                due_s -= left_s
            await asyncio.sleep(max(left_s, 0.0))

    def readings(self) -> Mapping[str, RawReading]:
        """The newest of every channel: counts of the converter, and volts at the wire or degC."""
        return dict(self._raw)

    async def _ended(self) -> None:
        """Give the thread a moment to end; one that hangs is left alone."""
        if self._worker is not None:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(CLOSE_WITHIN_S):
                    await self._worker.ended.wait()

    async def _ask(self, what: Callable[[], T]) -> T:
        """The answer of the thread. Raises SourceError when it takes too long."""
        assert self._worker is not None, "within `async with`"
        try:
            # not wait_for: before Python 3.12 it forgets a cancellation that comes together with the answer
            async with asyncio.timeout(self._answer_within_s):
                return await self._worker.ask(what)
        except TimeoutError:
            raise SourceError(f"ADC {self.name}: no answer of the driver in {self._answer_within_s:g} s") from None

    # In the thread.

    def _open(self) -> None:
        """Find the device and read its scales."""
        names = dict.fromkeys(name for w in self._wired for name in (w.input.field, w.wiring.beside) if name)
        try:
            self._device = find_device(self._spec, tuple(names))
            self._channels = {name: self._channel(name) for name in names}
        except OSError as error:
            raise SourceError(f"ADC {self.name}: {error.strerror or error}") from error

    def _channel(self, name: str) -> _Channel:
        offset, milli = scale_of(self._device, name)
        processed = not (self._device / f"in_{name}_raw").exists()
        path = self._device / f"in_{name}_{'input' if processed else 'raw'}"
        unit = "degC" if name.startswith("temp") else "V"
        return _Channel(str(path), offset, milli / 1000.0 * self._divider.get(name, 1.0), unit, raw=not processed)

    def _round(self, number: int) -> list[Sample]:
        """Read every channel that is due once, and make samples of what was read."""
        counters, seen = self.health.counters, _Seen(self._read)
        samples: list[Sample] = []
        for wired in self._wired:
            if number % wired.wiring.every:
                continue
            found = self._sample(wired, seen)
            if found is not None:
                samples.append(found)
        counters["rounds"] += 1
        counters["errors"] += len(seen.failed)
        counters["undecodable"] += seen.undecodable
        if seen.values or samples:
            self._failing_ms = None
        elif seen.failed:
            now_ms = self._clock.now_ms()
            self._failing_ms = self._failing_ms or now_ms
            if now_ms - self._failing_ms > SILENT_S * 1000.0:
                raise SourceError(f"ADC {self.name}: does not answer: {next(iter(seen.failed.values())).strerror}")
        return samples

    def _read(self, name: str) -> tuple[float, float]:
        """(time in ms, mean of the channel in V or degC); NaN for what is no number. Raises OSError, SourceError."""
        channel = self._channels[name]
        t_ms, total = self._clock.now_ms(), 0.0
        try:
            for _ in range(self._spec.oversample):
                total += number_in(channel.path)
        except OSError as error:
            if error.errno in GONE:
                raise SourceError(f"ADC {self.name}: the device has gone") from error
            raise
        counts = total / self._spec.oversample
        value = (counts + channel.offset) * channel.factor
        self._raw[name] = RawReading(t_ms, value, channel.unit, counts if channel.raw else None)
        return t_ms, value

    def _sample(self, wired: _Wired, seen: _Seen) -> Sample | None:
        wiring, sensor = wired.wiring, wired.wiring.sensor
        beside = math.nan
        if wiring.beside is not None:
            got = seen.of(wiring.beside)
            if isinstance(got, OSError):
                return None
            beside = got[1]
        got = seen.of(wired.input.field)
        if isinstance(got, OSError):
            fault = (
                fault_of(self._device, got) if isinstance(sensor, LinearisedConverter | StraightLineConverter) else None
            )
            if fault is None:
                return None
            del seen.failed[wired.input.field]  # the converter answered, with what its fault bits say
            t_ms, reading = self._clock.now_ms(), Reading(np.array([math.nan]), np.array([fault], dtype=np.int8))
        else:
            t_ms, value = got
            if sensor.reads == "mV":
                value *= 1000.0
            reading = sensor.read(np.array([value]), np.array([beside]))
        if wiring.guard is not None:
            reading, wired.probe = wiring.guard.watch(np.array([t_ms / 1000.0]), reading, wired.probe)
        value, quality = reading.one()
        return Sample(wired.column, t_ms, value * wired.input.factor + wired.input.offset, quality)


class _Seen:
    """What was read in one round: each channel once, however many signals need it."""

    def __init__(self, read: Callable[[str], tuple[float, float]]) -> None:
        self._read = read
        self.values: dict[str, tuple[float, float]] = {}
        self.failed: dict[str, OSError] = {}
        self.undecodable = 0

    def of(self, name: str) -> tuple[float, float] | OSError:
        if name not in self.values and name not in self.failed:
            try:
                self.values[name] = self._read(name)
                self.undecodable += math.isnan(self.values[name][1])
            except OSError as error:
                self.failed[name] = error
        return self.values.get(name) or self.failed[name]


class _Worker:
    """One thread that does one thing after the other; it dies with the process, however it hangs."""

    def __init__(self, name: str) -> None:
        self._loop = asyncio.get_running_loop()
        self._asked: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self.ended = asyncio.Event()
        self.thread = threading.Thread(target=self._run, name=name, daemon=True)
        self.thread.start()

    def ask(self, what: Callable[[], T]) -> asyncio.Future[T]:
        """Do `what` in the thread; its result or exception comes with the future."""
        future: asyncio.Future[T] = self._loop.create_future()

        def work() -> None:
            try:
                result = what()
            except BaseException as error:  # whatever it is, it goes up on the loop
                self._tell(lambda e=error: None if future.done() else future.set_exception(e))  # type: ignore[misc]
            else:
                self._tell(lambda: None if future.done() else future.set_result(result))

        self._asked.put(work)
        return future

    def end(self) -> None:
        """Ask the thread to end; returns at once."""
        self._asked.put(None)

    def _run(self) -> None:
        while (work := self._asked.get()) is not None:
            work()
        self._tell(self.ended.set)

    def _tell(self, what: Callable[[], None]) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has ended before the thread
            self._loop.call_soon_threadsafe(what)
