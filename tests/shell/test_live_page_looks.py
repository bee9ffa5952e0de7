"""The live page for every eye and finger: what axe-core finds, sizes, narrow screens, large text, and its weight.

Set $UPHAUL_PICTURES to a folder to keep the screenshots.
"""

from __future__ import annotations

from dataclasses import replace
from importlib import resources
from typing import Any

import aiohttp
import pytest
from playwright.async_api import Page, Response, expect

from support.live_page import DASH, DESK, NARROW, PHONE, SIDEWAYS, Vehicle, live, page_of, picture, reach
from support.status_page import busy, calm, many
from uphaul.alerts import State
from uphaul.config import load, sample_directory
from uphaul.rules import Action, Kind
from uphaul.signals import Quality
from uphaul.status import Played, RoomView, SignalView, Status
from uphaul.web import serve

TOUCH_PX = 48
QUIET_PX = 64
FIRST_VIEW_BYTES = 60_000
STANDARDS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
SIZES = {"phone": PHONE, "narrow": NARROW, "sideways": SIDEWAYS, "dash": DASH, "desk": DESK}

LOST = replace(calm().signals[0], value=None, quality=Quality.OPEN_CIRCUIT, room=None)
ASIDE = (replace(busy().alerts[0], state=State.SHELVED, shelf_left_s=300.0),)
STATES: dict[str, Status] = {
    "calm": calm(),
    "ease": busy(),
    "stop": busy(stop=True),
    "note": replace(busy(), alerts=busy().alerts[2:]),
    "seen": replace(busy(), alerts=tuple(replace(a, state=State.ACKNOWLEDGED) for a in busy().alerts)),
    "many": many(6, 4),
    "over": replace(busy(), alerts=tuple(replace(a, state=State.RETURNED_UNACKNOWLEDGED) for a in busy().alerts)),
    "unknown": replace(calm(), signals=(LOST, *calm().signals[1:]), tunes=("stock", "tow"), aside=ASIDE),
    "replay": replace(calm(), replayed=True, played=Played(400_000, 0, 1_200_000, 2.0, False)),
}


async def unfold(page: Page) -> None:
    """Open whatever is folded, so that it is judged too."""
    for fold in ("#more", "#more-past", "#why-button"):
        if await page.locator(fold).is_visible():
            await page.locator(fold).click()
    for folded in ("#all", "#doing", "#settings"):
        await page.locator(f"{folded} summary").click()


async def violations(page: Page) -> list[str]:
    """What axe-core finds wrong, in words. The bar at the lower edge is put into the flow: whatever it happens to lie
    over can be scrolled out from under it.
    """
    await page.evaluate("document.getElementById('bar').style.position = 'static'")
    axe = (resources.files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
    await page.evaluate(axe)
    found: dict[str, Any] = await page.evaluate(
        "tags => axe.run(document, {runOnly: {type: 'tag', values: tags}, resultTypes: ['violations']})", STANDARDS
    )
    assert found["passes"]  # it has looked
    return [f"{v['id']}: {v['help']}: {[n['target'] for n in v['nodes']]}" for v in found["violations"]]


@pytest.mark.asyncio
@pytest.mark.parametrize("dark", [False, True], ids=["day", "night"])
async def test_axe_finds_nothing_wrong_in_any_state(dark: bool) -> None:
    vehicle = Vehicle(calm())
    async with page_of(vehicle, dark=dark) as page:
        await live(page)
        wrong: dict[str, list[str]] = {}
        for name, status in STATES.items():
            vehicle.tell(status)
            await page.reload()
            await page.locator("#rooms li").first.wait_for()
            await unfold(page)
            wrong[name] = await violations(page)
        vehicle.silent = True
        await page.locator("#mark:disabled").wait_for(state="attached")
        wrong["silent"] = await violations(page)
        assert wrong == {name: [] for name in wrong}


@pytest.mark.asyncio
@pytest.mark.parametrize("dark", [False, True], ids=["day", "night"])
async def test_axe_finds_nothing_wrong_on_the_first_load_and_for_a_device_that_is_not_paired(dark: bool) -> None:
    async with page_of(Vehicle(busy(), actor=None), dark=dark, new=True) as page:
        await live(page)
        assert await violations(page) == []
        await page.locator("#welcome-read").click()
        assert await violations(page) == []


@pytest.mark.asyncio
async def test_axe_would_find_what_is_wrong() -> None:
    async with page_of(Vehicle(calm())) as page:
        await live(page)
        await page.evaluate("document.getElementById('room-worst').style.color = 'rgb(200, 200, 200)'")
        assert [v.split(":")[0] for v in await violations(page)] == ["color-contrast"]


@pytest.mark.asyncio
@pytest.mark.parametrize("text", [100, 200])
@pytest.mark.parametrize("size", SIZES)
async def test_nothing_runs_off_the_side_and_nothing_lies_over_anything(size: str, text: int) -> None:
    vehicle = Vehicle(calm())
    async with page_of(vehicle, SIZES[size], text=text) as page:
        await live(page)
        large = await page.evaluate("parseFloat(getComputedStyle(document.documentElement).fontSize)")
        assert large == 16 * text / 100
        at = 10_000
        for name, status in STATES.items():
            at += 1000
            vehicle.tell(replace(status, t_ms=at))
            await expect(page.locator("#drive")).to_contain_text(f"0:00:{at // 1000:02}")
            if name == "stop":
                await unfold(page)
            assert await page.evaluate(TOO_WIDE) == [], name
            assert await page.evaluate(OVERLAPS) == [], name
            await picture(page, f"{name}-{size}-{text}")


# Elements with text of their own that reach past the page's width, or whose text is wider than they are.
TOO_WIDE = """() => {
    const wide = document.documentElement.clientWidth;
    const found = document.documentElement.scrollWidth > wide ? ["page"] : [];
    for (const node of document.querySelectorAll("body *:not(.unseen)")) {
        const box = node.getBoundingClientRect();
        if (!node.checkVisibility() || !box.width) continue;
        if (box.right > wide + 1 || box.left < -1) found.push(node.id || node.className);
    }
    return found;
}"""
# Pairs of texts in the flow of the page whose boxes cut each other.
OVERLAPS = """() => {
    const texts = [];
    for (const node of document.querySelectorAll("header *, main *, #bar *")) {
        if (!node.checkVisibility() || node.closest(".unseen, .bar")) continue;
        if (![...node.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())) continue;
        const range = document.createRange();
        range.selectNodeContents(node);
        for (const box of range.getClientRects()) if (box.width > 1) texts.push([node, box]);
    }
    const found = [];
    const region = (n) => n.closest("header, #now, #rest, #bar");
    for (let i = 0; i < texts.length; i++) {
        for (let j = i + 1; j < texts.length; j++) {
            const [a, p] = texts[i], [b, q] = texts[j];
            if (a === b || a.contains(b) || b.contains(a) || region(a) !== region(b)) continue;
            const across = Math.min(p.right, q.right) - Math.max(p.left, q.left);
            const down = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
            if (across > 2 && down > 0.45 * Math.min(p.height, q.height)) {
                found.push(`${a.textContent.trim()} / ${b.textContent.trim()}`);
            }
        }
    }
    return found;
}"""


@pytest.mark.asyncio
@pytest.mark.parametrize("stop", [False, True], ids=["ease", "stop"])
async def test_a_notice_is_seen_without_scrolling_while_an_alert_stands(stop: bool) -> None:
    async with page_of(Vehicle(busy(stop=stop))) as page:
        await live(page)
        await picture(page, f"notice-{'stop' if stop else 'ease'}")
        notice, alert, bar = [await page.locator(s).bounding_box() for s in ("#notices li", "#alert", "#bar")]
        assert notice is not None and alert is not None and bar is not None
        assert alert["y"] + alert["height"] <= notice["y"]
        assert notice["y"] + notice["height"] <= bar["y"]


@pytest.mark.asyncio
@pytest.mark.parametrize("size", ["narrow", "dash"])
async def test_whatever_is_touched_is_large_enough(size: str) -> None:
    vehicle = Vehicle(busy())
    async with page_of(vehicle, SIZES[size]) as page:
        await live(page)
        for status in STATES.values():
            vehicle.tell(status)
            await page.reload()
            await page.locator("#rooms li").first.wait_for()
            await unfold(page)
            small = await page.evaluate(
                """least => [...document.querySelectorAll("button, a, select, input, summary")]
                    .filter((n) => n.checkVisibility()).map((n) => [n.id || n.textContent, n.getBoundingClientRect()])
                    .filter(([, box]) => Math.min(box.width, box.height) < least - 0.5).map(([name]) => name)""",
                TOUCH_PX,
            )
            assert small == []
        vehicle.tell(busy(stop=True))
        await page.locator("#quiet").wait_for()
        assert (await reach(page, "#quiet"))[1] >= QUIET_PX
        assert (await reach(page, "#mark"))[1] >= QUIET_PX


@pytest.mark.asyncio
@pytest.mark.parametrize(("look", "dark", "paper"), [("night", False, 16), ("day", True, 255), ("auto", True, 16)])
async def test_the_look_follows_its_switch_before_the_device(look: str, dark: bool, paper: int) -> None:
    async with page_of(Vehicle(busy()), look=look, dark=dark) as page:
        await live(page)
        await picture(page, f"look-{look}-{'dark' if dark else 'light'}")
        found = await page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
        assert found.startswith(f"rgb({paper},")


def whole_vehicle() -> Status:
    """A status as large as the sample vehicle's gets: every signal, room where a rule watches, ten alerts."""
    config = load(sample_directory(), check_inputs=False)
    watched = {r.signal for r in config.rules if r.kind is Kind.THRESHOLD}
    room = RoomView(717.642, 39.142, 0.16341, "above", Action.EASE, 21.428, 512.25, 709.25, 718.125, 0.0371, 812_350)
    signals = tuple(
        SignalView(
            s.name,
            s.unit,
            678.125,
            meaning=s.meaning,
            per_unit=s.per_unit,
            high=717.642 if s.name in watched else None,
            room=room if s.name in watched else None,
        )
        for s in config.signals
    )
    assert len(watched) > 20
    return replace(many(6, 4), vehicle=config.vehicle.name, signals=signals)


@pytest.mark.asyncio
async def test_the_first_view_is_light_and_comes_from_nowhere_else() -> None:
    vehicle = Vehicle(whole_vehicle())
    async with page_of(vehicle) as page:
        await live(page)
        asked: list[Response] = []

        def note(answer: Response) -> None:
            asked.append(answer)

        page.on("response", note)
        await page.reload()
        await live(page)
        await page.locator("#sound-off").wait_for()
        port = page.url.split("/")[2]
        assert {r.url.split("/")[2] for r in asked} == {port}
        paths = sorted({r.url.split(port)[1] for r in asked})
        assert {"/", "/app.js", "/live.css", "/units.json", "/events"} <= set(paths)
    sizes = await weights(vehicle, paths)
    assert sum(sizes.values()) < FIRST_VIEW_BYTES, sizes


async def weights(vehicle: Vehicle, paths: list[str]) -> dict[str, int]:
    """Bytes of each answer on the wire, heads included; of the event stream its first event."""
    found = {}
    async with serve(vehicle.app()) as port:
        for path in paths:
            async with (
                aiohttp.ClientSession(f"http://127.0.0.1:{port}", auto_decompress=False) as session,
                session.get(path, headers={"Accept-Encoding": "gzip, deflate"}) as answer,
            ):
                stream = path == "/events"
                body = await answer.content.readuntil(b"\n\n") if stream else await answer.read()
                found[path] = len(body) + sum(len(k) + len(v) + 4 for k, v in answer.raw_headers) + 20
    return found


@pytest.mark.asyncio
@pytest.mark.parametrize("size", ["phone", "desk"])
async def test_the_main_number_can_be_read_at_arms_length(size: str) -> None:
    for status in (calm(), busy()):
        async with page_of(Vehicle(status), SIZES[size]) as page:
            await live(page)
            large = await page.locator("#room-left").evaluate("n => parseFloat(getComputedStyle(n).fontSize)")
            assert large >= 56
