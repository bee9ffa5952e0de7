"""One recorded drive, whether a log or a CSV holds it: its parts, ready to be judged or played."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np

from uphaul.errors import DriveFileError, LogError
from uphaul.log.csv_drive import read_csv
from uphaul.log.info import SegmentInfo
from uphaul.log.reader import Log
from uphaul.signals import Block, Signal

__all__ = ["Blocks", "Part", "csv_part", "is_log", "load_drive", "log_parts", "pick_drive", "with_columns"]


class Blocks(Protocol):
    """Gives ticks in order, those from `start_ms` on at least, about `rows` a block where they are read piecemeal."""

    def __call__(self, start_ms: int | None = None, rows: int = 65_536, /) -> Iterator[Block]: ...


@dataclass(frozen=True, slots=True)
class Part:
    """A segment of a log, or a whole CSV.

    `blocks` gives its ticks in order. `files` is the configuration that judged it, empty for a CSV; `initial_state` is
    what its alerts began with, as the daemon wrote it. `grid_ms` divides every tick time.
    """

    signals: tuple[Signal, ...]
    tunes: tuple[str, ...]
    gap_ms: int
    grid_ms: int
    blocks: Blocks
    ticks_ms: tuple[int, int]
    files: tuple[tuple[str, str], ...] = ()
    initial_state: str = ""


def is_log(path: Path) -> bool:
    """True when the file looks like a log rather than a CSV. Raises DriveFileError when it cannot be read."""
    try:
        with path.open("rb") as file:
            head = file.read(16)
    except OSError as error:
        raise DriveFileError(f"{path}: {error.strerror or error}") from error
    return b"\0" in head or path.suffix.lower() in {".db", ".sqlite"}


def pick_drive(log: Log, drive: int | None) -> int:
    """The number of the drive, the last one for None. Raises LogError when there is none."""
    if drive is not None:
        log.segments(drive)
        return drive
    drives = log.drives()
    if not drives:
        raise LogError(f"{log.path}: the log has no drive yet{log.copied}")
    return drives[-1].id


def log_parts(log: Log, drive: int, only: Collection[str] | None = None) -> list[Part]:
    """The parts of a drive that hold ticks, in order; `log` must stay open while they are read.

    With `only` they have the signals of these names alone.
    """

    def part(info: SegmentInfo, first: int, last: int) -> Part:
        return Part(
            signals=tuple(s for s in info.signals if only is None or s.name in only),
            tunes=info.tunes,
            gap_ms=info.gap_ms,
            grid_ms=1000 // info.tick_hz,
            blocks=lambda start_ms=None, rows=65_536: log.blocks(info.id, rows, start_ms=start_ms, only=only),
            ticks_ms=(first, last),
            files=tuple(log.config(info.id).items()),
            initial_state=info.initial_state,
        )

    return [
        part(s, s.first_t_ms, s.last_t_ms)
        for s in log.segments(drive)
        if s.first_t_ms is not None and s.last_t_ms is not None
    ]


def csv_part(
    path: Path,
    signals: Sequence[Signal] = (),
    tunes: Sequence[str] = (),
    *,
    gap_ms: int = 1000,
    progress: Callable[[int], None] | None = None,
) -> Part:
    """A CSV as one part. Raises DriveFileError."""
    block, names = read_csv(path, signals, tunes, progress=progress)
    ends = int(block.t_ms[0]), int(block.t_ms[-1])
    return Part(block.signals, names, gap_ms, 1, lambda start_ms=None, rows=0: iter([block]), ends)


def with_columns(part: Part, more: Sequence[Signal]) -> tuple[Part, tuple[Signal, ...]]:
    """The part with further columns, unknown throughout, and those of `more` that it did not have."""
    here = {s.name for s in part.signals}
    added = tuple(s for s in more if s.name not in here)
    if not added:
        return part, added
    signals = (*part.signals, *added)

    def blocks(start_ms: int | None = None, rows: int = 65_536, /) -> Iterator[Block]:
        for b in part.blocks(start_ms, rows):
            blank = np.full((len(b), len(added)), np.nan)
            yield replace(b, signals=signals, values=np.hstack((b.values, blank)))

    return replace(part, signals=signals, blocks=blocks), added


def load_drive(path: Path, drive: int | None) -> list[Block]:
    """All blocks of a drive in memory. Raises LogError or DriveFileError."""
    if not is_log(path):
        return list(csv_part(path).blocks())
    with Log.open(path) as log:
        return [block for part in log_parts(log, pick_drive(log, drive)) for block in part.blocks()]
