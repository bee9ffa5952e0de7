"""Each folder `adc_*` here is a case: signals.toml, and in steps.toml what happens to the converters and comes of it.

A step plugs a device in, unplugs it, or changes its files (`refuse`: files that can't be read any more), and then says
what is expected: `comes`, the last value and quality of signals once the change is through, or `fails`, words of
the error with which the source ends until it is opened again. Nothing but what some step expects may ever come.
`counted` are the counters that are not zero at the end, rounds aside.
"""

from __future__ import annotations

import asyncio
import math
import tomllib
from contextlib import AsyncExitStack, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from support.collected import WITHIN_S, Collected
from support.iio_folder import REFUSES, IioFolder
from uphaul.clock import Clock
from uphaul.config import load_texts
from uphaul.config.spec import AdcSpec
from uphaul.errors import SourceError
from uphaul.sources.adc import AdcSource

HERE = Path(__file__).parent
CASES = sorted(path.parent.name for path in HERE.glob("adc_*/signals.toml"))


class Runner:
    """One case: the folder, the source on it, and what has come so far."""

    def __init__(self, case: Path, scratch: Path) -> None:
        config = load_texts({"signals.toml": (case / "signals.toml").read_text(encoding="utf-8"), "rules.toml": ""})
        (spec,) = config.sources
        assert isinstance(spec, AdcSpec)
        self.iio = IioFolder(scratch)
        self.names = [s.name for s in config.signals]
        column = {name: i for i, name in enumerate(self.names)}
        inputs = [(column[i.signal], i) for i in config.inputs]
        self.source = AdcSource(replace(spec, folder=str(self.iio.folder)), inputs, Clock())
        self.got = Collected()
        self.stack = AsyncExitStack()
        self.task: asyncio.Task[None] | None = None

    def change(self, step: dict[str, Any]) -> None:
        for each in step.get("unplug", []):
            self.iio.unplug(each)
        for at, files in step.get("plug", {}).items():
            self.iio.plug(at, files.pop("number"), files)
        for at, files in step.get("set", {}).items():
            for name, text in files.items():
                self.iio.set(at, name, text)
        for at, names in step.get("refuse", {}).items():
            for name in names:
                self.iio.set(at, name, REFUSES)

    async def open(self) -> None:
        if self.task is None:
            await self.stack.enter_async_context(self.source)
            self.task = asyncio.create_task(self.source.read(self.got))

    async def close(self) -> None:
        task, self.task = self.task, None
        if task is not None:
            task.cancel()
            with suppress(asyncio.CancelledError, SourceError):
                await task
        await self.stack.aclose()

    def last(self) -> dict[str, list[object]]:
        return {self.names[s.signal]: self.shown(s.value, s.quality.words) for s in self.got.samples}

    @staticmethod
    def shown(value: float, words: str) -> list[object]:
        return ["unknown" if math.isnan(value) else round(value, 2), words]

    async def step(self, step: dict[str, Any]) -> None:
        self.change(step)
        if "fails" in step:
            with pytest.raises(SourceError, match=step["fails"]):
                await self.open()
                assert self.task is not None
                await asyncio.wait_for(self.task, WITHIN_S)
            await self.close()
            return
        await self.open()
        wanted = step["comes"]
        try:
            await self.got.until(lambda: {k: v for k, v in self.last().items() if k in wanted} == wanted)
        except TimeoutError:
            assert self.last() == wanted


@pytest.mark.parametrize("name", CASES)
@pytest.mark.asyncio
async def test_case(name: str, tmp_path: Path) -> None:
    steps = tomllib.loads((HERE / name / "steps.toml").read_text(encoding="utf-8"))
    runner = Runner(HERE / name, tmp_path)
    try:
        for step in steps["step"]:
            await runner.step(step)
    finally:
        await runner.close()
    expected = {(k, *v) for step in steps["step"] for k, v in step.get("comes", {}).items()}
    came = {(runner.names[s.signal], *runner.shown(s.value, s.quality.words)) for s in runner.got.samples}
    assert came == expected
    counted = {key for key, n in runner.source.health.counters.items() if n}
    assert counted - {"rounds", "late"} == set(steps["counted"])


def test_there_are_cases() -> None:
    assert len(CASES) >= 6
