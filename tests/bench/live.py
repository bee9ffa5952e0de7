"""The live page and MQTT on a daemon at work: how late an alert is, what pages cost a tick, and how light the page is.

Usage: ``python tests/bench/live.py [--alerts 200] [--rounds 6] [--loads 10] [--only alerts|pages|loads] [--json]`` from
anywhere; needs mosquitto and chromium. All of it is on the sample vehicle on a CAN bus (socketcand on loopback, the
invented climb's 150 frames a second), the daemon in a process of its own, with a broker of `set_tcp_nodelay true`.

alerts
    A frame puts a level beyond the limit of one further rule without delays, another takes it back, at random times
    within a tick. Counted from just before the frame is written to the bus's socket, on CLOCK_MONOTONIC, to: another
    program on the same bus (a plain socket: what bus and machine cost without us), a subscriber of the broker, the
    page's DOM (a MutationObserver), and the picture after that. The page's times are performance.now(), whose zero is
    `NavigationStart` of the browser's own metrics, on CLOCK_MONOTONIC; that is held against asking the page for its
    time in between two looks on our clock. The target is one tick and 15 ms at the 99th percentile.

pages
    The daemon notes of each tick when it was done after its due time, and its thread's CPU time. By turns one page is
    open, or ten: one of them Chromium, one of them stalled (a small receive buffer, never read; the daemon
    counts what it misses), and the level goes up and down so that there are alerts to tell. Beside it stands what an
    event weighs: one that tells everything, and those that tell what changed. The figure is the ratio of the two at the
    99th percentile; beside it how far turns of one page alone are apart, which is what the
    machine is good for.

loads
    The page loaded anew in a fresh context with a CPU throttled to a sixth, until it calls itself live, shows room with
    units and offers to act or to pair; bytes as they went over the wire. Beside it stands when the browser, throttled
    alike, shows the same server's status as plain text: what a page costs that does nothing.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import random
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

import aiohttp
import numpy as np
from live_rig import LEVEL_ID, PREFIX, RULE_NAME, SAY, WITHIN_S, Rig, browser, opened, rig
from playwright.async_api import Page

from support.broker import Subscriber, until
from support.live_page import PHONE

TICK_MS = 50
TARGET_MS = TICK_MS + 15
TURN_S = 10.0
PAGES = 10
PLAIN = "another program on the bus"

# Tells when the alert of the bench comes and goes: in the document, and once that has been drawn.
WATCH = """say => {
    const alert = document.getElementById("alert");
    let on = false;
    new MutationObserver(() => {
        const now = !alert.hidden && alert.querySelector(".say").textContent === say;
        if (now === on) return;
        on = now;
        const at = performance.now();
        requestAnimationFrame(() => setTimeout(() => window.turned(now, at, performance.now())));
    }).observe(alert, { attributes: true, childList: true, characterData: true, subtree: true });
}"""
# The time at which the page is of use, in ms of its own: live, room in units or an alert, a way to act.
USABLE = """
const shown = (id) => document.getElementById(id)?.checkVisibility() ?? false;
const look = () => {
    if (document.getElementById("live")?.textContent !== "✓ Live") return;
    if (!shown("alert") && !(shown("room") && document.getElementById("room-unit").textContent)) return;
    if (!shown("pairing") && !(shown("mark") && !document.getElementById("mark").disabled)) return;
    watching.disconnect();
    window.usable(performance.now());
};
const watching = new MutationObserver(look);
watching.observe(document, { attributes: true, childList: true, characterData: true, subtree: true });
"""


def quantiles(seconds: list[float]) -> dict[str, float]:
    """Middle, 99th percentile and worst, in ms."""
    found = np.percentile(np.array(seconds) * 1000, (50, 99, 100))
    return dict(zip(("p50", "p99", "worst"), found.round(2).tolist(), strict=True))


# ------------------------------------------------------------------------------------------------------------- alerts


async def zero_of(page: Page) -> tuple[float, float, float]:
    """(CLOCK_MONOTONIC, in s, at the zero of performance.now(); the same by asking; how sure the asking is)."""
    cdp = await page.context.new_cdp_session(page)
    await cdp.send("Performance.enable")
    metrics = {m["name"]: m["value"] for m in (await cdp.send("Performance.getMetrics"))["metrics"]}
    asked = []
    for _ in range(50):
        before = time.monotonic()
        now_ms = await page.evaluate("performance.now()")
        after = time.monotonic()
        asked.append(((after - before) / 2, (before + after) / 2 - now_ms / 1000))
    sure, by_asking = min(asked)
    return metrics["NavigationStart"], by_asking, sure


def listen(bus: socket.socket, heard: Callable[[bool, float], None]) -> None:
    """Read the bus as plainly as can be until it is shut, in a thread; `heard` gets the level's frames."""
    text = b""
    with bus, contextlib.suppress(OSError):  # shut
        bus.sendall(b"< open bus >< rawmode >")
        while got := bus.recv(4096):
            now = time.monotonic()
            *whole, text = (text + got).split(b">")
            for each in whole:
                words = each.split()
                if words[1:3] == [b"frame", b"%03X" % LEVEL_ID]:
                    heard(int(words[4][:2], 16) > 5, now)


async def alerts(at: Rig, count: int) -> dict[str, Any]:
    """The alert raised and cleared `count` times; how late it was everywhere."""
    loop, seed = asyncio.get_running_loop(), random.Random(1)
    heard: asyncio.Queue[tuple[str, bool, float, float]] = asyncio.Queue()
    seen: dict[str, dict[bool, list[float]]] = {}

    def other(on: bool, at_s: float) -> None:
        loop.call_soon_threadsafe(heard.put_nowait, (PLAIN, on, at_s, at_s))

    with socket.create_connection(("127.0.0.1", at.hub.port), WITHIN_S) as plain:
        threading.Thread(target=listen, args=(plain, other), daemon=True).start()
        async with Subscriber(at.broker, f"{PREFIX}v1/alerts/log") as subscriber, browser() as made:
            page = await opened(made, at.url)

            def message() -> None:
                now, told = time.monotonic(), subscriber.got[-1][1]["alert"]
                if told["rule"] == RULE_NAME:
                    heard.put_nowait(("MQTT subscriber", told["state"] == "unacknowledged", now, now))

            zero, by_asking, sure = await zero_of(page)

            def turned(on: bool, dom_ms: float, drawn_ms: float) -> None:
                heard.put_nowait(("page", on, zero + dom_ms / 1000, zero + drawn_ms / 1000))

            subscriber.heard = message
            await page.expose_function("turned", turned)
            await page.evaluate(WATCH, SAY)
            for n in range(2 * count + 2):
                on = n % 2 == 0
                await asyncio.sleep(0.1 + seed.random() * 0.1)
                began = at.put(9 if on else 0)
                places = {PLAIN, "MQTT subscriber", "page"}
                async with asyncio.timeout(WITHIN_S):
                    while places:
                        place, way, first, then = await heard.get()
                        if way is not on or place not in places:
                            raise RuntimeError(f"{place} told {way} when {on} was due")
                        places.discard(place)
                        if n < 2:
                            continue  # the first of each kind also loads what nobody has asked for yet
                        seen.setdefault(place, {True: [], False: []})[on].append(first - began)
                        if place == "page":
                            seen.setdefault("page, drawn", {True: [], False: []})[on].append(then - began)
            wire = await page.evaluate("performance.getEntriesByType('resource').length")
        plain.shutdown(socket.SHUT_RDWR)
    out: dict[str, Any] = {
        "clock": {"by asking, less by metrics, ms": round((by_asking - zero) * 1000, 3), "sure to, ms": sure * 1000},
        "resources": wire,
    }
    for place, ways in seen.items():
        out[place] = {"raised": quantiles(ways[True]), "cleared": quantiles(ways[False]), "n": len(ways[True])}
        out[place]["p99 of the target"] = round(out[place]["raised"]["p99"] / TARGET_MS, 2)
    return out


# -------------------------------------------------------------------------------------------------------------- pages


async def stream(url: str) -> None:
    """A page that reads."""
    async with aiohttp.ClientSession(read_bufsize=1 << 20) as session, session.get(f"{url}events") as answer:
        while await answer.content.readuntil(b"\n\n"):
            pass


async def weights(url: str) -> dict[str, float]:
    """Bytes of an event that tells everything and, in the mean and at most, of those that tell what changed."""
    whole, change = list[int](), list[int]()
    async with aiohttp.ClientSession(read_bufsize=1 << 20) as session, session.get(f"{url}events") as answer:
        while len(change) < 2 * TURN_S:
            event = await answer.content.readuntil(b"\n\n")
            (change if event.startswith(b"event: change") else whole).append(len(event))
    return {"whole": max(whole), "change": round(float(np.mean(change)), 1), "largest change": max(change)}


async def stall(url: str) -> None:
    """A page that asks and never reads."""
    port = int(url.rstrip("/").rpartition(":")[2])
    with socket.socket() as made:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        made.setblocking(False)
        await asyncio.get_running_loop().sock_connect(made, ("127.0.0.1", port))
        made.send(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n" % port)
        await asyncio.Event().wait()


async def missed(url: str) -> int:
    """Events that pages were too slow for, as the daemon counts them."""
    async with aiohttp.ClientSession() as session, session.get(f"{url}status.json") as answer:
        return int((await answer.json())["web"]["dropped"])


async def pages(at: Rig, rounds: int) -> dict[str, Any]:
    """Ticks with one page and with ten, by turns."""
    ticks: list[tuple[float, float, float]] = []
    skipped, before = [0], 0

    async def collect() -> None:
        assert at.child.stdout is not None
        async for line in at.child.stdout:
            told = json.loads(line)
            ticks.extend(told["ticks"])
            skipped[0] = told["skipped"]

    async def flip() -> None:
        on = False
        while True:
            await asyncio.sleep(0.7)
            on = not on
            at.put(9 if on else 0)

    turns: list[tuple[int, float, float]] = []
    others = [asyncio.create_task(collect()), asyncio.create_task(flip())]
    async with browser() as made:
        await opened(made, at.url)
        weigh = await weights(at.url)
        for n in range(2 * rounds + 1):
            many = n % 2
            more: list[asyncio.Task[None]] = []
            if many:
                more = [asyncio.create_task(stream(at.url)) for _ in range(PAGES - 2)]
                more.append(asyncio.create_task(stall(at.url)))
            await asyncio.sleep(2.0)
            began = time.monotonic()
            await asyncio.sleep(2 * TURN_S if many else TURN_S)
            if not n:
                before = skipped[0]
            else:
                turns.append((PAGES if many else 1, began, time.monotonic()))
            failed = [t for t in more if t.done()]
            for task in more:
                task.cancel()
            await asyncio.gather(*more, return_exceptions=True)
            if failed:
                raise RuntimeError(f"{len(failed)} pages ended by themselves: {failed[0]}")
        await until(lambda: ticks and ticks[-1][0] > turns[-1][2], "the last turn's ticks")
    for task in others:
        task.cancel()
    await asyncio.gather(*others, return_exceptions=True)
    parts = [(open_, np.array([t for t in ticks if begun <= t[0] < end])) for open_, begun, end in turns]
    out: dict[str, Any] = {
        "bytes of an event": weigh,
        "skipped ticks": skipped[0] - before,
        "events that the stalled page missed": await missed(at.url),
    }
    for column, name in ((1, "done after due, ms"), (2, "CPU of the tick, ms")):
        by = {k: [part[:, column] * 1000 for open_, part in parts if open_ == k] for k in (1, PAGES)}
        p50, p99 = ({k: float(np.percentile(np.concatenate(by[k]), q)) for k in by} for q in (50, 99))
        each = {k: [float(np.percentile(p, 99)) for p in by[k]] for k in by}
        out[name] = {
            **{f"{k} open: p50, p99": (round(p50[k], 2), round(p99[k], 2)) for k in by},
            "ticks": {k: sum(map(len, by[k])) for k in by},
            "ratio of p50": round(p50[PAGES] / p50[1], 3),
            "ratio of p99": round(p99[PAGES] / p99[1], 3),
            "ratio of the median turn's p99": round(float(np.median(each[PAGES]) / np.median(each[1])), 3),
            "turns of one page apart, p99": (round(min(each[1]), 2), round(max(each[1]), 2)),
        }
    return out


# -------------------------------------------------------------------------------------------------------------- loads


async def loads(at: Rig, count: int) -> dict[str, Any]:
    """First views, throttled and not."""
    out: dict[str, Any] = {}
    async with browser() as made:
        for slower in (1, 6):
            usable, plain, work = list[float](), list[float](), list[float]()
            weights, hosts = list[float](), set[str]()
            for _ in range(count):
                context = await made.new_context(viewport=PHONE)
                await context.add_init_script(USABLE)
                page = await context.new_page()
                cdp = await context.new_cdp_session(page)
                await cdp.send("Network.enable")
                await cdp.send("Performance.enable", {"timeDomain": "threadTicks"})
                await cdp.send("Emulation.setCPUThrottlingRate", {"rate": slower})
                bytes_ = [0.0]

                def head(told: dict[str, Any], bytes_: list[float] = bytes_, hosts: set[str] = hosts) -> None:
                    hosts.add(told["response"]["url"].split("/")[2])
                    bytes_[0] += told["response"]["encodedDataLength"]

                def body(told: dict[str, Any], bytes_: list[float] = bytes_) -> None:
                    bytes_[0] += told["encodedDataLength"]

                cdp.on("Network.responseReceived", head)
                cdp.on("Network.dataReceived", body)
                done: asyncio.Queue[float] = asyncio.Queue()
                await page.expose_function("usable", lambda ms, done=done: done.put_nowait(ms))
                await page.goto(at.url)
                async with asyncio.timeout(WITHIN_S):
                    usable.append(await done.get())
                metrics = {m["name"]: m["value"] for m in (await cdp.send("Performance.getMetrics"))["metrics"]}
                work.append(metrics["TaskDuration"] * 1000)
                weights.append(bytes_[0])
                await page.goto(f"{at.url}status.json")
                plain.append(await page.evaluate("performance.getEntriesByType('navigation')[0].loadEventStart"))
                await context.close()
            out[f"CPU {slower} times slower"] = {
                "usable after, ms, median and worst": (round(float(np.median(usable))), round(max(usable))),
                "a plain text, the same way": (round(float(np.median(plain))), round(max(plain))),
                "CPU time of the page's thread till then, ms": round(float(np.median(work))),
                "over the wire, kB, median and most": (
                    round(float(np.median(weights)) / 1000, 1),
                    round(max(weights) / 1000, 1),
                ),
                "hosts": sorted(hosts),
            }
    return out


async def run(args: argparse.Namespace) -> dict[str, Any]:
    """All figures that are asked for."""
    out: dict[str, Any] = {"load before": round(os.getloadavg()[0], 1), "cores": os.cpu_count()}
    with tempfile.TemporaryDirectory() as name:
        async with rig(Path(name)) as at:
            if args.only in (None, "alerts"):
                out["alerts"] = await alerts(at, args.alerts)
            if args.only in (None, "loads"):
                out["loads"] = await loads(at, args.loads)
            if args.only in (None, "pages"):
                out["pages"] = await pages(at, args.rounds)
    return out | {"load after": round(os.getloadavg()[0], 1)}


def lines(told: dict[str, Any], indent: str = "") -> list[str]:
    """Figures for people."""
    out: list[str] = []
    for key, value in told.items():
        if isinstance(value, dict):
            out += [f"{indent}{key}", *lines(value, f"{indent}  ")]
        else:
            out.append(f"{indent}{key:40} {value}")
    return out


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--alerts", type=int, default=200)
    options.add_argument("--rounds", type=int, default=6)
    options.add_argument("--loads", type=int, default=10)
    options.add_argument("--only", choices=("alerts", "pages", "loads"))
    options.add_argument("--json", action="store_true")
    args = options.parse_args()
    figures = asyncio.run(run(args))
    print(json.dumps(figures) if args.json else "\n".join(lines(figures)))


if __name__ == "__main__":
    main()
