"""Reads a drive from Parquet: a column of time, `t_ms` or `t_s`, and columns with their unit in the field's metadata.

Loads pyarrow (extra `workshop`).
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from uphaul import units
from uphaul.config.spec import Config
from uphaul.errors import DriveFileError, UphaulError
from uphaul.exchange.tables import Column, Columns
from uphaul.exchange.to_parquet import FORMAT, KEY
from uphaul.signals import Event, EventKind, Quality

__all__ = ["from_parquet"]

LARGEST_MS = 1e12


def from_parquet(path: Path, config: Config, progress: Callable[[int], None]) -> Columns:
    """The drive; `progress` is told the bytes read.

    Raises DriveFileError naming file and column, UphaulError without pyarrow.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise UphaulError("Parquet needs pyarrow: pip install 'uphaul[workshop]'") from error
    try:
        with pq.ParquetFile(path) as file:
            table, about = file.read(), file.metadata.metadata or {}
    except (pa.ArrowException, OSError, ValueError) as error:
        raise DriveFileError(f"{path}: no Parquet file that can be read ({error})") from error
    names = table.column_names
    if len(set(names)) < len(names):
        raise DriveFileError(f"{path}: two columns have one name")
    t_ms = _times(path, table)
    known = {s.name for s in config.signals}
    found = {name: _column(path, table, name) for name in names if name in known}
    out = Columns(t_ms, found, other=[n for n in names if n not in known | {"t_ms", "t_s", "tune"}])
    if "tune" in names:
        _tune(path, table, out)
    if KEY in about:
        _own(path, about[KEY], out)
    progress(path.stat().st_size)
    return out


def _times(path: Path, table: Any) -> npt.NDArray[np.int64]:
    name = next((n for n in ("t_ms", "t_s") if n in table.column_names), None)
    if name is None:
        raise DriveFileError(f"{path}: there is no column of time: it must be t_ms or t_s, since the drive began")
    values = _floats(path, table, name) * (1000.0 if name == "t_s" else 1.0)
    if not np.isfinite(values).all() or (len(values) and float(np.abs(values).max()) > LARGEST_MS):
        raise DriveFileError(f"{path}: column {name!r}: every row needs a time since the drive began")
    t_ms = np.rint(values).astype(np.int64)
    back = np.flatnonzero(np.diff(t_ms) <= 0)
    if len(back):
        row = int(back[0]) + 1
        raise DriveFileError(
            f"{path}: column {name!r}, row {row + 1}: {t_ms[row] / 1000:g} s does not come after "
            f"{t_ms[row - 1] / 1000:g} s, to the millisecond"
        )
    return t_ms


def _floats(path: Path, table: Any, name: str) -> npt.NDArray[np.float64]:
    import pyarrow as pa

    try:
        values: npt.NDArray[np.float64] = table.column(name).cast(pa.float64()).to_numpy().astype(np.float64)
    except (pa.ArrowException, ValueError) as error:
        raise DriveFileError(f"{path}: column {name!r} holds no numbers ({error})") from error
    return values


def _column(path: Path, table: Any, name: str) -> Column:
    unit = (table.schema.field(name).metadata or {}).get(b"unit")
    if unit is None:
        raise DriveFileError(f"{path}: column {name!r} names no unit; write it into the field's metadata under 'unit'")
    text = unit.decode("utf-8", "replace")
    if units.find(text) is None:
        raise DriveFileError(f"{path}: column {name!r}: no unit {text!r} is known")
    return Column(units.canonical(text), _floats(path, table, name))


def _tune(path: Path, table: Any, out: Columns) -> None:
    names = table.column("tune").to_pylist()
    if any(n is not None and not isinstance(n, str) for n in names):
        raise DriveFileError(f"{path}: column 'tune' must hold names")
    tunes = list(dict.fromkeys(n for n in names if n))
    numbers: dict[str | None, int] = {name: i for i, name in enumerate(tunes)}
    out.tunes = tunes
    out.tune = np.array([numbers.get(n, -1) for n in names], dtype=np.int16)


def _own(path: Path, text: bytes, out: Columns) -> None:
    """What a file of our own says besides. Raises DriveFileError when it cannot be understood."""
    try:
        about = json.loads(text)
        if about["format"] != FORMAT:
            raise ValueError(f"format {about['format']}, not {FORMAT}")
        begun = about["begun"]
        out.begun_s = None if begun is None else datetime.fromisoformat(begun).timestamp()
        out.events = [
            Event(
                int(t), int(n), EventKind(kind), str(rule), int(k), str(who), str(words), None if e is None else int(e)
            )
            for t, n, kind, rule, k, who, words, e in sorted(
                about["events"], key=lambda row: (int(row[0]), int(row[1]))
            )
        ]
        _quality(about["quality"], out)
    except (KeyError, TypeError, ValueError) as error:
        raise DriveFileError(f"{path}: what it says of the drive cannot be understood ({error})") from error


def _quality(changes: list[Any], out: Columns) -> None:
    states = {name: np.zeros(len(out.t_ms), dtype=np.int8) for name in out.signals}
    for t_ms, name, word in changes:
        if name in states:
            states[name][int(np.searchsorted(out.t_ms, int(t_ms))) :] = Quality[str(word).upper()]
    out.signals = {name: Column(c.unit, c.values, states[name]) for name, c in out.signals.items()}
