"""The sample vehicle on a CAN bus with broker and browser, for the benches of page and messages: run as a script it is
the daemon.

Beside the invented climb's frames there is a level of the bench's own, with a rule without delays. The daemon notes of
every tick when it was done after its due time and its CPU time, and prints that.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import struct
import sys
import threading
import time
from collections.abc import AsyncIterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

import aiohttp
import can
from daemon import BUS, config_for, recording
from playwright.async_api import Browser, Page, async_playwright

from support.broker import Broker
from support.can_frames import play, read
from support.live_page import KEPT, PHONE, QUIET_BROWSER
from support.machine import tool
from support.socketcand_hub import SocketcandHub
from uphaul.app import App
from uphaul.cli.run import serve_forever
from uphaul.config import load

__all__ = ["LEVEL_ID", "PREFIX", "RULE_NAME", "SAY", "WITHIN_S", "Rig", "browser", "opened", "rig"]

WITHIN_S = 20.0
LEVEL_ID = 0x7F0
PREFIX = "bench/"
RULE_NAME = "bench-level"
SAY = "Level beyond its limit"
DBC = 'BO_ 2032 Bench: 8 Vehicle\n SG_ Level : 0|8@1+ (1,0) [0|10] "" Uphaul\n\n'
SIGNAL = """
[signal.level]
unit = "1"
range = [0, 10]
per_unit = 1
max_age_s = 3600
from = { source = "bus", message = "Bench", field = "Level" }
"""
RULE = f"""
[[rule]]
name = "{RULE_NAME}"
kind = "threshold"
signal = "level"
above = 5
action = "stop"
say = "{SAY}"
"""
MQTT = f'\n[mqtt]\nhost = "127.0.0.1"\nport = {{port}}\nprefix = "{PREFIX}"\n'


def level(value: int) -> can.Message:
    """The frame of the bench's own signal."""
    return can.Message(arbitration_id=LEVEL_ID, is_extended_id=False, data=struct.pack("<B7x", value))


class Rig:
    """The bus, the broker and the daemon."""

    def __init__(self, hub: SocketcandHub, broker: Broker, url: str, child: asyncio.subprocess.Process) -> None:
        self.hub, self.broker, self.url, self.child = hub, broker, url, child

    def put(self, value: int) -> float:
        """Put the level on the bus; when that was."""
        began = time.monotonic()
        self.hub.send(level(value))
        return began


@contextlib.asynccontextmanager
async def rig(folder: Path) -> AsyncIterator[Rig]:
    """Everything that runs, on the sample vehicle with the bench's own signal and rule."""
    recording(folder / "bus.log")
    frames = read(folder / "bus.log")
    loop, ended = asyncio.get_running_loop(), threading.Event()

    def drive() -> None:
        def send(frame: can.Message) -> None:
            if not ended.is_set():
                loop.call_soon_threadsafe(hub.send, frame)

        while not ended.is_set():
            play(frames, send)

    async with SocketcandHub() as hub, Broker(folder, keeps=False) as broker:
        config = config_for(folder / "config", BUS, hub.port)
        for name, more in (("signals.toml", SIGNAL), ("rules.toml", RULE), ("daemon.toml", MQTT)):
            with (config / name).open("a", encoding="utf-8") as file:
                file.write(more.format(port=broker.port) if more is MQTT else more)
        dbc = config / "vehicle.dbc"
        text = dbc.read_text(encoding="utf-8")
        dbc.write_text(text.replace("BO_ 256 ", DBC + "BO_ 256 ", 1), encoding="utf-8")
        child = await asyncio.create_subprocess_exec(
            sys.executable, __file__, str(config), str(folder / "vehicle.db"),
            stdout=asyncio.subprocess.PIPE,
        )  # fmt: skip
        try:
            assert child.stdout is not None
            url = f"http://127.0.0.1:{json.loads(await child.stdout.readline())['port']}/"
            # A frame that comes together with the answer to the opening confuses the library: it is to be open first.
            await reading(url)
            threading.Thread(target=drive, daemon=True).start()
            made = Rig(hub, broker, url, child)
            made.put(0)
            yield made
        finally:
            ended.set()
            with contextlib.suppress(ProcessLookupError):
                child.terminate()
            await child.wait()


async def reading(url: str) -> None:
    """Wait until the daemon reads the bus."""
    async with aiohttp.ClientSession() as session:
        state = ""
        async with asyncio.timeout(WITHIN_S):
            while state != "running":
                async with session.get(f"{url}status.json") as answer:
                    state = (await answer.json())["sources"][0]["state"]


@contextlib.asynccontextmanager
async def browser() -> AsyncIterator[Browser]:
    """Chromium."""
    async with (
        async_playwright() as playwright,
        await playwright.chromium.launch(executable_path=tool("chromium", "chromium"), args=QUIET_BROWSER) as made,
    ):
        yield made


async def opened(made: Browser, url: str) -> Page:
    """The page, live, on a device that has read the cautions."""
    context = await made.new_context(viewport=PHONE)
    await context.add_init_script(KEPT % ("metric", "auto"))
    page = await context.new_page()
    await page.goto(url)
    await page.locator("#live", has_text="✓ Live").wait_for()
    return page


# ------------------------------------------------------------------------------------------------------ in the daemon


class Noted(App):
    """The daemon; notes of every tick when it was done after its due time and its CPU time, both in s."""

    def _one_tick(self, now_ms: int) -> None:
        cpu = time.thread_time()
        super()._one_tick(now_ms)
        cpu = time.thread_time() - cpu
        noted.append((time.monotonic(), round((self._clock.now_ms() - now_ms) / 1000, 6), round(cpu, 6)))
        if len(noted) == 20:
            print(json.dumps({"ticks": noted, "skipped": self.skipped_ticks}), flush=True)
            noted.clear()


noted: list[tuple[float, float, float]] = []


if __name__ == "__main__":
    config, log = map(Path, sys.argv[1:])
    asyncio.run(serve_forever(Noted(load(config), log, ready=lambda at: print(json.dumps({"port": at}), flush=True))))
