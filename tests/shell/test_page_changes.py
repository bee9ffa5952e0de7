"""The page puts what changed together with what it knew, as the definition says, and asks for nothing twice."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.async_api import expect

from support.live_page import Vehicle, live, page_of
from support.status_page import busy, calm, many
from uphaul.status import Status
from uphaul.web import WebState
from uphaul.web.changes import changes
from uphaul.web.state import told

MERGED = """async ([known, all]) => {
    const { changed } = await import("./changes.js");
    return all.map((told) => changed(known, told));
}"""
# Done when another stream of the same server has told only what changed some times: the page's own is ahead of it.
CHANGES_ONLY = """() => new Promise((done) => {
    let n = 0;
    const stream = new EventSource("events");
    stream.addEventListener("change", () => { if (++n === 3) { stream.close(); done(); } });
})"""


def page_is_told(status: Status) -> dict[str, Any]:
    return told(status, WebState(calm), 5)


@pytest.mark.asyncio
async def test_the_page_makes_of_a_change_what_the_daemon_knows() -> None:
    kinds = [page_is_told(s) for s in (calm(), busy(), busy(stop=True), many(3, 2), many(2, 3))]
    async with page_of(Vehicle(calm())) as page:
        await live(page)
        for old in kinds:
            assert await page.evaluate(MERGED, [old, [changes(old, new) for new in kinds]]) == kinds


@pytest.mark.asyncio
async def test_events_that_tell_only_what_changed_are_shown() -> None:
    vehicle = Vehicle(calm())
    async with page_of(vehicle) as page:
        await page.evaluate(CHANGES_ONLY)
        vehicle.tell(busy())
        await expect(page.locator("#act")).to_have_text("Ease off now")
        vehicle.tell(calm())
        await expect(page.locator("#alert")).to_be_hidden()
        await live(page)
