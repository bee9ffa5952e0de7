"""``uphaul drives --drift``: which sensors moved away from the others over the cold starts in a log."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import dataclass

import click

from uphaul.analysis.drift import COLD_K, LATEST, LEAST_DRIVES, Drift, cold_stand, drifts, temperatures
from uphaul.cli import text
from uphaul.log.info import DriveInfo
from uphaul.log.reader import Log
from uphaul.signals import index_of

__all__ = ["show"]

RPM = "rpm"
"""The signal that tells that the engine stands."""

BEGINNING_MS = 60_000
"""What is read of a drive: a driver who lets the engine stand for longer tells no more."""

COUNTS = (
    f"a drive counts that begins with the engine off ({RPM}) for a second, at least three temperatures read and no "
    f"more than {COLD_K:g} K between them; if none does, begin drives with the ignition: [drive] signal in daemon.toml"
)
CHECK = (
    "check its plug and earth, then compare it with a thermometer at its place on a cold engine: `uphaul calibrate` "
    "if the sensor is sound, else a new one"
)
"""What to do about a sensor that moved. Source: common practice."""


@dataclass(frozen=True, slots=True)
class _Stand:
    """The distances of a drive's cold start, in K."""

    drive: int
    begun: str | None
    distances: dict[str, float]


def show(log: Log, *, as_json: bool) -> None:
    """Print what the drives of `log` tell; LATEST cold starts are looked back. Raises LogError."""
    drives = log.drives()
    found: list[_Stand] = []
    with ExitStack() as stack:
        newest: Iterable[DriveInfo] = reversed(drives)
        if sys.stderr.isatty():
            bar = click.progressbar(newest, len(drives), label="reading drives", file=sys.stderr)
            newest = stack.enter_context(bar)
        for drive in newest:
            stand = _stand(log, drive)
            found += [stand] if stand is not None else []
            if len(found) == LATEST:
                break
    found.reverse()
    told = drifts([s.distances for s in found])
    if as_json:
        click.echo(json.dumps(_object(log, len(drives), found, told), ensure_ascii=False, indent=1))
    else:
        _print(log, len(drives), found, told)


def _stand(log: Log, drive: DriveInfo) -> _Stand | None:
    if not drive.segments or drive.continues is not None:
        return None
    info = log.segment(drive.segments[0])
    if info.first_t_ms is None or RPM not in index_of(info.signals):
        return None
    block = next(log.blocks(info.id, stop_ms=info.first_t_ms + BEGINNING_MS), None)
    distances = {} if block is None else cold_stand(block, temperatures(info.signals), rpm=RPM)
    return _Stand(drive.id, drive.begun, distances) if distances else None


def _object(log: Log, drives: int, found: list[_Stand], told: list[Drift]) -> dict[str, object]:
    return {
        "file": str(log.path),
        "drives": drives,
        "cold_starts": len(found),
        "needed": LEAST_DRIVES,
        "enough": len(found) >= LEAST_DRIVES,
        "unit": "K",
        "sensors": [
            {
                "signal": d.signal,
                "moved": d.moved,
                "total": d.total,
                "per_drive": d.per_drive,
                "drives": d.drives,
                "scatter": d.scatter,
                "check": CHECK if d.moved else None,
            }
            for d in told
        ],
        "stands": [{"drive": s.drive, "begun": s.begun, "distance": s.distances} for s in found],
    }


def _print(log: Log, drives: int, found: list[_Stand], told: list[Drift]) -> None:
    counted = f"{log.path}: {len(found)} of {drives} drives began cold"
    if len(found) == LATEST < drives:
        counted = f"{log.path}: the last {LATEST} cold starts of {drives} drives"
    if not told:
        click.echo(f"{counted}: too few drives, a drift is told from {LEAST_DRIVES} on{'' if drives else log.copied}")
        click.echo(COUNTS)
        return
    click.echo(f"{counted}, the first in drive {found[0].drive}, the last in drive {found[-1].drive}")
    rows = [
        [d.signal, f"{d.total:+.1f} K", str(d.drives), f"{d.per_drive:+.3f} K", f"{d.scatter:.2f} K", "moved" * d.moved]
        for d in told
    ]
    text.table(["sensor", "beside the others", "drives", "each", "scatter", ""], rows, right=(1, 2, 3, 4))
    for d in told:
        if d.moved:
            click.echo(f"{d.signal} moved by {d.total:+.1f} K over {d.drives} cold starts: {CHECK}")
    if not told[0].moved:
        click.echo("no sensor moved")
    short = sorted({n for s in found for n in s.distances} - {d.signal for d in told})
    if short:
        click.echo(f"too few drives to tell, below {LEAST_DRIVES}: {', '.join(short)}")
