"""Each folder `obd_*` here is a case: signals.toml, what the vehicle answers, and the samples that come of it.

In vehicle.toml `answers` holds the bytes after the PID, false for no answer, `raw` whole lines of the adapter,
`delay_s` how long it takes for each. In expected.json `samples` holds, by signal, every different reading that comes,
none for a signal that nothing ever comes of, and `counted` what the counters must reach; all others stay at zero.
"""

from __future__ import annotations

import json
import math
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from support.collected import reading
from support.elm_peer import ElmPeer
from uphaul.clock import Clock
from uphaul.config import load_texts
from uphaul.config.spec import ObdSpec
from uphaul.sources.obd import ObdSource

HERE = Path(__file__).parent
CASES = sorted(path.parent.name for path in HERE.glob("obd_*/signals.toml"))
ROUNDS = 2
"""How often each signal that comes at all comes before its readings are looked at."""


@pytest.mark.parametrize("name", CASES)
@pytest.mark.asyncio
async def test_case(name: str, tmp_path: Path) -> None:
    case = HERE / name
    signals = (case / "signals.toml").read_text(encoding="utf-8")
    vehicle = tomllib.loads((case / "vehicle.toml").read_text(encoding="utf-8"))
    expected = json.loads((case / "expected.json").read_text(encoding="utf-8"))
    config = load_texts({"signals.toml": signals, "rules.toml": ""})
    answers = {int(pid, 16): data or None for pid, data in vehicle["answers"].items()}
    with ElmPeer(tmp_path / "adapter", answers, delay_s=vehicle.get("delay_s", 0.0)) as peer:
        for pid, text in vehicle.get("raw", {}).items():
            peer.say_raw(int(pid, 16), text)
        peer.settle()
        (spec,) = config.sources
        assert isinstance(spec, ObdSpec)
        source = ObdSource(replace(spec, port=str(peer.link)), list(enumerate(config.inputs)), Clock())
        names = [signal.name for signal in config.signals]
        coming = [i for i, each in enumerate(names) if expected["samples"][each]]
        async with reading(source) as (got, _):
            await got.until(lambda: all(len(got.values(i)) >= ROUNDS for i in coming), within_s=20)
        found = {each: set[tuple[float | None, str]]() for each in names}
        for s in got.samples:
            value = None if math.isnan(s.value) else round(s.value, 6)
            found[names[s.signal]].add((value, s.quality.words))
    assert found == {each: {(v, q) for v, q in readings} for each, readings in expected["samples"].items()}
    assert sorted(k for k, n in source.health.counters.items() if n) == sorted(expected["counted"])


def test_there_are_cases() -> None:
    assert len(CASES) >= 6
