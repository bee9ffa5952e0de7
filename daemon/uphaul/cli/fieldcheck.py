"""``uphaul fieldcheck``: what a field check asks for, leading through it, and what came of it in drives of a log."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from uphaul.errors import UphaulError

if TYPE_CHECKING:
    from uphaul.analysis.field_check import FieldCheck
    from uphaul.reports.checked import Checked
    from uphaul.reports.handover_case import Handover

__all__ = ["command"]

KEPT = ("file", "drives", "vehicle", "invented", "outcome", "good", "lacking", "confirmed_by", "source", "checks")
"""What of a handover's JSON belongs to the check."""

UNCONFIRMED = "Nobody confirmed the cautions in these drives: the steps were recognised afterwards."


@click.command()
@click.argument("log", required=False, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--drive", "drives", type=int, multiple=True, metavar="N", help="A drive of it; may be told several times."
)
@click.option(
    "--config",
    "directory",
    type=click.Path(file_okay=False, exists=True, path_type=Path),
    metavar="DIR",
    help="Take check and build sheet from here. Without a LOG: lead through the check while it is driven.",
)
@click.option("--keep", is_flag=True, help="With a LOG: keep what came of it there, with its drive.")
@click.option("--sheet", is_flag=True, help="With --config alone: print cautions and steps, to be read out, and end.")
@click.option(
    "--by", "name", default="", metavar="NAME", help="Led through: who has read the cautions and sees to them."
)
@click.option(
    "--log",
    "live_log",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="PATH",
    help="Led through: the daemon's log (default: as `uphaul run` has it).",
)
@click.option(
    "--port",
    type=click.IntRange(1, 65535),
    help="Led through: the port of the daemon's page, where the configuration does not tell.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text; led through: an object a line.")
@click.pass_context
def command(
    ctx: click.Context,
    log: Path | None,
    *,
    drives: tuple[int, ...],
    directory: Path | None,
    keep: bool,
    sheet: bool,
    name: str,
    live_log: Path | None,
    port: int | None,
    as_json: bool,
) -> None:
    """Tell what came of the field check in drives of LOG (the last one by default), or lead through one.

    The steps are recognised in what was recorded; nothing has to be pressed on the way. The check is the one that the
    drive was driven with, or that of --config. With --keep what came of it is kept in the log; a check that was
    confirmed and driven is there already, and is not overwritten.

    With --config alone it leads through the check while it is driven, for the passenger: cautions to confirm by name,
    what to do, what is missing, what came of each step. It takes a seat at the daemon that records to the
    configuration's log, and where there is none, runs it until the check is over.

    Exit status 1 where a step failed or was not done, or a part was used past its rating.
    """
    if log is None:
        if directory is None:
            raise click.UsageError("a LOG, or --config DIR to lead through the check or, with --sheet, to print it")
        if keep or drives:
            raise click.UsageError("--keep and --drive are of a LOG: name one")
        if sheet:
            _asked(directory, as_json=as_json)
            return
        from uphaul.cli.fieldcheck_live import show

        ctx.exit(0 if show(directory, live_log, name=name, port=port, as_json=as_json) else 1)
    if sheet or name or live_log is not None or port is not None:
        raise click.UsageError("--sheet, --by, --log and --port are of a check that is to be driven: leave out the LOG")
    from uphaul.cli.handover_read import read_handover
    from uphaul.log.drives import pick_drive
    from uphaul.log.reader import Log

    with Log.open(log) as file:
        found = read_handover(file, drives or (pick_drive(file, None),), directory)
    kept = _keep(log, found) if keep else []
    if as_json:
        from uphaul.analysis.field_check_text import run_to_object
        from uphaul.cli.handover_json import to_object

        whole = to_object(found)
        told = {key: whole[key] for key in KEPT}
        told["runs"] = [{"drive": d.number, **run_to_object(run)} for d in found.drives for run in d.runs]
        if keep:
            told["kept"] = [{"drive": drive, "words": words} for drive, words in kept]
        click.echo(json.dumps(told, ensure_ascii=False, indent=1, allow_nan=False))
    else:
        _tell(found)
        for drive, words in kept:
            click.echo(f"Drive {drive}: what came of the check {words}.")
    ctx.exit(0 if found.good else 1)


def _keep(log: Path, found: Handover) -> list[tuple[int, str]]:
    """Keep every run with its drive: (drive, what became of it)."""
    from uphaul import __version__
    from uphaul.analysis.field_check_text import run_to_json
    from uphaul.log.checks import keep_checks
    from uphaul.log.info import CheckRow

    rows = [
        CheckRow(d.number, *run.t_ms, run.title, run.confirmed_by, __version__, run_to_json(run))
        for d in found.drives
        for run in d.runs
    ]
    return [(row.drive, became.value) for row, became in zip(rows, keep_checks(log, rows), strict=True)]


def _tell(found: Handover) -> None:
    from uphaul.reports.words import clean

    which = ", ".join(str(d.number) for d in found.drives)
    plural = "s" if len(found.drives) > 1 else ""
    click.echo(f"{found.newest.case.log} drive{plural} {which}: {found.check.title}")
    if found.invented:
        click.echo("Invented demo data: no real vehicle, person or place.")
    click.echo("Cautions confirmed by " + ", ".join(found.confirmed_by) + "." if found.confirmed_by else UNCONFIRMED)
    click.echo()
    _steps(found.rows)
    click.echo()
    click.echo(clean(found.outcome))


def _steps(rows: Sequence[Checked]) -> None:
    from uphaul.reports.checked import accepted, measure_of, reading, title_of

    told = []
    for row in rows:
        of = [measure_of(row.step, m) for m in row.measured]
        told.append(
            [
                (title_of(row.step, m), reading(m, o), accepted(m, o), "outside" if m.ok is False else "")
                for m, o in zip(row.measured, of, strict=True)
            ]
        )
    widths = [max((len(line[i]) for lines in told for line in lines), default=0) for i in range(3)]
    for row, lines in zip(rows, told, strict=True):
        tries = f", at attempt {len(row.tried)}" if len(row.tried) > 1 else ""
        click.echo(f"{row.driven}: {row.verdict.value}{tries}" + (f" ({row.why})" if row.why else ""))
        if row.gaps:
            click.echo(f"    judged over gaps: {row.gaps}")
        for name, value, band, beyond in lines:
            line = f"    {name:{widths[0]}}  {value:>{widths[1]}}  {band:{widths[2]}}  {beyond}"
            click.echo(line.rstrip())


def _asked(directory: Path, *, as_json: bool) -> None:
    from uphaul.config import load

    config = load(directory, check_inputs=False)
    check = config.field_check
    if check is None:
        raise UphaulError(f"{directory}: has no fieldcheck.toml with a step in it; config/ has a complete one")
    if as_json:
        steps = [
            {
                "step": s.name,
                "part": s.part.value,
                "title": s.title,
                "do": s.do,
                "say": s.say,
                "moving": s.moving,
                "each_tune": s.each_tune,
                "after": list(s.after),
                "for_s": s.for_ms / 1000,
            }
            for s in check.steps
        ]
        told = {"title": check.title, "cautions": list(check.cautions), "excused": dict(check.excused), "steps": steps}
        click.echo(json.dumps(told, ensure_ascii=False, indent=1))
        return
    _sheet(check, config.tunes)


def _sheet(check: FieldCheck, tunes: Sequence[str]) -> None:
    click.echo(f"{check.title}\n")
    click.echo("Before anybody drives:")
    for caution in check.cautions:
        click.echo(f"  - {caution}")
    excused = dict(check.excused)
    driven = [t for t in tunes if t not in excused]
    for part in dict.fromkeys(s.part for s in check.steps):
        click.echo(f"\n{'Cold morning' if part.value == 'cold' else 'Hot road'}:")
        for step in check.steps:
            if step.part is part:
                each = f" In each tune: {', '.join(driven)}." if step.each_tune and driven else ""
                click.echo(f"  {step.title}. {step.do}{each}")
    for tune, why in check.excused:
        click.echo(f"\nTune {tune} needs no run of its own: {why}")
