"""``uphaul export``: a drive of a log as a file for other programs."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path

import click

from uphaul.cli import text
from uphaul.errors import UphaulError
from uphaul.log.drives import pick_drive
from uphaul.log.reader import Log

__all__ = ["command"]

WRITERS = {
    ".csv": ("to_csv", "write_csv"),
    ".parquet": ("to_parquet", "write_parquet"),
    ".mf4": ("to_mdf", "write_mdf"),
}


@click.command()
@click.argument("log", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--drive", type=int, metavar="N", help="Which drive (default: the last one).")
@click.option(
    "--to",
    "target",
    required=True,
    metavar="FILE",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The file to write; its ending says what it will be: .csv, .parquet or .mf4.",
)
@click.option("--signals", metavar="NAME,...", help="Only these signals, in this order (default: all).")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
def command(log: Path, drive: int | None, target: Path, signals: str | None, force: bool) -> None:
    """Write a drive of LOG as CSV, Parquet or MDF4, in the units that it was recorded in.

    CSV comes with a row of units, as `uphaul replay` and `uphaul import` read it. Parquet and MDF4 keep units and
    meanings with each column, the tune, and what people did; they need the extra `workshop`. A value that was unknown
    is left empty, and marked as unknown.
    """
    writer = WRITERS.get(target.suffix.lower())
    if writer is None:
        raise UphaulError(f"--to {target}: the ending must be one of {', '.join(WRITERS)}")
    if target.exists() and not force:
        raise UphaulError(f"{target}: is there already; name another file, or use --force to write over it")
    names = [name.strip() for name in signals.split(",") if name.strip()] if signals else []
    from uphaul.exchange.outgoing import outgoing

    write = getattr(import_module(f"uphaul.exchange.{writer[0]}"), writer[1])
    part = target.with_name(f"{target.stem}.part{target.suffix}")
    with Log.open(log) as file:
        out = outgoing(file, pick_drive(file, drive), names)
        try:
            with _progress(target.name, out.ticks_ms) as progress:
                write(out, part, progress)
            part.replace(target)
        except OSError as error:
            raise UphaulError(f"{target}: cannot be written ({error.strerror or error})") from error
        finally:
            part.unlink(missing_ok=True)
        length = text.duration(out.ticks_ms[1] - out.ticks_ms[0])
        click.echo(f"{target}: drive {out.number}, {length}, {len(out.signals)} signals, {target.stat().st_size} bytes")


@contextmanager
def _progress(name: str, ticks_ms: tuple[int, int]) -> Iterator[Callable[[int], None]]:
    """A bar of the drive's time on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        yield lambda at: None
        return
    first, last = ticks_ms
    with click.progressbar(length=max(last - first, 1), label=f"writing {name}", file=sys.stderr) as bar:
        yield lambda at: bar.update(at - first - bar.pos)
