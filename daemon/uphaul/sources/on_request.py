"""What every input of a running daemon reads, for as long as somebody asks: nothing is kept for nobody.

Theory of operation. There is no `Watch` until `rows` is asked; then one is made on the daemon's own sources, and it is
told what they deliver, which passes through `take`. Each request puts off its end; `QUIET_S` after the last, it is let
go of and the sources keep no raw readings any more. Everything runs on the event loop.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import TYPE_CHECKING

from uphaul.clock import Clock
from uphaul.config.spec import Config
from uphaul.signals import Sample
from uphaul.sources.base import Source

if TYPE_CHECKING:
    from uphaul.sources.watch import InputRow, Watch

__all__ = ["QUIET_S", "OnRequest"]

QUIET_S = 60.0
"""A phone that sleeps, or a page that was left, asks no more; one that is looked at asks every second."""


class OnRequest:
    """The inputs of `sources`, which somebody else reads; they are those of `config`."""

    def __init__(self, config: Config, clock: Clock, sources: Sequence[Source], *, quiet_s: float = QUIET_S) -> None:
        self._config, self._clock, self._sources, self._quiet_s = config, clock, sources, quiet_s
        self._watch: Watch | None = None
        self._end: asyncio.TimerHandle | None = None

    def take(self, samples: Sequence[Sample]) -> None:
        """See what a source has just delivered."""
        if self._watch is not None:
            self._watch.take(samples)

    def rows(self) -> tuple[InputRow, ...]:
        """Every input as it is now; the first time without a reading yet."""
        if self._watch is None:
            from uphaul.sources.watch import Watch  # nobody else in a daemon needs it

            self._watch = Watch(self._config, self._clock, sources=self._sources)
            for source in self._sources:
                source.lend_readings(True)
        if self._end is not None:
            self._end.cancel()
        self._end = asyncio.get_running_loop().call_later(self._quiet_s, self._let_go)
        return self._watch.rows()

    def _let_go(self) -> None:
        self._watch = self._end = None
        for source in self._sources:
            source.lend_readings(False)
