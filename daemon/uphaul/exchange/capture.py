"""Makes the ticks of a drive from the frames of a CAN capture, as the daemon would have made them from the bus.

Theory of operation. Frames go through four stages, batch by batch. *Choosing*: error frames, remote frames and frames
whose data was cut are left out and counted; one bus of the capture is taken. *Ordering* (`order`): by time stamp, with
the newest frames waiting for the next batch. *Decoding*, all frames of a message at once. *Collecting* on the grid of
ticks, from the first frame to the last; a frame arrives when its time stamp says.

A silence longer than `SILENCE_MS` is not filled with ticks: all is stale by then, and the logger was most likely off.

Under J1939, groups and senders are told apart as on the bus; long messages and trouble codes are rare, and go frame by
frame through the same `Network`. What it says becomes remarks, through the same `Collector`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from math import ceil, floor

import numpy as np
import numpy.typing as npt

from uphaul.config.spec import CanSpec, Config
from uphaul.errors import DriveFileError
from uphaul.exchange.capture_file import CUT, ERROR, EXTENDED, ID, REMOTE, Batch, Rest
from uphaul.exchange.capture_report import CaptureReport
from uphaul.exchange.order import Order, Stream
from uphaul.signals import Block, Collector, Event, Quality, Sample
from uphaul.signals.collect_blocks import BlockCollector, Samples
from uphaul.sources.can_batch import Frames, decode_batch
from uphaul.sources.can_decode import Decode, Decoder, compile_decoders
from uphaul.sources.j1939 import ANNOUNCEMENT, DM1, PACKET, Network, group_of

__all__ = ["SILENCE_MS", "Capture", "pick_source"]

SILENCE_MS = 60_000.0
"""Our own choice: far longer than any signal is believed (`max_age_s`), shorter than a stop worth a look."""

_ProtocolFrame = tuple[float, int, bytes]
"""Time in ms, 29-bit id, data."""

UNKNOWN, OTHER_SENDER, PROTOCOL = -1, -2, -3
"""In the place of a message: frames that nobody wants, of a sender that is not listened to, of the protocol itself."""


def pick_source(config: Config, name: str | None) -> CanSpec:
    """The configuration's CAN bus of that name, or its only one. Raises DriveFileError."""
    buses = [s for s in config.sources if isinstance(s, CanSpec)]
    known = ", ".join(s.name for s in buses)
    if not buses:
        raise DriveFileError("the configuration has no CAN bus, so a capture cannot be decoded: add [source.NAME]")
    if name is None:
        if len(buses) > 1:
            raise DriveFileError(f"the configuration has several CAN buses ({known}): name the capture's with --source")
        return buses[0]
    for spec in buses:
        if spec.name == name:
            return spec
    raise DriveFileError(f"--source {name}: the configuration has no such CAN bus; it has: {known}")


class Capture:
    """The capture of one bus, `spec` of `config`. `channel` names it in the file; None: there must be one alone.

    `report` counts what was left out. Raises ConfigError when the DBC lacks what an input names.
    """

    def __init__(self, config: Config, spec: CanSpec, *, channel: str | None = None) -> None:
        self.report = CaptureReport()
        inputs = [(i, item) for i, s in enumerate(config.signals) for item in config.inputs if item.signal == s.name]
        own = [(i, item) for i, item in inputs if item.source == spec.name]
        self._decoders = compile_decoders(spec.dbc, own, j1939=spec.protocol == "j1939")
        self._names = [s.name for s in config.signals]
        self._unheard = {i: s.name for i, s in enumerate(config.signals) if not s.computed}
        self._channel = channel
        self._grid_ms = 1000 // config.tick_hz
        self._bus = spec.name
        self._table = _Table(self._decoders, spec)
        tune = config.tune_input
        self._collector = BlockCollector(
            config.signals,
            config.tunes,
            tune_signal=None if tune is None else tune.signal,
            tune_reading=None if tune is None else tune.reading(config.tunes),
        )
        self._remarks = Collector(())
        self._order = Order()
        self._origin_s: float | None = None
        self._last_ms = 0.0
        self._next_ms = 0
        self.at = 0

    @property
    def begun_s(self) -> float | None:
        """The first frame's time stamp in s; None before it."""
        return self._origin_s

    def blocks(self, batches: Iterable[Batch | Rest]) -> Iterator[Block]:
        """The drive's ticks, ready for the row. Raises DriveFileError when what came when cannot be told."""
        for batch in batches:
            if isinstance(batch, Rest):
                self.report.notes += batch.notes
                continue
            self.at = batch.at
            stream = self._order.take(self._chosen(batch))
            yield from self._block(stream, self._order.limit_s)
        yield from self._block(self._order.rest(), None)
        self.report.moved, self.report.furthest_ms = self._order.moved, self._order.furthest_s * 1000.0
        self._check()

    def _check(self) -> None:
        report = self.report
        if self._origin_s is None:
            raise DriveFileError(f"not one frame that could be used: {'; '.join(report.lines()) or 'it is empty'}")
        if not report.decoded:
            wanted = ", ".join(f"{d.message} ({_hex(d.frame_id, d.extended)})" for d in self._decoders[:8])
            raise DriveFileError(
                f"none of {report.frames} frames is one that the configuration reads from '{self._bus}': it reads "
                f"{wanted or 'nothing'}; the capture has {report.unknown_ids()}. Is the DBC the one of this vehicle?"
            )
        self._order.check_mixed()
        if self._unheard:
            report.notes.append(f"never in the capture, so unknown throughout: {', '.join(self._unheard.values())}")

    def _chosen(self, batch: Batch) -> Stream:
        report = self.report
        report.frames += len(batch)
        start = np.cumsum(batch.length) - batch.length
        stream = Stream(batch.t_s, batch.key, start, batch.length, np.frombuffer(batch.data, np.uint8))
        bad = batch.key & (ERROR | REMOTE | CUT)
        good = bad == 0
        if not good.all():
            report.errors += int(np.count_nonzero(bad & ERROR))
            report.remote += int(np.count_nonzero((bad & (ERROR | REMOTE)) == REMOTE))
            report.cut += int(np.count_nonzero(bad == CUT))
        if len(batch.channels) > 1 or self._channel is not None:
            good &= self._on_channel(batch, good)
        return stream if good.all() else stream.only(np.flatnonzero(good))

    def _on_channel(self, batch: Batch, good: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
        there = [batch.channels[i] for i in np.unique(batch.channel[good]).tolist()]
        self.report.channels.update(dict.fromkeys(there))
        seen = list(self.report.channels)
        if self._channel is None:
            if len(seen) > 1:
                named = ", ".join(repr(name) for name in seen)
                raise DriveFileError(f"the capture holds several buses ({named}): name the one to take with --channel")
            return good
        number = batch.channels.index(self._channel) if self._channel in batch.channels else -1
        mine: npt.NDArray[np.bool_] = batch.channel == number
        self.report.elsewhere += int(np.count_nonzero(good & ~mine))
        return mine

    # -- one stretch of ordered frames ----------------------------------------------------------------------------

    def _block(self, stream: Stream, limit_s: float | None) -> Iterator[Block]:
        """The ticks that are complete with these frames; None: all that are left."""
        if self._origin_s is None:
            if not len(stream):
                return
            self._origin_s = float(stream.t_s[0])
        # Time stamps are since 1970 as a rule, of which a double holds a quarter of a microsecond.
        t_ms = np.round((stream.t_s - self._origin_s) * 1000.0, 3)
        until_ms: float = self._grid_ms * ceil((t_ms[-1] if len(t_ms) else self._last_ms) / self._grid_ms)
        if limit_s is not None:
            until_ms = round((limit_s - self._origin_s) * 1000.0, 3)
        found: dict[int, list[Samples]] = {}
        protocol = self._decode(stream, t_ms, found)
        ticks = self._ticks(t_ms, until_ms)
        events = self._protocol(protocol, ticks, found)
        for column, parts in found.items():
            if any(len(part) for part in parts):
                self._unheard.pop(column, None)
                self._collector.add(column, _in_order(parts))
        if len(ticks):
            block = self._collector.collect(ticks)
            yield replace(block, events=events) if events else block

    def _ticks(self, t_ms: npt.NDArray[np.float64], until_ms: float) -> npt.NDArray[np.int64]:
        times = np.concatenate(([self._last_ms], t_ms))
        pieces = []
        for i in np.flatnonzero(np.diff(times) > SILENCE_MS).tolist():
            quiet, again = float(times[i]), float(times[i + 1])
            pieces.append(self._ticks_to(quiet + SILENCE_MS))
            self._next_ms = self._grid_ms * ceil(again / self._grid_ms)
            self.report.silences.append((quiet, again))
        self._last_ms = float(times[-1])
        pieces.append(self._ticks_to(min(until_ms, self._last_ms + SILENCE_MS)))
        return np.concatenate(pieces)

    def _ticks_to(self, t_ms: float) -> npt.NDArray[np.int64]:
        ticks = np.arange(self._next_ms, floor(t_ms) + 1, self._grid_ms, dtype=np.int64)
        if len(ticks):
            self._next_ms = int(ticks[-1]) + self._grid_ms
        return ticks

    def _decode(
        self, stream: Stream, t_ms: npt.NDArray[np.float64], found: dict[int, list[Samples]]
    ) -> list[_ProtocolFrame]:
        """Put the samples of the frames into `found`, by column; the frames of the protocol itself remain."""
        if not len(stream):
            return []
        ids, inverse, counts = np.unique(stream.key, return_inverse=True, return_counts=True)
        kinds = np.array([self._table.kind(k) for k in ids.tolist()], dtype=np.int64)
        for k, n in zip(ids[kinds == UNKNOWN].tolist(), counts[kinds == UNKNOWN].tolist(), strict=True):
            self.report.unknown[_hex(k & ID, bool(k & EXTENDED))] += n
        self.report.other_senders += int(counts[kinds == OTHER_SENDER].sum())
        own = kinds[inverse]
        order = np.argsort(own, kind="stable")
        protocol = []
        starts = np.searchsorted(own[order], kinds_there := np.unique(kinds))
        for kind, begin, end in zip(kinds_there.tolist(), starts, [*starts[1:], len(order)], strict=True):
            rows = order[begin:end]
            if kind == PROTOCOL:
                self.report.decoded += len(rows)
                protocol = [(float(t_ms[i]), int(stream.key[i]) & ID, stream.bytes_of(i)) for i in rows.tolist()]
            elif kind >= 0:
                self.report.decoded += len(rows)
                frames = Frames(t_ms[rows], stream.table(rows), stream.length[rows])
                for decoder in self._table.decoders[kind]:
                    self._of_message(decoder, frames, found)
        return protocol

    def _of_message(self, decoder: Decoder, frames: Frames, found: dict[int, list[Samples]]) -> None:
        need = max(want.field.end for want in decoder.wants)
        if int(frames.length.min()) < need:
            self.report.short[decoder.message] += int(np.count_nonzero(frames.length < need))
        for column, samples in decode_batch(decoder.wants, frames):
            found.setdefault(column, []).append(samples)
            if samples.quality.any():
                bad = int(np.count_nonzero(samples.quality == Quality.UNDECODABLE))
                self.report.undecodable[self._names[column]] += bad

    def _protocol(
        self, frames: list[_ProtocolFrame], ticks: npt.NDArray[np.int64], found: dict[int, list[Samples]]
    ) -> tuple[Event, ...]:
        """Let the protocol hear its frames and let time pass for it; the remarks that come of it.

        What long messages say goes into `found`.
        """
        network = self._table.network
        if network is None or not (frames or network.waiting):
            return ()
        out: list[Sample] = []
        events: list[Event] = []
        left = iter(frames)
        frame = next(left, None)
        for tick in [*ticks.tolist(), None]:
            while frame is not None and (tick is None or frame[0] <= tick):
                t_ms, can_id, data = frame
                network.sweep(t_ms)
                decode = network.get(can_id)
                if decode is not None:
                    decode(data, t_ms, out)
                frame = next(left, None)
            if tick is not None:
                network.sweep(tick)
                self._remarks.notes(self._bus, network.troubles.notes)
                events += self._remarks.collect(tick).block(tick).events
        for column in {s.signal for s in out}:
            own = [s for s in out if s.signal == column]
            columns = [np.array([s[k] for s in own], dtype=np.float64) for k in (1, 2, 3)]
            found.setdefault(column, []).append(Samples(columns[0], columns[1], columns[2].astype(np.int8)))
        self.report.broken = network.assembler.broken + network.troubles.malformed
        return tuple(events)


def _in_order(parts: list[Samples]) -> Samples:
    """Joined and in order of time: two messages of one signal may come by turns."""
    joined = Samples.joined(parts)
    if len(parts) == 1:
        return joined
    order = np.argsort(joined.t_ms, kind="stable")
    return Samples(joined.t_ms[order], joined.value[order], joined.quality[order])


def _hex(number: int, extended: bool) -> str:
    return f"{number:08X}" if extended else f"{number:03X}"


class _Table:
    """Which message a frame's id stands for, asked once an id. `decoders` holds the messages by number."""

    def __init__(self, decoders: tuple[Decoder, ...], spec: CanSpec) -> None:
        self.decoders: list[list[Decoder]] = []
        self.network: Network | None = None
        self._numbers: dict[int, int] = {}
        self._senders = spec.source_addresses
        groups: dict[int, list[Decoder]] = {}
        self._groups: dict[int, int] = {}
        self._kinds: dict[int, int] = {}
        j1939 = spec.protocol == "j1939"
        for decoder in decoders:
            if j1939 and decoder.extended:
                groups.setdefault(group_of(decoder.frame_id), []).append(decoder)
            else:
                key = decoder.frame_id | (EXTENDED if decoder.extended else 0)
                self._add(self._numbers, key, decoder)
        for group, members in groups.items():
            for decoder in members:
                self._add(self._groups, group, decoder)
        if j1939:
            self.network = Network({g: _all_of(members) for g, members in groups.items()}, spec.source_addresses)

    def _add(self, numbers: dict[int, int], key: int, decoder: Decoder) -> None:
        if key not in numbers:
            numbers[key] = len(self.decoders)
            self.decoders.append([])
        self.decoders[numbers[key]].append(decoder)

    def kind(self, key: int) -> int:
        """The number of the messages, or what the frame is instead."""
        found = self._kinds.get(key)
        if found is None:
            found = self._kinds[key] = self._kind(key)
        return found

    def _kind(self, key: int) -> int:
        if self.network is None or not key & EXTENDED:
            return self._numbers.get(key, UNKNOWN)
        group, sender = group_of(key & ID), key & 0xFF
        if self._senders is not None and sender not in self._senders:
            return OTHER_SENDER
        if group == DM1 or (group in (ANNOUNCEMENT, PACKET) and (key >> 8) & 0xFF == 0xFF):
            return PROTOCOL
        return self._groups.get(group, UNKNOWN)


def _all_of(decoders: list[Decoder]) -> Decode:
    def decode(data: bytes | bytearray, t_ms: float, out: list[Sample]) -> int:
        return sum(d.decode(data, t_ms, out) for d in decoders)

    return decode
