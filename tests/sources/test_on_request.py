"""What every input of a daemon reads is kept only while somebody asks for it."""

from __future__ import annotations

import asyncio

import pytest

from support.collected import WITHIN_S
from uphaul.clock import Clock
from uphaul.config import load_texts
from uphaul.signals import Sample
from uphaul.sources.base import Deliver, Source
from uphaul.sources.on_request import OnRequest

SIGNALS = """
[source.demo]
kind = "demo"
scenario = "demo"
[signal.coolant]
unit = "degC"
range = [-40, 130]
from = { source = "demo", channel = "coolant" }
"""
CONFIG = load_texts({"signals.toml": SIGNALS, "rules.toml": ""})


class Lender(Source):
    """A source that notes whether it was asked for its readings; the daemon that reads it is the test."""

    def __init__(self) -> None:
        super().__init__("demo")
        self.asked: list[bool] = []
        self.taken_back = asyncio.Event()

    def lend_readings(self, wanted: bool) -> None:
        self.asked.append(wanted)
        if not wanted:
            self.taken_back.set()

    async def read(self, deliver: Deliver) -> None:
        raise NotImplementedError


@pytest.mark.asyncio
async def test_the_first_request_begins_to_keep_and_the_next_tells() -> None:
    clock, lender = Clock(), Lender()
    inputs = OnRequest(CONFIG, clock, [lender])
    inputs.take([Sample(0, clock.now_ms(), 80.0)])  # nobody has asked
    assert lender.asked == []
    (row,) = inputs.rows()
    assert (row.signal, row.value, row.quality, row.readings) == ("coolant", None, "no reading yet", 0)
    inputs.take([Sample(0, clock.now_ms(), 81.0)])
    (row,) = inputs.rows()
    assert (row.value, row.quality, row.readings) == (81.0, "good", 1)
    assert lender.asked == [True]


@pytest.mark.asyncio
async def test_when_nobody_asks_any_more_nothing_is_kept_and_a_new_request_begins_anew() -> None:
    clock, lender = Clock(), Lender()
    inputs = OnRequest(CONFIG, clock, [lender], quiet_s=0.05)
    inputs.rows()
    inputs.take([Sample(0, clock.now_ms(), 81.0)])
    async with asyncio.timeout(WITHIN_S):
        await lender.taken_back.wait()
    inputs.take([Sample(0, clock.now_ms(), 82.0)])
    (row,) = inputs.rows()
    assert (row.value, row.readings) == (None, 0)
    assert lender.asked == [True, False, True]


@pytest.mark.asyncio
async def test_each_request_puts_the_end_off() -> None:
    lender = Lender()
    inputs = OnRequest(CONFIG, Clock(), [lender])
    inputs.rows()
    first = inputs._end
    inputs.rows()
    second = inputs._end
    assert first is not None
    assert second is not None
    assert (first.cancelled(), second.cancelled()) == (True, False)
    assert second.when() > first.when()
    assert lender.asked == [True]
