"""Figures of the MQTT output, with a real broker on loopback: how late an alert is, and what the card has to take.

Usage: ``python tests/bench/mqtt.py [ALERTS]`` (default 400; needs mosquitto). An alert goes from `Mqtt.tell` to a
subscriber; the named alternative, in the same run and by turns with it, is the client library's own publish to the same
subscriber. So the ratio is what outbox and thread cost. Bytes are what the kernel was given to write (`wchar`).
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import aiomqtt

from support.broker import Broker, Subscriber, until
from support.moments import Drive, alert
from uphaul.config import load
from uphaul.config.spec import MqttSpec
from uphaul.outputs.held import Rank
from uphaul.outputs.mqtt import Mqtt
from uphaul.outputs.outbox import Outbox
from uphaul.people import People
from uphaul.signals import Collector

ROOT = Path(__file__).parents[2]
PREFIX = "bench/"
TICK_S = 0.01


def quantiles(seconds: list[float]) -> str:
    """The middle, the 99th percentile and the worst, in ms."""
    ordered = sorted(seconds)
    picked = (ordered[len(ordered) // 2], ordered[int(len(ordered) * 0.99)], ordered[-1])
    return " ".join(f"{1000 * s:7.2f}" for s in picked)


def written() -> int:
    """Bytes that this process has given the kernel to write."""
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return int(dict(line.split(": ") for line in lines)["wchar"])


async def latency(folder: Path, count: int) -> None:
    """An alert from `tell` to the subscriber, and a plain publish."""
    config = load(ROOT / "config")
    people = People(config, Collector(config.signals, config.tunes), tuple)
    topics = f"{PREFIX}v1/alerts/log", "plain"
    async with Broker(folder, keeps=False) as broker, Subscriber(broker, *topics) as subscriber:
        arrived = asyncio.Event()
        subscriber.heard = arrived.set
        mqtt = Mqtt(MqttSpec("127.0.0.1", PREFIX, broker.port), config, folder / "outbox.db", people)
        drive = Drive(config)
        task = asyncio.create_task(mqtt.run())
        ours, plain = list[float](), list[float]()
        async with aiomqtt.Client("127.0.0.1", broker.port) as client:
            await until(lambda: mqtt.health.state == "running", "a connection")
            for n in range(count):
                mqtt.tell(drive.moment())
                await asyncio.sleep(TICK_S)
                arrived.clear()
                began = time.perf_counter()
                mqtt.tell(drive.change(alert(n)))
                await arrived.wait()
                ours.append(time.perf_counter() - began)
                await asyncio.sleep(TICK_S)
                arrived.clear()
                began = time.perf_counter()
                sending = asyncio.create_task(client.publish("plain", b'{"some": "text"}', 1))
                await arrived.wait()
                plain.append(time.perf_counter() - began)
                await sending
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        middle = sorted(ours)[count // 2] / sorted(plain)[count // 2]
        print("ms                          p50     p99   worst")
        print(f"tell to subscriber      {quantiles(ours)}")
        print(f"plain publish           {quantiles(plain)}")
        print(f"ratio of the middles    {middle:7.2f}")


def card(folder: Path) -> None:
    """What the card has to take."""
    outbox = Outbox(folder / "card.db", limit_bytes=50_000_000, flush_s=3600.0, apart_s=0.0)
    outbox.start()
    outbox.opened.result(10)
    payload = b"x" * 900

    def bring(rank: Rank, each: int, times: int) -> float:
        before = written()
        for _ in range(times):
            for _ in range(each):
                outbox.put(rank, f"{PREFIX}v1/alerts/log", payload[: 400 if rank is Rank.IMPORTANT else 900])
            outbox._flush_at = 0.0
            outbox._wake.set()
            while outbox._written < outbox._next - 1:
                time.sleep(0.001)
        return (written() - before) / times

    print(f"bytes written: one alert {bring(Rank.IMPORTANT, 1, 200):,.0f}")
    for each in (1, 5, 10):
        bytes_ = bring(Rank.TELEMETRY, each, 100) / each
        print(
            f"telemetry of 900 bytes, {each:2d} a commit: {bytes_:,.0f} bytes, {bytes_ * 3600 / 1e6:.1f} MB/h at 1 Hz"
        )
    outbox.close(10)


def main() -> None:
    """Print the figures."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    with tempfile.TemporaryDirectory() as name:
        asyncio.run(latency(Path(name), count))
        card(Path(name))


if __name__ == "__main__":
    main()
