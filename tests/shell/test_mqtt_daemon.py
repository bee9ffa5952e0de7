"""The whole daemon on a bus and at a real broker: what its log has of the alerts, the subscriber has too."""

from __future__ import annotations

import asyncio
import signal
from pathlib import Path

import pytest

from support.broker import Broker, Subscriber, until
from support.bus_vehicle import frames, socketcand_hub, socketcand_source, write_config
from support.daemon import Daemon, running
from uphaul.log import Log

pytestmark = pytest.mark.asyncio

LOST = {"state": "offline", "reason": "lost"}


def recording(path: Path) -> Path:
    """An exhaust that gets too hot and cools down again, every two seconds."""
    lines = []
    for i in range(80):
        t_s = i / 40
        egt = 760 if t_s < 1.0 else 600
        lines += [line.replace("(0.0)", f"({t_s:.6f})") for line in frames(1800, egt, 150)]
    path.write_text("\n".join([*lines, ""]), encoding="ascii")
    return path


async def test_every_alert_of_the_log_is_told_once_in_order_though_the_broker_was_killed(tmp_path: Path) -> None:
    hub = socketcand_hub(recording(tmp_path / "drive.log"), "--repeat")
    async with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        with running(hub):
            port = int((await asyncio.to_thread(hub.wait_for, "listening ")).split()[1])
            config = write_config(tmp_path / "config", socketcand_source(port), hold_s=600)
            with (config / "daemon.toml").open("a", encoding="utf-8") as file:
                file.write(f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\ntelemetry_s = 0.1\n')
            daemon = await asyncio.to_thread(Daemon, config, tmp_path / "vehicle.db")
            with running(daemon):
                await until(lambda: len(subscriber.stream("alerts/log")) >= 2, "alerts")
                await broker.kill()
                before = len(subscriber.stream("alerts/log"))
                await until(lambda: transitions(tmp_path / "vehicle.db") > before + 2, "alerts without a broker")
                await broker.start()
                await until(lambda: len(subscriber.stream("alerts/log")) > before + 4, "alerts after it came back")
                assert (await asyncio.to_thread(daemon.end))[0] == 0
            await until(
                lambda: subscriber.of("v1/availability")[-1:] == [{"state": "offline", "reason": "ended"}], "end"
            )
    with Log.open(tmp_path / "vehicle.db") as log:
        (drive,) = log.drives()
        logged = [(t.t_ms, t.rule, str(t.target)) for t in log.transitions(drive.id)]
    told = [(m["t_ms"], m["alert"]["rule"], m["alert"]["state"]) for m in subscriber.stream("alerts/log")]
    assert told == logged
    assert [m["kind"] for m in subscriber.stream("v1/drives")] == ["begins"]
    about = subscriber.of("v1/about")[0]
    assert about["invented"] is about["replayed"] is False
    assert {s["name"] for s in about["signals"]} == {"rpm", "egt", "map"}
    assert subscriber.of("v1/signals")[-1]["values"]["rpm"] == 1800


def transitions(path: Path) -> int:
    """How many steps of alerts the log has."""
    with Log.open(path) as log:
        return sum(len(log.transitions(drive.id)) for drive in log.drives())


async def test_a_killed_daemon_is_told_by_its_last_will_and_goes_on_with_its_stream(tmp_path: Path) -> None:
    hub = socketcand_hub(recording(tmp_path / "drive.log"), "--repeat")
    async with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        with running(hub):
            port = int((await asyncio.to_thread(hub.wait_for, "listening ")).split()[1])
            config = write_config(tmp_path / "config", socketcand_source(port), hold_s=600)
            with (config / "daemon.toml").open("a", encoding="utf-8") as file:
                file.write(f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n')
            for life in (1, 2):
                daemon = await asyncio.to_thread(Daemon, config, tmp_path / "vehicle.db")
                with running(daemon):
                    await until(lambda life=life: len(runs(subscriber)) == life, "an alert")  # type: ignore[misc]
                    await until(lambda: transitions(tmp_path / "vehicle.db") > 0, "the log's first commit")
                    await asyncio.to_thread(daemon.end, signal.SIGKILL)
                await until(lambda: subscriber.of("v1/availability")[-1:] == [LOST], "the last will")
        assert subscriber.stream("v1/drives")[-1]["kind"] == "goes-on"


def runs(subscriber: Subscriber) -> set[str]:
    return {m["run"] for m in subscriber.of("alerts/log")}
