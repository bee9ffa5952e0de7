"""Takes a drive from elsewhere through the row that judges all drives, and enters it into a log."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

import uphaul
from uphaul.config.spec import Config
from uphaul.derive import Computed
from uphaul.errors import DriveFileError
from uphaul.log.entry import DriveEntry
from uphaul.log.record import Begin, TickRecord
from uphaul.pipeline import Outcome, Row
from uphaul.signals import Block, Event, EventKind

__all__ = ["IMPORTED", "Entered", "Origin", "enter_drive"]

IMPORTED = "import"
"""In the place of a boot id: the drive was imported, and whose remark at its first tick says from what."""

_NO_TICK = "no tick came of it, so nothing was imported"


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a drive comes from. `begun` is the wall clock at its t = 0, None where the file does not tell."""

    name: str
    sha256: str
    size: int
    imported: datetime
    begun: Callable[[], datetime | None]

    def remark(self) -> str:
        """The drive's mark of being imported, in words."""
        when = self.imported.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        return f"imported on {when} from {self.name} ({self.size} bytes, SHA-256 {self.sha256})"


@dataclass(slots=True)
class Entered:
    """A drive that is in the log now. `raised` counts how often a rule's condition was."""

    number: int = 0
    ticks: int = 0
    first_ms: int = 0
    last_ms: int = 0
    raised: int = 0


def enter_drive(
    log: Path,
    config: Config,
    blocks: Iterable[Block],
    origin: Origin,
    *,
    computed: tuple[Computed, ...] | None = None,
    tick_hz: int | None = None,
    tune: int | None = None,
    remarks: Callable[[], Iterable[str]] = tuple,
) -> Entered:
    """Judge the drive by the configuration and enter it, all or nothing.

    `computed` are the signals to compute, all by default. `tick_hz` divides 1000 and every tick lies on its grid.
    `tune` is the tune of the whole drive where a person names it. `remarks`, asked at the end, become remarks at its
    last tick. Raises LogError, and what `blocks` raises.
    """
    hz = tick_hz or config.tick_hz
    row = Row(
        config.signals,
        config.rules,
        config.tunes,
        computed=config.computed if computed is None else computed,
        gap_ms=config.gap_ms,
        grid_ms=1000 // hz,
    )
    found = iter(blocks)
    first = next((b for b in found if len(b)), None)
    if first is None:
        raise DriveFileError(f"{origin.name}: {_NO_TICK}")
    begun = origin.begun()
    wall = None if begun is None else begun.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    out = Entered(first_ms=int(first.t_ms[0]))
    with DriveEntry(log, _begin(config, hz, wall)) as drive:
        if wall is not None:
            drive.anchor(0, wall, IMPORTED)
        held = _marked(first, origin.remark())
        for block in found:
            if len(block):
                _enter(drive, row, held, tune, out)
                held = block
        last = int(held.t_ms[-1])
        told = sum(e.t_ms == last for e in held.events)
        more = tuple(Event(last, told + i, EventKind.REMARK, actor=IMPORTED, text=t) for i, t in enumerate(remarks()))
        _enter(drive, row, replace(held, events=(*held.events, *more)), tune, out)
        out.number = drive.number
    return out


def _begin(config: Config, hz: int, wall: str | None) -> Begin:
    return Begin(
        drive=0,  # told by the log
        resume=False,
        boot_id=IMPORTED,
        began_boot_ms=0,
        continues=None,
        wall=wall,
        initial_state="[]",
        files=config.files,
        signals=config.signals,
        tunes=config.tunes,
        rules=tuple(r.name for r in config.rules),
        tick_hz=hz,
        gap_ms=config.gap_ms,
        software=uphaul.__version__,
        judge_version="1",
    )


def _marked(block: Block, remark: str) -> Block:
    """The drive's first block with its mark before all other events of the first tick."""
    at = int(block.t_ms[0])
    mark = Event(at, 0, EventKind.REMARK, actor=IMPORTED, text=remark)
    moved = tuple(replace(e, seq=e.seq + 1) if e.t_ms == at else e for e in block.events)
    return replace(block, events=(mark, *moved))


def _enter(drive: DriveEntry, row: Row, block: Block, tune: int | None, out: Entered) -> None:
    if tune is not None:
        block = replace(block, tune=np.full(len(block), tune, dtype=np.int16))
    outcome = row.run(block)
    drive.write(block, _records(block, outcome))
    out.ticks += len(block)
    out.last_ms = int(block.t_ms[-1])
    out.raised += sum(c.active for c in outcome.conditions)


def _records(block: Block, outcome: Outcome) -> Iterator[TickRecord]:
    """What happened besides the values, one record a tick at which anything did."""
    at: dict[int, tuple[list[Any], ...]] = {}
    things: tuple[Sequence[Any], ...] = (
        block.quality,
        outcome.conditions,
        outcome.transitions,
        outcome.notices,
        block.events,
    )
    for kind, items in enumerate(things):
        for item in items:
            at.setdefault(item.t_ms, ([], [], [], [], []))[kind].append(item)
    for t_ms in sorted(at):
        yield TickRecord(t_ms, 0, None, *at[t_ms])
