"""``uphaul desk``: the drive page for the tuner, on this machine only."""

from __future__ import annotations

import asyncio
import logging
import signal
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from uphaul.cli import text
from uphaul.cli.beside import AGAINST, BY_ITSELF, beside
from uphaul.desk.library import check
from uphaul.errors import UphaulError
from uphaul.log.drives import pick_drive
from uphaul.log.reader import Log

if TYPE_CHECKING:
    from uphaul.desk import DeskDrive

    Loaded = tuple[DeskDrive, DeskDrive | None]

__all__ = ["command"]

HOST = "127.0.0.1"


@click.command()
@click.argument("log_file", metavar="LOG", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--drive", type=int, metavar="N", help="Which drive (default: the last one).")
@click.option("--against", metavar="M", help=f"The reference, to be laid beside it: {AGAINST}; {BY_ITSELF}.")
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Of the page (default: any free one).")
def command(log_file: Path, *, drive: int | None, against: str | None, port: int) -> None:
    """Show a drive of a LOG in the browser: what was measured, what the rules said, and what others would have said.

    Limits, deadbands and delays can be moved; the drive is judged again at once, by the judge of the vehicle. The
    changed rules file is for you to save: nothing is written here. Below the drive stand the moments that the driver
    marked, what fits the evidence and, beside a reference drive, how it differs. Only this machine can open the page,
    for a drive tells where its owner went. Needs the extra `workshop`.
    """
    check()
    with Log.open(log_file) as file:
        number = pick_drive(file, drive)
    other = beside(log_file, number, against)
    from uphaul.desk import load_drive

    logging.basicConfig(format="%(levelname)s %(name)s: %(message)s", level=logging.WARNING)

    def load(before: Loaded | None) -> Loaded:
        if before is None:
            return load_drive(log_file, number, first=True), None if other is None else load_drive(*other, first=True)
        shown = load_drive(log_file, number, after=before[0], judge=True)
        return shown, None if other is None else load_drive(*other, after=before[1])

    asyncio.run(_serve(load, port))


async def _serve(load: Callable[[Loaded | None], Loaded], port: int) -> None:
    from uphaul.desk import make_desk
    from uphaul.web import serve

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    wrong: list[UphaulError] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)

    def told(before: Loaded | None) -> Loaded:
        """Load, and tell on the terminal what there is; what can't be loaded ends the command."""
        try:
            shown, other = load(before)
        except UphaulError as error:
            wrong.append(error)
            loop.call_soon_threadsafe(stop.set)
            raise
        if before is not None:
            return shown, other
        span = text.duration(int(shown.whole.t_ms[-1] - shown.whole.t_ms[0]))
        click.echo(f"{shown.label}: {span}" + (f", beside {other.label}" if other else "") + ".")
        for note in shown.notes:
            click.echo(note)
        return shown, other

    async with serve(make_desk(told), HOST, port) as bound:
        click.echo(f"  page       http://{HOST}:{bound}/")
        click.echo("  to end     Ctrl-C")
        await stop.wait()
    if wrong:
        raise wrong[0]
