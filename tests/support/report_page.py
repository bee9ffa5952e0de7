"""A report in a real browser: opened as a file, and what its screen or its paper cuts off."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from playwright.async_api import Page, ViewportSize, async_playwright

from support.live_page import QUIET_BROWSER
from support.machine import tool

__all__ = ["BEYOND", "OUTSIDE", "PAPERS", "PX_PER_MM", "opened"]

PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Width and height in mm. Source: ISO 216; Letter is 8.5 by 11 inches. From memory."""

PX_PER_MM = 96 / 25.4

OUTSIDE = """() => [...document.querySelectorAll('figure svg')].flatMap(svg => {
    const paper = svg.getBoundingClientRect();
    return [...svg.querySelectorAll('text')].filter(t => {
        const box = t.getBoundingClientRect();
        return box.left < paper.left - 1 || box.right > paper.right + 1 || box.top < paper.top - 1 ||
            box.bottom > paper.bottom + 1;
    }).map(t => t.textContent);
})"""
"""Words of charts that their drawing cuts off."""

BEYOND = """() => {
    const wide = document.documentElement.clientWidth;
    return [...document.querySelectorAll('body *')].filter(e => {
        const box = e.getBoundingClientRect();
        return box.width > 0 && (box.right > wide + 1 || box.left < -1);
    }).map(e => e.tagName + ' ' + e.textContent.trim().slice(0, 40));
}"""
"""Everything that reaches beyond the paper's width."""


@asynccontextmanager
async def opened(report: Path, size: ViewportSize) -> AsyncIterator[Page]:
    """The report in a browser; any request but for itself and any complaint of the browser is an error."""
    asked, said = [], []
    async with asyncio.timeout(60), async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=tool("chromium", "chromium"), args=QUIET_BROWSER)
        try:
            page = await browser.new_page(viewport=size)
            page.on("request", lambda request: asked.append(request.url))
            page.on("console", lambda message: said.append(message.text))
            await page.goto(report.as_uri())
            yield page
        finally:
            await browser.close()
    assert (asked, said) == ([report.as_uri()], [])
