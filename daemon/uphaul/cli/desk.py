"""``uphaul desk``: the drive page for the tuner, on this machine only."""

from __future__ import annotations

import asyncio
import logging
import signal
from pathlib import Path

import click

from uphaul.cli import text
from uphaul.desk.library import check

__all__ = ["command"]

HOST = "127.0.0.1"


@click.command()
@click.argument("log_file", metavar="LOG", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--drive", type=int, help="Which drive (default: the last one).")
@click.option("--against", type=int, help="Another drive of the log, to be laid beside it.")
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Of the page (default: any free one).")
def command(log_file: Path, *, drive: int | None, against: int | None, port: int) -> None:
    """Show a drive of a LOG in the browser: what was measured, what the rules said, and what others would have said.

    Limits, deadbands and delays can be moved; the drive is judged again at once, by the judge of the vehicle. The
    changed rules file is for you to save: nothing is written here. Only this machine can open the page, for a drive
    tells where its owner went. Needs the extra `workshop`.
    """
    check()
    from uphaul.desk import load_drive, make_desk

    logging.basicConfig(format="%(levelname)s %(name)s: %(message)s", level=logging.WARNING)
    shown = load_drive(log_file, drive)
    other = load_drive(log_file, against) if against is not None else None
    span = text.duration(int(shown.whole.t_ms[-1] - shown.whole.t_ms[0]))
    lines = [f"{shown.label}: {span}" + (f", beside {other.label}" if other else "") + ".", *shown.notes]
    asyncio.run(_serve(make_desk(shown, other), port, lines))


async def _serve(app: object, port: int, lines: list[str]) -> None:
    from aiohttp import web

    from uphaul.web import serve

    assert isinstance(app, web.Application)
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    async with serve(app, HOST, port) as bound:
        for line in lines:
            click.echo(line)
        click.echo(f"  page       http://{HOST}:{bound}/")
        click.echo("  to end     Ctrl-C")
        await stop.wait()
