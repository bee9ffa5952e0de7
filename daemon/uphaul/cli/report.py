"""``uphaul report``: what a drive that somebody complains about says, as one page to read, print or send."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from uphaul.cli.beside import AGAINST, BY_ITSELF, beside
from uphaul.errors import UphaulError
from uphaul.log.drives import pick_drive
from uphaul.log.reader import Log

if TYPE_CHECKING:
    from uphaul.reports.case import Case

__all__ = ["command"]


def _reference(log: Log, path: Path, number: int) -> Case:
    """The drive of that log, which may be `log` itself."""
    from uphaul.cli.report_case import read_case

    if path.samefile(log.path):
        return read_case(log, number)
    with Log.open(path) as other:
        return read_case(other, number)


@click.command()
@click.argument("log", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--drive", type=int, metavar="N", help="The drive that is complained about (default: the last one).")
@click.option(
    "--against", metavar="M", help=f"The reference, the handover drive or another good one: {AGAINST}; {BY_ITSELF}."
)
@click.option(
    "--to",
    "target",
    metavar="FILE.html",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The page to write (default: report-drive-N.html in this folder).",
)
@click.option(
    "--pdf",
    metavar="FILE.pdf",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write it as PDF too (extra `pdf`), or instead where there is no --to.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object; a page is then written only with --to.")
@click.option("--force", is_flag=True, help="Write over files that are there.")
def command(
    log: Path,
    *,
    drive: int | None,
    against: str | None,
    target: Path | None,
    pdf: Path | None,
    as_json: bool,
    force: bool,
) -> None:
    """Write the complaint report of a drive in LOG: one HTML file that needs nothing else and prints well.

    First the answer in five lines, then the evidence: what the driver marked and what was unusual there, alerts, what
    fits the evidence and what speaks against it, the comparison with a reference drive, what was driven, headroom and
    rule review, data quality, configuration, cautions. Without a reference nothing is compared, and it says so.

    The report shows speeds, times and notes: it belongs to the owner of the vehicle. Needs the extra `workshop`.
    """
    with Log.open(log) as file:
        number = pick_drive(file, drive)
        other = beside(log, number, against)
        if target is None and pdf is None and not as_json:
            target = Path(f"report-drive-{number}.html")
        for path in (target, pdf):
            if path is not None and path.exists() and not force:
                raise UphaulError(f"{path}: is there already; name another file, or use --force to write over it")
        from uphaul.cli.report_case import read_case
        from uphaul.reports.case import look

        reference = None if other is None else _reference(file, *other)
        case = read_case(file, number, reference)
    looked = look(case, reference)
    from uphaul.cli.text import write_whole
    from uphaul.reports.complaint import answer, complaint
    from uphaul.reports.words import clean

    if target is not None or pdf is not None:
        from uphaul.reports.html import to_html

        html = to_html(complaint(case, looked, reference))
        if target is not None:
            write_whole(target, html.encode())
        if pdf is not None:
            from uphaul.reports.pdf import to_pdf

            write_whole(pdf, to_pdf(html))
    if as_json:
        from uphaul.cli.report_json import to_object

        click.echo(json.dumps(to_object(case, looked, reference), ensure_ascii=False, indent=1, allow_nan=False))
        return
    for label, text in answer(case, looked, reference):
        click.echo(f"{label}: {clean(text)}")
    for path in (target, pdf):
        if path is not None:
            click.echo(f"{path}: {path.stat().st_size} bytes")
