"""``uphaul drives LOG --reference N``: makes a drive the one that later drives are compared with."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import click

from uphaul.analysis.ratings import headroom
from uphaul.cli.handover_read import runs_of
from uphaul.cli.report_case import read_case
from uphaul.errors import LogError, UphaulError
from uphaul.log.reader import Log
from uphaul.log.reference import mark_reference
from uphaul.reports.case import Case
from uphaul.reports.checked import BAD, merged
from uphaul.reports.words import and_list

__all__ = ["ACTOR", "show"]

ACTOR = "uphaul drives"


def show(path: Path, drive: int, *, anyway: bool, as_json: bool) -> None:
    """Mark it, or say why not. Raises UphaulError where it is refused, LogError where it can't be."""
    with Log.open(path) as log:
        info = next((d for d in log.drives() if d.id == drive), None)
        if info is None:
            raise LogError(
                f"{path}: there is no drive {drive}, so it can't be the reference (`uphaul drives` lists them)"
            )
        if not info.ticks:
            raise LogError(f"{path}: drive {drive} has no tick, so there is nothing to compare with")
        before = log.reference()
        against = reasons(read_case(log, drive))
    if against and not anyway:
        raise UphaulError(
            f"{path}: drive {drive} was not made the reference: {'; '.join(against)}. --anyway does it all the same"
        )
    utc = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    mark_reference(path, drive, actor=ACTOR, utc=utc)
    if as_json:
        told = {
            "file": str(path),
            "reference": drive,
            "before": None if before is None else before.drive,
            "although": against,
        }
        click.echo(json.dumps(told, ensure_ascii=False, indent=1))
        return
    click.echo(f"Drive {drive} is the reference from now on, and is kept for good.")
    for why in against:
        click.echo(f"Although {why}.")
    if before is not None and before.drive != drive:
        click.echo(f"Drive {before.drive}, the reference until now, stays kept.")


def reasons(case: Case) -> list[str]:
    """What speaks against comparing later drives with this one, each in a clause: by check and build sheet.

    A check's part that is not done yet is no reason: cold morning and hot road may be two drives.
    """
    out = []
    config = case.config
    if config.field_check is not None:
        check = config.field_check
        rows = merged(check, [(case.about.id, run) for run in runs_of(case, check, config.vehicle)])
        failed = [f"{r.title} ({r.verdict.value})" for r in rows if r.verdict in BAD]
        if failed:
            out.append(f"its field check is not passed: {and_list(failed)}")
    titles = {p.name: p.title or p.name for p in config.vehicle.sheet.parts}
    used = headroom(case.whole, config.vehicle.sheet, config.vehicle.tunes)
    past = list(dict.fromkeys(titles.get(u.part, u.part) for u in used.uses if u.past))
    if past:
        out.append(f"a part was used past its rating: {and_list(past)}")
    return out
