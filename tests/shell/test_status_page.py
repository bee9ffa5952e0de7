"""The status page in a real browser: what is seen on a phone and at a desk, and that a frozen page never looks alive.

Set $UPHAUL_PICTURES to a folder to keep the screenshots.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.async_api import Page, Route, ViewportSize, async_playwright, expect

from support.machine import tool
from support.status_page import busy, calm, many
from uphaul.alerts import State
from uphaul.status import LogView, Status
from uphaul.web import WebState, make_app, serve

PHONE = ViewportSize(width=390, height=844)
DESK = ViewportSize(width=1440, height=900)
NARROW = ViewportSize(width=320, height=568)
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


class Vehicle:
    """What the page is told; tests change it while the page is open."""

    def __init__(self, status: Status) -> None:
        self.status = status
        self.silent = False

    def __call__(self) -> Status:
        if self.silent:
            raise RuntimeError("made up: no status, so no event")
        return self.status


@contextlib.asynccontextmanager
async def page_of(vehicle: Vehicle, size: ViewportSize, *, dark: bool = False) -> AsyncIterator[Page]:
    """The page as a browser shows it. Ends with no error in its console: a blocked resource would be one."""
    errors: list[str] = []
    chromium = tool("chromium", "chromium")
    async with (
        serve(make_app(WebState(vehicle), period_s=0.2)) as port,
        async_playwright() as playwright,
        await playwright.chromium.launch(executable_path=chromium, args=QUIET_BROWSER) as browser,
    ):
        page = await browser.new_page(viewport=size, color_scheme="dark" if dark else "light")
        page.set_default_timeout(20_000)
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on("console", lambda message: errors.append(message.text) if message.type == "error" else None)
        await page.goto(f"http://127.0.0.1:{port}/")
        yield page
    assert errors == []


async def picture(page: Page, name: str, *, whole: bool = False) -> None:
    folder = os.environ.get("UPHAUL_PICTURES")
    if folder:
        await page.screenshot(path=Path(folder) / f"{name}.png", full_page=whole)


async def live(page: Page) -> None:
    await expect(page.locator("#live")).to_have_text("✓ Live", timeout=20_000)
    assert not await page.evaluate(VEILED)


async def inside(page: Page, selector: str) -> bool:
    """True when the first element of that selector lies wholly on the screen, without scrolling."""
    box = await page.locator(selector).first.bounding_box()
    size = page.viewport_size
    assert box is not None
    assert size is not None
    return box["y"] >= 0 and box["y"] + box["height"] <= size["height"] and box["x"] + box["width"] <= size["width"]


@pytest.mark.asyncio
@pytest.mark.parametrize(("name", "size"), [("narrow", NARROW), ("phone", PHONE), ("desk", DESK)])
async def test_alerts_come_first_in_words_and_nothing_runs_off_the_side(name: str, size: ViewportSize) -> None:
    async with page_of(Vehicle(busy(stop=True)), size) as page:
        await live(page)
        await picture(page, f"busy-{name}", whole=True)
        first = page.locator("#alerts li").first
        await expect(first.locator(".act")).to_have_text("■ Stop when safe")
        await expect(first.locator(".reason")).to_have_text(
            "oil pressure went to 38\u00a0kPa (at least 179.2\u00a0kPa) 3 s ago"
        )
        assert await inside(page, "#alerts li")
        wide = await page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 0


@pytest.mark.asyncio
async def test_a_signal_shows_value_unit_quality_and_limit() -> None:
    async with page_of(Vehicle(busy()), PHONE) as page:
        await live(page)
        rows = page.locator("#signals li")
        await expect(rows.nth(0).locator(".value")).to_have_text("731°C")
        await expect(rows.nth(0).locator(".quality")).to_have_text("good · limit 680")
        lost = page.locator("#signals li", has_text="oil temperature")
        await expect(lost.locator(".value")).to_have_text("–°C")
        await expect(lost.locator(".quality")).to_have_text("✕ open circuit · limit 120")
        await expect(page.locator("#parts")).to_contain_text("Source oil_probe: waiting")
        await expect(page.locator("#invented")).to_be_visible()
        await expect(page.locator("#replayed")).to_be_hidden()


@pytest.mark.asyncio
async def test_small_numbers_keep_their_figures_and_large_ones_have_none_to_spare() -> None:
    status = busy()
    slope = replace(status.alerts[0], measure="slope of coolant", value=0.0903, limit=0.033, unit="°C/s")
    ratio = replace(status.alerts[1], measure="cooler effectiveness", value=0.615, limit=0.67, side="below", unit="")
    hot = replace(status.signals[0], low=130.917, high=716.787)
    shown = replace(status, alerts=(slope, ratio), signals=(hot, *status.signals[1:]))
    async with page_of(Vehicle(shown), PHONE) as page:
        await live(page)
        reasons = page.locator("#alerts .reason")
        await expect(reasons.nth(0)).to_contain_text("went to 0.09\u00a0°C/s (limit 0.033\u00a0°C/s)")
        await expect(reasons.nth(1)).to_contain_text("went to 0.615 (at least 0.67)")
        await expect(page.locator("#signals .quality").first).to_have_text("good · at least 130.9, limit 716.8")


@pytest.mark.asyncio
async def test_with_nothing_to_tell_it_says_so_and_follows_what_changes() -> None:
    vehicle = Vehicle(calm())
    async with page_of(vehicle, PHONE) as page:
        await live(page)
        await expect(page.locator("#calm")).to_be_visible()
        await expect(page.locator("#invented")).to_be_hidden()
        await picture(page, "calm-phone")
        vehicle.status = busy()
        await expect(page.locator("#calm")).to_be_hidden()
        await expect(page.locator("#alerts .act").first).to_have_text("▲ Ease off now")
        await expect(page.locator("#spoken")).to_have_text("Ease off now. Exhaust too hot: ease off, change down")
        vehicle.status = replace(busy(), alerts=())
        await expect(page.locator("#alerts li")).to_have_count(0)
        await expect(page.locator("#calm")).to_be_visible()


@pytest.mark.asyncio
async def test_an_alert_whose_condition_is_over_no_longer_tells_the_driver_to_act() -> None:
    status = busy()
    over = tuple(replace(a, state=State.RETURNED_UNACKNOWLEDGED) for a in status.alerts)
    async with page_of(Vehicle(replace(status, alerts=over)), PHONE) as page:
        await live(page)
        await picture(page, "over-phone")
        await expect(page.locator("#alerts li")).to_have_count(0)
        await expect(page.locator("#past .act").first).to_have_text("✓ Back to normal")
        await expect(page.locator("#past .say").first).to_have_text("It was: Exhaust too hot: ease off, change down")
        await expect(page.locator("#past li")).to_have_count(2)
        await expect(page.locator("#more-past")).to_have_text("✓ 1 more back to normal")
        await expect(page.locator("#left")).not_to_contain_text("Ease off now")
        await expect(page.locator("#spoken")).to_have_text("")


@pytest.mark.asyncio
@pytest.mark.parametrize(("name", "size"), [("phone", PHONE), ("desk", DESK)])
@pytest.mark.parametrize(
    "shown",
    [  # how many hold, how many are over; how many of the first are listed, the count; the same of the second
        (1, 0, 1, "", 0, ""),
        (4, 0, 4, "", 0, ""),
        (5, 1, 4, "and 1 more", 1, ""),
        (40, 20, 4, "and 36 more", 2, "✓ 18 more back to normal"),
    ],
)
async def test_of_many_alerts_the_first_few_are_shown_and_the_rest_is_a_count(
    name: str, size: ViewportSize, shown: tuple[int, int, int, str, int, str]
) -> None:
    now, over, listed, counted, past, folded = shown
    async with page_of(Vehicle(many(now, over)), size) as page:
        await live(page)
        await picture(page, f"alerts-{now + over}-{name}")
        await expect(page.locator("#alerts li")).to_have_count(listed)
        await expect(page.locator("#past li")).to_have_count(past)
        for fold, words in (("#more", counted), ("#more-past", folded)):
            await expect(page.locator(fold)).to_have_text(words)
            assert await page.locator(fold).is_visible() is bool(words)
        assert await inside(page, "#signals li")  # whatever is wrong, signals are in sight
        sizes = await page.locator("#alerts .act").evaluate_all(
            "acts => acts.map(act => parseFloat(getComputedStyle(act).fontSize))"
        )
        assert all(sizes[0] > other for other in sizes[1:])


@pytest.mark.asyncio
async def test_the_rest_of_many_alerts_unfolds_and_folds() -> None:
    vehicle = Vehicle(many(6, 4))
    async with page_of(vehicle, PHONE) as page:
        await live(page)
        await page.locator("#more").click()
        await expect(page.locator("#alerts li")).to_have_count(6)
        vehicle.status = many(7, 4)  # it stays unfolded as things change
        await expect(page.locator("#alerts li")).to_have_count(7)
        await expect(page.locator("#past li")).to_have_count(2)
        await page.locator("#more-past").click()
        await expect(page.locator("#past li")).to_have_count(4)
        await page.locator("#more").click()
        await expect(page.locator("#alerts li")).to_have_count(4)
        await expect(page.locator("#more")).to_have_text("and 3 more")


@pytest.mark.asyncio
async def test_what_is_held_from_an_earlier_drive_says_so() -> None:
    status = busy()
    held = replace(status.alerts[0], state=State.LATCHED_UNACKNOWLEDGED, value=None, limit=None, since_s=None, cause="")
    shown = replace(status, invented=False, replayed=True, alerts=(held,))
    async with page_of(Vehicle(shown), PHONE) as page:
        await live(page)
        await expect(page.locator("#past .reason")).to_have_text("from an earlier drive")
        await expect(page.locator("#past .act")).to_have_text("✓ Back to normal, held until reset")
        await expect(page.locator("#replayed")).to_be_visible()
        await expect(page.locator("#invented")).to_be_hidden()


@pytest.mark.asyncio
async def test_lost_ticks_are_told_beside_the_reason_for_them() -> None:
    shown = replace(busy(), log=LogView("not recording", "no room", 17))
    async with page_of(Vehicle(shown), PHONE) as page:
        await live(page)
        await expect(page.locator("#parts")).to_contain_text("✕ no room; 17 ticks lost")


@pytest.mark.asyncio
async def test_at_night_it_is_dark() -> None:
    async with page_of(Vehicle(busy()), PHONE, dark=True) as page:
        await live(page)
        await picture(page, "night-phone")
        paper = await page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
        assert paper == "rgb(16, 18, 20)"


@pytest.mark.asyncio
async def test_late_ticks_are_told_though_events_go_on() -> None:
    vehicle = Vehicle(calm())
    async with page_of(vehicle, PHONE) as page:
        await live(page)
        vehicle.status = replace(calm(), tick_age_s=7.0)
        await expect(page.locator("#late")).to_contain_text("Not live: the last reading is 7 s old")
        assert await page.evaluate(VEILED)
        assert await page.title() == "Not live – Uphaul"
        await picture(page, "late-phone")
        vehicle.status = replace(calm(), tick_age_s=None)
        await expect(page.locator("#late")).to_contain_text("nothing has been judged yet")
        vehicle.status = calm()
        await live(page)


@pytest.mark.asyncio
async def test_a_stream_that_goes_silent_is_told_with_its_age() -> None:
    vehicle = Vehicle(calm())
    async with page_of(vehicle, PHONE) as page:
        await live(page)
        vehicle.silent = True
        await expect(page.locator("#late")).to_contain_text("nothing received for 3 s")
        assert await page.evaluate(VEILED)
        await picture(page, "silent-phone")


@pytest.mark.asyncio
async def test_before_the_first_event_the_page_calls_itself_not_live() -> None:
    async with page_of(Vehicle(calm()), PHONE) as page:
        await live(page)

        async def never(route: Route) -> None:
            return None

        await page.route("**/events", never)
        await page.reload()
        await expect(page.locator("#late")).to_contain_text("Not live: waiting for the first reading")
        assert await page.evaluate(VEILED)


@pytest.mark.asyncio
async def test_a_page_whose_script_has_stopped_is_veiled_by_its_style_sheet_alone() -> None:
    vehicle = Vehicle(calm())
    async with page_of(vehicle, PHONE) as page:
        await live(page)
        await page.evaluate("for (let id = 0; id < 10000; id++) clearInterval(id)")
        vehicle.silent = True
        await expect(page.locator("#late")).to_have_css("opacity", "1", timeout=20_000)
        await expect(page.locator("#live")).to_have_text("✓ Live")  # the script no longer takes it away: the veil does
        await picture(page, "dead-phone")
