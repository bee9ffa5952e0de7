"""A real broker of the test's own on loopback, to be killed, frozen and started again, and a subscriber that counts."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

import aiomqtt

from support.gps_peers import free_port
from support.machine import tool

__all__ = ["WITHIN_S", "Broker", "Subscriber", "until"]

WITHIN_S = 30.0
"""Longer than anything here takes on a busy machine."""
LOOK_S = 0.01


async def until(check: Callable[[], Any], what: str, *, within_s: float = WITHIN_S) -> None:
    """Wait for `check`, or fail naming `what`."""
    try:
        async with asyncio.timeout(within_s):
            while not check():  # noqa: ASYNC110  (of any kind: there is no event)
                await asyncio.sleep(LOOK_S)
    except TimeoutError:
        raise AssertionError(f"not within {within_s:g} s: {what}") from None


class Broker:
    """mosquitto in `folder`; `more` are further lines of its configuration.

    It `keeps` on the card what it has promised, as the page of topics asks for; that costs it some ms a message.
    """

    def __init__(self, folder: Path, *more: str, keeps: bool = True) -> None:
        self.port = free_port()
        self.address = "127.0.0.1"
        self.keeps = keeps
        self._conf = folder / "broker.conf"
        data = folder / "broker"
        data.mkdir()
        lines = [
            f"listener {self.port} {self.address}",
            *(more or ("allow_anonymous true",)),
            "set_tcp_nodelay true",
            f"persistence {str(keeps).lower()}",
            f"persistence_location {data}/",
            "autosave_on_changes true",
            "autosave_interval 1",
            "max_queued_messages 0",
            "log_dest stderr",
            *(("log_type all",) if keeps else ()),
        ]
        if os.geteuid() == 0:
            lines.append("user root")  # else it gives up the rights to its own folder
        self._conf.write_text("\n".join(lines) + "\n", encoding="utf-8")
        self._process: asyncio.subprocess.Process | None = None
        self._drain: asyncio.Task[None] | None = None
        self.said: list[str] = []

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._process is not None:
            self.thaw()
            await self.kill()

    async def start(self) -> None:
        """Begin to listen."""
        system = shutil.which("mosquitto", path=f"{os.environ['PATH']}:/usr/sbin")
        program = system or tool("mosquitto", "mosquitto")
        self._process = process = await asyncio.create_subprocess_exec(
            program, "-c", str(self._conf), stderr=asyncio.subprocess.PIPE
        )
        assert process.stderr is not None
        self.said.clear()
        async with asyncio.timeout(WITHIN_S):
            async for line in process.stderr:
                self.said.append(line.decode(errors="replace"))
                if b" running" in line:
                    break
            else:
                raise AssertionError("".join(self.said))

        async def drain(stream: asyncio.StreamReader) -> None:
            async for line in stream:
                self.said.append(line.decode(errors="replace"))

        self._drain = asyncio.create_task(drain(process.stderr))

    async def kill(self) -> None:
        """End it at once, whatever it was doing."""
        assert self._process is not None
        with contextlib.suppress(ProcessLookupError):
            self._process.kill()
        await self._process.wait()
        if self._drain is not None:
            await self._drain
        self._process = None

    async def remember(self) -> None:
        """Let it write down now whom it knows, as it does by itself a little later."""
        assert self._process is not None
        before = self._saves()
        self._process.send_signal(signal.SIGUSR1)
        await until(lambda: self._saves() > before, "the broker's memory on the card")

    def _saves(self) -> int:
        return sum("Saving in-memory database" in line for line in self.said)

    def freeze(self) -> None:
        """It is there and does nothing."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """It goes on."""
        assert self._process is not None
        with contextlib.suppress(ProcessLookupError):
            self._process.send_signal(signal.SIGCONT)


class Subscriber:
    """Reads topics as the page of topics asks for: quality of service 1, a session that is kept, its own reconnecting.

    `got` has (topic, message, retained) of everything that came, duplicates included; empty payloads are None. `heard`
    is called at each.
    """

    def __init__(self, broker: Broker, *topics: str, name: str = "subscriber", **login: Any) -> None:
        self._broker, self._topics, self._name, self._login = broker, topics or ("#",), name, login
        self.got: list[tuple[str, Any, bool]] = []
        self.subscribed = asyncio.Event()
        self.heard: Callable[[], None] = lambda: None
        self._task: asyncio.Task[None] | None = None
        self._client: aiomqtt.Client | None = None

    async def __aenter__(self) -> Self:
        self._task = asyncio.create_task(self._run(), name="subscriber")
        async with asyncio.timeout(WITHIN_S):
            await self.subscribed.wait()
        if self._broker.keeps:
            await self._broker.remember()
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._task is not None
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._task

    async def _run(self) -> None:
        while True:
            with contextlib.suppress(aiomqtt.MqttError):
                async with aiomqtt.Client(
                    self._broker.address,
                    self._broker.port,
                    identifier=self._name,
                    clean_session=False,
                    timeout=2,
                    keepalive=5,
                    **self._login,
                ) as client:
                    for topic in self._topics:
                        await client.subscribe(topic, 1)
                    self._client = client
                    self.subscribed.set()
                    async for message in client.messages:
                        assert isinstance(message.payload, bytes)
                        told = json.loads(message.payload) if message.payload else None
                        self.got.append((str(message.topic), told, message.retain))
                        self.heard()
            self._client = None
            self.subscribed.clear()
            await asyncio.sleep(0.05)

    async def publish(self, topic: str, message: object, *, retain: bool = False) -> None:
        """Send something."""
        async with asyncio.timeout(WITHIN_S):
            await self.subscribed.wait()
        assert self._client is not None
        payload = message if isinstance(message, bytes) else json.dumps(message)
        await self._client.publish(topic, payload, 1, retain)

    def of(self, ending: str) -> list[Any]:
        """Everything that came on the topics with that ending."""
        return [told for topic, told, _ in self.got if topic.endswith(ending)]

    def stream(self, ending: str) -> list[Any]:
        """The messages of a numbered topic by the rule of the page of topics: drop what is not above the last one.

        Fails where a number is left out, or a run does not begin where the one before ended.
        """
        out: list[Any] = []
        last: dict[str, int] = {}
        for told in self.of(ending):
            seq, run = told["seq"], told["run"]
            if seq <= last.get(run, 0):
                continue
            assert seq == last.get(run, 0) + 1, f"{ending}: {seq} after {last.get(run, 0)}"
            if seq == 1 and out:
                assert told["before"] == {"run": out[-1]["run"], "seq": out[-1]["seq"]}
            last[run] = seq
            out.append(told)
        return out
