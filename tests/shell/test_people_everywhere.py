"""The whole daemon with page, broker and dash panel at once: who is told of an alert, and who quiets it, from anywhere.

Bus, broker and browser are real; the GPIO chip is a stand-in at the place where its library hands out the lines, so the
daemon runs in the test's own process. Quieting in one place must quiet everywhere, once, and replay the same.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path

import gpiod
import pytest
from playwright.async_api import Page, expect

from support.broker import Broker, Subscriber, until
from support.bus_vehicle import frames, socketcand_source, write_config
from support.can_frames import parse
from support.daemon import command
from support.gpio_panel import Chip
from support.live_page import live, page_at
from support.socketcand_hub import SocketcandHub
from uphaul.app import App
from uphaul.config import load
from uphaul.log import Log
from uphaul.signals import EventKind
from uphaul.web.access import Access, store_path

pytestmark = pytest.mark.asyncio

BUZZER, LAMP, BUTTON = 23, 24, 25
MS = 1_000_000
FRAME_S = 0.02
PHONE_NAME = "Red phone"

RULE = """[[rule]]
name = "{name}"
kind = "threshold"
signal = "{signal}"
above = {above}
deadband = {deadband}
on_delay_s = 0.1
off_delay_s = 0.3
action = "{action}"
say = "{say}"
"""
RULES = "\n".join(
    RULE.format(name=name, signal=signal, above=above, deadband=deadband, action=action, say=say)
    for name, signal, above, deadband, action, say in (
        ("egt-high", "egt", 720, 25, "ease", "Exhaust too hot: ease off"),
        ("boost-high", "map", 300, 10, "stop", "Boost beyond the hoses: stop"),
        ("rpm-high", "rpm", 3800, 100, "stop", "Engine too fast: stop"),
    )
)
OUTPUTS = """
[mqtt]
host = "127.0.0.1"
port = {port}
prefix = "test/"
accept_acts = true
[panel]
chip = "/dev/gpiochip0"
buzzer = {buzzer}
lamp = {lamp}
button = {button}
"""
# A round of the buzzer's call and some more: longer silence than that means that it calls no more.
QUIET_S = {"ease": 3.6, "stop": 1.5}
TONES = {"ease": 3, "stop": 1}
BACK_TONES = 2


@dataclass
class Bus:
    """What the vehicle says, 50 times a second."""

    hub: SocketcandHub
    rpm: float = 1800
    egt: float = 500
    map_kpa: float = 150

    async def drive(self) -> None:
        while True:
            self.hub.send(*(parse(line) for line in frames(self.rpm, self.egt, self.map_kpa)))
            await asyncio.sleep(FRAME_S)


@dataclass
class Everywhere:
    """The parts of one vehicle, and what has been seen of them."""

    bus: Bus
    chip: Chip
    page: Page
    subscriber: Subscriber
    tones: int = field(default=0)

    async def told(self, rule: str, say: str, action: str) -> None:
        """Page, broker and panel all tell it, aloud."""
        chip, page = self.chip, self.page
        await expect(page.locator("#alert .say")).to_have_text(say)
        await expect(page.locator("#quiet")).to_be_visible()
        self.tones += TONES[action]
        await expect(page.locator("html")).to_have_attribute("data-tones", str(self.tones))
        await until(lambda: chip.levels.get(BUZZER), "the buzzer")
        await until(lambda: chip.levels.get(LAMP), "the lamp")
        await until(lambda: self.steps(rule)[-1:] == ["unacknowledged"], f"{rule} at the broker")

    async def quieted(self, rule: str, action: str) -> None:
        """All three know that it was seen, and it still stands."""
        chip, page = self.chip, self.page
        await expect(page.locator("#alert .words")).to_have_text("✓ seen")
        await expect(page.locator("#quiet")).to_be_hidden()
        await until(lambda: self.steps(rule)[-1:] == ["acknowledged"], f"{rule} seen, at the broker")
        await until(lambda: chip.levels == {BUZZER: False, LAMP: True}, "the panel between two calls")
        before = len(chip.changes)

        def calls_on() -> bool:
            with chip.changed:
                return bool(
                    chip.changed.wait_for(lambda: any(c[BUZZER] for c in chip.changes[before:]), QUIET_S[action])
                )

        assert not await asyncio.to_thread(calls_on)
        assert chip.levels[LAMP], "what still stands is lit"

    async def over(self, rule: str) -> None:
        """All three tell that it is over."""
        await expect(self.page.locator("#alert")).to_be_hidden()
        await expect(self.page.locator("#calm")).to_be_visible()
        self.tones += BACK_TONES
        await expect(self.page.locator("html")).to_have_attribute("data-tones", str(self.tones))
        await until(lambda: self.steps(rule)[-1:] == ["normal"], f"{rule} over, at the broker")
        await until(lambda: not self.chip.levels[LAMP], "the lamp dark")

    def steps(self, rule: str) -> list[str]:
        """What the broker's subscriber knows of a rule's alert."""
        return [m["alert"]["state"] for m in self.subscriber.stream("alerts/log") if m["alert"]["rule"] == rule]


@contextlib.asynccontextmanager
async def daemon(folder: Path, broker: Broker, bus: Bus) -> AsyncIterator[tuple[App, str]]:
    """The daemon on bus, broker and panel; and where its page is."""
    directory = write_config(folder / "config", socketcand_source(bus.hub.port), hold_s=600, rules=RULES)
    with (directory / "daemon.toml").open("a", encoding="utf-8") as file:
        file.write(OUTPUTS.format(port=broker.port, buzzer=BUZZER, lamp=LAMP, button=BUTTON))
    port: asyncio.Future[int] = asyncio.get_running_loop().create_future()
    app = App(load(directory), folder / "vehicle.db", ready=port.set_result, needs_page=True)
    running = asyncio.create_task(app.run(), name="daemon")
    driving = asyncio.create_task(bus.drive(), name="bus")
    try:
        async with asyncio.timeout(30):
            url = f"http://127.0.0.1:{await port}/"
        yield app, url
    finally:
        app.stop()
        await running
        driving.cancel()


async def pair(page: Page, url: str, log: Path) -> None:
    """Pair the browser the way its owner does, by the link with the code; and have sound."""
    code = Access(store_path(log)).new_code()
    await page.goto(f"{url}pair#{code}")
    await page.locator("#name").fill(PHONE_NAME)
    await page.get_by_role("button", name="Pair", exact=True).click()
    await expect(page.locator("#state")).to_have_text(f"✓ This device is paired as {PHONE_NAME}.")
    await page.goto(url)
    await live(page)
    await page.locator("#sound-off").click()
    await expect(page.locator("#sound-off")).to_be_hidden()


async def test_an_alert_is_told_everywhere_and_quieted_from_anywhere_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    chip, log = Chip(), tmp_path / "vehicle.db"
    monkeypatch.setattr(gpiod, "request_lines", chip.request_lines)
    async with (
        Broker(tmp_path) as broker,
        Subscriber(broker) as subscriber,
        SocketcandHub() as hub,
        daemon(tmp_path, broker, bus := Bus(hub)) as (_, url),
        page_at(url) as page,
    ):
        await pair(page, url, log)
        all_ = Everywhere(bus, chip, page, subscriber)
        await until(lambda: chip.levels == {BUZZER: False, LAMP: False}, "the panel's trial over")

        async def by_message() -> None:
            await subscriber.publish("test/v1/act", {"do": "quiet", "id": "from afar"})
            await until(lambda: subscriber.of("act/answer"), "an answer")
            assert [(a["id"], a["done"]) for a in subscriber.of("act/answer")] == [("from afar", 1)]

        async def by_page() -> None:
            async with page.expect_response("**/act") as answer:
                await page.locator("#quiet").click()
            assert await (await answer.value).json() == {"taken": 1}

        async def by_button() -> None:
            now = time.monotonic_ns()
            chip.press((True, now - 500 * MS), (False, now - 300 * MS))

        async def once(
            name: str, hot: dict[str, float], action: str, say: str, way: Callable[[], Awaitable[None]]
        ) -> None:
            usual = {key: getattr(bus, key) for key in hot}
            vars(bus).update(hot)
            await all_.told(name, say, action)
            await way()
            await all_.quieted(name, action)
            vars(bus).update(usual)
            await all_.over(name)

        await once("egt-high", {"egt": 760}, "ease", "Exhaust too hot: ease off", by_message)
        await once("boost-high", {"map_kpa": 330}, "stop", "Boost beyond the hoses: stop", by_page)
        await once("rpm-high", {"rpm": 4000}, "stop", "Engine too fast: stop", by_button)
        assert await page.evaluate("window.tones.length") == all_.tones
    seen = [("egt-high", "mqtt"), ("boost-high", PHONE_NAME), ("rpm-high", "button")]
    told = [m for m in subscriber.stream("v1/events") if m["kind"] == "acknowledge"]
    assert [(m["rule"], m["actor"]) for m in told] == seen
    with Log.open(log) as file:
        (drive,) = file.drives()
        events = [(e.rule, e.actor) for e in file.events(drive.id) if e.kind is EventKind.ACKNOWLEDGE]
        steps = [(t.rule, t.target.value) for t in file.transitions(drive.id)]
    assert events == seen
    assert Counter(steps) == Counter(
        (rule, state) for rule, _ in seen for state in ("unacknowledged", "acknowledged", "normal")
    )
    assert steps == [(m["alert"]["rule"], m["alert"]["state"]) for m in subscriber.stream("alerts/log")]
    assert json.loads(await asyncio.to_thread(command, "replay", str(log), "--json"))["live"]["same"] is True
    assert not any(chip.levels.values())
