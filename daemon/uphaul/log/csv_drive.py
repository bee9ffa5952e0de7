"""Reads a drive from CSV: a header row with `t_s` first, a row of units, then one row a tick.

The rows are the ticks: times are rounded to whole milliseconds and must increase. An empty cell is unknown. A column
`tune` holds the tune's name, empty where it is unknown. Values are converted to the unit of the signal of the
same name where the configuration has one, and put on its grid of counts.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterator, Sequence
from math import isfinite, nan
from pathlib import Path
from typing import TextIO

import numpy as np

from uphaul import units
from uphaul.config.problems import nearest
from uphaul.errors import DriveFileError
from uphaul.signals import NO_TUNE, Block, Quality, QualityChange, Signal, quantise

__all__ = ["CSV_PER_UNIT", "read_csv"]

CSV_PER_UNIT = 1000
"""Counts per unit of a column that no configuration knows: a text with three decimals loses nothing."""
MOST_COLUMNS = 1000
MOST_CELL = 200
LARGEST_T_S = 1e9
"""Thirty years: a drive that is longer was written in another unit."""
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_.-]*")


def read_csv(
    path: Path,
    signals: Sequence[Signal] = (),
    tunes: Sequence[str] = (),
    *,
    progress: Callable[[int], None] | None = None,
) -> tuple[Block, tuple[str, ...]]:
    """The drive in the file as one block, and the names of its tunes by number (`tunes` first, then new ones).

    Columns that `signals` names take their unit, resolution and range from there; values out of range are
    unknown, and why is in the block's quality. `progress` is told the bytes read. Raises DriveFileError naming file,
    line and column.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            return _Reader(path, file, signals, tunes, progress).read()
    except OSError as error:
        raise DriveFileError(f"{path}: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise DriveFileError(f"{path}: not a UTF-8 text file, so no CSV drive ({error.reason})") from error


class _Reader:
    def __init__(
        self,
        path: Path,
        file: TextIO,
        signals: Sequence[Signal],
        tunes: Sequence[str],
        progress: Callable[[int], None] | None,
    ) -> None:
        self._path, self._file, self._progress = path, file, progress
        self._known = {s.name: s for s in signals}
        self._tunes = list(tunes)
        self._rows = csv.reader(file, strict=True)

    def _wrong(self, line: int, text: str) -> DriveFileError:
        return DriveFileError(f"{self._path}: line {line}: {text}")

    def read(self) -> tuple[Block, tuple[str, ...]]:
        rows = self._checked()
        first = next(rows, None)
        if first is None:
            raise DriveFileError(
                f"{self._path}: the file is empty; it needs a row of names, one of units, then the ticks"
            )
        header = [c.strip() for c in first]
        self._check_header(header)
        unit_row = next(rows, None)
        if unit_row is None:
            raise self._wrong(2, "the row of units is missing: one unit a column, s for t_s")
        self._check_width(header, unit_row)
        signals, found = self._signals(header, [u.strip() for u in unit_row])
        tune_column = header.index("tune") if "tune" in header else None
        times: list[int] = []
        tune: list[int] = []
        values: list[list[float]] = []
        take = [i for i, name in enumerate(header) if i and name != "tune"]
        for row in rows:
            if not row:
                continue
            self._check_width(header, row)
            times.append(self._time(row[0], times))
            try:
                values.append([float(row[i]) if row[i] else nan for i in take])
            except ValueError:
                values.append([self._number(row[i], header[i]) for i in take])
            tune.append(NO_TUNE if tune_column is None else self._tune(row[tune_column]))
        if not times:
            raise self._wrong(3, "the drive is empty: there is no row after the units")
        block = self._block(signals, found, times, values, tune)
        return block, tuple(self._tunes)

    def _checked(self) -> Iterator[list[str]]:
        try:
            for count, row in enumerate(self._rows):
                if self._progress is not None and count % 4096 == 0:
                    self._progress(self._file.buffer.tell() if hasattr(self._file, "buffer") else 0)
                yield row
        except csv.Error as error:
            raise self._wrong(self._rows.line_num, f"no CSV: {error}") from error

    def _check_header(self, header: list[str]) -> None:
        for mark, word in ((";", "semicolons"), ("\t", "tabs")):
            if mark in ",".join(header):
                raise self._wrong(1, f"the names are separated by {word}; commas are expected, and points in numbers")
        if not header or header[0] != "t_s":
            found = repr(header[0]) if header else "nothing"
            raise self._wrong(1, f"the first column is {found}; it must be t_s, the time in seconds")
        if len(header) > MOST_COLUMNS:
            raise self._wrong(1, f"{len(header)} columns; at most {MOST_COLUMNS}")
        seen: set[str] = set()
        for number, name in enumerate(header, 1):
            if not _NAME.fullmatch(name):
                raise self._wrong(1, f"column {number} is named {name!r}; a name is letters, digits and _ . -")
            if name in seen:
                raise self._wrong(1, f"column {number} is {name!r} a second time")
            seen.add(name)

    def _check_width(self, header: list[str], row: list[str]) -> None:
        if len(row) != len(header):
            raise self._wrong(self._rows.line_num, f"{len(row)} cells, but the header has {len(header)}")

    def _signals(self, header: list[str], unit_row: list[str]) -> tuple[list[Signal], list[str]]:
        """The signals of the columns and the unit that each column is in."""
        signals, found = [], []
        for name, text in zip(header, unit_row, strict=True):
            unit = units.find(text)
            if name == "tune":
                continue
            if unit is None:
                near = nearest(text, units.UNITS)
                hint = f"; did you mean {near!r}?" if near else "; the second row names the unit of each column"
                raise self._wrong(2, f"column {name!r}: no unit {text!r}{hint}")
            if name == "t_s":
                if unit.name != "s":
                    raise self._wrong(2, f"column 't_s': the unit is {text!r}; it must be s")
                continue
            signal = self._known.get(name)
            if signal is None:
                signal = Signal(name, unit.name, CSV_PER_UNIT)
            elif not units.compatible(unit.name, signal.unit):
                raise self._wrong(2, f"column {name!r}: {text!r} cannot be converted to {signal.unit!r}")
            signals.append(signal)
            found.append(unit.name)
        return signals, found

    def _time(self, text: str, times: list[int]) -> int:
        t_s = self._number(text, "t_s")
        if not isfinite(t_s):
            raise self._wrong(self._rows.line_num, f"column 't_s': {text!r}; every row needs a time in seconds")
        if abs(t_s) > LARGEST_T_S:
            raise self._wrong(
                self._rows.line_num,
                f"column 't_s': {t_s:g} s is too large; at most {LARGEST_T_S:g} s from 0",
            )
        t_ms = round(t_s * 1000)
        if times and t_ms <= times[-1]:
            before = times[-1] / 1000
            raise self._wrong(
                self._rows.line_num, f"column 't_s': {text} s does not come after {before:g} s, to the millisecond"
            )
        return t_ms

    def _number(self, text: str, column: str) -> float:
        if not text.strip():
            return nan
        try:
            if len(text) > MOST_CELL:
                raise ValueError
            return float(text)
        except ValueError:
            shown = text if len(text) <= 40 else text[:40] + "..."
            raise self._wrong(
                self._rows.line_num, f"column {column!r}: {shown!r} is no number (leave it empty for unknown)"
            ) from None

    def _tune(self, text: str) -> int:
        name = text.strip()
        if not name:
            return NO_TUNE
        if name not in self._tunes:
            if len(self._tunes) >= 100:
                raise self._wrong(self._rows.line_num, "column 'tune': more than 100 different names")
            self._tunes.append(name)
        return self._tunes.index(name)

    def _block(
        self,
        signals: list[Signal],
        found: list[str],
        times: list[int],
        values: list[list[float]],
        tune: list[int],
    ) -> Block:
        table = np.array(values, dtype=np.float64).reshape(len(times), len(signals))
        t_ms = np.array(times, dtype=np.int64)
        quality: list[QualityChange] = []
        for i, (signal, unit) in enumerate(zip(signals, found, strict=True)):
            column = units.convert(table[:, i], unit, signal.unit)
            state = np.where(np.isnan(column), int(Quality.STALE), int(Quality.GOOD))
            state[np.isinf(column)] = Quality.UNDECODABLE
            state[column < signal.low] = Quality.BELOW_RANGE
            state[column > signal.high] = Quality.ABOVE_RANGE
            state[np.isinf(column)] = Quality.UNDECODABLE
            table[:, i] = np.where(state == Quality.GOOD, column, np.nan)
            for k in np.flatnonzero(np.diff(state, prepend=int(Quality.GOOD))).tolist():
                quality.append(QualityChange(times[k], i, Quality(int(state[k]))))
        quality.sort(key=lambda q: (q.t_ms, q.signal))
        per_unit = np.array([float(s.per_unit) for s in signals])
        return Block(tuple(signals), t_ms, quantise(table, per_unit), np.array(tune, dtype=np.int16), tuple(quality))
