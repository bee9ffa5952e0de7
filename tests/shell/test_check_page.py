"""The field check's page in a real browser, before a live drive fed by hand: as the technician and as the passenger."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from importlib import resources
from pathlib import Path

import pytest
from aiohttp import web
from playwright.async_api import Page, Route, expect

from support.driven_check import NAME, Rig
from support.live_page import DESK, NARROW, PHONE, page_at, picture
from uphaul.people import ActError, act_from
from uphaul.status import Status
from uphaul.web import WebState, make_app, serve
from uphaul.web.check import add_check

pytestmark = pytest.mark.asyncio

AXE = (
    "async () => (await axe.run()).violations.map(v => [v.id, v.help, ...v.nodes.map(n => String(n.target))].join(' '))"
)
COLOUR_OF = """([which, name]) => {
    const like = document.createElement("i");
    like.style.background = `var(${name})`;
    document.body.append(like);
    const colour = (node) => getComputedStyle(node).backgroundColor;
    const same = colour(like) === colour(document.querySelector(which));
    like.remove();
    return same;
}"""
SMALL = """[...document.querySelectorAll('button, input, a')].filter(n => n.checkVisibility())
    .filter(n => n.getBoundingClientRect().height < 48).map(n => n.id || n.textContent)"""


@contextlib.asynccontextmanager
async def page_of(rig: Rig, *, dark: bool = False, problems: bool = False, paired: bool = True) -> AsyncIterator[Page]:
    """The page as a phone has it."""
    app = make_app(WebState(lambda: Status("0")), period_s=0.2)
    add_check(
        app,
        lambda: rig.live.check,
        "Invented vehicle",
        invented=True,
        driving=lambda: rig.live.drive is not None,
        may_act=lambda _: paired,
    )

    async def act(request: web.Request) -> web.Response:
        try:
            return web.json_response({"taken": rig.people.do(act_from(await request.json(), "phone"))})
        except ActError as error:
            return web.json_response({"problem": str(error)}, status=400)

    app.router.add_post("/act", act)
    async with serve(app) as port, page_at(f"http://127.0.0.1:{port}/check", dark=dark, problems=problems) as page:
        others: list[str] = []
        page.on("request", lambda r: None if f"127.0.0.1:{port}/" in r.url else others.append(r.url))
        yield page
        assert others == []


async def sound(page: Page, shown: str) -> None:
    """No fault for eyes and fingers, at every width."""
    axe = (resources.files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
    await page.evaluate(axe)
    assert await page.evaluate(AXE) == []
    for size in (PHONE, DESK, NARROW):
        await page.set_viewport_size(size)
        assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth"), size
        assert await page.evaluate(SMALL) == [], size
        await picture(page, f"check-{shown}-{size['width']}")
    await page.set_viewport_size(PHONE)


@pytest.mark.parametrize("dark", [False, True], ids=["day", "night"])
async def test_a_technician_begins_by_name_and_reads_what_came_of_it(tmp_path: Path, dark: bool) -> None:
    look = "night" if dark else "day"
    rig = Rig(tmp_path / "a.db")
    rig.run(0, 0.5)
    async with page_of(rig, dark=dark) as page:
        await expect(page.locator("#cautions li")).to_have_text(["Two people: one drives."])
        await expect(page.locator("#now")).to_be_hidden()
        await sound(page, f"begin-{look}")
        await page.get_by_role("button", name="Confirm and begin").click()  # without a name nothing begins
        rig.run(0.5, 0.6)
        assert rig.live.check is not None and not rig.live.check.running
        await page.get_by_label("Name of the one").fill(NAME)
        await page.get_by_role("button", name="Confirm and begin").click()
        await expect(page.locator("#problem")).to_be_hidden()
        async with page.expect_response("**/check.json"):
            rig.run(0.6, 3)
        await expect(page.locator("#do")).to_have_text("Switch on, don't start.")
        await expect(page.locator("#state")).to_contain_text("Hold it")
        await sound(page, f"holding-{look}")
        rig.run(3, 8)
        rows = page.locator("#steps > li")
        await expect(rows.first).to_contain_text("passed")
        await expect(rows.first).to_contain_text("100 to 200")
        rig.run(8, 13)
        await expect(page.locator("#state")).to_have_text("▲ EGT high")
        # caution is yellow and danger red: IEC 60073
        assert await page.evaluate(COLOUR_OF, ["#state", "--yellow"])
        await sound(page, f"stopped-{look}")
        await page.get_by_label("Skip this step").fill("no more time")
        async with page.expect_response("**/act"):
            await page.get_by_role("button", name="Skip it").click()
        rig.run(13, 13.2)
        await expect(rows.nth(1)).to_contain_text("no more time")
        async with page.expect_response("**/act"):
            await page.get_by_role("button", name="End the check").click()
        rig.run(13.2, 13.4)
        await expect(page.get_by_role("button", name="Confirm and begin")).to_be_visible()
        await expect(rows.first).to_contain_text("passed")
        await sound(page, f"ended-{look}")
    (run,) = rig.end()
    assert run.confirmed_by == NAME


async def test_a_phone_that_is_not_paired_is_led_to_pairing_instead_of_refused(tmp_path: Path) -> None:
    rig = Rig(tmp_path / "a.db")
    rig.run(0, 0.5)
    async with page_of(rig, paired=False) as page:
        await expect(page.get_by_role("link", name="Pair this device")).to_have_attribute("href", "pair")
        await expect(page.get_by_role("button", name="Confirm and begin")).to_be_hidden()
        await sound(page, "unpaired")
        rig.begin()
        rig.run(0.5, 1)
        await expect(page.locator("#state")).to_contain_text("Hold it")  # looking is open
        await expect(page.get_by_role("button", name="Skip it")).to_be_hidden()
        await expect(page.get_by_role("button", name="End the check")).to_be_hidden()
    rig.end()


async def test_a_passenger_hears_each_step_and_sees_what_is_missing(tmp_path: Path) -> None:
    rig = Rig(tmp_path / "a.db")
    rig.run(0, 0.5)
    rig.begin()
    rig.run(0.5, 1)
    async with page_of(rig) as page:
        await expect(page.locator("#state")).to_contain_text("Hold it")
        await page.get_by_role("button", name="Turn on sound").click()
        await expect(page.locator("html")).to_have_attribute("data-tones", "3")  # as all holds, for a try
        await expect(page.locator("#sound-said")).to_contain_text("beeped")
        rig.run(1, 5.8)
        await expect(page.locator("#missing li")).to_contain_text(["too low"])
        await sound(page, "missing")
        await page.wait_for_function("window.tones.length == 7")  # passed: the ticks and a short one
        assert await page.evaluate("Math.max(...window.tones)") < 0.2
        rig.run(5.8, 13)
        await expect(page.locator("#state")).to_have_text("▲ EGT high")
        await page.wait_for_function("window.tones.filter((s) => s > 0.3).length >= 3")  # stop: three long ones
    rig.end()


async def test_a_step_that_goes_on_after_its_time_does_not_count_down_to_nothing(tmp_path: Path) -> None:
    """A climb counts to the end of the hill: it says that it is enough, as the terminal does."""
    rig = Rig(tmp_path / "a.db")
    rig.run(0, 0.5)
    rig.begin()
    rig.run(0.5, 1)

    async def held(route: Route) -> None:
        told = await (await route.fetch()).json()
        assert told["check"]["left_s"] > 0
        await route.fulfill(json=told | {"check": told["check"] | {"left_s": 0}})

    async with page_of(rig) as page:
        await expect(page.locator("#state")).to_contain_text("Hold it")
        await page.route("**/check.json", held)
        await page.reload()
        await expect(page.locator("#state")).to_have_text("Held for long enough; more is measured too")
    rig.end()
