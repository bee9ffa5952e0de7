"""``uphaul handover``: the page that a customer signs and keeps after a field check, and the annex behind it."""

from __future__ import annotations

import contextlib
import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from uphaul.errors import UphaulError
from uphaul.log.reader import Log

if TYPE_CHECKING:
    from uphaul.reports.handover_case import Handover, Kept

__all__ = ["command"]

MOST_LETTERS = 80
"""Of a name on the page."""


@click.command()
@click.argument("log", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--drive", "drives", type=int, metavar="N", multiple=True, required=True,
    help="A drive of the field check; name each one, as the cold morning and the hot road.",
)  # fmt: skip
@click.option(
    "--config", "directory", metavar="DIR", type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Look at the drives anew, by the field check and the build sheet in here, not by those in the log.",
)  # fmt: skip
@click.option(
    "--to", "target", metavar="FILE.html", type=click.Path(dir_okay=False, path_type=Path),
    help="The page to write (default: handover-drive-N.html in this folder).",
)  # fmt: skip
@click.option(
    "--pdf", metavar="FILE.pdf", type=click.Path(dir_okay=False, path_type=Path),
    help="Write it as PDF too (extra `pdf`), or instead where there is no --to.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object; a page is then written only with --to.")
@click.option("--customer", default="", metavar="TEXT", help="Whom the vehicle is handed to, for the page.")
@click.option("--workshop", default="", metavar="TEXT", help="Who hands it over, for the page.")
@click.option("--registration", default="", metavar="TEXT", help="Its plate or fleet number, for the page.")
@click.option("--odometer", default="", metavar="TEXT", help="What its odometer shows, with the unit, for the page.")
@click.option("--no-mark", is_flag=True, help="Don't make the drive the reference of the vehicle.")
@click.option(
    "--mark-anyway", is_flag=True,
    help="Make it the reference though a check failed or was not done, or a part was used past its rating.",
)  # fmt: skip
@click.option(
    "--package", "folder", metavar="FOLDER", type=click.Path(file_okay=False, path_type=Path),
    help="Place the pulls among the vehicles of the same parts in FOLDER, and write this vehicle's summary there.",
)  # fmt: skip
@click.option("--force", is_flag=True, help="Write over files that are there.")
@click.pass_context
def command(
    ctx: click.Context,
    log: Path,
    *,
    drives: tuple[int, ...],
    directory: Path | None,
    target: Path | None,
    pdf: Path | None,
    as_json: bool,
    customer: str,
    workshop: str,
    registration: str,
    odometer: str,
    no_mark: bool,
    mark_anyway: bool,
    folder: Path | None,
    force: bool,
) -> None:
    """Write the handover of a vehicle after its field check in LOG: one page to sign and keep, and an annex.

    The page: vehicle, every check with what was measured and its band, how much of each part's rating was used, the
    conditions, cautions, and how to use the monitor. What of customer, workshop, registration and odometer is not given
    is a line to write on. The annex: every pull beside what was expected of it, every
    attempt, reasons, alerts, limits, how good the data are.

    The newest of the drives with a loaded pull becomes the reference that later drives are compared with, and all of
    them are kept for good. Where a check failed or was not done, or a part was used past its rating, none does, unless
    --mark-anyway says so, and the vehicle is no example for the package. No tune raises a part's rating.

    The report shows speeds, times and names: it belongs to the owner of the vehicle. Exit status 1 where a check
    failed or was not done, or a part was used past its rating. Needs the extra `workshop`.
    """
    if no_mark and mark_anyway:
        raise click.UsageError("--no-mark and --mark-anyway: one of them")
    if target is not None and pdf is not None and target.absolute() == pdf.absolute():
        raise click.UsageError(f"--to and --pdf: must be two files, not {target} both")
    named = {"--customer": customer, "--workshop": workshop, "--registration": registration, "--odometer": odometer}
    for option, text in named.items():
        if len(text) > MOST_LETTERS:
            raise click.UsageError(f"{option}: at most {MOST_LETTERS} letters, not {len(text)}")
    if target is None and pdf is None and not as_json:
        target = Path(f"handover-drive-{max(drives)}.html")
    for path in (target, pdf):
        if path is not None and path.exists() and not force:
            raise UphaulError(f"{path}: is there already; name another file, or use --force to write over it")
    from uphaul.cli.handover_read import package_beside, read_handover
    from uphaul.cli.text import write_together
    from uphaul.reports.handover_case import Written
    from uphaul.reports.words import clean

    with Log.open(log) as file:
        handed = read_handover(file, drives, directory)
    handed = replace(handed, written=Written(customer, workshop, registration, odometer))
    if folder is not None:
        handed = replace(handed, package=package_beside(folder, handed))
    handed = replace(handed, kept=_kept(handed, no_mark=no_mark, anyway=mark_anyway))
    files = _pages(handed, target, pdf)
    new = folder is not None and not folder.exists()
    summary = None if folder is None else _summary(folder, handed)
    if summary is not None:
        files.append(summary)
    try:
        write_together(files, lambda: _mark(log, handed))  # the log is touched only when all of them can be written
    except BaseException:
        if folder is not None and new:
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise
    if as_json:
        from uphaul.cli.handover_json import to_object

        click.echo(json.dumps(to_object(handed), ensure_ascii=False, indent=1, allow_nan=False))
    else:
        click.echo(clean(handed.outcome))
        click.echo(handed.kept.words)
        for path, what in files:
            click.echo(f"{path}: {len(what)} bytes")
        if folder is not None and summary is None:
            click.echo(f"{folder}: nothing written: {handed.lacking}, so this vehicle is no example for others")
    ctx.exit(0 if handed.good else 1)


def _kept(handed: Handover, *, no_mark: bool, anyway: bool) -> Kept:
    """Which drive is to be the reference, and what the page says of it."""
    from uphaul.reports.handover_case import Kept
    from uphaul.reports.words import and_list

    number, why = handed.reference.number, handed.lacking
    if no_mark:
        return Kept(None, f"Drive {number} was not made the reference: --no-mark")
    if why and not anyway:
        return Kept(None, f"Drive {number} was not made the reference: {why}; --mark-anyway does it all the same")
    every = [str(d.number) for d in handed.drives]
    kept = "is kept for good" if len(every) == 1 else f"drives {and_list(every)} are kept for good"
    words = f"Drive {number} is the reference of this vehicle from now on, and {kept}"
    return Kept(number, f"{words}, although {why}" if why else words)


def _mark(log: Path, handed: Handover) -> None:
    """Make the drive the reference where it is to be, before a page that says so is seen. Raises LogError."""
    from uphaul.log.reference import mark_reference

    if handed.kept.drive is None:
        return
    mark_reference(
        log,
        handed.kept.drive,
        actor=handed.written.workshop or "handover",
        utc=datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        beside=[d.number for d in handed.drives],
    )


def _pages(handed: Handover, target: Path | None, pdf: Path | None) -> list[tuple[Path, bytes]]:
    """What is to be written where."""
    if target is None and pdf is None:
        return []
    from uphaul.reports.handover import handover
    from uphaul.reports.html import to_html

    html = to_html(handover(handed))
    out = [] if target is None else [(target, html.encode())]
    if pdf is not None:
        from uphaul.reports.pdf import to_pdf

        out.append((pdf, to_pdf(html)))
    return out


def _summary(folder: Path, handed: Handover) -> tuple[Path, bytes] | None:
    """This vehicle's file for the package's folder, and what is in it; None where it is no example for others."""
    from uphaul.analysis.package import package_summary
    from uphaul.reports.package_file import summary_file

    if not handed.good:
        return None
    every = [p.pull for p in handed.placed()]
    return summary_file(folder, package_summary(handed.vehicle.name or "vehicle", handed.vehicle.sheet, every))
