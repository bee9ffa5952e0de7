"""The complaint report in a real browser: on the desk, on a phone and on paper.

Set $UPHAUL_PICTURES to a folder to keep the pictures.
"""

from __future__ import annotations

import os
from io import BytesIO
from pathlib import Path

import pypdf
import pytest
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import ViewportSize

from support.complaints import log_of
from support.live_page import picture
from support.report_page import BEYOND, OUTSIDE, PAPERS, PX_PER_MM, opened
from uphaul.cli.report_case import read_case
from uphaul.log.reader import Log
from uphaul.reports.case import look
from uphaul.reports.complaint import complaint
from uphaul.reports.html import to_html

LONG_NOTE = "lost power on the hill " + "o" * 300
SIDES_MM = 28.0


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    with Log.open(log_of(folder / "trip.db", text=LONG_NOTE)) as file:
        case, reference = read_case(file, 2), read_case(file, 1)
    page = folder / "report.html"
    page.write_text(to_html(complaint(case, look(case, reference), reference)), encoding="utf-8")
    return page


@pytest.mark.asyncio
@pytest.mark.parametrize("width", [1440, 1024, 390])
async def test_on_a_screen_nothing_is_cut_off(report: Path, width: int) -> None:
    async with opened(report, ViewportSize(width=width, height=900)) as page:
        await picture(page, f"report-{width}")
        assert await page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
        assert await page.evaluate(OUTSIDE) == []


@pytest.mark.asyncio
@pytest.mark.parametrize("paper", PAPERS)
async def test_on_paper_nothing_is_cut_off(report: Path, paper: str) -> None:
    wide, high = PAPERS[paper]
    inner = ViewportSize(width=int((wide - SIDES_MM) * PX_PER_MM), height=int(high * PX_PER_MM))
    async with opened(report, inner) as page:
        await page.emulate_media(media="print")
        assert await page.evaluate(BEYOND) == []
        assert await page.evaluate(OUTSIDE) == []
        printed = await page.pdf(format=paper)
    if folder := os.environ.get("UPHAUL_PICTURES"):
        (Path(folder) / f"report-{paper}.pdf").write_bytes(printed)
    pages = pypdf.PdfReader(BytesIO(printed)).pages
    assert 5 <= len(pages) <= 14
    for number, each in enumerate(pages, 1):
        size = each.mediabox
        assert (float(size.width) * 25.4 / 72, float(size.height) * 25.4 / 72) == pytest.approx((wide, high), abs=0.5)
        text = each.extract_text()
        assert "Invented demo data" in text, f"page {number} is not marked as invented"
        assert f"{number} / {len(pages)}" in text
    assert "What happened" in pages[0].extract_text() and "How sure" in pages[0].extract_text()


@pytest.mark.asyncio
async def test_it_can_be_read_by_everybody(report: Path) -> None:
    async with opened(report, ViewportSize(width=1440, height=900)) as page:
        found = await Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
