"""The live page in a real browser, before a server that tells what a test wants and takes down what is asked of it."""

from __future__ import annotations

import contextlib
import os
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from aiohttp import web
from playwright.async_api import BrowserContext, Page, ViewportSize, async_playwright, expect

from support.machine import tool
from uphaul.status import Status
from uphaul.web import WebState, make_app, serve

__all__ = [
    "DASH",
    "DESK",
    "NARROW",
    "PHONE",
    "SIDEWAYS",
    "VEILED",
    "Vehicle",
    "live",
    "page_at",
    "page_of",
    "picture",
    "reach",
]

PHONE = ViewportSize(width=390, height=844)
DESK = ViewportSize(width=1440, height=900)
NARROW = ViewportSize(width=320, height=568)
DASH = ViewportSize(width=800, height=480)
SIDEWAYS = ViewportSize(width=667, height=375)
QUIET_BROWSER = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
VEILED = "document.getElementById('late').checkVisibility({opacityProperty: true})"
KEPT = "localStorage.setItem('uphaul', JSON.stringify({read: true, units: '%s', look: '%s'}))"
# A device whose sound can be counted: every tone that is started, with its length in seconds, and with start and end;
# how often something was cut off from what is heard.
SPY = """
window.tones = [];
window.spans = [];
window.muted = 0;
const cut = GainNode.prototype.disconnect;
GainNode.prototype.disconnect = function () { window.muted += 1; return cut.call(this); };
const begin = OscillatorNode.prototype.start, end = OscillatorNode.prototype.stop;
OscillatorNode.prototype.start = function (at) { this.began = at; return begin.call(this, at); };
OscillatorNode.prototype.stop = function (at) {
    window.tones.push(at - this.began);
    window.spans.push([this.began, at]);
    document.documentElement.dataset.tones = window.tones.length;
    return end.call(this, at);
};
"""


@dataclass
class Vehicle:
    """What the page is told, and what it has asked for; tests change it while the page is open.

    `actor` is the name that the device is paired as, None for not paired. `refusal` answers what is asked for with 400.
    """

    status: Status
    silent: bool = False
    actor: str | None = "a test"
    refusal: str = ""
    asked: list[dict[str, object]] = field(default_factory=list)
    state: WebState = field(init=False)

    def __post_init__(self) -> None:
        self.state = WebState(self)

    def __call__(self) -> Status:
        if self.silent:
            raise RuntimeError("made up: no status, so no event")
        return self.status

    def tell(self, status: Status) -> None:
        """Change what the page is told, at once."""
        self.status = status
        self.state.nudge()

    async def _me(self, request: web.Request) -> web.Response:
        return web.json_response({"name": self.actor, "look": "open"})

    async def _act(self, request: web.Request) -> web.Response:
        if self.actor is None:
            return web.json_response({"problem": "this device is not paired", "pair": "/pair"}, status=403)
        if self.refusal:
            return web.json_response({"problem": self.refusal}, status=400)
        self.asked.append(await request.json())
        return web.json_response({"taken": 1})

    def app(self) -> web.Application:
        """The page's server with stand-ins for acting and playing."""
        app = make_app(self.state, period_s=0.2)
        app.router.add_get("/me.json", self._me)
        app.router.add_post("/act", self._act)
        app.router.add_post("/play", self._act)
        return app


@contextlib.asynccontextmanager
async def page_of(vehicle: Vehicle, size: ViewportSize = PHONE, **device: Any) -> AsyncIterator[Page]:
    """The page of a stand-in of the vehicle; `device` as for `page_at`."""
    async with serve(vehicle.app()) as port, page_at(f"http://127.0.0.1:{port}/", size, **device) as page:
        yield page


@contextlib.asynccontextmanager
async def page_at(
    url: str,
    size: ViewportSize = PHONE,
    *,
    dark: bool = False,
    units: str = "metric",
    look: str = "auto",
    new: bool = False,
    problems: bool = False,
    text: int = 100,
) -> AsyncIterator[Page]:
    """The page at `url` as a browser shows it, on a device that has read the cautions unless it is `new`.

    `text` is its default size of text in percent, as people set it in their browser. Ends with no error in its console
    (a blocked resource would be one), unless `problems` are expected.
    """
    errors: list[str] = []
    async with (
        async_playwright() as playwright,
        await playwright.chromium.launch(
            executable_path=tool("chromium", "chromium"),
            args=[
                *QUIET_BROWSER,
                "--autoplay-policy=user-gesture-required",
                f"--blink-settings=defaultFontSize={16 * text // 100}",
            ],
        ) as browser,
        await browser.new_context(viewport=size, color_scheme="dark" if dark else "light") as context,
    ):
        page = await _prepared(context, "" if new else KEPT % (units, look))
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on("console", lambda message: errors.append(message.text) if message.type == "error" else None)
        await page.goto(url)
        yield page
    assert problems or errors == []


async def _prepared(context: BrowserContext, kept: str) -> Page:
    # Once only: what a test then sets is to outlast a reload.
    await context.add_init_script(SPY + f"if (!localStorage.getItem('uphaul')) {{ {kept} }}")
    page = await context.new_page()
    page.set_default_timeout(20_000)
    return page


async def picture(page: Page, name: str, *, whole: bool = False) -> None:
    """Keep a screenshot where $UPHAUL_PICTURES says."""
    folder = os.environ.get("UPHAUL_PICTURES")
    if folder:
        await page.screenshot(path=Path(folder) / f"{name}.png", full_page=whole)


async def live(page: Page) -> None:
    """Wait until the page calls itself live."""
    await expect(page.locator("#live")).to_have_text("✓ Live", timeout=20_000)
    assert not await page.evaluate(VEILED)


async def reach(page: Page, selector: str) -> tuple[float, float]:
    """Width and height of an element, in CSS pixels."""
    box = await page.locator(selector).first.bounding_box()
    assert box is not None
    return box["width"], box["height"]
