"""The demo source delivers the model's readings on the clock's time, with faults as qualities."""

from __future__ import annotations

import asyncio
import itertools
import math
from collections.abc import Callable, Sequence
from contextlib import suppress

import pytest

from uphaul.clock import Clock
from uphaul.config.scenario import load_scenario
from uphaul.config.spec import DemoSpec, Input
from uphaul.demo import Model
from uphaul.errors import SourceError
from uphaul.signals import Quality, Sample
from uphaul.sources.base import supervise
from uphaul.sources.demo import DemoSource

pytestmark = pytest.mark.asyncio

WITHIN_S = 20.0


class StoppedClock(Clock):
    """Time moves only by waiting."""

    def __init__(self) -> None:
        super().__init__()
        self.t_ms = 5000.0

    def now_ms(self) -> float:
        return self.t_ms

    async def sleep_until(self, t_ms: float) -> None:
        self.t_ms = max(self.t_ms, t_ms)
        await asyncio.sleep(0)


def source(
    scenario: str, *channels: str, clock: Clock | None = None, start_s: float = 0.0, **scale: float
) -> DemoSource:
    inputs = [(10 + i, Input(name, "demo", "", name, **scale)) for i, name in enumerate(channels)]
    return DemoSource(DemoSpec("demo", scenario, 3, start_s), inputs, clock or StoppedClock())


async def collect(demo: DemoSource, enough: Callable[[list[Sample]], bool]) -> list[Sample]:
    """What the source delivers until `enough` of it."""
    samples: list[Sample] = []
    done = asyncio.Event()

    def deliver(batch: Sequence[Sample]) -> None:
        samples.extend(batch)
        if enough(samples):
            done.set()

    async with asyncio.timeout(WITHIN_S), demo:
        task = asyncio.create_task(demo.read(deliver))
        waiting = asyncio.create_task(done.wait())
        await asyncio.wait({task, waiting}, return_when=asyncio.FIRST_COMPLETED)
        task.cancel()
        waiting.cancel()
        with suppress(asyncio.CancelledError):
            await task
    return samples


async def test_readings_come_every_20_ms_as_the_model_has_them() -> None:
    samples = await collect(source("climb-heat", "egt", "rpm"), lambda s: len(s) >= 200)
    model = Model(load_scenario("climb-heat"), 3)
    expected = [model.step(i * 0.02) for i in range(100)]
    assert [s.value for s in samples if s.signal == 10][:100] == [r["egt"] for r in expected]
    assert [s.value for s in samples if s.signal == 11][:100] == [r["rpm"] for r in expected]
    assert [s.t_ms for s in samples if s.signal == 10][:4] == pytest.approx([5000.0, 5020.0, 5040.0, 5060.0])
    assert {s.quality for s in samples} == {Quality.GOOD}


async def test_factor_and_offset_convert() -> None:
    samples = await collect(source("climb-heat", "egt", factor=1.8, offset=32.0), lambda s: len(s) >= 1)
    assert samples[0].value == Model(load_scenario("climb-heat"), 3).step(0.0)["egt"] * 1.8 + 32.0


async def test_start_s_begins_later_in_the_scenario() -> None:
    samples = await collect(source("climb-heat", "egt", start_s=120.0), lambda s: len(s) >= 5)
    assert samples[0].value == Model(load_scenario("climb-heat"), 3).step(120.0)["egt"]
    assert samples[0].t_ms == 5000.0


async def test_an_open_wire_is_told_as_such() -> None:
    samples = await collect(source("egt-open", "egt", "rpm", start_s=150.2), lambda s: len(s) >= 10)
    assert all(s.quality is Quality.OPEN_CIRCUIT and math.isnan(s.value) for s in samples if s.signal == 10)
    assert all(s.quality is Quality.GOOD for s in samples if s.signal == 11)


async def test_a_dropout_is_silence() -> None:
    samples = await collect(source("wiring", "coolant", "rpm", start_s=90.0), lambda s: len(s) >= 3000)
    coolant = [s for s in samples if s.signal == 10]
    rpm = [s for s in samples if s.signal == 11]
    assert 0.2 * len(rpm) < len(coolant) < 0.95 * len(rpm)
    assert all(s.quality is Quality.GOOD for s in samples)


async def test_a_fast_clock_is_followed_in_batches() -> None:
    clock = Clock(speed=20.0)
    samples = await collect(source("climb-heat", "egt", clock=clock), lambda s: len(s) >= 500)
    steps = [b.t_ms - a.t_ms for a, b in itertools.pairwise(samples)]
    assert min(steps) == pytest.approx(20.0, abs=0.01)


async def test_a_clock_that_cannot_be_followed_holds_the_vehicle_back() -> None:
    class Leaping(StoppedClock):
        """Each wait takes a minute longer than asked."""

        async def sleep_until(self, t_ms: float) -> None:
            await super().sleep_until(t_ms + 60_000.0)

    demo = source("climb-heat", "distance", clock=Leaping())
    samples = await collect(demo, lambda s: len(s) >= 100)
    assert demo.health.counters["slips"] > 1000
    assert samples[-1].value < 85 / 3.6 * 0.02 * (len(samples) + 50)  # no minute was driven in a leap


@pytest.mark.parametrize(
    ("demo", "told"),
    [
        (source("climb-hat", "egt"), "Did you mean 'climb-heat'"),
        (source("climb-heat", "egtt"), "no channel 'egtt'; did you mean 'egt'"),
    ],
)
async def test_what_cannot_be_had_ends_the_source_for_good(demo: DemoSource, told: str) -> None:
    with pytest.raises(SourceError, match=told) as caught:
        async with demo:
            pass
    assert not caught.value.retry
    await supervise(demo, lambda _: None)
    assert demo.health.state == "ended"
    assert told in demo.health.problem
