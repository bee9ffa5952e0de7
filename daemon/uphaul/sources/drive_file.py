"""Plays a recorded drive, a log's or a CSV's, as if its sensors were there now."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path

from uphaul.clock import Clock
from uphaul.config.spec import DriveFileSpec, Input
from uphaul.errors import SourceError, UphaulError
from uphaul.log.drives import load_drive
from uphaul.signals import Block, Quality, Sample, index_of
from uphaul.sources.base import Deliver, Source

__all__ = ["DriveFileSource"]


class DriveFileSource(Source):
    """Delivers each tick of the drive when the clock gets there, counted from the opening; ends with the drive.

    `inputs` pairs a column of the collector with the input that names the drive's signal in `field`.
    """

    def __init__(self, spec: DriveFileSpec, inputs: Sequence[tuple[int, Input]], clock: Clock) -> None:
        super().__init__(spec.name)
        self._spec, self._inputs, self._clock = spec, tuple(inputs), clock
        self.health.counters["ticks"] = 0

    async def read(self, deliver: Deliver) -> None:
        try:
            blocks = await asyncio.to_thread(load_drive, Path(self._spec.path), self._spec.drive)
        except UphaulError as error:
            raise SourceError(str(error), retry=False) from error
        start = self._clock.now_ms() - int(blocks[0].t_ms[0]) if blocks else 0.0
        for block in blocks:
            await self._play(block, start, deliver)

    async def _play(self, block: Block, start: float, deliver: Deliver) -> None:
        column = index_of(block.signals)
        missing = [i.field for _, i in self._inputs if i.field not in column]
        if missing:
            raise SourceError(f"{self._spec.path}: the drive has no signal {missing[0]!r}", retry=False)
        inputs = [(to, column[i.field], i) for to, i in self._inputs]
        quality = [Quality.GOOD] * len(block.signals)
        changes = iter(block.quality)
        change = next(changes, None)
        for k, t in enumerate(block.t_ms.tolist()):
            while change is not None and change.t_ms <= t:
                quality[change.signal] = change.quality
                change = next(changes, None)
            await self._clock.sleep_until(start + t)
            row = block.values[k]
            deliver(
                [
                    Sample(to, start + t, float(row[at]) * i.factor + i.offset, quality[at])
                    for to, at, i in inputs
                    if row[at] == row[at] or quality[at] not in (Quality.GOOD, Quality.STALE)
                ]
            )
            self.health.counters["ticks"] += 1
