"""The pairing page in a real browser: the link of the QR code, a typed code, refusals, and what the browser keeps.

Set $UPHAUL_PICTURES to a folder to keep the screenshots.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from playwright.async_api import Page as Tab
from playwright.async_api import ViewportSize, async_playwright, expect

from support.machine import tool
from support.paired_page import Page, page

PHONE = ViewportSize(width=390, height=844)
NARROW = ViewportSize(width=320, height=568)
QUIET_BROWSER = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]
SEND = """
async (url) => {
  const body = '{"do": "quiet"}';
  const send = (more) => fetch(url, {method: "POST", credentials: "include", body, ...more}).catch(() => 0);
  await send({mode: "no-cors"});
  await send({headers: {"Content-Type": "application/json"}});
  navigator.sendBeacon(url, new Blob([body], {type: "text/plain"}));
  await send({mode: "no-cors"});
}
"""


@contextlib.asynccontextmanager
async def browser(
    folder: Path, look: str = "open", size: ViewportSize = PHONE, *, dark: bool = False, refused: bool = False
) -> AsyncIterator[tuple[Page, Tab]]:
    """The page, and a tab of a browser that is not paired. Ends with no error in its console but refusals expected."""
    errors: list[str] = []
    async with (
        page(folder, look) as made,
        async_playwright() as playwright,
        await playwright.chromium.launch(executable_path=tool("chromium", "chromium"), args=QUIET_BROWSER) as chromium,
    ):
        context = await chromium.new_context(viewport=size, color_scheme="dark" if dark else "light")
        tab = await context.new_page()
        tab.set_default_timeout(20_000)
        tab.on("pageerror", lambda error: errors.append(str(error)))
        tab.on("console", lambda message: errors.append(message.text) if message.type == "error" else None)
        yield made, tab
    assert [e for e in errors if not (refused and "status of 403" in e)] == []


async def picture(tab: Tab, name: str) -> None:
    folder = os.environ.get("UPHAUL_PICTURES")
    if folder:
        await tab.screenshot(path=Path(folder) / f"{name}.png", full_page=True)


@pytest.mark.asyncio
async def test_the_link_of_the_qr_code_pairs_with_one_tap_and_leaves_no_code_behind(tmp_path: Path) -> None:
    async with browser(tmp_path, "paired") as (made, tab):
        asked: list[str] = []
        tab.on("request", lambda request: asked.append(request.url))
        code = made.access.new_code()
        await tab.goto(f"{made.url}/pair#{code}")
        await expect(tab.locator("#code")).to_have_value(code)
        assert tab.url == f"{made.url}/pair"
        await expect(tab.get_by_role("link", name="To the page")).to_be_hidden()  # it would only lead back here
        await picture(tab, "pair-asking")
        await tab.get_by_label("Name of this device").fill("Red phone")
        await tab.get_by_role("button", name="Pair", exact=True).click()
        await expect(tab.get_by_role("status")).to_have_text("✓ This device is paired as Red phone.")
        await expect(tab.locator("#code")).to_be_hidden()
        await picture(tab, "pair-done")
        assert [url for url in asked if code in url] == []
        assert await tab.evaluate("document.cookie + JSON.stringify({...localStorage, ...sessionStorage})") == "{}"
        (cookie,) = await tab.context.cookies()
        assert (cookie["name"], cookie["httpOnly"], cookie["sameSite"]) == (made.access.cookie, True, "Strict")
        await tab.get_by_role("link", name="To the page").click()
        await expect(tab.get_by_text("what the vehicle does")).to_be_visible()
        await tab.go_back()
        assert code not in tab.url


@pytest.mark.asyncio
async def test_a_device_that_is_not_paired_is_led_to_the_pairing_page(tmp_path: Path) -> None:
    async with browser(tmp_path, "paired") as (made, tab):
        await tab.goto(f"{made.url}/")
        assert tab.url == f"{made.url}/pair"
        await expect(tab.get_by_role("heading", name="Pair this device")).to_be_visible()
        await expect(tab.locator("#code")).to_have_value("")


@pytest.mark.asyncio
async def test_a_wrong_code_is_told_in_words_and_another_can_be_typed(tmp_path: Path) -> None:
    async with browser(tmp_path, size=NARROW, dark=True, refused=True) as (made, tab):
        code = made.access.new_code()
        await tab.goto(f"{made.url}/pair")
        await tab.get_by_label("Code").fill(f"{(int(code) + 1) % 10**8:08d}")
        await tab.get_by_role("button", name="Pair", exact=True).click()
        await expect(tab.get_by_role("alert")).to_have_text("✕ That is not the code; 4 more tries.")
        await expect(tab.get_by_label("Code")).to_be_focused()
        await picture(tab, "pair-wrong-narrow-dark")
        assert await tab.evaluate("document.documentElement.scrollWidth") <= NARROW["width"]
        await tab.get_by_label("Code").fill(f"{code[:4]} {code[4:]}")
        await tab.keyboard.press("Enter")
        await expect(tab.get_by_role("status")).to_contain_text("paired as")
        await expect(tab.get_by_role("alert")).to_be_hidden()


@pytest.mark.asyncio
async def test_a_paired_device_can_end_it(tmp_path: Path) -> None:
    async with browser(tmp_path) as (made, tab):
        await tab.goto(f"{made.url}/pair#{made.access.new_code()}")
        await tab.get_by_role("button", name="Pair", exact=True).click()
        await tab.get_by_role("button", name="Unpair this device").click()
        await expect(tab.get_by_label("Code")).to_be_visible()
        assert made.access.devices == ()
        assert await tab.context.cookies() == []


@pytest.mark.asyncio
async def test_every_target_is_large_enough_for_a_thumb(tmp_path: Path) -> None:
    async with browser(tmp_path) as (made, tab):
        await tab.goto(f"{made.url}/pair")
        await expect(tab.get_by_label("Code")).to_be_visible()
        for target in await tab.locator("input:visible, button:visible, a:visible").all():
            box = await target.bounding_box()
            assert box is not None
            assert box["height"] >= 48


@pytest.mark.asyncio
async def test_a_page_elsewhere_does_nothing_with_a_paired_browser(tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    async with browser(tmp_path, refused=True) as (made, tab), page(tmp_path / "other") as elsewhere:
        await tab.goto(f"{made.url}/pair#{made.access.new_code()}")
        await tab.get_by_role("button", name="Pair", exact=True).click()
        await expect(tab.get_by_role("status")).to_contain_text("paired as")
        other = await tab.context.new_page()
        bare = "<!doctype html><title>elsewhere</title>"  # without the policy that forbids even the attempt
        await other.route("**/bare", lambda route: route.fulfill(body=bare, content_type="text/html"))
        await other.goto(f"http://localhost:{elsewhere.port}/bare")
        tried: list[str] = []
        other.on("request", lambda request: tried.append(request.url))
        await other.evaluate(SEND, f"{made.url}/act")
        assert tried.count(f"{made.url}/act") >= 3
        assert made.done == []
