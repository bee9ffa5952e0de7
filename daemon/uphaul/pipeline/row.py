"""Derive, judge and alerts in a row. Live, replay and desk all go through here, and none of the three knows which."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from uphaul.alerts import Carried, Notice, NoticeKind, Transition
from uphaul.alerts.lifecycle import Alert, LifeCycle
from uphaul.derive.deriver import Deriver
from uphaul.derive.spec import Computed
from uphaul.rules import Condition, Rule
from uphaul.rules.judge import Approach, Judge
from uphaul.signals import NO_TUNE, Block, Signal

__all__ = ["TUNE_UNKNOWN", "Outcome", "Row"]

TUNE_UNKNOWN = "tune unknown: the strictest limits apply"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a block, each in order of time."""

    conditions: list[Condition]
    transitions: list[Transition]
    notices: list[Notice]


class Row:
    """Takes the consecutive blocks of one drive.

    `computed` are the signals to be computed into the blocks' columns (none when the log brought them). Everything
    else is as in `Judge` and `LifeCycle`.
    """

    def __init__(
        self,
        signals: tuple[Signal, ...],
        rules: tuple[Rule, ...],
        tunes: tuple[str, ...] = (),
        *,
        computed: tuple[Computed, ...] = (),
        gap_ms: int = 1000,
        grid_ms: int = 1,
        carried: Sequence[Carried] = (),
        approaches: bool = False,
    ) -> None:
        self._deriver = Deriver(signals, computed, gap_ms=gap_ms) if computed else None
        self.judge = Judge(rules, signals, tunes, gap_ms=gap_ms, grid_ms=grid_ms, approaches=approaches)
        self.cycle = LifeCycle(rules, carried)
        self._tunes = tunes
        self._tune_unknown = False

    def run(self, block: Block) -> Outcome:
        """Judge the next block; its computed columns are filled in place."""
        if self._deriver is not None:
            self._deriver.run(block.t_ms, block.values)
        conditions = self.judge.run(block)
        transitions, notices = self.cycle.run(block.t_ms, block.tune, conditions, block.events)
        told = self._tune_notices(block)
        if told:
            notices = sorted(told + notices, key=lambda notice: notice.t_ms)
        return Outcome(conditions, transitions, notices)

    def _tune_notices(self, block: Block) -> list[Notice]:
        """Where the tune becomes unknown and known again; nothing in a vehicle without tunes."""
        if not self._tunes or not len(block):
            return []
        unknown = block.tune == NO_TUNE
        changes = np.flatnonzero(unknown != np.concatenate(([self._tune_unknown], unknown[:-1]))).tolist()
        self._tune_unknown = bool(unknown[-1])
        return [
            Notice(int(block.t_ms[i]), NoticeKind.TUNE_UNKNOWN, text=TUNE_UNKNOWN)
            if unknown[i]
            else Notice(int(block.t_ms[i]), NoticeKind.TUNE_KNOWN, text=f"tune {self._tunes[int(block.tune[i])]}")
            for i in changes
        ]

    @property
    def alerts(self) -> tuple[Alert, ...]:
        """Every alert as it stands."""
        return self.cycle.alerts

    @property
    def approaches(self) -> list[Approach | None]:
        """The closest approach of every rule, where asked for."""
        return self.judge.approaches or []
