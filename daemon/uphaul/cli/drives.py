"""``uphaul drives``: what a log holds."""

from __future__ import annotations

import json
from pathlib import Path

import click

from uphaul.cli import text
from uphaul.log.info import DriveInfo
from uphaul.log.reader import Log

__all__ = ["command"]


LEAST_MISSING_S = 1.0
"""Less than that is no gap that a rule would see."""


def _missing_s(file: Log, drive: DriveInfo) -> float:
    """For how long a drive has no tick, in s: restarts, and a machine that was too slow."""
    if not drive.ticks:
        return 0.0
    per_tick_s = 1.0 / file.segments(drive.id)[0].tick_hz
    return max(drive.duration_s - (drive.ticks - 1) * per_tick_s, 0.0)


@click.command()
@click.argument("log", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--drift", is_flag=True, help="Tell which temperature sensors moved over the drives' cold starts.")
@click.option("--segments", is_flag=True, help="Cut a drive into idle, cruise, climb, pull and so on, with figures.")
@click.option("--headroom", is_flag=True, help="Tell how much of each part's rating a drive used, the weakest on top.")
@click.option(
    "--drive", type=int, metavar="N", help="The drive for --segments and --headroom; the last one by default."
)
@click.option(
    "--reference",
    type=int,
    metavar="N",
    help="Make this drive the one that later drives are compared with, and keep it.",
)
@click.option("--anyway", is_flag=True, help="With --reference: though something speaks against it.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of a table.")
def command(
    log: Path,
    *,
    drift: bool,
    segments: bool,
    headroom: bool,
    drive: int | None,
    reference: int | None,
    anyway: bool,
    as_json: bool,
) -> None:
    """List the drives in LOG: when, how long, how often a rule was raised (as `uphaul replay` lists it).

    With --drift: before each cold start all temperatures should read the same, so a sensor that moves away from the
    others over the drives drifts. At least six cold starts are needed; the last 300 are looked at.

    With --segments: what the vehicle was doing in a drive (key-on, start, idle, warm-up, cruise, climb, pull, descent,
    cool-down, soak), the figures of each stretch, and how near its rules came. With --json all of them, and what each
    word means.

    With --headroom: the use of each rating of the build sheet in the drive's log (peak over 1 s, means over 10 s and
    60 s, when and where), and power and torque estimated by fuel and by road load, with their uncertainty.

    With --reference N: drive N becomes the reference, as `uphaul handover` makes one. It is refused, with the reason,
    where a step of its field check did not pass or a part was used past its rating, unless --anyway says so.
    """
    if drift + segments + headroom + (reference is not None) > 1:
        raise click.UsageError("--drift, --segments, --headroom and --reference: one at a time")
    if anyway and reference is None:
        raise click.UsageError("--anyway is of --reference")
    if drive is not None and not (segments or headroom):
        raise click.UsageError("--drive is the drive that is looked at: it needs --segments or --headroom")
    if reference is not None:
        from uphaul.cli.drives_reference import show as mark

        mark(log, reference, anyway=anyway, as_json=as_json)
        return
    with Log.open(log) as file:
        if drift:
            from uphaul.cli.drives_drift import show

            show(file, as_json=as_json)
            return
        if segments:
            from uphaul.cli.drives_segments import show as show_segments

            show_segments(file, drive, as_json=as_json)
            return
        if headroom:
            from uphaul.cli.drives_headroom import show as show_headroom

            show_headroom(file, drive, as_json=as_json)
            return
        drives, copied, marked = file.drives(), file.copied, file.reference()
        missing = {d.id: _missing_s(file, d) for d in drives}
    if as_json:
        rows = [
            {
                "drive": d.id,
                "begun": d.begun,
                "duration_s": d.duration_s,
                "ticks": d.ticks,
                "without_a_tick_s": round(missing[d.id], 3),
                "stretches": len(d.segments),
                "alerts": d.alerts,
                "kept": d.kept,
                "reference": marked is not None and marked.drive == d.id,
                "continues": d.continues,
                "open": not d.ended,
                "end_reason": d.end_reason,
                "lost_ticks": d.lost_ticks,
            }
            for d in drives
        ]
        click.echo(json.dumps({"file": str(log), "drives": rows}, ensure_ascii=False, indent=1))
        return
    if not drives:
        click.echo(f"{log}: no drive yet{copied}")
        return
    rows_text = [
        [
            str(d.id),
            (d.begun or "clock not known")[:19].replace("T", " "),
            text.duration(d.duration_s * 1000),
            str(d.alerts),
            ", ".join(
                word
                for word, said in (
                    ("open", not d.ended),
                    ("reference", marked is not None and marked.drive == d.id),
                    ("kept", d.kept),
                    ("imported", d.end_reason == "imported"),
                    (f"continues {d.continues}", d.continues is not None),
                    (f"{d.lost_ticks} ticks lost", d.lost_ticks > 0),
                    (f"{missing[d.id]:.1f} s without a tick", missing[d.id] >= LEAST_MISSING_S),
                )
                if said
            ),
        ]
        for d in drives
    ]
    text.table(["drive", "begun (UTC)", "length", "rules raised", ""], rows_text, right=(0, 2, 3))
