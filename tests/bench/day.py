"""Memory of the daemon and of a page over a day of driving, at high speed.

Usage: ``python tests/bench/day.py [--hours 24] [--hz 2] [--events 172800] [--only daemon|page]`` from anywhere; needs
mosquitto and chromium.

The daemon is the real `App` with log, page and broker, in a process of its own with the service's environment, on a
clock that goes on as soon as a tick is done. It drives four invented drives by turns, with alerts, faults and three
minutes without ignition that end each round's drive; a message quiets the alerts every second of ours; a page's JSON
is made twice a simulated second, and one page follows the stream. A day at 20 ticks a second takes half an hour: at 2
a second it has the same hours, drives, alerts and rows of the log's clock, and a tenth of the ticks, so growth is told
by the tick as well.

The page is the real one in Chromium. It gets a day's events (two a second) of one of those drives, time, raises and
sounds going up from round to round, as fast as it takes them. Its heap is read after a garbage collection.

Growth is the slope over the last two thirds of the run, by least squares through the means of twelve stretches; what
stands after it is the slope's standard error, which is the noise. Beside resident memory stand what the interpreter
counts itself: blocks that Python's allocator has given out, and nodes and listeners of the page. They have less noise.
Resident memory counts pages of libraries too, from when they are first touched: "anonymous" is what is the daemon's
own. "allocated" is what the C library has given out and not got back, SQLite's and the extensions' share among it:
where neither that nor Python's blocks grow, nothing is kept, and what anonymous memory gains are holes between.
What SQLite holds stands apart: its cache fills up to its bound of 2 MB a file in the first hours, and it keeps the
layout of every table, of which the log has one a drive.
"""

from __future__ import annotations

import _sqlite3
import argparse
import asyncio
import ctypes
import gc
import json
import os
import re
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

import aiohttp
import numpy as np
import psutil
from aiohttp import web

from support.broker import Broker, Subscriber, until
from support.demo_drives import drive
from support.live_page import Vehicle, page_of
from support.status_page import calm
from support.stepped_clock import SteppedClock
from uphaul.app import App
from uphaul.config import demo_config
from uphaul.config.spec import Config, MqttSpec
from uphaul.live import Live
from uphaul.present import Presenter
from uphaul.signals import Collector, Quality, Sample
from uphaul.web import WebState
from uphaul.web.changes import News
from uphaul.web.state import as_json, told

DRIVES = ("climb-heat", "boost-leak", "egt-open", "charge-cooler")
REST_S = 180
LOOKS = 120
STRETCHES = 12
PREFIX = "bench/"
EVENTS_A_S = 2
AHEAD = 200


class Road:
    """The drives one after the other, then silence; what the sources would deliver at each tick."""

    def __init__(self, config: Config, hz: int, names: tuple[str, ...] = DRIVES) -> None:
        columns = {s.name: i for i, s in enumerate(config.signals)}
        drives = [drive(name) for name in names]
        self.inputs = [(columns[i.signal], i.factor, i.offset) for i in config.inputs]
        fields = [i.field for i in config.inputs]
        step = 5 / hz  # the drives are read at 5 Hz
        pieces, faults = [], []
        for each in drives:
            at = (np.arange(int(len(each.t_s) / step)) * step).astype(int)
            pieces.append(np.column_stack([each[f][at] for f in fields]))
            faults.append(np.column_stack([each.faulted[f][at] for f in fields]))
        self.rows = np.vstack(pieces).tolist()
        self.faulted = np.vstack(faults).tolist()
        self.length = len(self.rows) + REST_S * hz

    def samples(self, n: int, t_ms: float) -> list[Sample]:
        """Of tick `n`, at `t_ms`."""
        n %= self.length
        if n >= len(self.rows):
            return []
        row, faulted = self.rows[n], self.faulted[n]
        return [
            Sample(column, t_ms, float("nan"), Quality.OPEN_CIRCUIT)
            if bad
            else Sample(column, t_ms, value * factor + offset)
            for (column, factor, offset), value, bad in zip(self.inputs, row, faulted, strict=True)
        ]


def as_a_service() -> dict[str, str]:
    """What the service's unit puts into the daemon's environment."""
    unit = (Path(__file__).parents[2] / "systemd" / "uphaul.service").read_text(encoding="utf-8")
    return dict(
        pair.split("=", 1) for line in re.findall(r"^Environment=(.*)$", unit, re.MULTILINE) for pair in line.split()
    )


def config_at(hz: int) -> Config:
    """The sample vehicle, without sources of its own."""
    return replace(demo_config("demo"), sources=(), tick_hz=hz)


def resident() -> int:
    """Resident memory of this process, in bytes. Source: proc_pid_statm(5), field 2, in pages."""
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * os.sysconf("SC_PAGE_SIZE")


def anonymous() -> int:
    """Resident memory of this process that no file stands behind, in bytes. Source: proc_pid_status(5), RssAnon."""
    found = re.search(r"RssAnon:\s+(\d+) kB", Path("/proc/self/status").read_text(encoding="ascii"))
    assert found is not None
    return int(found[1]) * 1024


class _MallInfo(ctypes.Structure):
    """Source: mallinfo(3), struct mallinfo2."""

    _fields_ = [
        (name, ctypes.c_size_t)
        for name in (
            "arena", "ordblks", "smblks", "hblks", "hblkhd", "usmblks", "fsmblks", "uordblks", "fordblks", "keepcost",
        )
    ]  # fmt: skip


_libc = ctypes.CDLL(None)
_libc.mallinfo2.restype = _MallInfo


def allocated() -> int:
    """Memory that the C library has given out, in bytes: from its heap, and mapped apart. Source: mallinfo(3)."""
    info = _libc.mallinfo2()
    return int(info.uordblks + info.hblkhd)


_sqlite = ctypes.CDLL(_sqlite3.__file__)
_sqlite.sqlite3_memory_used.restype = ctypes.c_int64


def in_sqlite() -> int:
    """Memory that SQLite holds in this process, in bytes. Source: its sqlite3_memory_used()."""
    return int(_sqlite.sqlite3_memory_used())


# ------------------------------------------------------------------------------------------------------------ daemon


async def inside(folder: Path, port: int, hours: float, hz: int) -> None:
    """The daemon; prints a line of JSON at each look."""
    config = config_at(hz)
    spec = MqttSpec("127.0.0.1", PREFIX, port, accept_acts=True)
    config = replace(config, mqtt=spec, web=replace(config.web, host="127.0.0.1", port=0))
    road, tick_ms = Road(config, hz), 1000 // hz
    ticks = round(hours * 3600 * hz)
    every = max(ticks // LOOKS, 1)
    done = 0

    def moved() -> None:
        nonlocal done
        app.collector.add(road.samples(done, clock.t_ms))
        done += 1
        if not done % max(hz // EVENTS_A_S, 1):
            as_json(told(app.status(), state, done))
        if not done % every:
            gc.collect()
            status = app.status()
            found = {
                "ticks": done,
                "resident": resident(),
                "anonymous": anonymous(),
                "allocated": allocated(),
                "in SQLite": in_sqlite(),
                "blocks": sys.getallocatedblocks(),
                "objects": len(gc.get_objects()),
                "lost": status.log.lost_ticks,
                "drive": status.drive or 0,
            }
            print(json.dumps(found), flush=True)

    clock = SteppedClock(ticks * tick_ms, moved=moved)
    app = App(config, folder / "day.db", clock=clock, ready=lambda at: print(json.dumps({"port": at}), flush=True))
    state = WebState(app.status)
    running = asyncio.create_task(app.run())
    ending = asyncio.create_task(clock.ended.wait())
    await asyncio.wait({running, ending}, return_when=asyncio.FIRST_COMPLETED)
    app.stop()
    await running


async def daemon(folder: Path, hours: float, hz: int) -> tuple[list[dict[str, int]], dict[str, int]]:
    """What the daemon's process told at each look, and what went by its outputs."""
    looks: list[dict[str, int]] = []
    seen = {"events of the stream": 0, "steps of alerts at the broker": 0}
    async with Broker(folder, keeps=False) as broker, Subscriber(broker, f"{PREFIX}v1/alerts/log") as subscriber:
        child = await asyncio.create_subprocess_exec(
            sys.executable, __file__, "--inside", str(folder), str(broker.port), str(hours), str(hz),
            stdout=asyncio.subprocess.PIPE, env={**os.environ, **as_a_service()},
        )  # fmt: skip
        assert child.stdout is not None
        port = json.loads(await child.stdout.readline())["port"]

        async def follow() -> None:
            async with aiohttp.ClientSession() as session, session.get(f"http://127.0.0.1:{port}/events") as answer:
                while await answer.content.readuntil(b"\n\n"):
                    seen["events of the stream"] += 1

        async def quiet() -> None:
            while True:
                await asyncio.sleep(1.0)
                await subscriber.publish(f"{PREFIX}v1/act", {"do": "quiet"})
                seen["steps of alerts at the broker"] += len(subscriber.got)
                subscriber.got.clear()

        others = [asyncio.create_task(follow()), asyncio.create_task(quiet())]
        async for line in child.stdout:
            looks.append(json.loads(line))
        status = await child.wait()
        for other in others:
            other.cancel()
        await asyncio.gather(*others, return_exceptions=True)
        if status:
            raise SystemExit("the daemon failed")
    return looks, seen


# -------------------------------------------------------------------------------------------------------------- page


def events(hz: int = EVENTS_A_S) -> list[bytes]:
    """The events of one round of the first two drives and of the silence after them."""
    config = config_at(hz)
    road = Road(config, hz, DRIVES[:2])
    collector = Collector(config.signals, config.tunes)
    live = Live(config, collector, None, "bench")
    presenter = Presenter(config, live, lambda: live.ticked_ms or 0)
    state = WebState(presenter.status)
    made = []
    for n in range(road.length):
        now_ms = (n + 1) * 1000 // hz
        collector.add(road.samples(n, now_ms))
        presenter.moment(live.tick(now_ms), now_ms, "")
        made.append(as_json(told(presenter.status(), state, now_ms)).encode())
    return made


def nth(made: list[bytes], n: int) -> bytes:
    """Event `n` of a day: of every round, with time, raises and sounds that have gone on."""
    rounds, i = divmod(n, len(made))
    length_ms = len(made) * 1000 // EVENTS_A_S
    text = made[i]
    for key, more in ((b"raise", rounds * 100), (b"number", rounds * 1000), (b"t_ms", rounds * length_ms)):
        parts = re.split(rb'(?<="%s":)(\d+)' % key, text)
        parts[1::2] = [b"%d" % (int(part) + more) for part in parts[1::2]]
        text = b"".join(parts)
    return re.sub(rb'(?<="sent_ms":)\d+', b"%d" % (time.monotonic_ns() // 1_000_000), text)


# Tells how many events the page has dealt with, every so often.
COUNTING = """
window.EventSource = class extends EventSource {
    constructor(...given) {
        super(...given);
        let taken = 0;
        const count = () => { if (++taken % 50 === 0) setTimeout(() => window.taken(taken)); };
        for (const name of ["message", "change"]) this.addEventListener(name, count);
    }
};
"""


class Flood(Vehicle):
    """Gives a page the events as fast as it deals with them, `AHEAD` before it at most."""

    def __init__(self, made: list[bytes], most: int) -> None:
        super().__init__(calm())
        self.made, self.most, self.taken = made, most, 0
        self.open = False  # then it tells what the stand-in tells
        self.room, self.done = asyncio.Event(), asyncio.Event()

    def take(self, taken: int) -> None:
        """The page has dealt with so many."""
        self.taken = taken
        self.room.set()

    def app(self) -> web.Application:
        """As the stand-in's, with another stream of events."""
        app = super().app()

        @web.middleware
        async def flood(request: web.Request, handler: Callable[[web.Request], Any]) -> web.StreamResponse:
            if request.path != "/events" or not self.open:
                found: web.StreamResponse = await handler(request)
                return found
            response = web.StreamResponse()
            response.content_type = "text/event-stream"
            await response.prepare(request)
            known: dict[str, Any] = {}
            for n in range(self.most):
                while n >= self.taken + AHEAD:
                    self.room.clear()
                    await self.room.wait()
                news = News(n, known, json.loads(nth(self.made, n)))
                await response.write(news.change if n else news.whole)
                known = news.now
            self.done.set()
            await asyncio.Event().wait()
            return response

        app.middlewares.append(flood)
        return app


async def page(count: int) -> list[dict[str, int]]:
    """What the page's memory was at each look."""
    looks: list[dict[str, int]] = []
    vehicle = Flood(events(), count)
    async with page_of(vehicle) as shown:
        cdp = await shown.context.new_cdp_session(shown)
        browser = await shown.context.browser.new_browser_cdp_session()  # type: ignore[union-attr]
        told = await browser.send("SystemInfo.getProcessInfo")
        renderers = [psutil.Process(p["id"]) for p in told["processInfo"] if p["type"] == "renderer"]
        await cdp.send("Performance.enable")
        await shown.expose_function("taken", vehicle.take)
        await shown.add_init_script(COUNTING)
        vehicle.open = True
        await shown.reload()
        await shown.locator("#sound-off").click()
        for due in np.linspace(0, count - AHEAD, LOOKS // 2).astype(int):
            await until(lambda due=due: vehicle.taken >= due, "events taken", within_s=600.0)  # type: ignore[misc]
            await cdp.send("HeapProfiler.collectGarbage")
            heap, dom = await cdp.send("Runtime.getHeapUsage"), await cdp.send("Memory.getDOMCounters")
            looks.append(
                {
                    "events": vehicle.taken,
                    "heap": int(heap["usedSize"]),
                    "nodes": dom["nodes"],
                    "listeners": dom["jsEventListeners"],
                    "resident": sum(p.memory_info().rss for p in renderers),
                }
            )
        end, tones = await shown.locator("#drive").inner_text(), await shown.evaluate("window.tones.length")
        print(f"the page at the end: {end}; {tones} tones")
    return looks


# ------------------------------------------------------------------------------------------------------------- growth


def slope(looks: list[dict[str, int]], over: str, what: str) -> tuple[float, float, float]:
    """(least-squares slope of `what` per unit of `over`, its standard error, mean) over the last two thirds."""
    kept = looks[len(looks) // 3 :]
    x, y = (np.array([look[key] for look in kept], float) for key in (over, what))
    xs, ys = (np.array([part.mean() for part in np.array_split(each, STRETCHES)]) for each in (x, y))
    dx = xs - xs.mean()
    rise = float((dx * ys).sum() / (dx**2).sum())
    rest = ys - ys.mean() - rise * dx
    return rise, float(np.sqrt((rest**2).sum() / (STRETCHES - 2) / (dx**2).sum())), float(y.mean())


def tell(name: str, looks: list[dict[str, int]], over: str, day: int, kinds: dict[str, str]) -> None:
    """Print growth over a `day` of so many units of `over`."""
    print(f"{name}: {looks[-1][over]:,} {over}, {len(looks)} looks")
    print(f"  {'':12}{'mean':>12}{'first':>12}{'last':>12}{'growth a day':>16}{'noise':>14}   growth / mean")
    for what, unit in kinds.items():
        rise, error, mean = slope(looks, over, what)
        scale = 1e6 if unit == "MB" else 1.0
        first, last = looks[len(looks) // 3][what] / scale, looks[-1][what] / scale
        print(
            f"  {what:12}{mean / scale:12,.2f}{first:12,.2f}{last:12,.2f}{rise * day / scale:+16,.3f}"
            f"{error * day / scale:14,.3f}   {rise * day / mean:+.2%} {unit}"
        )


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--hours", type=float, default=24.0)
    options.add_argument("--hz", type=int, default=2, choices=(2, 5))
    options.add_argument("--events", type=int, default=24 * 3600 * EVENTS_A_S)
    options.add_argument("--only", choices=("daemon", "page"))
    options.add_argument("--inside", nargs=4, help=argparse.SUPPRESS)
    args = options.parse_args()
    if args.inside:
        folder, port, hours, hz = args.inside
        asyncio.run(inside(Path(folder), int(port), float(hours), int(hz)))
        return
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    if args.only != "page":
        with tempfile.TemporaryDirectory() as name:
            began = time.monotonic()
            looks, seen = asyncio.run(daemon(Path(name), args.hours, args.hz))
            print(f"{time.monotonic() - began:.0f} s; {seen}; {looks[-1]['drive']} drives; lost {looks[-1]['lost']}")
            size = sum(p.stat().st_size for p in Path(name).glob("day.db*")) / 1e6
            print(f"log and outbox {size:.0f} MB")
        tell(
            "daemon",
            looks,
            "ticks",
            24 * 3600 * args.hz,
            {
                "resident": "MB",
                "anonymous": "MB",
                "allocated": "MB",
                "in SQLite": "MB",
                "blocks": "",
                "objects": "",
            },
        )
        per_tick, noise, _ = slope(looks, "ticks", "blocks")
        print(
            f"  blocks a tick {per_tick:+.6f}, noise {noise:.6f}: a day at 20 Hz {per_tick * 1_728_000:+,.0f} of them"
        )
    if args.only != "daemon":
        began = time.monotonic()
        looks = asyncio.run(page(args.events))
        print(f"{time.monotonic() - began:.0f} s")
        kinds = {"heap": "MB", "resident": "MB", "nodes": "", "listeners": ""}
        tell("page", looks, "events", 24 * 3600 * EVENTS_A_S, kinds)


if __name__ == "__main__":
    main()
