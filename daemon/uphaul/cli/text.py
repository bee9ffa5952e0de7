"""How commands write for people: times, numbers, tables."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from math import isfinite
from pathlib import Path

import click

__all__ = ["clock", "duration", "number", "program", "table"]


def clock(t_ms: float) -> str:
    """Time into a drive: ``12:34.5``, with hours where there are any."""
    tenths = round(abs(t_ms) / 100)
    minutes, rest = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    sign = "-" if t_ms < 0 else ""
    return f"{sign}{hours}:{minutes:02d}:{rest / 10:04.1f}" if hours else f"{sign}{minutes}:{rest / 10:04.1f}"


def duration(ms: float) -> str:
    """A length of time in words: ``4.2 s``, ``3 min 12 s``, ``2 h 05 min``."""
    tenths = round(ms / 100)  # rounded before it is divided up: 119.6 s are 2 min 00 s, never 1 min 60 s
    if tenths < 600:
        return f"{tenths / 10:.1f} s"
    seconds = round(ms / 1000)
    if seconds < 3600:
        return f"{seconds // 60} min {seconds % 60:02d} s"
    return f"{seconds // 3600} h {seconds % 3600 // 60:02d} min"


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
