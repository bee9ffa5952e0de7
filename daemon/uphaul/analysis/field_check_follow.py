"""Follows the field checks of a drive while it is driven, as a look at the logged drive would.

Theory of operation. There is no engine until somebody begins a check: then it is made, with the alerts that stand at
the beginning of that block, which is what an engine that had followed the drive from its first tick would have. From
there on the blocks go to the engine, until the drive is over.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from uphaul.alerts import Transition
from uphaul.alerts.lifecycle import Alert
from uphaul.analysis.field_check import FieldCheck, FieldCheckRun, News, Now
from uphaul.rules import Rule
from uphaul.signals import Block, EventKind, Signal
from uphaul.vehicle import Vehicle

if TYPE_CHECKING:
    from uphaul.analysis.field_check_engine import FieldCheckEngine

__all__ = ["CheckFollower"]

MOST_NEWS = 16
"""More than there is to say between two looks. Source: our own choice."""


class CheckFollower:
    """Of one drive: `before` each block is judged, `after` it is, and `end` when the drive is over.

    `news` are the last few things that there were to say, `said` how many there were in all.
    """

    def __init__(
        self,
        check: FieldCheck,
        signals: tuple[Signal, ...],
        tunes: tuple[str, ...],
        rules: Sequence[Rule],
        vehicle: Vehicle,
        *,
        gap_ms: int,
        grid_ms: int,
    ) -> None:
        self.check = check
        self.news: tuple[News, ...] = ()
        self.said = 0
        self._signals, self._tunes, self._rules, self._vehicle = signals, tunes, tuple(rules), vehicle
        self._gap_ms, self._grid_ms = gap_ms, grid_ms
        self._engine: FieldCheckEngine | None = None
        self._over = False

    def before(self, block: Block, alerts: Sequence[Alert]) -> None:
        """Have an engine where a check begins in the block; `alerts` as they stand before it is judged."""
        if self._over or self._engine is not None or not any(e.kind is EventKind.CHECK_BEGIN for e in block.events):
            return
        from uphaul.analysis.field_check_engine import FieldCheckEngine  # a drive without a check does without
        from uphaul.analysis.field_check_progress import STANDING

        standing = sorted((a for a in alerts if a.state in STANDING), key=lambda a: a.true_ms or 0)
        self._engine = FieldCheckEngine(
            self.check,
            self._signals,
            self._tunes,
            vehicle=self._vehicle,
            rules=self._rules,
            standing=[a.rule.name for a in standing],
            gap_ms=self._gap_ms,
            grid_ms=self._grid_ms,
        )

    def after(self, block: Block, transitions: Sequence[Transition]) -> list[News]:
        """Take the block, computed columns filled in, and the steps of alerts in it: what there is to say."""
        if self._engine is None or self._over:
            return []
        news = self._engine.run(block, transitions)
        if news:
            self.news, self.said = (*self.news, *news)[-MOST_NEWS:], self.said + len(news)
        return news

    def end(self) -> None:
        """The drive is over: so is a check that is under way; what comes after belongs to no check."""
        self._over = True
        if self._engine is not None:
            self._engine.end()

    @property
    def running(self) -> bool:
        """Whether a check is under way."""
        return self._engine is not None and self._engine.running

    @property
    def finished(self) -> int:
        """How many checks of the drive are over."""
        return 0 if self._engine is None else self._engine.finished

    @property
    def runs(self) -> tuple[FieldCheckRun, ...]:
        """All checks of the drive, the one under way, as far as it is, last."""
        return () if self._engine is None else self._engine.runs

    def now(self) -> Now | None:
        """Where the check under way stands; None when there is none."""
        return None if self._engine is None else self._engine.now()
