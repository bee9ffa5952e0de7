"""J1939 on a real transport: values, codes, trouble codes and the tune from the bus to page, log and replay."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import can
import pytest

from support.bus_vehicle import TESTS, socketcand_hub, socketcand_source, write_config
from support.collected import WITHIN_S, Collected, listening, reading
from support.daemon import Daemon, command, eventually, running
from support.socketcand_hub import SocketcandHub
from uphaul.alerts import NoticeKind
from uphaul.clock import Clock
from uphaul.config.spec import CanSpec, Input
from uphaul.log.reader import Log
from uphaul.signals import EventKind, Quality
from uphaul.sources.base import supervise
from uphaul.sources.can import CanSource

DBC = (TESTS.parent / "config" / "j1939.dbc").read_text(encoding="utf-8")
INPUTS = [(0, Input("rpm", "bus", "EngineSpeed", "Rpm")), (1, Input("coolant", "bus", "EngineTemperature", "Coolant"))]

CODE = "trouble code from address 0: SPN 110 (coolant temperature), FMI 0 (far too high), 1 time"


def frame(can_id: int, data: str) -> can.Message:
    return can.Message(arbitration_id=can_id, is_extended_id=True, data=bytes.fromhex(data))


RPM_2000 = frame(0x0CF00400, "FFFFFF803EFFFFFF")
TROUBLE = frame(0x18FECA00, "00FF6E000001FFFF")
NO_TROUBLE = frame(0x18FECA00, "00FF00000000FFFF")


def source_on(port: int, *, silent_after_s: float = 2.0) -> CanSource:
    options = (("host", "127.0.0.1"), ("port", port))
    spec = CanSpec("bus", "socketcand", "bus", None, (("j", DBC),), True, silent_after_s, options, "j1939", (0,))
    return CanSource(spec, INPUTS, Clock())


async def eventually_true(check: Callable[[], bool]) -> None:
    """Wait on the source's thread, which tells nobody of notes and counters."""
    await asyncio.to_thread(eventually, check, "what the source's thread must come to", within_s=WITHIN_S)


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


@pytest.mark.asyncio
async def test_values_codes_and_senders() -> None:
    async with SocketcandHub() as hub, reading(source := source_on(hub.port)) as (got, _):
        await hub.client()
        hub.send(
            frame(0x18F00403, "FFFFFF8813FFFFFF"),  # another sender
            frame(0x10F00400, "FFFFFF803EFFFFFF"),  # another priority
            frame(0x0CF00400, "FFFFFF00FEFFFFFF"),
            frame(0x0CF00400, "FFFFFFFFFFFFFFFF"),
            RPM_2000,
        )
        await got.until(lambda: len(got.samples) >= 4)
        assert [s.quality for s in got.samples] == [
            Quality.GOOD,
            Quality.UNDECODABLE,
            Quality.NOT_FITTED,
            Quality.GOOD,
        ]
        assert got.samples[0].value == got.samples[3].value == 2000
        assert source.health.counters["frames"] == 5
        assert not any("send" in said for said in hub.received)


@pytest.mark.asyncio
async def test_trouble_codes_go_with_the_bus_and_come_back_with_it() -> None:
    async with SocketcandHub() as hub, supervised(source := source_on(hub.port)) as got:
        await hub.client()
        await listening(source)
        hub.send(TROUBLE, RPM_2000)
        await eventually_true(lambda: source.health.notes == (CODE,))
        hub.hang_up()
        await eventually_true(lambda: source.health.notes == ())
        await hub.client(2)
        await listening(source)
        hub.send(TROUBLE, RPM_2000)
        await eventually_true(lambda: source.health.notes == (CODE,))
        hub.send(NO_TROUBLE)
        await eventually_true(lambda: source.health.notes == ())
        assert got.values(0) == [2000, 2000]


@pytest.mark.asyncio
async def test_a_long_message_that_just_stops_is_counted_though_nothing_more_comes() -> None:
    async with SocketcandHub() as hub, reading(source := source_on(hub.port)):
        await hub.client()
        hub.send(frame(0x1CECFF00, "200E0002FFCAFE00"), frame(0x1CEBFF00, "0104FF6E00000166"))
        await eventually_true(lambda: source.health.counters["broken_messages"] == 1)
        hub.send(
            frame(0x1CECFF00, "200E0002FFCAFE00"),
            frame(0x1CEBFF00, "0104FF6E00000166"),
            frame(0x1CEBFF00, "020012059C040302"),
        )
        await eventually_true(lambda: len(source.health.notes) == 4)
        assert source.health.counters["broken_messages"] == 1


SIGNALS = """[source.bus]
kind = "can"
protocol = "j1939"
{source}
dbc = "test.dbc"
[signal.rpm]
unit = "rpm"
from = {{ source = "bus", message = "EngineSpeed", field = "Rpm" }}
[signal.selector]
unit = "V"
range = [0, 5]
from = {{ source = "bus", message = "Supply", field = "Battery" }}
[tune_input]
signal = "selector"
bands = {{ stock = [0.0, 1.0], tow = [1.5, 2.5] }}
"""

RULES = """[[rule]]
name = "rpm-high"
kind = "threshold"
signal = "rpm"
above = 3000
action = "note"
tune.tow.above = 1900
"""

UNKNOWN = "Tune unknown: the strictest limits apply"


def test_trouble_codes_and_the_tune_reach_page_log_and_replay(tmp_path: Path) -> None:
    with running(peer := socketcand_hub()):
        config = write_config(
            tmp_path / "config",
            socketcand_source(int(peer.wait_for("listening ").split()[1])),
            signals=SIGNALS,
            rules=RULES,
            dbc=DBC,
        )
        volts, trouble, stop = ["5"], ["00"], threading.Event()

        def vehicle() -> None:
            while not stop.wait(0.02):
                raw = round(float(volts[0]) / 0.05).to_bytes(2, "little").hex()
                code = "6E000001" if trouble[0] == "on" else "00000000"
                peer.say("(0.0) bus 0CF00400#FFFFFF803EFFFFFF")
                peer.say(f"(0.0) bus 18FEF700#FFFFFFFF{raw}FFFF")
                peer.say(f"(0.0) bus 18FECA00#00FF{code}FFFF")

        def two_ticks() -> None:
            """Remarks are made at ticks: a code that came and went between two of them would leave none."""
            after = daemon.status()["t_ms"] + 100
            eventually(lambda: daemon.status()["t_ms"] >= after, "two more ticks")

        sender = threading.Thread(target=vehicle)
        daemon = Daemon(config, tmp_path / "vehicle.db")
        with running(daemon):
            sender.start()
            try:
                eventually(lambda: daemon.status()["drive"], "a drive")
                eventually(lambda: UNKNOWN in daemon.status()["notices"], "the page says that the tune is unknown")
                eventually(lambda: daemon.status()["alerts"], "2000 rpm is past the strictest limit")
                volts[0] = "0.5"
                eventually(lambda: daemon.status()["tune"] == "stock", "the selector is read")
                assert UNKNOWN not in daemon.status()["notices"]
                trouble[0] = "on"
                eventually(lambda: f"bus: {CODE}" in daemon.status()["notices"], "the code is on the page")
                two_ticks()
                trouble[0] = "off"
                eventually(lambda: f"bus: {CODE}" not in daemon.status()["notices"], "and goes")
                two_ticks()
            finally:
                stop.set()
                sender.join()
            assert daemon.end()[0] == 0
    with Log.open(tmp_path / "vehicle.db") as log:
        (drive,) = log.drives()
        events, notices = log.events(drive.id), log.notices(drive.id)
    remarks = [(e.actor, e.text) for e in events if e.kind is EventKind.REMARK]
    assert remarks == [("bus", CODE), ("bus", f"no longer: {CODE}")]
    assert [n.kind for n in notices] == [NoticeKind.TUNE_UNKNOWN, NoticeKind.TUNE_KNOWN]
    replayed = json.loads(command("replay", str(tmp_path / "vehicle.db"), "--json"))
    assert replayed["live"] == {"same": True, "differences": []}
