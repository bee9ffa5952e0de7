"""The CAN source on real transports: a serial line and TCP, with peers that garble, hang up and come back."""

from __future__ import annotations

import asyncio
import sys
import threading
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any, Self

import can
import pytest

from support.collected import WITHIN_S, Collected, listening, reading
from support.slcan_peer import SlcanPeer
from support.socketcand_hub import SocketcandHub
from uphaul.clock import Clock
from uphaul.config.spec import CanSpec, Input
from uphaul.errors import ConfigError, SourceError
from uphaul.signals import Quality
from uphaul.sources.base import supervise
from uphaul.sources.can import CanSource

pytestmark = pytest.mark.asyncio

DBC = """VERSION ""
BU_: X
BO_ 256 EngineBox: 8 X
 SG_ Egt1 : 0|16@1+ (0.1,0) [0|0] "degC" X
 SG_ Boost : 16|16@1+ (0.1,0) [0|0] "kPa" X
BO_ 2566843904 ET1: 8 X
 SG_ Coolant : 0|8@1+ (1,-40) [0|0] "degC" X
"""

INPUTS = [
    (0, Input("egt", "bus", "EngineBox", "Egt1")),
    (1, Input("boost", "bus", "EngineBox", "Boost")),
    (2, Input("coolant", "bus", "ET1", "Coolant")),
]


def frame(egt: float, boost: float = 100.0) -> can.Message:
    data = round(egt * 10).to_bytes(2, "little") + round(boost * 10).to_bytes(2, "little") + bytes(4)
    return can.Message(arbitration_id=0x100, is_extended_id=False, data=data)


def coolant(degc: int) -> can.Message:
    return can.Message(arbitration_id=0x18FEEE00, is_extended_id=True, data=bytes([degc + 40]) + bytes(7))


def serial(path: Path, *, silent_after_s: float = 2.0, **more: object) -> CanSpec:
    options = (("sleep_after_open", 0), *more.pop("options", ()))  # type: ignore[misc]
    return CanSpec("bus", "slcan", str(path), 500_000, (("box.dbc", DBC),), True, silent_after_s, options, **more)  # type: ignore[arg-type]


def tcp(port: int, *, silent_after_s: float = 2.0) -> CanSpec:
    options = (("host", "127.0.0.1"), ("port", port))
    return CanSpec("bus", "socketcand", "bus", None, (("box.dbc", DBC),), True, silent_after_s, options)


def virtual(channel: str, *, silent_after_s: float = 2.0) -> CanSpec:
    return CanSpec("bus", "virtual", channel, None, (("box.dbc", DBC),), True, silent_after_s)


@asynccontextmanager
async def supervised(source: CanSource) -> AsyncIterator[Collected]:
    collected = Collected()
    task = asyncio.create_task(supervise(source, collected, first_delay_s=0.05, longest_delay_s=0.1))
    try:
        yield collected
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def failure(task: asyncio.Task[None], within_s: float = WITHIN_S) -> SourceError:
    async with asyncio.timeout(within_s):
        with pytest.raises(SourceError) as caught:
            await asyncio.shield(task)
    return caught.value


async def test_frames_of_a_serial_adapter_become_samples(tmp_path: Path) -> None:
    clock = Clock()
    with SlcanPeer(link=tmp_path / "adapter") as peer:
        before = clock.now_ms()
        async with reading(source := CanSource(serial(peer.path), INPUTS, clock)) as (got, _):
            peer.send(frame(720.5, 180.2), coolant(92))
            await got.until(lambda: len(got.samples) >= 3)
            assert (got.values(0), got.values(1), got.values(2)) == ([720.5], [180.2], [92])
            assert all(before <= s.t_ms <= clock.now_ms() and s.quality is Quality.GOOD for s in got.samples)
            assert source.health.counters["frames"] == source.health.counters["decoded"] == 2


async def test_a_serial_adapter_is_opened_to_listen_only_and_nothing_is_ever_sent(tmp_path: Path) -> None:
    with SlcanPeer(link=tmp_path / "adapter") as peer:
        async with reading(CanSource(serial(peer.path), INPUTS, Clock())) as (got, _):
            peer.send(frame(1))
            await got.until(lambda: bool(got.samples))
        assert "L" in peer.commands
        assert set(peer.commands) <= {"C", "S6", "", "L"}


@pytest.mark.parametrize(
    "garbage",
    [
        b"t1xx8\r",
        b"t100\r",
        b"T0000\r",
        b"t1009" + b"0" * 18 + b"\r",
        b"\xff\xfe\x80\r",
        b"hello\r",
        b"\x07",
        b"tttt\r",
    ],
)
async def test_a_garbled_line_is_survived(tmp_path: Path, garbage: bytes) -> None:
    with SlcanPeer(link=tmp_path / "adapter") as peer:
        async with reading(source := CanSource(serial(peer.path), INPUTS, Clock())) as (got, task):
            peer.send(frame(1))
            await got.until(lambda: got.values(0)[-1:] == [1])
            peer.say(garbage)
            for _ in range(100):
                peer.send(frame(2))  # a garbled byte may take what follows it at once along
                with suppress(TimeoutError):
                    await got.until(lambda: got.values(0)[-1:] == [2], within_s=0.1)
                    break
            assert not task.done()
            assert source.health.counters["errors"] == (
                garbage[:1] in b"tT\xff" and garbage != b"t1009" + b"0" * 18 + b"\r"
            )


async def test_a_line_cut_short_is_undecodable_where_it_does_not_reach(tmp_path: Path) -> None:
    with SlcanPeer(link=tmp_path / "adapter") as peer:
        async with reading(source := CanSource(serial(peer.path), INPUTS, Clock())) as (got, _):
            peer.say(b"t1008D0071\r")  # one byte and a half of eight: python-can drops neither
            peer.say(b"t1008D007\r")
            await got.until(lambda: len(got.samples) >= 2)
            assert [(s.signal, s.quality) for s in got.samples] == [(0, Quality.GOOD), (1, Quality.UNDECODABLE)]
            assert source.health.counters["errors"] == 1
            assert source.health.counters["undecodable"] == 1


async def test_an_adapter_pulled_out_fails_at_once_and_is_back_when_plugged_in(tmp_path: Path) -> None:
    source = CanSource(serial(tmp_path / "adapter", silent_after_s=60), INPUTS, Clock())
    with SlcanPeer(link=tmp_path / "adapter") as peer:
        device = str(peer.path.resolve())
        async with reading(source) as (got, task):
            peer.send(frame(1))
            await got.until(lambda: got.values(0) == [1])
            peer.close()
            error = await failure(task)
            assert error.retry
        # Held open, the device would keep its name and the adapter come back under another.
        assert not [name for name in open_files() if name.startswith(device)]
    with SlcanPeer(link=tmp_path / "adapter") as again:
        async with reading(source) as (got, _):
            again.send(frame(2))
            await got.until(lambda: got.values(0) == [2])
            assert source.health.counters["reopened"] == 1
            assert source.health.counters["frames"] == 2


class Watched(CanSource):
    """Tells when it failed to open."""

    def __init__(self, spec: CanSpec) -> None:
        super().__init__(spec, INPUTS, Clock())
        self.failed = asyncio.Event()

    async def __aenter__(self) -> Self:
        try:
            return await super().__aenter__()
        except SourceError:
            self.failed.set()
            raise


async def test_an_adapter_that_is_missing_at_start_is_awaited(tmp_path: Path) -> None:
    source = Watched(serial(tmp_path / "adapter"))
    async with supervised(source) as got:
        for _ in range(2):
            async with asyncio.timeout(WITHIN_S):
                await source.failed.wait()
            source.failed.clear()
        assert "adapter" in source.health.problem
        with SlcanPeer(link=tmp_path / "adapter") as peer:
            await asyncio.to_thread(peer.wait_open)
            peer.send(frame(3))
            await got.until(lambda: got.values(0) == [3])
            assert source.health.problem == ""


async def test_frames_over_tcp_become_samples_and_error_frames_are_counted() -> None:
    async with SocketcandHub() as hub, reading(source := CanSource(tcp(hub.port), INPUTS, Clock())) as (got, _):
        await hub.client()
        error = can.Message(is_error_frame=True, arbitration_id=4)
        other = can.Message(arbitration_id=0x101, is_extended_id=False, data=bytes(8))
        same_number = can.Message(arbitration_id=0x100, is_extended_id=True, data=bytes(8))
        hub.send(frame(720.5, 180.2), error, other, same_number, coolant(92))
        await got.until(lambda: len(got.samples) >= 3)
        assert (got.values(0), got.values(1), got.values(2)) == ([720.5], [180.2], [92])
        counters = source.health.counters
        assert (counters["frames"], counters["decoded"], counters["errors"]) == (5, 2, 1)
        assert not [said for said in hub.received if said.startswith("< send")]


async def test_a_burst_comes_whole_and_in_order_in_few_hand_overs() -> None:
    async with SocketcandHub() as hub, reading(source := CanSource(tcp(hub.port), INPUTS, Clock())) as (got, _):
        await hub.client()
        hub.send(*(frame(i) for i in range(2000)))
        await got.until(lambda: len(got.samples) >= 4000)
        assert got.values(0) == list(range(2000))
        assert got.batches < 200
        assert source.health.counters["dropped"] == 0


async def test_a_server_that_dies_is_noticed_without_spinning_and_found_again() -> None:
    source = CanSource(tcp(port := await _free_port(), silent_after_s=1.0), INPUTS, Clock())
    async with SocketcandHub(port=port) as hub, reading(source) as (got, task):
        await hub.client()
        hub.send(frame(1))
        await got.until(lambda: got.values(0) == [1])
        died, cpu = time.monotonic(), time.process_time()
        await hub.stop()
        assert (await failure(task)).retry
        took = time.monotonic() - died
        assert took < 1.0 + 1.0  # silent_after_s, and as much again for a busy machine
        assert (time.process_time() - cpu) / took < 0.5  # a spinning client takes all of a core
    async with SocketcandHub(port=port) as hub, supervised(source) as got:
        await hub.client()
        await listening(source)
        hub.send(frame(2))
        await got.until(lambda: got.values(0) == [2])


async def test_a_server_that_dies_before_the_first_frame_is_noticed_too() -> None:
    async with SocketcandHub() as hub:
        source = CanSource(tcp(hub.port, silent_after_s=30), INPUTS, Clock())
        async with reading(source) as (_, task):
            await hub.client()
            hub.hang_up()
            assert "the other end has gone" in str(await failure(task))


async def test_a_server_that_is_not_there_costs_no_core() -> None:
    cpu, began = time.process_time(), time.monotonic()
    with pytest.raises(SourceError, match="cannot be opened") as caught:
        async with CanSource(tcp(await _free_port()), INPUTS, Clock()):
            pass
    assert caught.value.retry
    assert time.monotonic() - began < 5
    assert time.process_time() - cpu < 2


async def test_a_bus_that_falls_silent_is_opened_anew_and_a_sleeping_one_is_listened_to() -> None:
    async with SocketcandHub() as hub:
        source = CanSource(tcp(hub.port, silent_after_s=0.2), INPUTS, Clock(), first_frame_within_s=30)
        async with reading(source) as (got, task):
            await hub.client()
            await asyncio.wait({task}, timeout=0.6)
            assert not task.done()
            assert source.health.problem == "no frame yet"
            hub.send(frame(1))
            await got.until(lambda: got.values(0) == [1])
            assert "no frame for 0.2 s" in str(await failure(task))


async def test_garbage_over_tcp_ends_in_a_new_connection() -> None:
    async with SocketcandHub() as hub:
        source = CanSource(tcp(hub.port), INPUTS, Clock())
        async with supervised(source) as got:
            await hub.client(1)
            await listening(source)
            hub.say("< frame XYZ 1.0 00 >")
            await hub.client(2)
            await listening(source)
            hub.send(frame(2))
            await got.until(lambda: got.values(0) == [2])


async def test_a_loop_that_stalls_loses_the_oldest_and_counts_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("uphaul.sources.can.QUEUED_SAMPLES", 400)
    monkeypatch.setattr("uphaul.sources.can.ROUND_FRAMES", 50)
    with can.Bus(interface="virtual", channel="stall") as sender:
        async with reading(source := CanSource(virtual("stall"), INPUTS, Clock())) as (got, _):
            sender.send(frame(0))
            await got.until(lambda: bool(got.samples))
            for i in range(1, 1001):
                sender.send(frame(i))
            deadline = time.monotonic() + WITHIN_S
            while source.health.counters["frames"] < 1001 and time.monotonic() < deadline:
                threading.Event().wait(0.01)  # the loop stands still on purpose
            await got.until(lambda: got.values(0)[-1:] == [1000])
            dropped = source.health.counters["dropped"]
            assert dropped > 0
            assert len(got.samples) + dropped == 2002
            kept = got.values(0)[1:]
            assert kept == list(range(1001 - len(kept), 1001))
            assert len(kept) <= 400 / 2


async def test_unknown_interface_and_wrong_options_are_not_tried_again() -> None:
    unknown = CanSpec("bus", "sokcetcan", "can0", dbc=(("box.dbc", DBC),))
    wrong = CanSpec("bus", "socketcand", "bus", dbc=(("box.dbc", DBC),), options=(("hots", "x"),))
    for spec, words in ((unknown, "no interface 'sokcetcan'; there are .*socketcan,"), (wrong, "cannot be opened so")):
        with pytest.raises(SourceError, match=words) as caught:
            async with CanSource(spec, INPUTS, Clock()):
                pass
        assert not caught.value.retry


async def test_a_field_that_the_dbc_lacks_shows_before_anything_is_opened() -> None:
    with pytest.raises(ConfigError, match="Egt1"):
        CanSource(virtual("none"), [(0, Input("egt", "bus", "EngineBox", "Egt"))], Clock())


async def test_a_driver_that_hangs_in_opening_stops_neither_the_loop_nor_a_later_start(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    release, opening = threading.Event(), asyncio.Event()
    loop, opened = asyncio.get_running_loop(), can.Bus

    def hang(*args: Any, **options: Any) -> can.BusABC:
        loop.call_soon_threadsafe(opening.set)
        release.wait(WITHIN_S)
        return opened(*args, **options)

    monkeypatch.setattr(can, "Bus", hang)
    source = CanSource(virtual("hang"), INPUTS, Clock(), open_within_s=0.3)
    for words in ("not open after 0.3 s", "still hangs"):
        with pytest.raises(SourceError, match=words) as caught:
            async with source:
                pass
        assert caught.value.retry
    assert opening.is_set()
    (hanging,) = [thread for thread in threading.enumerate() if thread.name == "can bus"]
    release.set()
    await asyncio.to_thread(hanging.join, WITHIN_S)
    with can.Bus(interface="virtual", channel="hang") as sender:
        async with reading(source) as (got, _):
            sender.send(frame(1))
            await got.until(lambda: got.values(0) == [1])


def open_files() -> list[str]:
    """What this process has open, by name."""
    return [str(fd.readlink()) for fd in Path("/proc/self/fd").iterdir() if fd.is_symlink()]


async def _free_port() -> int:
    server = await asyncio.start_server(lambda *_: None, "127.0.0.1", 0)
    port: int = server.sockets[0].getsockname()[1]
    server.close()
    await server.wait_closed()
    return port


async def test_the_kernel_is_asked_for_the_wanted_ids_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Any] = []

    def apply(bus: Any, filters: Any) -> None:  # as python-can's socketcan does with setsockopt
        asked.append(filters)
        bus._is_filtered = True

    monkeypatch.setattr(can.interfaces.virtual.VirtualBus, "_apply_filters", apply)
    async with CanSource(virtual("kernel"), INPUTS, Clock()):
        pass
    assert asked[-1] == [
        {"can_id": 0x100, "can_mask": 0x7FF, "extended": False},
        {"can_id": 0x18FEEE00, "can_mask": 0x1FFFFFFF, "extended": True},
    ]


async def test_where_the_kernel_does_not_filter_unwanted_frames_do_not_slow_the_wanted_ones() -> None:
    unwanted = can.Message(arbitration_id=0x101, is_extended_id=False, data=bytes(8))
    with can.Bus(interface="virtual", channel="software") as sender:
        async with reading(source := CanSource(virtual("software"), INPUTS, Clock())) as (got, _):
            sender.send(frame(0))
            await got.until(lambda: bool(got.samples))
            for _ in range(1000):
                sender.send(unwanted)
            sender.send(frame(1))
            # A filter in software ends a round at each unwanted frame: 1000 rounds of 10 ms.
            await got.until(lambda: got.values(0) == [0, 1], within_s=5.0)
            assert source.health.counters["frames"] == 1002


async def test_naming_the_source_loads_no_can_library() -> None:
    code = "import sys, uphaul.sources.can; sys.exit(bool({'can', 'cantools', 'serial'} & set(sys.modules)))"
    process = await asyncio.create_subprocess_exec(sys.executable, "-c", code)
    assert await process.wait() == 0
