"""``uphaul report``: what a drive that somebody complains about says, as one page to read, print or send."""

from __future__ import annotations

import json
from pathlib import Path

import click

from uphaul.errors import UphaulError
from uphaul.log.drives import pick_drive
from uphaul.log.reader import Log

__all__ = ["command"]


@click.command()
@click.argument("log", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--drive", type=int, metavar="N", help="The drive that is complained about (default: the last one).")
@click.option("--against", type=int, metavar="M", help="The reference: the handover drive, or another good one.")
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
    against: int | None,
    target: Path | None,
    pdf: Path | None,
    as_json: bool,
    force: bool,
) -> None:
    """Write the complaint report of a drive in LOG: one HTML file that needs nothing else and prints well.

    First the answer in five lines, then the evidence: what the driver marked and what was unusual there, alerts, what
    fits the evidence and what speaks against it, the comparison with a reference drive, what was driven, headroom and
    rule review, data quality, configuration, cautions. Without --against nothing is compared, and the report says so.

    The report shows speeds, times and notes: it belongs to the owner of the vehicle. Needs the extra `workshop`.
    """
    with Log.open(log) as file:
        number = pick_drive(file, drive)
        if against == number:
            raise UphaulError(
                f"--against {against}: is the drive itself; name another one, a good one of the same vehicle"
            )
        if target is None and pdf is None and not as_json:
            target = Path(f"report-drive-{number}.html")
        for path in (target, pdf):
            if path is not None and path.exists() and not force:
                raise UphaulError(f"{path}: is there already; name another file, or use --force to write over it")
        from uphaul.cli.report_case import read_case
        from uphaul.reports.case import look

        reference = None if against is None else read_case(file, against)
        case = read_case(file, number, reference)
    looked = look(case, reference)
    from uphaul.reports.complaint import answer, complaint
    from uphaul.reports.words import clean

    if target is not None or pdf is not None:
        from uphaul.reports.html import to_html

        html = to_html(complaint(case, looked, reference))
        if target is not None:
            _write(target, html.encode())
        if pdf is not None:
            from uphaul.reports.pdf import to_pdf

            _write(pdf, to_pdf(html))
    if as_json:
        from uphaul.cli.report_json import to_object

        click.echo(json.dumps(to_object(case, looked, reference), ensure_ascii=False, indent=1, allow_nan=False))
        return
    for label, text in answer(case, looked, reference):
        click.echo(f"{label}: {clean(text)}")
    for path in (target, pdf):
        if path is not None:
            click.echo(f"{path}: {path.stat().st_size} bytes")


def _write(path: Path, what: bytes) -> None:
    """Whole or not at all."""
    part = path.with_name(f"{path.name}.part")
    try:
        part.write_bytes(what)
        part.replace(path)
    except OSError as error:
        raise UphaulError(f"{path}: cannot be written ({error.strerror or error})") from error
    finally:
        part.unlink(missing_ok=True)
