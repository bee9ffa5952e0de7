"""``uphaul package``: the band in which vehicles of one package lie, from their handover pulls."""

from __future__ import annotations

import json
from dataclasses import asdict
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from uphaul.cli import text

if TYPE_CHECKING:
    from uphaul.analysis.package import Band, Package

__all__ = ["command"]

STEP_RPM = 500


@click.command()
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every speed instead of tables.")
def command(folder: Path, *, as_json: bool) -> None:
    """Show the band of boost, exhaust temperature, mixture, charge temperature and power of the vehicles in FOLDER.

    FOLDER holds one file a vehicle, as a handover writes it. Only vehicles with the same parts count, each once; four
    at least. One odd vehicle hardly moves the band.
    """
    from uphaul.analysis.package import COMPARED, HOW, package_bands
    from uphaul.reports.package_file import read_package

    vehicles = read_package(folder)
    package = package_bands(vehicles)
    if as_json:
        made = {"folder": str(folder), "compared": COMPARED, "how": HOW, "read": len(vehicles), **asdict(package)}
        click.echo(json.dumps(_plain(made), ensure_ascii=False, indent=1, allow_nan=False))
        return
    _print(folder, package, len(vehicles))
    click.echo(f"\nThe same in all: {COMPARED}.")
    click.echo(HOW)


def _plain(value: Any) -> Any:
    """What JSON can hold: unknown numbers as null."""
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return None if isinstance(value, float) and not isfinite(value) else value


def _print(folder: Path, package: Package, read: int) -> None:
    click.echo(f"{folder}: {package.vehicles} of {read} vehicles have the same parts:")
    for part in package.parts:
        click.echo(f"  {part}")
    for said in package.told:
        click.echo(said)
    for tune, gear in dict.fromkeys((b.tune, b.gear) for b in package.bands):
        bands = [b for b in package.bands if (b.tune, b.gear) == (tune, gear)]
        speeds = sorted({r for b in bands for r in b.rpm if r % STEP_RPM == 0})
        click.echo(f"\n{tune}, gear {gear}: where 95 in 100 new vehicles are expected")
        header = ["", "unit", *(f"{r:.0f} rpm" for r in speeds), "vehicles"]
        rows = [[b.title, "" if b.unit == "1" else b.unit, *(_cell(b, r) for r in speeds), _count(b)] for b in bands]
        text.table(header, rows, right=range(2, len(header)))


def _cell(band: Band, rpm: float) -> str:
    low, high = (dict(zip(band.rpm, x, strict=True)).get(rpm, float("nan")) for x in (band.low, band.high))
    digits = 2 if band.unit == "1" else 0
    return f"{low:.{digits}f}–{high:.{digits}f}" if isfinite(low) else "–"


def _count(band: Band) -> str:
    known = [n for n, low in zip(band.vehicles, band.low, strict=True) if isfinite(low)]
    return f"{min(known)}" if min(known) == max(known) else f"{min(known)}–{max(known)}"
