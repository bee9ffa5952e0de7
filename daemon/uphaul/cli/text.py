"""How commands write for people: times, numbers, tables."""

from __future__ import annotations

import contextlib
import shutil
import sys
from collections.abc import Callable, Iterator, Sequence
from math import isfinite
from pathlib import Path

import click

from uphaul.errors import UphaulError
from uphaul.reports.words import clock, duration

__all__ = ["clock", "duration", "number", "program", "table", "write_together", "write_whole"]


def number(value: float | None, unit: str = "") -> str:
    """A value with its unit, a dash when unknown."""
    if value is None or not isfinite(value):
        return "–"
    decimals = 3 if abs(value) < 10 else 2 if abs(value) < 100 else 1
    text = f"{value:.{decimals}f}".rstrip("0").rstrip(".")
    return f"{text} {unit}" if unit and unit != "1" else text


def program() -> str:
    """How this program can be called again from here."""
    if shutil.which("uphaul"):
        return "uphaul"
    called = Path(sys.argv[0])
    return f"{sys.executable} -m uphaul" if called.name == "__main__.py" else str(called)


def table(header: Sequence[str], rows: Sequence[Sequence[str]], *, right: Sequence[int] = ()) -> None:
    """Print a table; the columns in `right` are set to the right."""
    widths = [max(len(r[i]) for r in (header, *rows)) for i in range(len(header))]
    for row in (header, *rows):
        cells = [c.rjust(w) if i in right else c.ljust(w) for i, (c, w) in enumerate(zip(row, widths, strict=True))]
        click.echo("  ".join(cells).rstrip())


def write_whole(path: Path, what: bytes) -> None:
    """Write a file whole or not at all. Raises UphaulError."""
    write_together([(path, what)])


def write_together(files: Sequence[tuple[Path, bytes]], then: Callable[[], None] = lambda: None) -> None:
    """Write files whole or not at all, and do `then` when they could be written but before they are seen.

    So what `then` does stands only with its files, and files stand only with what it did. Raises UphaulError, and
    whatever `then` raises.
    """
    parts = [path.with_name(f"{path.name}.part") for path, _ in files]
    try:
        for part, (path, what) in zip(parts, files, strict=True):
            with _named(path):
                part.write_bytes(what)
        then()
        for part, (path, _) in zip(parts, files, strict=True):
            with _named(path):
                part.replace(path)
    finally:
        for part in parts:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)


@contextlib.contextmanager
def _named(path: Path) -> Iterator[None]:
    """Names the file that can't be written."""
    try:
        yield
    except OSError as error:
        raise UphaulError(f"{path}: cannot be written ({error.strerror or error})") from error
