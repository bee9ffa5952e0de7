"""The invented vehicle as a source: its readings at 50 Hz of the clock's time, its faults as qualities.

Theory of operation. Opening reads the scenario's file and builds the model; `read` first drives on to `start_s`, in
pieces so that nothing else waits, and from then on the model's time follows the clock: at each wake-up it is stepped
over every 20 ms that has passed. If the machine can't keep up with a fast clock, the vehicle's time is held back
(counted as `slips`) rather than the event loop. An open wire is delivered as such, a reading without contact
is not delivered at all and grows stale. A scenario that can't be read ends the source for good.
"""

from __future__ import annotations

import asyncio
import difflib
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Self

from uphaul.clock import Clock
from uphaul.config.scenario import load_scenario
from uphaul.config.spec import DemoSpec, Input
from uphaul.demo import CHANNELS, STEP_S, Model
from uphaul.errors import ConfigError, SourceError
from uphaul.signals import Quality, Sample
from uphaul.sources.base import Deliver, Source

__all__ = ["DemoSource"]

_QUALITY = {"open-circuit": Quality.OPEN_CIRCUIT}
_BATCH_STEPS = 25
_LATE_STEPS = 100


class DemoSource(Source):
    """Delivers the channels that `inputs` name in `field`: value = reading * factor + offset."""

    def __init__(
        self,
        spec: DemoSpec,
        inputs: Sequence[tuple[int, Input]],
        clock: Clock,
        *,
        directory: Path | None = None,
    ) -> None:
        super().__init__(spec.name)
        self._spec, self._clock, self._directory = spec, clock, directory
        self._inputs = [(column, i.field, i.factor, i.offset) for column, i in inputs]
        self._model: Model | None = None
        self.health.counters.update(steps=0, slips=0)

    async def __aenter__(self) -> Self:
        for _, name, _, _ in self._inputs:
            if name not in CHANNELS:
                near = difflib.get_close_matches(name, CHANNELS, 1)
                hint = f"; did you mean {near[0]!r}?" if near else ""
                raise SourceError(f"the demo vehicle has no channel {name!r}{hint}", retry=False)
        try:
            scenario = load_scenario(self._spec.scenario, self._directory)
        except ConfigError as error:
            raise SourceError(str(error), retry=False) from error
        self._model = Model(scenario, self._spec.seed)
        return self

    async def read(self, deliver: Deliver) -> None:
        assert self._model is not None, "read follows opening"
        model, step_ms = self._model, STEP_S * 1000.0
        at = math.ceil(self._spec.start_s / STEP_S)
        while model.t_s < (at - 0.5) * STEP_S:
            model.step(min(model.t_s + 50 * STEP_S, at * STEP_S))
            await asyncio.sleep(0)
        origin_ms = self._clock.now_ms() - at * step_ms
        while True:
            due = math.floor((self._clock.now_ms() - origin_ms) / step_ms)
            if due - at > _LATE_STEPS:
                late = due - at - _BATCH_STEPS
                origin_ms += late * step_ms
                due -= late
                self.health.counters["slips"] += late
            samples: list[Sample] = []
            for _ in range(min(due - at + 1, _BATCH_STEPS)):
                samples += self._step(model, at * STEP_S, origin_ms + at * step_ms)
                at += 1
            if samples:
                deliver(samples)
            await self._clock.sleep_until(origin_ms + at * step_ms)

    def _step(self, model: Model, t_s: float, t_ms: float) -> list[Sample]:
        readings, faulted = model.step(t_s), model.faulted
        self.health.counters["steps"] += 1
        if not faulted:
            return [Sample(c, t_ms, readings[name] * factor + offset) for c, name, factor, offset in self._inputs]
        samples = []
        for column, name, factor, offset in self._inputs:
            fault = faulted.get(name)
            if fault is None:
                samples.append(Sample(column, t_ms, readings[name] * factor + offset))
            elif fault in _QUALITY:
                samples.append(Sample(column, t_ms, math.nan, _QUALITY[fault]))
        return samples
