"""``uphaul sensors``: for the person who wires it up, what every input reads now, and what its sensor can tell."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from uphaul.cli import text

if TYPE_CHECKING:
    from aiohttp.web import Application

    from uphaul.config.spec import Config
    from uphaul.sources.watch import InputRow, Watch

__all__ = ["command"]

EVERY_S = 1.0
HEADER = ["signal", "from", "counts", "raw", "value", "quality", "age", "noise", "rate"]


@click.command()
@click.option(
    "--config",
    "directory",
    required=True,
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Directory with signals.toml and the rest.",
)
@click.option("--once", "once_s", type=click.FloatRange(0, 3600), help="Print one table after so many seconds and end.")
@click.option(
    "--json", "as_json", is_flag=True, help="JSON instead of tables: one object a second, or one with --once."
)
@click.option("--zones", is_flag=True, help="Read nothing: tell which readings are a value and which are which fault.")
@click.option("--page", is_flag=True, help="Serve the table as a page on this machine instead of printing it.")
@click.option(
    "--port", default=8711, show_default=True, type=click.IntRange(0, 65535), help="Of the page; 0 takes any free one."
)
def command(*, directory: Path, once_s: float | None, as_json: bool, zones: bool, page: bool, port: int) -> None:
    """Read the inputs of a configuration, without log and rules, and show what each one says.

    Counts, volts, ohms, hertz, bytes or words of a report where the source has them, value, quality, age, noise (one
    standard deviation of the last 10 s) and readings a second, once a second until Ctrl-C. For CAN the counts are the
    number of the field before it is scaled, and its frame's id stands beside the field.
    """
    from uphaul.config import load

    if page and (once_s is not None or zones or as_json):
        raise click.UsageError("--page goes without --once, --zones and --json")
    config = load(directory)
    if zones:
        from uphaul.cli.sensor_zones import show_zones

        show_zones(config, as_json=as_json)
        return
    asyncio.run(_until_stopped(config, once_s, as_json=as_json, port=port if page else None))


async def _until_stopped(config: Config, once_s: float | None, *, as_json: bool, port: int | None) -> None:
    from uphaul.clock import Clock
    from uphaul.sources.watch import Watch

    stop = asyncio.Event()
    for name in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(name, stop.set)
    watch = Watch(config, Clock())
    invented = any(s.kind == "demo" for s in config.sources)
    async with watch.running():
        if once_s is not None:
            if not await _wait(stop, once_s):
                _show(watch, as_json=as_json, invented=invented)
            return
        if port is not None:
            from uphaul.web.sensors import make_sensors_app

            await _serve(make_sensors_app(watch, config.vehicle.name, invented=invented), port, stop)
            return
        while not await _wait(stop, EVERY_S):
            if not as_json and sys.stdout.isatty():
                click.clear()
            _show(watch, as_json=as_json, invented=invented)


async def _serve(app: Application, port: int, stop: asyncio.Event) -> None:
    from uphaul.web.server import serve

    async with serve(app, port=port) as bound:
        click.echo(f"What every input reads: http://127.0.0.1:{bound}/   (to end: Ctrl-C)")
        await stop.wait()


async def _wait(stop: asyncio.Event, seconds: float) -> bool:
    """Whether it was stopped within so long."""
    try:
        async with asyncio.timeout(seconds):
            await stop.wait()
    except TimeoutError:
        return False
    return True


# ------------------------------------------------------------------------------------------------------- words


def _show(watch: Watch, *, as_json: bool, invented: bool) -> None:
    rows = watch.rows()
    if as_json:
        click.echo(json.dumps({"invented": invented, "inputs": [asdict(row) for row in rows]}, ensure_ascii=False))
        return
    if invented:
        click.echo("Invented demo data: no real vehicle")
    if not rows:
        click.echo("No signal of this configuration has an input: nothing can be read.")
        return
    text.table(HEADER, [_cells(row) for row in rows], right=(2, 4, 6, 7, 8))
    for source in watch.sources:
        if source.health.problem or source.health.state != "running":
            click.echo(
                f"source {source.name}: {source.health.state}, {source.health.problem or 'nothing delivered yet'}"
            )
        for note in source.health.notes:
            click.echo(f"source {source.name}: {note}")


def _cells(row: InputRow) -> list[str]:
    raw = [row.raw] if row.raw else []
    if row.electrical is not None:
        raw.append(text.number(row.electrical, row.electrical_unit))
    if row.beside is not None:
        raw.append(f"beside {text.number(row.beside, row.beside_unit)}")
    if row.ohms is not None:
        raw.append(text.number(row.ohms, "ohm"))
    quality = row.quality
    if row.unknown:
        quality += f" ({row.unknown} of {row.readings} without a value)"
    return [
        row.signal + (" *" if row.calibrated else ""),
        " ".join(filter(None, (row.source, row.channel, row.frame))),
        "–" if row.counts is None else f"{row.counts:,.1f}".removesuffix(".0"),
        ", ".join(raw) or "–",
        text.number(row.value, row.unit),
        quality,
        "–" if row.age_s is None else f"{row.age_s:.2f} s",
        "–" if row.noise is None else f"{row.noise:.3g} {row.unit}" if row.unit != "1" else f"{row.noise:.3g}",
        "–" if row.rate_hz is None else f"{row.rate_hz:.1f}/s",
    ]
