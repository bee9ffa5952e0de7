"""The journal gets one line for each change of health, and none for what only goes on."""

from __future__ import annotations

import logging

import pytest

from uphaul.journal import Journal
from uphaul.log import LogHealth
from uphaul.sources.base import Deliver, Source

WELL = LogHealth("ok", "", (), 0, 0, 900.0, 0.0, 1, 0)


class Bus(Source):
    """A source of which only the health is looked at."""

    async def read(self, deliver: Deliver) -> None:
        raise AssertionError("nobody reads here")


def test_a_source_speaks_when_it_fails_and_when_it_reads_again(caplog: pytest.LogCaptureFixture) -> None:
    bus = Bus("bus")
    journal = Journal([bus])
    steps = [
        ("starting", ""),
        ("waiting", "CAN bus: can0 cannot be opened"),
        ("waiting", "CAN bus: can0 cannot be opened"),
        ("running", "no frame yet"),  # open, but not heard yet
        ("waiting", "CAN bus: can0 cannot be opened"),
        ("waiting", "CAN bus: no frame for 2 s"),
        ("running", ""),
        ("running", ""),
        ("ended", "CAN bus: no such interface"),
        ("ended", "CAN bus: no such interface"),
    ]
    for bus.health.state, bus.health.problem in steps:
        journal.look(WELL)
    assert [(r.levelno, r.message) for r in caplog.records] == [
        (logging.WARNING, "CAN bus: can0 cannot be opened: it is tried again"),
        (logging.WARNING, "CAN bus: no frame for 2 s: it is tried again"),
        (logging.WARNING, "source bus reads again"),
        (logging.ERROR, "CAN bus: no such interface: it is not tried again"),
    ]


def test_a_source_that_ends_by_itself_says_nothing(caplog: pytest.LogCaptureFixture) -> None:
    bus = Bus("file")
    bus.health.state = "ended"
    Journal([bus]).look(None)
    assert caplog.records == []


def test_the_log_speaks_when_it_stops_and_when_it_goes_on(caplog: pytest.LogCaptureFixture) -> None:
    journal = Journal([])
    for stalled_s in range(3):  # the words change each second, the matter does not
        problem = f"the card has been keeping a commit for {6 + stalled_s} s"
        journal.look(LogHealth("degraded", problem, (), 0, 9, None, 6.0 + stalled_s, 1, 0))
    journal.look(LogHealth("ok", "", ("set aside",), 0, 0, None, 0.0, 1, 0))
    journal.look(LogHealth("ok", "", ("set aside", "again"), 0, 0, None, 0.0, 1, 0))
    journal.look(LogHealth("degraded", "no room", ("set aside", "again"), 12, 9, None, 0.0, 1, 0))
    journal.look(LogHealth("ok", "", ("set aside", "again"), 30, 0, None, 0.0, 1, 0))
    assert [r.message for r in caplog.records] == [
        "the card has been keeping a commit for 6 s",
        "set aside",
        "the log is recorded again",
        "again",
        "no room",
        "the log is recorded again; 30 ticks are lost for good",
    ]
