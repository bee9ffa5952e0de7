"""Tells the journal in one line each what changes in the health of the sources and of the log.

Theory of operation. `look` is called once a tick and compares with what it saw the time before. A source speaks when
it has to be opened again for another reason than last, when it has ended for good, and when it reads again; the log
when a notice is added, when recording stops, and when it goes on. A problem that only grows older says nothing new.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence

from uphaul.log.record import LogHealth
from uphaul.sources.base import Source

__all__ = ["Journal"]

_log = logging.getLogger("uphaul")


class Journal:
    """`look` at the daemon's `sources` and at the log's health as often as you like."""

    def __init__(self, sources: Sequence[Source]) -> None:
        self._sources = sources
        self._told = [""] * len(sources)
        self._notices = 0
        self._recording = True

    def look(self, log: LogHealth | None) -> None:
        """Tell what is new; `log` is None when nothing is logged at all."""
        for i, source in enumerate(self._sources):
            health = source.health
            if health.state == "waiting" and health.problem != self._told[i]:
                self._told[i] = health.problem
                _log.warning("%s: it is tried again", health.problem)
            elif health.state == "ended" and health.problem and health.problem != self._told[i]:
                self._told[i] = health.problem
                _log.error("%s: it is not tried again", health.problem)
            elif health.state == "running" and not health.problem and self._told[i]:
                self._told[i] = ""
                _log.warning("source %s reads again", source.name)
        if log is None:
            return
        for notice in log.notices[self._notices :]:
            _log.error("%s", notice)
        self._notices = max(self._notices, len(log.notices))
        recording = log.state == "ok"
        if recording != self._recording:
            self._recording = recording
            if recording:
                gone = f"; {log.lost_ticks} ticks are lost for good" if log.lost_ticks else ""
                _log.warning("the log is recorded again%s", gone)
            else:
                _log.error("%s", log.problem)
