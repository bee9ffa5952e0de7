"""Makes the blocks of a drive from columns of another program's file: taken by name, converted by their units.

Theory of operation. A `Columns` is what a file holds of the signals that the configuration knows. Its rows are ticks
already. Values are converted to the signal's unit, put on its grid of counts, and what lies outside its range is
unknown, as everywhere. Signals that the file lacks are stale throughout; computed ones are computed, unless the file
brings them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import gcd
from pathlib import Path

import numpy as np
import numpy.typing as npt

from uphaul import units
from uphaul.config.problems import nearest
from uphaul.config.spec import Config
from uphaul.errors import DriveFileError
from uphaul.log.csv_drive import read_csv
from uphaul.signals import NO_TUNE, Block, Event, Quality, QualityChange, quantise

__all__ = ["Column", "Columns", "from_csv", "table_blocks", "tick_hz_of"]

Floats = npt.NDArray[np.float64]

PIECE = 50_000
"""Ticks in a block."""

SHOWN = 8


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """The values of one signal (NaN where unknown) in `unit`; `quality` where the file tells why they are unknown."""

    unit: str
    values: Floats
    quality: npt.NDArray[np.int8] | None = None


@dataclass(slots=True, eq=False)
class Columns:
    """A drive as a file has it. `t_ms` (N,) increases; `tune` (N,) counts through `tunes`, -1 unknown.

    `begun` is the wall clock at t = 0 in s since 1970. `other` are names in the file that the configuration lacks.
    """

    t_ms: npt.NDArray[np.int64]
    signals: Mapping[str, Column]
    tune: npt.NDArray[np.int16] | None = None
    tunes: Sequence[str] = ()
    events: Sequence[Event] = ()
    begun_s: float | None = None
    other: Sequence[str] = ()
    notes: list[str] = field(default_factory=list)


def from_csv(path: Path, config: Config, progress: Callable[[int], None]) -> Columns:
    """A CSV drive; `progress` is told the bytes read. Raises DriveFileError."""
    block, tunes = read_csv(path, config.signals, config.tunes, progress=progress)
    known = {s.name for s in config.signals}
    state = np.zeros((len(block), len(block.signals)), dtype=np.int8)
    row_of = {t: i for i, t in enumerate(block.t_ms.tolist())}
    for change in block.quality:
        state[row_of[change.t_ms] :, change.signal] = change.quality
    return Columns(
        block.t_ms,
        {
            s.name: Column(s.unit, block.values[:, i], state[:, i])
            for i, s in enumerate(block.signals)
            if s.name in known
        },
        block.tune if (block.tune != NO_TUNE).any() else None,
        tunes,
        other=[s.name for s in block.signals if s.name not in known],
    )


def tick_hz_of(t_ms: npt.NDArray[np.int64], config: Config) -> int:
    """The ticks a second on whose grid all times lie: the configuration's, else the fewest that divide 1000."""
    step = 1000 // config.tick_hz
    if not (t_ms % step).any():
        return config.tick_hz
    common = gcd(int(np.gcd.reduce(t_ms)), 1000)
    return 1000 // common


def table_blocks(path: Path, columns: Columns, config: Config) -> Iterator[Block]:
    """The drive in blocks for the row. Raises DriveFileError when nothing in the file is known by name."""
    _describe(path, columns, config)
    t_ms = columns.t_ms
    if int(t_ms[0]) < 0:
        columns.notes.append(f"its time begins at {int(t_ms[0]) / 1000:g} s; the drive's begins at 0")
        columns.begun_s = None if columns.begun_s is None else columns.begun_s + int(t_ms[0]) / 1000
        t_ms = t_ms - t_ms[0]
    values = np.full((len(t_ms), len(config.signals)), np.nan)
    changes: list[tuple[int, int, int]] = []
    out_of_range = []
    for i, signal in enumerate(config.signals):
        column = columns.signals.get(signal.name)
        if column is None:
            if not signal.computed:
                changes.append((0, i, int(Quality.STALE)))
            continue
        if not units.compatible(column.unit, signal.unit):
            raise DriveFileError(
                f"{path}: {signal.name!r} is in {column.unit!r}, which cannot be converted to {signal.unit!r}"
            )
        found = units.convert(column.values, column.unit, signal.unit)
        state = _states(found, column.quality, signal.low, signal.high)
        values[:, i] = np.where(state <= Quality.SATURATED, found, np.nan)
        ranges = int(np.count_nonzero((state == Quality.BELOW_RANGE) | (state == Quality.ABOVE_RANGE)))
        if ranges:
            out_of_range.append(f"{signal.name} ({ranges})")
        if not signal.computed:
            edges = np.flatnonzero(np.diff(state, prepend=np.int8(Quality.GOOD)))
            changes += [(k, i, q) for k, q in zip(edges.tolist(), state[edges].tolist(), strict=True)]
    if out_of_range:
        columns.notes.append(f"values outside of the signals' ranges, taken as unknown: {', '.join(out_of_range)}")
    values = quantise(values, np.array([float(s.per_unit) for s in config.signals]))
    changes.sort()
    times = t_ms.tolist()
    quality = [QualityChange(times[k], i, Quality(q)) for k, i, q in changes]
    tune, events = _tunes(columns, config), _events(columns, t_ms)
    block = Block(config.signals, t_ms, values, tune, tuple(quality), events)
    for start in range(0, len(block), PIECE):
        yield block.part(start, start + PIECE)


def _describe(path: Path, columns: Columns, config: Config) -> None:
    if not len(columns.t_ms):
        raise DriveFileError(f"{path}: the drive is empty: there is no row in it")
    if not columns.signals:
        names = [s.name for s in config.signals]
        near = [f"{name} (did you mean {n}?)" for name in columns.other if (n := nearest(name, names))]
        held = ", ".join((near or list(columns.other))[:SHOWN]) or "no column"
        raise DriveFileError(f"{path}: no signal of the configuration is in it by its name; it has: {held}")
    if columns.other:
        shown = ", ".join(columns.other[:SHOWN])
        more = f" and {len(columns.other) - SHOWN} more" if len(columns.other) > SHOWN else ""
        columns.notes.append(f"not taken, as the configuration has no such signal: {shown}{more}")
    lacking = [s.name for s in config.signals if not s.computed and s.name not in columns.signals]
    if lacking:
        columns.notes.append(f"not in the file, so unknown throughout: {', '.join(lacking)}")


def _states(values: Floats, told: npt.NDArray[np.int8] | None, low: float, high: float) -> npt.NDArray[np.int8]:
    """The quality of every value; what the file says goes, but a value must be believable."""
    state = np.zeros(len(values), dtype=np.int8) if told is None else told.copy()
    known = state <= Quality.SATURATED
    state[known & np.isnan(values)] = Quality.STALE
    known &= ~np.isnan(values)
    state[known & (values < low)] = Quality.BELOW_RANGE
    state[known & (values > high)] = Quality.ABOVE_RANGE
    state[known & np.isinf(values)] = Quality.UNDECODABLE
    return state


def _tunes(columns: Columns, config: Config) -> npt.NDArray[np.int16]:
    """The numbers of the tunes in the configuration; a name that it lacks is an unknown tune."""
    if columns.tune is None:
        return np.full(len(columns.t_ms), 0 if len(config.tunes) == 1 else NO_TUNE, dtype=np.int16)
    numbers = {name: i for i, name in enumerate(config.tunes)}
    table = np.array([*(numbers.get(name, NO_TUNE) for name in columns.tunes), NO_TUNE], dtype=np.int16)
    driven = {columns.tunes[i] for i in np.unique(columns.tune).tolist() if i >= 0}
    foreign = sorted(driven - set(config.tunes))
    if foreign:
        columns.notes.append(f"tunes that the configuration lacks, taken as unknown: {', '.join(foreign)}")
    return table[columns.tune]


def _events(columns: Columns, t_ms: npt.NDArray[np.int64]) -> tuple[Event, ...]:
    there = set(t_ms.tolist()) if columns.events else set()
    return tuple(e for e in columns.events if e.t_ms in there)
