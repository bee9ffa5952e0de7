"""The GPS source behind a real gpsd that reads our own sentences, its failures on loopback, and the daemon's log."""

from __future__ import annotations

import asyncio
import datetime
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import pytest

from support.collected import WITHIN_S, Collected, reading
from support.gps_peers import GpsdPeer, free_port, receiver, sentences
from support.machine import tool
from uphaul.app import App
from uphaul.clock import Clock
from uphaul.config import load_texts
from uphaul.config.spec import Config, GpsSpec, Input
from uphaul.errors import SourceError
from uphaul.log import Log
from uphaul.signals import Quality
from uphaul.sources.base import supervise
from uphaul.sources.gps import GpsSource

pytestmark = pytest.mark.asyncio

CHANNELS = ("latitude", "longitude", "altitude", "speed", "track", "fix", "satellites", "hdop")
INPUTS = [(i, Input(name, "gps", "", name)) for i, name in enumerate(CHANNELS)]
LATITUDE, LONGITUDE, ALTITUDE, SPEED, TRACK, FIX, SATELLITES, HDOP = range(len(CHANNELS))

BEGUN = datetime.datetime(2026, 11, 25, 1, 0, 0, tzinfo=datetime.UTC)
VERSION = b'{"class":"VERSION","release":"3.22","rev":"3.22","proto_major":3,"proto_minor":14}\n'
REPORT = (
    b'{"class":"TPV","device":"/dev/invented0","mode":3,"time":"2026-11-25T01:00:03.000Z","lat":-40.25,'
    b'"lon":-120.5,"altMSL":120.5,"track":87.5,"speed":18.52,"eph":17.1}\n'
)
"""As gpsd 3.22 sends it; an invented place in the open ocean."""


def moment(second: int, *, mode: int = 3) -> bytes:
    utc = BEGUN + datetime.timedelta(seconds=second)
    return sentences(utc, mode=mode, latitude=-40.25, longitude=-120.5, knots=36.0, altitude_m=120.5)


class Opened(GpsSource):
    """Tells when an attempt to open has failed."""

    def __init__(self, spec: GpsSpec) -> None:
        super().__init__(spec, INPUTS, Clock())
        self.failed = asyncio.Event()

    async def __aenter__(self) -> Opened:
        try:
            await super().__aenter__()
        except SourceError:
            self.failed.set()
            raise
        return self


@asynccontextmanager
async def supervised(source: GpsSource) -> AsyncIterator[Collected]:
    collected = Collected()
    task = asyncio.create_task(supervise(source, collected, first_delay_s=0.01, longest_delay_s=0.05))
    try:
        yield collected
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


@asynccontextmanager
async def gpsd(receiver_port: int) -> AsyncIterator[int]:
    """A real gpsd that reads a receiver over TCP, once it answers; yields its port."""
    port = free_port()
    arguments = ["-N", "-n", "-S", str(port), f"tcp://127.0.0.1:{receiver_port}"]
    process = await asyncio.create_subprocess_exec(
        tool("gpsd", "gpsd"), *arguments, stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL
    )
    try:
        yield port
    finally:
        with suppress(ProcessLookupError):
            process.kill()
        await process.wait()


async def told(moments: asyncio.Queue[bytes | None], got: Collected, mode: int, met: Callable[[], bool]) -> None:
    """Say one moment after another, each once the one before has been heard, until then."""
    async with asyncio.timeout(WITHIN_S):
        second = 0
        while not met():
            moments.put_nowait(moment(second, mode=mode))
            second += 1
            with suppress(TimeoutError):
                before = len(got.samples)
                await got.until(lambda before=before: len(got.samples) > before, within_s=0.5)  # type: ignore[misc]


async def test_what_a_receiver_says_comes_through_gpsd() -> None:
    tool("gpsd", "gpsd")
    moments: asyncio.Queue[bytes | None] = asyncio.Queue()
    async with receiver(moments) as receiver_port, gpsd(receiver_port) as port:
        source = Opened(GpsSpec("gps", port=port))
        async with supervised(source) as got:
            await told(moments, got, 1, lambda: 1.0 in got.values(FIX))
            assert {s.quality for s in got.samples if s.signal == LATITUDE} == {Quality.STALE}
            await told(moments, got, 3, lambda: 8.0 in got.values(SATELLITES) and 120.5 in got.values(ALTITUDE))
            flat = len(got.samples)
            await told(moments, got, 1, lambda: any(s.quality is Quality.STALE for s in got.samples[flat:]))
    good = {i: [s.value for s in got.samples if s.signal == i and s.quality is Quality.GOOD] for i in range(8)}
    # a minute of latitude with four decimals: 0.19 m
    assert good[LATITUDE] == pytest.approx([-40.25] * len(good[LATITUDE]), abs=2e-6)
    assert good[LONGITUDE] == pytest.approx([-120.5] * len(good[LONGITUDE]), abs=2e-6)
    # 1 knot is 1852 / 3600 m/s, by definition; gpsd writes three decimals
    assert good[SPEED] == pytest.approx([36.0 * 1852 / 3600] * len(good[SPEED]), abs=6e-4)
    assert good[ALTITUDE] == pytest.approx([120.5] * len(good[ALTITUDE]), abs=1e-3)
    assert good[TRACK] == pytest.approx([87.5] * len(good[TRACK]), abs=1e-3)
    assert set(good[FIX]) >= {1.0, 3.0}
    assert 8.0 in good[SATELLITES]
    assert 0.9 in good[HDOP]
    assert BEGUN <= source.anchors[0].utc <= BEGUN + datetime.timedelta(minutes=1)
    counters = source.health.counters
    assert (counters["garbage"], counters["undecodable"], counters["refused_dates"]) == (0, 0, 0)


async def test_a_gpsd_that_is_not_there_is_tried_until_it_is() -> None:
    peer = GpsdPeer([VERSION + REPORT])
    source = Opened(GpsSpec("gps", port=peer.port))
    async with supervised(source) as got:
        async with asyncio.timeout(WITHIN_S):
            await source.failed.wait()
        assert got.samples == []
        async with peer:
            await got.until(lambda: bool(got.values(LATITUDE)))
    assert source.health.restarts >= 1


async def failure(spec: GpsSpec) -> SourceError:
    """What ends the reading of a source that could be opened."""
    async with reading(GpsSource(spec, INPUTS, Clock())) as (_, task), asyncio.timeout(WITHIN_S):
        with pytest.raises(SourceError) as caught:
            await asyncio.shield(task)
    return caught.value


async def test_a_gpsd_without_a_receiver_is_asked_anew() -> None:
    # connected and silent: gpsd has lost its receiver, or never had one
    async with GpsdPeer([VERSION]) as peer:
        error = await failure(GpsSpec("gps", port=peer.port, silent_after_s=0.2))
    assert str(error) == "GPS gps: no report for 0.2 s"
    assert error.retry


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (b"x" * 100_000, "a line of more than 65536 bytes"),
        (b'{"class":"VERSION","proto_major":2}\n', "protocol 2 is spoken, and 3 understood"),
    ],
)
async def test_something_else_on_the_port_is_named(said: bytes, why: str) -> None:
    async with GpsdPeer([said]) as peer:
        assert why in str(await failure(GpsSpec("gps", port=peer.port)))


def config_of(port: int) -> Config:
    signals = f"""
[source.gps]
kind = "gps"
port = {port}

[signal.latitude]
unit = "deg"
max_age_s = 30
from = {{ source = "gps", channel = "latitude" }}

[signal.speed]
unit = "km/h"
max_age_s = 30
from = {{ source = "gps", channel = "speed" }}
"""
    rules = '[[rule]]\nname = "moving"\nkind = "threshold"\nsignal = "speed"\nabove = 60\naction = "note"\n'
    daemon = '[web]\nhost = ""\n[drive]\nsignal = ""\n'
    return load_texts({"signals.toml": signals, "rules.toml": rules, "daemon.toml": daemon})


async def test_the_log_has_position_and_satellite_time(tmp_path: Path) -> None:
    log_path, moving, clock = tmp_path / "gps.db", asyncio.Event(), Clock()
    async with GpsdPeer([VERSION + REPORT]) as peer:
        app = App(config_of(peer.port), log_path, clock=clock, heard=lambda *_: moving.set())
        before_ms = clock.now_ms()
        run = asyncio.create_task(app.run())
        async with asyncio.timeout(WITHIN_S):
            await moving.wait()
        app.stop()
        await run
        lasted = datetime.timedelta(milliseconds=clock.now_ms() - before_ms)
    with Log.open(log_path) as log:
        (drive,) = log.drives()
        anchors = [a for a in log.anchors(drive.id) if a.source == "gps"]
        (block,) = log.blocks(drive.segments[0])
    # the time of the fix, carried on to the tick that took it in
    fixed = datetime.datetime(2026, 11, 25, 1, 0, 3, tzinfo=datetime.UTC)
    assert [fixed <= datetime.datetime.fromisoformat(a.utc) <= fixed + lasted for a in anchors] == [True]
    assert 0 <= anchors[0].t_ms <= block.t_ms[-1]
    assert block.values[-1].tolist() == pytest.approx([-40.25, 66.67])
