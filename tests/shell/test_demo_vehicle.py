"""The demo vehicle as a process of its own on a serial CAN adapter, read by the daemon's own CAN source."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import pytest

from uphaul.clock import Clock
from uphaul.config.spec import CanSpec, Input
from uphaul.signals import Quality, Sample
from uphaul.sources.can import CanSource

DBC = Path(__file__).resolve().parents[2] / "config" / "vehicle.dbc"
WITHIN_S = 20.0


@pytest.mark.asyncio
async def test_a_second_process_is_the_vehicle(tmp_path: Path) -> None:
    link = tmp_path / "adapter"
    spec = CanSpec(
        "bus",
        "slcan",
        str(link),
        500_000,
        ((DBC.name, DBC.read_text(encoding="utf-8")),),
        options=(("sleep_after_open", 0),),
    )
    inputs = [
        (0, Input("egt", "bus", "EngineBox", "Egt1")),
        (1, Input("ambient", "bus", "ChargeAir", "Ambient")),
        (2, Input("oil", "bus", "OilBox", "OilPressure")),
        (3, Input("altitude", "bus", "TurboBox", "Altitude")),
        (4, Input("tune", "bus", "Driving", "Tune")),
    ]
    samples: list[Sample] = []
    enough = asyncio.Event()

    def deliver(batch: Sequence[Sample]) -> None:
        samples.extend(batch)
        if len({s.signal for s in samples}) == len(inputs) and len(samples) > 100:
            enough.set()

    arguments = ["--adapter", str(link), "--scenario", "climb-heat", "--start-s", "300"]
    async with asyncio.timeout(WITHIN_S):
        vehicle = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "uphaul.sources.demo_can", *arguments, stdout=asyncio.subprocess.PIPE
        )
        try:
            assert vehicle.stdout is not None
            assert b"sending" in await vehicle.stdout.readline()
            async with CanSource(spec, inputs, Clock()) as source:
                reading = asyncio.create_task(source.read(deliver))
                await enough.wait()
                reading.cancel()
                with suppress(asyncio.CancelledError):
                    await reading
            vehicle.terminate()
            assert await vehicle.wait() == 0
        finally:
            if vehicle.returncode is None:
                vehicle.kill()
                await vehicle.wait()
    assert not link.is_symlink()
    assert {s.quality for s in samples} == {Quality.GOOD}

    def values(signal: int) -> list[float]:
        return [s.value for s in samples if s.signal == signal]

    assert all(620 < v < 740 for v in values(0))
    assert all(30 < v < 34 for v in values(1))
    assert all(250 < v < 400 for v in values(2))
    assert all(600 < v < 680 for v in values(3))
    assert set(values(4)) == {1.0}
