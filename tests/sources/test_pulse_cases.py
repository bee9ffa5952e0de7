"""Each folder `pulse_*` here is a case: signals.toml, what the engine does, and what the source must make of it.

`engine.toml`: `turning` has [from_s, to_s, rpm] of the engine and `stray` the times of stray edges; `there` has the
[from_s, to_s] in which the chip or counter is there; `late_ms` is how late the program comes to each round. A counter
has its files as the kernel shows them, wraps at `modulus` and shows `garbage` instead of its count in [from_s, to_s].
`expected.toml`: all samples with a time in [from_s, to_s] have this quality and, if good, this rpm within 0.2 %
(of a counter: within `within_rpm`); `samples` is how many at least. Counters have exactly these values, 0 where
none is given; those in `at_least` have that or more.
"""

from __future__ import annotations

import asyncio
import math
import tomllib
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from support.collected import WITHIN_S, Collected
from support.gpio_line import GpioLine
from support.pulse_train import at_speed
from support.stepped_clock import SteppedClock
from uphaul.config import load_texts
from uphaul.config.spec import Config, PulseSpec
from uphaul.errors import SourceError
from uphaul.sources.base import supervise
from uphaul.sources.pulse import PulseSource

HERE = Path(__file__).parent
CASES = sorted(path.parent.name for path in HERE.glob("pulse_*/signals.toml"))
RETRY_MS = 100.0
"""So much time passes at each attempt to open."""


def read(case: Path, name: str) -> dict[str, Any]:
    return tomllib.loads((case / name).read_text(encoding="utf-8"))


def config_of(case: Path, folder: Path) -> Config:
    text = (case / "signals.toml").read_text(encoding="utf-8").replace("FOLDER", str(folder))
    return load_texts({"signals.toml": text, "rules.toml": ""})


class Engine:
    """What is at the other end of the source: edges by time, and whether chip or counter is there."""

    def __init__(self, case: Path, spec: PulseSpec, folder: Path) -> None:
        said = read(case, "engine.toml")
        self.end_ms = said["end_s"] * 1000.0
        self.late_ms = said.get("late_ms", 0.0)
        self._there: list[list[float]] = said.get("there", [[0.0, math.inf]])
        self._garbage: list[list[float]] = said.get("garbage", [])
        self._modulus: int = said.get("modulus", 0)
        self._begins_at: int = said.get("begins_at", 0)
        wheel = spec.wheel
        self.edges = [round(t * 1e9) for t in said.get("stray", [])]
        for begin_s, end_s, rpm in said.get("turning", []):
            self.edges += at_speed(
                rpm,
                end_s - begin_s,
                per_turn=wheel.speed.pulses_per_turn,
                missing=wheel.missing,
                teeth=wheel.teeth,
                begin_ns=round(begin_s * 1e9),
            )
        self.edges.sort()
        self._count_folder = folder / "counter3" / "count0" if spec.counter else None
        self.clock = SteppedClock(self.end_ms, late_ms=self.late_ms, moved=self.show_count)
        self.lines: list[GpioLine] = []
        self.show_count()

    def within(self, spans: list[list[float]]) -> bool:
        return any(begin <= self.clock.t_ms / 1000.0 < end for begin, end in spans)

    def open_line(self, spec: PulseSpec) -> GpioLine:
        if not self.within(self._there):
            self.clock.move(self.clock.t_ms + RETRY_MS)
            raise SourceError(f"pulses {spec.name}: no chip")
        line = GpioLine(self.edges, self.clock.now_ns, lambda: self.within(self._there))
        self.lines.append(line)
        return line

    def now_ns(self) -> int:
        return self.clock.now_ns()

    def show_count(self) -> None:
        """The counter's files as they are now; nobody reads them while they are written."""
        folder = self._count_folder
        if folder is None:
            return
        device = folder.parent
        if not self.within(self._there):
            for file in (*folder.glob("*"), *device.glob("name")):
                file.unlink()
            for each in (folder, device):
                if each.exists():
                    each.rmdir()
            return
        folder.mkdir(parents=True, exist_ok=True)
        passed = sum(t <= self.clock.now_ns() for t in self.edges)
        count = str((self._begins_at + passed) % self._modulus)
        files = {"count": "nonsense" if self.within(self._garbage) else count}
        files |= {"ceiling": str(self._modulus - 1), "enable": "1"}
        (device / "name").write_text("invented-counter\n", encoding="ascii")
        for name, text in files.items():
            (folder / name).write_text(f"{text}\n", encoding="ascii")


class Retrying(PulseSource):
    """Lets the stepped clock go on while nothing can be opened."""

    engine: Engine

    async def __aenter__(self) -> Retrying:
        try:
            await super().__aenter__()
        except SourceError:
            if self._spec.counter:
                self.engine.clock.move(self.engine.clock.t_ms + RETRY_MS)
            raise
        return self


@pytest.mark.parametrize("name", CASES)
@pytest.mark.asyncio
async def test_case(name: str, tmp_path: Path) -> None:
    case = HERE / name
    config = config_of(case, tmp_path)
    (spec,) = config.sources
    assert isinstance(spec, PulseSpec)
    engine = Engine(case, spec, tmp_path)
    source = Retrying(
        spec, list(enumerate(config.inputs)), engine.clock, open_line=engine.open_line, monotonic_ns=engine.now_ns
    )
    source.engine = engine
    got = Collected()
    task = asyncio.create_task(supervise(source, got, first_delay_s=0.0, longest_delay_s=0.001))
    async with asyncio.timeout(WITHIN_S):
        await engine.clock.ended.wait()
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
    expected = read(case, "expected.toml")
    for span in expected["span"]:
        begin_ms, end_ms = span["from_s"] * 1000, span["to_s"] * 1000
        samples = [s for s in got.samples if begin_ms <= s.t_ms <= end_ms]
        assert len(samples) >= span["samples"] and bool(samples) is bool(span["samples"]), span
        if samples:
            assert {s.quality.words for s in samples} == {span["quality"]}, span
        if "rpm" in span:
            allowed = span.get("within_rpm", 0.002 * span["rpm"])
            assert [s.value for s in samples] == pytest.approx([span["rpm"]] * len(samples), abs=allowed), span
    least = {"edges": 1} | expected.get("at_least", {})
    assert all(source.health.counters[k] >= v for k, v in least.items())
    counters = {k: v for k, v in source.health.counters.items() if k not in least}
    none = {k: 0 for k in ("glitches", "restarts", "dropped", "garbage") if k not in least}
    assert counters == none | expected.get("counters", {})
    assert source.health.restarts >= expected.get("reopened", 0)
    assert bool(source.health.restarts) is bool(expected.get("reopened", 0))
    assert all(line.released for line in engine.lines)


def test_there_are_cases() -> None:
    assert len(CASES) >= 8
