"""A recorded drive in memory for the analysis: its parts joined, their tunes under one numbering."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from uphaul.analysis.whole import WholeDrive, join
from uphaul.errors import LogError
from uphaul.log.drives import Part
from uphaul.signals import NO_TUNE, Block

__all__ = ["joined"]


def joined(parts: Sequence[Part], label: str = "the drive") -> WholeDrive:
    """All ticks of a drive. Raises LogError when it has none, or when a signal's unit changed on the way."""
    tunes = tuple(dict.fromkeys(name for part in parts for name in part.tunes))

    def blocks() -> Iterator[Block]:
        for part in parts:
            number = np.array([*(tunes.index(name) for name in part.tunes), NO_TUNE], dtype=np.int16)
            for block in part.blocks():
                yield replace(block, tune=number[block.tune])  # the unknown, -1, is the last

    try:
        return join(blocks(), tunes, gap_ms=max((part.gap_ms for part in parts), default=1000))
    except ValueError as error:
        raise LogError(f"{label}: {error}") from error
