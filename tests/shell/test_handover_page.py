"""The handover report in a real browser: on the desk, on a phone, and on paper, where its first page is one page.

Set $UPHAUL_PICTURES to a folder to keep the pictures.
"""

from __future__ import annotations

import os
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from unicodedata import normalize

import pypdf
import pytest
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import ViewportSize

from support.handed import handed_over, log_of_two, with_bench
from support.live_page import picture
from support.report_page import BEYOND, OUTSIDE, PAPERS, PX_PER_MM, opened
from uphaul.analysis.field_check import Attempt, Band, Measure, Measured, Take, Verdict
from uphaul.reports.checked import Checked, Tried
from uphaul.reports.handover import handover
from uphaul.reports.handover_case import Handover, Kept, Written
from uphaul.reports.handover_front import SIGNATURES
from uphaul.reports.html import to_html
from uphaul.reports.pdf import to_pdf

SIDES_MM = 24.0


def full(handed: Handover) -> Handover:
    """As many checks as a long check has, 27 rows of which one failed, with long names everywhere."""
    pull = next(r for r in handed.rows if r.title == "Loaded pull, tow")
    names = ["peak boost", "boost over what is expected", "highest exhaust temperature", "leanness at full load"]
    step = replace(
        pull.step,
        title="Loaded pull in third gear",
        measures=tuple(Measure(n, n, "egt", Take.MAXIMUM, band=Band(0.0, 700.0)) for n in names),
    )

    def row(i: int) -> Checked:
        value, verdict = (712.0, Verdict.FAILED) if i == 13 else (600.0 + i, Verdict.PASSED)
        tried = Tried(
            2, Attempt((0, 1000), "", verdict, tuple(Measured(n, value, "degC", 0, 0.0, 700.0) for n in names))
        )
        return Checked(replace(step, name=f"step{i}"), "towing-most-power", verdict, "", (tried,), tried)

    rows = tuple(row(i) for i in range(26))
    why = "no closed road within reach, and the dynamometer was taken until the end of the week"
    skipped = Checked(replace(step, name="last"), "towing", Verdict.SKIPPED, why, (), None)
    return replace(handed, rows=(*rows, skipped))


@pytest.fixture(scope="module")
def handed(tmp_path_factory: pytest.TempPathFactory) -> Handover:
    log = log_of_two(tmp_path_factory.mktemp("handover") / "check.db", pulls=2)
    made = handed_over(log)
    return replace(
        made,
        vehicle=with_bench(made.vehicle, 70.0),
        kept=Kept(2, "Drive 2 is the reference of this vehicle from now on, and is kept for good"),
        written=Written(
            "A customer with a rather long name and company (invented)", "A workshop of that kind (invented)"
        ),
    )


def written(handed: Handover, folder: Path) -> Path:
    page = folder / "handover.html"
    page.write_text(to_html(handover(handed)), encoding="utf-8")
    return page


@pytest.mark.asyncio
@pytest.mark.parametrize(("width", "height"), [(1440, 900), (390, 844), (320, 640)])
async def test_on_a_screen_nothing_is_cut_off(handed: Handover, tmp_path: Path, width: int, height: int) -> None:
    async with opened(written(full(handed), tmp_path), ViewportSize(width=width, height=height)) as page:
        await picture(page, f"handover-{width}")
        assert await page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
        assert await page.evaluate(OUTSIDE) == []


def _paper(pdf: bytes, name: str) -> list[str]:
    """The text of each page; spaces in it are the reader's guess."""
    if folder := os.environ.get("UPHAUL_PICTURES"):
        (Path(folder) / f"handover-{name}.pdf").write_bytes(pdf)
    return [normalize("NFKC", page.extract_text()) for page in pypdf.PdfReader(BytesIO(pdf)).pages]


def _first_page_is_one(pages: list[str], handed: Handover) -> None:
    first, second = "".join(pages[0].split()), "".join(pages[1].split())
    for who in SIGNATURES:
        assert who in first
    for row in handed.rows:
        assert "".join(row.title.split()) in first
    assert "FAILED" in first or not handed.failed
    assert "Annex" not in first
    assert second.count("Annex") == 1 and SIGNATURES[0] not in second
    for number, text in enumerate(pages, 1):
        assert "Invented demo data" in text, f"page {number} is not marked as invented"
        assert f"{number} / {len(pages)}" in text


@pytest.mark.asyncio
@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("long", [False, True])
async def test_on_paper_the_first_page_is_one_page(handed: Handover, tmp_path: Path, paper: str, *, long: bool) -> None:
    shown = full(handed) if long else handed
    wide, high = PAPERS[paper]
    inner = ViewportSize(width=int((wide - SIDES_MM) * PX_PER_MM), height=int(high * PX_PER_MM))
    async with opened(written(shown, tmp_path), inner) as page:
        await page.emulate_media(media="print")
        assert await page.evaluate(BEYOND) == []
        assert await page.evaluate(OUTSIDE) == []
        printed = await page.pdf(format=paper)
    for each in pypdf.PdfReader(BytesIO(printed)).pages:
        size = float(each.mediabox.width) * 25.4 / 72, float(each.mediabox.height) * 25.4 / 72
        assert size == pytest.approx((wide, high), abs=0.5)
    _first_page_is_one(_paper(printed, f"{paper}-{'long' if long else 'short'}"), shown)


@pytest.mark.parametrize("long", [False, True])
def test_as_pdf_the_first_page_is_one_page(handed: Handover, *, long: bool) -> None:
    pytest.importorskip("weasyprint")
    shown = full(handed) if long else handed
    _first_page_is_one(_paper(to_pdf(to_html(handover(shown))), f"pdf-{'long' if long else 'short'}"), shown)


@pytest.mark.asyncio
@pytest.mark.parametrize("width", [1440, 390])
async def test_it_can_be_read_by_everybody(handed: Handover, tmp_path: Path, width: int) -> None:
    async with opened(written(full(handed), tmp_path), ViewportSize(width=width, height=900)) as page:
        found = await Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
