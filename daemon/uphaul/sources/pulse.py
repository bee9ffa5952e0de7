"""Reads engine speed from pulses: edges of a GPIO line with the kernel's time stamps, or the kernel's counter of them.

Theory of operation. The kernel stamps each edge in its interrupt and keeps up to 1,024 of them; every `every_ms` what
has gathered is taken from it, without ever waiting, and handed to `EdgeSpeed`. How late this program comes therefore
changes nothing in the speed. The time of a sample is that of its last edge. If the kernel had to throw edges away,
their numbers have a hole: the measurement begins anew behind it, and what was lost is counted (`dropped`).

A counter is a file to read, in a thread, because some sit behind a slow bus. It is never set up or switched on from
here: that belongs to the board's device tree and to udev.

A chip or counter that is not there, or goes, ends the reading with `SourceError`; meanwhile nothing is delivered and
the signal goes stale. That differs from an engine that stands: no edges on a line that can be read are 0 rpm. A
broken wire looks like that too. Which levels a line takes for an edge, and whether the pick-up's circuit delivers
them, only the vehicle shows.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import timedelta
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from uphaul.clock import Clock
from uphaul.config.spec import Input, PulseSpec
from uphaul.errors import SourceError
from uphaul.signals import Quality, Sample
from uphaul.signals.pulse import CountSpeed, EdgeSpeed, Speed
from uphaul.sources.base import Deliver, RawReading, Source

__all__ = ["Edge", "Line", "PulseSource", "open_line"]

BUFFERED_EDGES = 1024
"""Edges that the kernel keeps for a line at most. Source: include/uapi/linux/gpio.h, `event_buffer_size` is capped at
GPIO_V2_LINES_MAX * 16 = 1024."""

READS = 2
"""Full buffers in one round at most: noise on an open input must not hold the loop."""

NS_PER_MS = 1e6
COUNTERS = ("edges", "glitches", "restarts", "dropped", "garbage")


class Edge(Protocol):
    """One edge, as gpiod gives it."""

    @property
    def timestamp_ns(self) -> int:
        """When the kernel saw it, on CLOCK_MONOTONIC."""

    @property
    def line_seqno(self) -> int:
        """Its number on this line, without a hole unless edges were thrown away."""


class Line(Protocol):
    """A requested GPIO line, the part of gpiod's LineRequest that is used."""

    def wait_edge_events(self, timeout: timedelta | float | None = None) -> bool:
        """Whether edges have gathered."""

    def read_edge_events(self, max_events: int | None = None) -> Sequence[Edge]:
        """Take the edges that have gathered."""

    def release(self) -> None:
        """Give the line back."""


def open_line(spec: PulseSpec) -> Line:
    """The line, asked for its edges. Raises SourceError: with ``retry=False`` when no retry can mend it."""
    try:
        import gpiod
        from gpiod import line
    except ImportError as error:
        needed = "the GPIO library is needed: pip install 'uphaul[gpio]'"
        raise SourceError(f"pulses {spec.name}: {needed} ({error})", retry=False) from error
    settings = gpiod.LineSettings(
        direction=line.Direction.INPUT,
        edge_detection={"rising": line.Edge.RISING, "falling": line.Edge.FALLING}[spec.edge],
        bias={
            "as-is": line.Bias.AS_IS,
            "disabled": line.Bias.DISABLED,
            "pull-up": line.Bias.PULL_UP,
            "pull-down": line.Bias.PULL_DOWN,
        }[spec.bias],
        event_clock=line.Clock.MONOTONIC,
    )
    where = f"line {spec.line} of {spec.chip}"
    try:
        return gpiod.request_lines(
            spec.chip, {spec.line: settings}, consumer="uphaul", event_buffer_size=BUFFERED_EDGES
        )
    except OSError as error:
        raise SourceError(f"pulses {spec.name}: {where} cannot be had: {error.strerror or error}") from error
    except ValueError as error:  # no line of that number or name
        raise SourceError(f"pulses {spec.name}: {where}: {error}", retry=False) from error


class PulseSource(Source):
    """Pulses as a source; every input gets the speed in rpm.

    Counters in `health`: `edges` seen or counted, `glitches` left out, `restarts` of the measurement, `dropped` edges
    that were lost in the kernel, `garbage` readings of a counter. `open_line` and `monotonic_ns` are for tests.
    """

    def __init__(
        self,
        spec: PulseSpec,
        inputs: Sequence[tuple[int, Input]],
        clock: Clock,
        *,
        open_line: Callable[[PulseSpec], Line] = open_line,
        monotonic_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        super().__init__(spec.name)
        self.health.counters = dict.fromkeys(COUNTERS, 0)
        self._spec, self._clock = spec, clock
        self._inputs = [(column, i.factor, i.offset) for column, i in inputs]
        self._open_line, self._now_ns = open_line, monotonic_ns
        self._line: Line | None = None
        self._edges: EdgeSpeed | None = None
        self._counter: _Counter | None = None
        self._hz_per_rpm = spec.wheel.speed.pulses_per_turn / 60.0
        self._raw: RawReading | None = None

    async def __aenter__(self) -> Self:
        spec = self._spec
        if spec.counter:
            self._counter = await asyncio.to_thread(_Counter, spec, self._now_ns)
        else:
            self._line, self._edges = self._open_line(spec), EdgeSpeed(spec.wheel)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        line, self._line, self._counter = self._line, None, None
        if line is not None:
            with contextlib.suppress(OSError):  # what is gone cannot be given back
                line.release()

    async def read(self, deliver: Deliver) -> None:
        counters, sequence = self.health.counters, -1
        due_ms = self._clock.now_ms()
        while True:
            if self._counter is not None:
                speed = await asyncio.to_thread(self._counter.take)
                counters["garbage"] += speed is not None and speed.quality is Quality.UNDECODABLE
                self._count(self._counter.speed)
            else:
                assert self._line is not None and self._edges is not None, "read follows opening"
                speed, sequence = self._take_edges(self._line, self._edges, sequence)
                self._count(self._edges)
            if speed is not None:
                t_ms = self._clock.now_ms() - max(self._now_ns() - speed.at_ns, 0) / NS_PER_MS
                self._raw = RawReading(t_ms, speed.rpm * self._hz_per_rpm, "Hz")
                deliver([Sample(c, t_ms, speed.rpm * f + o, speed.quality) for c, f, o in self._inputs])
            due_ms = max(due_ms + self._spec.every_ms, self._clock.now_ms())
            await self._clock.sleep_until(due_ms)

    def readings(self) -> Mapping[str, RawReading]:
        """Pulses a second, those of missing teeth included."""
        return {"rpm": self._raw} if self._raw is not None else {}

    def _count(self, speed: EdgeSpeed | CountSpeed) -> None:
        """Move what was counted since the last time to `health`, whose counters outlive a reopening."""
        counters = self.health.counters
        counters["edges"] += speed.edges
        counters["restarts"] += speed.restarts
        speed.edges = speed.restarts = 0
        if isinstance(speed, EdgeSpeed):
            counters["glitches"] += speed.glitches
            speed.glitches = 0

    def _take_edges(self, line: Line, edges: EdgeSpeed, sequence: int) -> tuple[Speed | None, int]:
        """(the speed by the edges that have gathered, number of the last one)."""
        now_ns = self._now_ns()
        try:
            for _ in range(READS):
                if not line.wait_edge_events(0):
                    break
                for edge in line.read_edge_events(BUFFERED_EDGES):
                    number = edge.line_seqno
                    if sequence >= 0 and number != sequence + 1:
                        self.health.counters["dropped"] += max(number - sequence - 1, 0)
                        edges.lost()
                    sequence = number
                    edges.edge(edge.timestamp_ns)
        except OSError as error:
            gone = f"line {self._spec.line} of {self._spec.chip} has gone: {error.strerror or error}"
            raise SourceError(f"pulses {self._spec.name}: {gone}") from error
        return edges.take(now_ns), sequence


class _Counter:
    """One count of a kernel counter. Everything here blocks, a little."""

    def __init__(self, spec: PulseSpec, now_ns: Callable[[], int]) -> None:
        self._name, self._now_ns = spec.name, now_ns
        device, _, count = spec.counter.partition("/")
        folder = self._device(Path(spec.folder), device) / count
        if not folder.is_dir():
            raise SourceError(f"pulses {spec.name}: counter {device} has no {count}")
        self._file = folder / "count"
        self._enable = folder / "enable"
        self._need_enabled()
        # without a ceiling of its own the count is taken never to wrap: if it does, the measurement begins anew
        top = self._whole(folder / "ceiling")
        self.speed = CountSpeed(spec.wheel, spec.gate_ms * 1_000_000, 2**64 if top is None or top < 1 else top + 1)

    def _device(self, top: Path, wanted: str) -> Path:
        try:
            for folder in sorted(top.iterdir()):
                if folder.name == wanted or self._text(folder / "name") == wanted:
                    return folder
        except FileNotFoundError:
            pass
        raise SourceError(f"pulses {self._name}: no counter {wanted} under {top}")

    def _text(self, file: Path) -> str | None:
        """What the file says, None if there is none."""
        try:
            return file.read_text(encoding="ascii", errors="replace").strip()
        except (FileNotFoundError, NotADirectoryError):
            return None
        except OSError as error:
            raise SourceError(f"pulses {self._name}: {file} cannot be read: {error.strerror or error}") from error

    def _whole(self, file: Path) -> int | None:
        text = self._text(file)
        return int(text) if text is not None and text.isascii() and text.isdigit() and len(text) <= 20 else None

    def _need_enabled(self) -> None:
        if self._text(self._enable) == "0":
            raise SourceError(f"pulses {self._name}: the counter is switched off: {self._enable} must say 1")

    def take(self) -> Speed | None:
        """The speed by the count as it is now. Raises SourceError when the counter has gone."""
        count, now_ns = self._whole(self._file), self._now_ns()
        if count is not None:
            return self.speed.take(now_ns, count)
        if self._text(self._file) is None:
            raise SourceError(f"pulses {self._name}: {self._file} has gone")
        return Speed(float("nan"), Quality.UNDECODABLE, now_ns)
