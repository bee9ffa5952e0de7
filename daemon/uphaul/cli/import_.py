"""``uphaul import``: a drive from another program's file into a log."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from uphaul.cli import text
from uphaul.config import load
from uphaul.config.spec import Config
from uphaul.errors import DriveFileError, UphaulError

if TYPE_CHECKING:
    from uphaul.exchange.capture_file import Reading

__all__ = ["command"]


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--config",
    "directory",
    required=True,
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Signals, DBC, tunes and rules: the folder that the drive is decoded and judged by.",
)
@click.option(
    "--log", required=True, type=click.Path(dir_okay=False, path_type=Path), help="The log that takes it; made if new."
)
@click.option("--source", help="Of a CAN capture: which of the configuration's CAN buses it is of.")
@click.option("--channel", help="Of a CAN capture: which of the buses in the file to take, by its name there.")
@click.option("--tune", help="The tune that was driven, where nothing in the file tells it.")
def command(
    files: tuple[Path, ...],
    directory: Path,
    log: Path,
    tune: str | None,
    **of_capture: str | None,
) -> None:
    """Put drives from other programs' FILES into a log, each as a drive of its own, marked as imported.

    CAN captures (.asc .blf .csv .db .log .mf4 .trc) are decoded by the configuration's DBC and go through the same
    tick grid, ages and qualities as on the bus. CSV, Parquet and MDF4 files with signals are taken by name, and
    converted from the units that they name. All are judged by the configuration's rules, so that the drive replays
    like one that was driven. What was repaired, left out or missing is counted and told; what cannot be told for sure
    is an error, and then nothing is imported.
    """
    from uphaul.exchange.imports import read_ahead

    config: Config | None = None
    for path in files:
        with read_ahead(path) as reading:
            if config is None:
                config, number = _configured(directory, tune)
            _import(path, config, log, tune=number, reading=reading, **of_capture)


def _configured(directory: Path, tune: str | None) -> tuple[Config, int | None]:
    """The configuration, and the number of the tune in it."""
    config = load(directory)
    if tune is None:
        return config, None
    if tune not in config.tunes:
        raise UphaulError(f"--tune {tune}: the configuration has: {', '.join(config.tunes) or 'no tunes'}")
    return config, config.tunes.index(tune)


def _import(
    path: Path, config: Config, log: Path, *, tune: int | None, reading: Reading | None, **of_capture: str | None
) -> None:
    from uphaul.exchange.imports import import_file

    with _progress(path.name, path.stat().st_size) as progress:
        done = import_file(
            path,
            config,
            log,
            reading=reading,
            sha256=_sha256(path),
            imported=datetime.now(UTC),
            tune=tune,
            progress=progress,
            **of_capture,
        )
    entered = done.entered
    length = text.duration(entered.last_ms - entered.first_ms)
    click.echo(
        f"{path}: drive {entered.number} of {log}: {length}, {entered.ticks} ticks, {done.what}; "
        f"rules raised {entered.raised} times"
    )
    for line in done.notes:
        click.echo(f"  {line}")


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise DriveFileError(f"{path}: {error.strerror or error}") from error


@contextmanager
def _progress(name: str, size: int) -> Iterator[Callable[[int], None]]:
    """A bar of bytes on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        yield lambda at: None
        return
    with click.progressbar(length=size, label=f"reading {name}", file=sys.stderr) as bar:
        yield lambda at: bar.update(max(min(at, size) - bar.pos, 0))
