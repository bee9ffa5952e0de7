"""Each folder `gps_*` here is a case: signals.toml, the lines that gpsd sends, and the samples and counters expected.

In `gpsd.txt` a line ``---`` is gpsd hanging up; a backslash at a line's end leaves the line without an end.
Sample times are those of receiving, so the cases leave them out. Values are in the signals' units.
"""

from __future__ import annotations

import asyncio
import json
import math
from contextlib import suppress
from pathlib import Path

import pytest

from support.collected import Collected
from support.gps_peers import GpsdPeer
from uphaul.clock import Clock
from uphaul.config import load_texts
from uphaul.config.spec import GpsSpec
from uphaul.sources.base import supervise
from uphaul.sources.gps import GpsSource

HERE = Path(__file__).parent
CASES = sorted(path.parent.name for path in HERE.glob("gps_*/signals.toml"))


@pytest.mark.parametrize("name", CASES)
@pytest.mark.asyncio
async def test_case(name: str) -> None:
    case = HERE / name
    said = (case / "gpsd.txt").read_text(encoding="utf-8").replace("\\\n", "")
    expected = json.loads((case / "expected.json").read_text(encoding="utf-8"))
    peer = GpsdPeer([part.encode() for part in said.split("---\n")], piecewise=name == "gps_slow")
    text = (case / "signals.toml").read_text(encoding="utf-8").replace("PORT", str(peer.port))
    config = load_texts({"signals.toml": text, "rules.toml": ""})
    (spec,) = config.sources
    assert isinstance(spec, GpsSpec)
    source, got = GpsSource(spec, list(enumerate(config.inputs)), clock := Clock()), Collected()
    before = clock.now_ms()
    async with peer:
        task = asyncio.create_task(supervise(source, got, first_delay_s=0.0, longest_delay_s=0.001))
        try:
            await got.until(lambda: len(got.samples) >= len(expected["samples"]))
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task
    samples = [
        [config.signals[s.signal].name, None if math.isnan(s.value) else round(s.value, 6), s.quality.words]
        for s in got.samples
    ]
    assert samples == expected["samples"]
    assert all(before <= s.t_ms <= clock.now_ms() for s in got.samples)
    assert source.health.counters == expected["counters"]
    assert [(anchor.utc.isoformat(timespec="milliseconds"), anchor.source) for anchor in source.anchors] == [
        (utc, "gps") for utc in expected["anchors"]
    ]
    assert all(ask.startswith("?WATCH={") and ask.endswith("};\n") for ask in peer.asked)


def test_there_are_cases() -> None:
    assert len(CASES) >= 8
