"""Reads a CAN bus, through any interface of python-can, and delivers the samples that the DBC finds in its frames.

Theory of operation. The decoders are made in the constructor, so that a wrong configuration shows before anything is
connected. Entering the context starts one thread, which opens the bus, reads until it is told to stop or the bus
fails, and closes it again; opening and closing can hang in a driver and would otherwise stop the event loop. If a
deadline passes the thread is left to itself (a daemon thread, told to stop), and no second one is started beside it.

The thread never waits inside python-can. Every `PERIOD_MS` it takes what has arrived, decodes it there and then, and
hands the samples over with one call to the loop: waking up for each frame costs more than decoding it. All frames of
one such round carry the time at which it began, at most `PERIOD_MS` after they arrived. A round begins `LEAD_MS` before
every tick, so that a frame waits for the next tick and hardly longer. Between thread and loop stands
a bounded queue; when the loop does not keep up the oldest rounds are dropped and counted.

What can go wrong, and who notices: no frame for `silent_after_s` ends the reading, so that the bus is opened anew. A
bus that has not said anything since it was opened is given `first_frame_within_s`, because a vehicle that sleeps is
silent too and must be heard at once when it wakes. Some clients do not notice that their peer has gone and, asked to
wait for a frame, ask the closed connection again and again; on a quiet bus the thread now and then waits a moment in
python-can and looks at its own CPU time to tell. A garbled line of a serial adapter is counted and reading goes on.

Under J1939 the table of 29-bit ids is a `uphaul.sources.j1939.Network`, which goes by parameter group and sender and
brings trouble codes; what stands of these is kept in `health.notes`, and goes when the bus is closed. For a person at
the wiring (`keep_readings`) the bus is opened without filters, and how loaded it is stands there too.

There is no way to send: this module never calls `send`. `listen_only` is passed on to the interfaces that know it,
so that the adapter does not even acknowledge frames; with the kernel's own (`socketcan`) it is set up outside.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from types import TracebackType
from typing import TYPE_CHECKING, Self

from uphaul.clock import Clock
from uphaul.config.spec import CanSpec, Input
from uphaul.errors import SourceError
from uphaul.signals import Sample
from uphaul.sources.base import Deliver, Health, RawReading, Source
from uphaul.sources.can_bus import close_bus, open_bus
from uphaul.sources.can_decode import Decode, Decoder, compile_decoders
from uphaul.sources.can_load import LoadMeter
from uphaul.sources.can_raw import RawFrames
from uphaul.sources.j1939 import Network, group_of

if TYPE_CHECKING:
    from can import BusABC
    from can import Message as Frame

__all__ = ["CanSource"]

PERIOD_MS = 10.0
"""Time between two rounds of reading: a fifth of a tick at 20 Hz, in step with ticks that are multiples."""

LEAD_MS = 2.0
"""How long before a tick the last round begins: enough for decoding and handing over, with some to spare on a Pi."""

ROUND_FRAMES = 512
"""Frames in one round at most, so that a flood is handed over piece by piece."""

ROUND_GARBAGE = 64
"""Garbled lines in one round at most: a driver that only fails must not hold the thread."""

QUEUED_SAMPLES = 50_000
"""Samples that wait for the loop at most: 2 s of a saturated bus and some 5 MB."""

OPEN_WITHIN_S = 15.0
CLOSE_WITHIN_S = 1.0

FIRST_FRAME_WITHIN_S = 35.0
"""Longer than the longest back-off of `supervise`, so that on a sleeping vehicle it starts anew from the shortest."""

WATCH_S = 0.5
"""Silence after which, and then how often, the thread looks whether waiting still waits."""

WAIT_S = 0.02
"""How long that look takes."""

COUNTERS = ("frames", "decoded", "errors", "undecodable", "dropped", "reopened")
J1939_COUNTERS = ("broken_messages", "malformed_dm1")


class CanSource(Source):
    """A CAN bus as a source.

    `inputs` are (column, input) pairs of the signals that come from it. Counters in `health`: `frames` received,
    `decoded` those with a wanted message, `errors` error frames and garbled lines, `undecodable` samples, `dropped`
    samples that the loop came too late for, `reopened`; under J1939 also `broken_messages`, long ones that came to
    nothing, and `malformed_dm1`. Raises ConfigError when the DBC lacks what an input names.
    """

    def __init__(
        self,
        spec: CanSpec,
        inputs: Sequence[tuple[int, Input]],
        clock: Clock,
        *,
        open_within_s: float = OPEN_WITHIN_S,
        first_frame_within_s: float = FIRST_FRAME_WITHIN_S,
    ) -> None:
        super().__init__(spec.name)
        j1939 = spec.protocol == "j1939"
        self.health.counters = dict.fromkeys(COUNTERS + J1939_COUNTERS * j1939, 0)
        self._spec = spec
        self._clock = clock
        self._decoders = compile_decoders(spec.dbc, inputs, j1939=j1939)
        self._open_within_s = open_within_s
        self._first_frame_within_s = max(first_frame_within_s, spec.silent_after_s)
        self._reader: _Reader | None = None
        self._left: threading.Thread | None = None
        self._opened = False
        self._raw: RawFrames | None = None
        self._at_wiring = False

    def keep_readings(self) -> None:
        super().keep_readings()
        self._at_wiring = True

    def lend_readings(self, wanted: bool) -> None:
        self._raw = RawFrames(self._decoders, j1939=self._spec.protocol == "j1939") if wanted else None
        if self._reader is not None:
            self._reader.keep(self._raw)

    def readings(self) -> Mapping[str, RawReading]:
        return {} if self._raw is None else self._raw.readings()

    async def __aenter__(self) -> Self:
        if self._left is not None and self._left.is_alive():
            raise SourceError(f"CAN {self.name}: the driver still hangs in the attempt before")
        reader = _Reader(
            self._spec,
            self._decoders,
            self._clock,
            self.health,
            self._first_frame_within_s,
            raw=self._raw if self._at_wiring else None,
        )
        try:
            reader.thread.start()
            # not asyncio.wait_for: before Python 3.12 that loses a cancellation that comes together with the event
            async with asyncio.timeout(self._open_within_s):
                await reader.opened.wait()
        except TimeoutError:
            self._leave(reader)
            raise SourceError(f"CAN {self.name}: not open after {self._open_within_s:g} s") from None
        except BaseException:
            self._leave(reader)
            raise
        if reader.error is not None:
            raise reader.error
        self.health.counters["reopened"] += self._opened
        self._opened = True
        self._reader = reader
        reader.keep(self._raw)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        reader, self._reader = self._reader, None
        if reader is None:
            return
        self._leave(reader)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(CLOSE_WITHIN_S):
                await reader.ended.wait()
            self._left = None
        self.health.notes = ()

    async def read(self, deliver: Deliver) -> None:
        """Deliver samples until cancelled. Raises SourceError when the bus fails or falls silent."""
        reader = self._reader
        assert reader is not None, "read inside `async with`"
        self.health.problem = "no frame yet"

        def take(samples: Sequence[Sample]) -> None:
            self.health.problem = ""
            deliver(samples)

        reader.deliver_to(take)
        await reader.ended.wait()
        reader.take()
        raise reader.error or SourceError(f"CAN {self.name}: closed")

    def _leave(self, reader: _Reader) -> None:
        reader.stop = True
        self._left = reader.thread


class _Reader:
    """One opening of the bus: its thread, and the queue from there to the loop."""

    def __init__(
        self,
        spec: CanSpec,
        decoders: Sequence[Decoder],
        clock: Clock,
        health: Health,
        first_frame_within_s: float,
        *,
        raw: RawFrames | None,
    ) -> None:
        self.opened = asyncio.Event()
        self.ended = asyncio.Event()
        self.error: BaseException | None = None
        self.stop = False
        self.thread = threading.Thread(target=self._run, name=f"can {spec.name}", daemon=True)
        self._loop = asyncio.get_running_loop()
        self._spec = spec
        self._clock = clock
        self._health = health
        self._counters = health.counters
        self._first_frame_within_s = first_frame_within_s
        standard, extended = _split(decoders)
        self._standard = _table(standard)
        self._extended: dict[int, Decode] | Network
        self._filters = [(d.frame_id, 0x7FF, False) for d in standard]
        if spec.protocol == "j1939":
            self._extended = Network(_table(extended, group_of), spec.source_addresses)
            self._filters += [(number, mask, True) for number, mask in self._extended.filters]
        else:
            self._extended = _table(extended)
            self._filters += [(d.frame_id, 0x1FFFFFFF, True) for d in extended]
        self._plain = self._standard, self._extended
        self.keep(raw)
        self._meter: LoadMeter | None = None
        if raw is not None:
            self._meter, self._filters = LoadMeter(time.monotonic()), []
        self._deliver: Deliver | None = None
        self._lock = threading.Lock()
        self._queue: deque[list[Sample]] = deque()
        self._queued = 0
        self._called = False
        self._told: dict[str, int] = {}

    # On the loop.

    def deliver_to(self, deliver: Deliver) -> None:
        """From now on, hand over to `deliver`."""
        self._deliver = deliver
        self.take()

    def keep(self, raw: RawFrames | None) -> None:
        """From the thread's next round on, keep in `raw` what arrives, or nothing."""
        tables = self._plain
        if raw is not None:
            standard, extended = _split(raw.decoders)
            network = self._plain[1]
            if isinstance(network, Network):
                tables = _table(standard), raw.network(_table(extended, group_of), self._spec.source_addresses, network)
            else:
                tables = _table(standard), _table(extended)
        self._standard, self._extended = tables

    def take(self) -> None:
        """Deliver what is queued."""
        with self._lock:
            self._called = False
            if self._deliver is None or not self._queue:
                return
            samples = self._queue.popleft()
            while self._queue:
                samples += self._queue.popleft()
            self._queued = 0
        self._deliver(samples)

    # In the thread.

    def _run(self) -> None:
        bus = None
        try:
            bus = open_bus(self._spec, self._filters)
            self._tell(self.opened)
            self._read(bus)
        except BaseException as error:  # whatever it is, it goes up on the loop
            self.error = error
        finally:
            if bus is not None:
                close_bus(bus)
            self._tell(self.opened)
            self._tell(self.ended)

    def _tell(self, event: asyncio.Event) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has ended before the thread
            self._loop.call_soon_threadsafe(event.set)

    def _read(self, bus: BusABC) -> None:
        frame: Frame | None = None
        heard = watched = time.monotonic()
        allowed_s = self._first_frame_within_s
        while not self.stop:
            began = time.monotonic()
            if began - max(heard, watched) >= WATCH_S:
                watched = began
                frame, still = self._waits(bus)
                if not still:
                    raise SourceError(f"CAN {self._spec.name}: the other end has gone")
            frames, frame = self._round(bus, frame), None
            now = time.monotonic()
            if frames:
                heard, allowed_s = now, self._spec.silent_after_s
            elif now - heard > allowed_s:
                raise SourceError(f"CAN {self._spec.name}: no frame for {allowed_s:g} s")
            if frames < ROUND_FRAMES:
                time.sleep(pause_s(self._clock.now_ms()))

    def _waits(self, bus: BusABC) -> tuple[Frame | None, bool]:
        """(a frame that came meanwhile, False if waiting for one burnt the time instead of sleeping through it)."""
        cpu, wall = time.thread_time(), time.monotonic()
        frame = None
        try:
            frame = bus.recv(WAIT_S)
        except Exception as error:
            self._judge(bus, error)
        cpu, wall = time.thread_time() - cpu, time.monotonic() - wall
        return frame, frame is not None or cpu < wall / 2 or wall < WAIT_S / 2

    def _judge(self, bus: BusABC, error: Exception) -> None:
        """Count garbage that the bus survives. Raises SourceError for any other failure of the driver."""
        garbage = isinstance(error, (ValueError, IndexError))
        if not garbage and isinstance(error.__cause__, ValueError):
            # A byte that is no ASCII stays in the serial client's buffer and would spoil every line to come.
            flush = getattr(bus, "flush", None)
            garbage = flush is not None
            if flush is not None:
                flush()
        if not garbage:
            raise SourceError(f"CAN {self._spec.name}: {error}") from error
        self._counters["errors"] += 1

    def _round(self, bus: BusABC, frame: Frame | None) -> int:
        """Take in, decode and hand over what has arrived, `frame` first; returns the number of frames."""
        receive = bus.recv
        standard, extended, meter = self._standard, self._extended, self._meter
        t_ms = self._clock.now_ms()
        samples: list[Sample] = []
        frames = decoded = errors = undecodable = garbage = 0
        try:
            while frames < ROUND_FRAMES and garbage < ROUND_GARBAGE:
                if frame is None:
                    try:
                        frame = receive(0)
                    except Exception as error:
                        self._judge(bus, error)
                        garbage += 1
                        continue
                    if frame is None:
                        break
                frames += 1
                if meter is not None:
                    meter.add(frame)
                decode = (extended if frame.is_extended_id else standard).get(frame.arbitration_id)
                if frame.is_error_frame:
                    errors += 1
                elif decode is not None and not frame.is_remote_frame:
                    decoded += 1
                    undecodable += decode(frame.data, t_ms, samples)
                frame = None
            if isinstance(extended, Network) or meter is not None:
                self._tell_notes(t_ms)
        finally:
            if frames and not self.stop:
                counters = self._counters
                counters["frames"] += frames
                counters["decoded"] += decoded
                counters["errors"] += errors
                counters["undecodable"] += undecodable
                if samples:
                    self._hand_over(samples)
        return frames

    def _tell_notes(self, t_ms: float) -> None:
        """Keep what the protocol itself told and how loaded the bus is, and let time pass for them."""
        network, meter = self._extended, self._meter
        notes: tuple[str, ...] = ()
        if isinstance(network, Network):
            network.sweep(t_ms)
            notes = network.troubles.notes
        if meter is not None:
            meter.look(time.monotonic())
            if meter.load is not None:
                notes += (meter.load.words(self._spec.bitrate),)
        if self.stop:
            return
        if notes != self._health.notes:
            self._health.notes = notes
        if not isinstance(network, Network):
            return
        for name, count in zip(J1939_COUNTERS, (network.assembler.broken, network.troubles.malformed), strict=True):
            self._counters[name] += count - self._told.get(name, 0)
            self._told[name] = count

    def _hand_over(self, samples: list[Sample]) -> None:
        with self._lock:
            self._queue.append(samples)
            self._queued += len(samples)
            while self._queued > QUEUED_SAMPLES and len(self._queue) > 1:
                lost = len(self._queue.popleft())
                self._queued -= lost
                self._counters["dropped"] += lost
            call, self._called = not self._called, True
        if call:
            with contextlib.suppress(RuntimeError):  # the loop has ended before the thread
                self._loop.call_soon_threadsafe(self.take)


def pause_s(now_ms: float) -> float:
    """Seconds from `now_ms` on the clock to the next round: `LEAD_MS` before a multiple of `PERIOD_MS`."""
    return (PERIOD_MS - (now_ms + LEAD_MS) % PERIOD_MS) / 1000.0


def _split(decoders: Sequence[Decoder]) -> tuple[list[Decoder], list[Decoder]]:
    """(those of 11-bit ids, those of 29-bit ids)."""
    return [d for d in decoders if not d.extended], [d for d in decoders if d.extended]


def _table(decoders: Sequence[Decoder], key_of: Callable[[int], int] = int) -> dict[int, Decode]:
    """Function by frame id, or by what `key_of` makes of it; two messages may share one."""
    table: dict[int, Decode] = {}
    for decoder in decoders:
        key = key_of(decoder.frame_id)
        first, second = table.get(key), decoder.decode
        table[key] = second if first is None else _both(first, second)
    return table


def _both(first: Decode, second: Decode) -> Decode:
    return lambda data, t_ms, out: first(data, t_ms, out) + second(data, t_ms, out)
