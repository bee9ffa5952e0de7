"""Judges a recorded drive from end to end."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from uphaul.alerts import Notice, Transition
from uphaul.pipeline.row import Row
from uphaul.rules import Condition
from uphaul.signals import Block

__all__ = ["Judged", "rejudge"]


@dataclass(slots=True)
class Judged:
    """All that a row said of a drive. `first_ms` and `last_ms` are its ends, None of an empty one."""

    conditions: list[Condition] = field(default_factory=list)
    transitions: list[Transition] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    ticks: int = 0
    first_ms: int | None = None
    last_ms: int | None = None


def rejudge(row: Row, blocks: Iterable[Block]) -> Judged:
    """Run the blocks of one drive through a fresh `row`."""
    out = Judged()
    for block in blocks:
        if not len(block):
            continue
        outcome = row.run(block)
        out.conditions += outcome.conditions
        out.transitions += outcome.transitions
        out.notices += outcome.notices
        out.ticks += len(block)
        out.first_ms = int(block.t_ms[0]) if out.first_ms is None else out.first_ms
        out.last_ms = int(block.t_ms[-1])
    return out
