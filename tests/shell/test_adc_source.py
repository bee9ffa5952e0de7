"""Converters as files: a driver that is slow or hangs, and a probe's wire that breaks while the daemon drives."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import chain, repeat
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from support.collected import WITHIN_S, Collected, reading
from support.iio_folder import REFUSES, IioFolder
from uphaul.app import App
from uphaul.cli import main
from uphaul.clock import Clock
from uphaul.config import load_texts
from uphaul.config.spec import AdcSpec, Config, Input, Wiring
from uphaul.errors import SourceError
from uphaul.log import Log
from uphaul.rules import Condition
from uphaul.signals import Quality, Sample
from uphaul.signals.thermocouple import type_k_mv
from uphaul.signals.transfer import PlainVolts
from uphaul.sources.adc import AdcSource

AT = "i2c-1/1-0049"

# ------------------------------------------------------------------------------------------------ slow and hung


def plain(iio: IioFolder) -> AdcSource:
    spec = AdcSpec("adc", i2c=0x49, rate_hz=100.0, folder=str(iio.folder))
    inputs = [(i, Input(f"s{i}", "adc", "", f"voltage{i}", wiring=Wiring("plain", PlainVolts()))) for i in range(2)]
    return AdcSource(spec, inputs, Clock(), answer_within_s=WITHIN_S)


@pytest.fixture
def iio(tmp_path: Path) -> IioFolder:
    made = IioFolder(tmp_path)
    made.plug(AT, 0, {"in_voltage_scale": "1", "in_voltage0_raw": "1000", "in_voltage1_raw": "1000"})
    return made


@pytest.mark.asyncio
async def test_a_slow_driver_keeps_nobody_else_waiting(iio: IioFolder) -> None:
    with iio.slow(AT, "in_voltage1_raw") as answer:
        async with reading(plain(iio)) as (got, task):
            for _ in range(1000):  # the loop goes round while the driver has not answered
                await asyncio.sleep(0)
            assert (got.batches, task.done()) == (0, False)
            answer("2000")
            await got.until(lambda: got.values(1) == [2.0])
            iio.set(AT, "in_voltage1_raw", "3000")
            answer("2500")  # for a round that waits already
            await got.until(lambda: got.values(1)[-1:] == [3.0])


@pytest.mark.asyncio
async def test_a_hung_driver_is_given_up_and_not_asked_twice_at_a_time(iio: IioFolder) -> None:
    source = plain(iio)
    with iio.slow(AT, "in_voltage1_raw") as answer:
        with pytest.raises(SourceError, match=r"no answer of the driver in 0.05 s"):
            async with source:
                source._answer_within_s = 0.05
                await source.read(Collected())
        with pytest.raises(SourceError, match="still hangs"):
            async with source:
                raise AssertionError("opened beside the hung one")
        answer("1000")
        assert source._worker is not None
        await asyncio.wait_for(source._worker.ended.wait(), WITHIN_S)
    iio.set(AT, "in_voltage1_raw", "1500")
    source._answer_within_s = WITHIN_S
    async with reading(source) as (got, _):
        await got.until(lambda: got.values(1)[-1:] == [1.5])


@pytest.mark.asyncio
async def test_cancelling_ends_the_thread(iio: IioFolder) -> None:
    source = plain(iio)
    async with reading(source) as (got, _):
        await got.until(lambda: got.batches >= 3)
    assert source._worker is not None
    assert source._worker.ended.is_set()


# ------------------------------------------------------------------------------------------ a wire that breaks

RATE_HZ = 50
HOT_DEGC = 690.0
ONE_SAMPLE_K = 600.0 / 3.0 / RATE_HZ + 3.0
"""How far one sample may be off before a break shows: see `ProbeGuard`. The limit is 30 K over what it works at."""

SIGNALS = """
tick_hz = 50
[source.probe]
kind = "adc"
device = { DEVICE }
rate_hz = 50
full_scale_v = 6.144
folder = "FOLDER"

[sensor.amplifier]
kind = "amplifier"
time_constant_s = 3
[sensor.converter]
kind = "converter"
straight_line = false
time_constant_s = 3

[signal.egt]
unit = "degC"
range = [-40, 1100]
location = "pre-turbine"
required = true
from = { source = "probe", channel = "CHANNEL", sensor = "SENSOR" }
"""

RULES = """
[[rule]]
name = "egt-high"
kind = "threshold"
signal = "egt"
above = 720
action = "ease"
[[rule]]
name = "egt-falling"
kind = "rate"
signal = "egt"
below = -100
window_s = 0.1
action = "note"
[[rule]]
name = "egt-lost"
kind = "lost"
signal = "egt"
on_delay_s = 0.6
start_grace_s = 0
action = "note"
say = "No exhaust temperature"
"""


def volts(degc: float) -> float:
    """Output of the amplifier at 25 degC of its own. Source: application note AN-1087 on AD8494 to AD8497, second-hand:
    122.4 times the thermocouple's voltage, and 5 mV/K for the terminals."""
    return float(122.4 * (type_k_mv(degc) - type_k_mv(25.0)) / 1000.0 + 0.125)


def config_for(iio: IioFolder, device: str, channel: str, sensor: str) -> Config:
    signals = SIGNALS.replace("DEVICE", device).replace("FOLDER", str(iio.folder))
    signals = signals.replace("CHANNEL", channel).replace("SENSOR", sensor)
    return load_texts(
        {"signals.toml": signals, "rules.toml": RULES, "daemon.toml": '[drive]\nsignal = ""\n[web]\nhost = ""\n'}
    )


class Drive:
    """The daemon on a folder whose probe does one step after each reading of it."""

    def __init__(self, config: Config, log: Path, steps: Iterator[None]) -> None:
        self.told: list[tuple[str, str]] = []
        self.lost = asyncio.Event()
        self.app = App(config, log, heard=self._hear)
        take, self._steps = self.app.collector.add, steps

        def add(samples: Iterable[Sample]) -> None:
            take(samples)
            next(self._steps)

        self.app.collector.add = add  # type: ignore[method-assign]

    def _hear(self, change: Condition, cause: str) -> None:
        if change.active:
            self.told.append((self.app._config.rules[change.rule].name, cause))
            if self.told[-1][0] == "egt-lost":
                self.lost.set()

    async def until_lost(self) -> list[tuple[str, str, str]]:
        """Drive until the loss is told; the alerts as the page has them then: rule, say, cause."""
        task = asyncio.create_task(self.app.run())
        try:
            await asyncio.wait_for(self.lost.wait(), WITHIN_S)
            return [(a.rule, a.say, a.cause) for a in self.app.status().alerts]
        finally:
            self.app.stop()
            await task


def amplifier(iio: IioFolder, ramp_v: Iterable[float]) -> Iterator[None]:
    """20 readings at work, then the ramp, the last of which stays."""
    for output_v in chain(repeat(volts(HOT_DEGC), 20), ramp_v):
        iio.set(AT, "in_voltage0_raw", f"{output_v * 1000.0:.3f}")
        yield
    while True:
        yield


def logged(log: Path) -> tuple[np.ndarray, list[Quality]]:
    with Log.open(log) as file:
        (drive,) = file.drives()
        (block,) = file.blocks(drive.segments[0])
    return block.values[:, 0], [q.quality for q in block.quality]


def raised_in_replay(log: Path) -> list[str]:
    done = CliRunner().invoke(main, ["replay", str(log), "--json"])
    assert done.exit_code == 0, done.output
    return [c["rule"] for c in json.loads(done.stdout)["conditions"]]


UP = [volts(HOT_DEGC) + i * 0.375 for i in range(1, 4)] + [4.98]  # 75 K a reading, 3750 K/s
DOWN = [volts(HOT_DEGC) - i * 0.5 for i in range(1, 7)] + [0.0]  # 100 K a reading


@pytest.mark.parametrize(
    ("ramp_v", "cause"),
    [([4.98], "open circuit"), (UP, "open circuit"), (DOWN, "short to ground"), ([0.0], "short to ground")],
    ids=["at once to the top", "up on a ramp", "down on a ramp", "at once to ground"],
)
@pytest.mark.asyncio
async def test_a_broken_wire_is_neither_a_cooling_nor_an_overheating_exhaust(
    tmp_path: Path, ramp_v: list[float], cause: str
) -> None:
    iio = IioFolder(tmp_path)
    iio.plug(AT, 0, {"in_voltage0_scale": "1", "in_voltage0_raw": f"{volts(HOT_DEGC) * 1000.0:.3f}"})
    config = config_for(iio, 'i2c = "0x49"', "voltage0", "amplifier")
    drive = Drive(config, log := tmp_path / "a.db", amplifier(iio, ramp_v))
    shown = await drive.until_lost()
    assert drive.told == [("egt-lost", cause)]
    assert shown == [("egt-lost", "No exhaust temperature", cause)]
    values, qualities = logged(log)
    known = values[np.isfinite(values)]
    assert len(known) > 10
    assert known == pytest.approx(HOT_DEGC, abs=ONE_SAMPLE_K)
    assert qualities[-1].words == cause
    assert raised_in_replay(log) == ["egt-lost"]


@pytest.mark.asyncio
async def test_a_converter_that_reports_the_break_by_its_fault_bit(tmp_path: Path) -> None:
    iio, at = IioFolder(tmp_path), "spi0/spi0.0"
    iio.plug(at, 0, {"in_temp_raw": "11040", "in_temp_scale": "62.5", "fault_oc": "0", "fault_ovuv": "0"})

    def steps() -> Iterator[None]:
        yield from repeat(None, 20)
        iio.set(at, "in_temp_raw", "11120")  # it floats up by 5 K until the converter's test comes round
        yield
        iio.set(at, "fault_oc", "1")
        iio.set(at, "in_temp_raw", REFUSES)
        yield from repeat(None)

    drive = Drive(config_for(iio, 'spi = "0.0"', "temp", "converter"), log := tmp_path / "a.db", steps())
    await drive.until_lost()
    assert drive.told == [("egt-lost", "open circuit")]
    values, _ = logged(log)
    assert values[np.isfinite(values)] == pytest.approx(HOT_DEGC, abs=ONE_SAMPLE_K)


@pytest.mark.asyncio
async def test_without_the_guard_the_same_break_reads_as_overheating(tmp_path: Path) -> None:
    # shows that the tests above can fail
    iio = IioFolder(tmp_path)
    iio.plug(AT, 0, {"in_voltage0_scale": "1", "in_voltage0_raw": f"{volts(HOT_DEGC) * 1000.0:.3f}"})
    config = config_for(iio, 'i2c = "0x49"', "voltage0", "amplifier")
    (origin,) = config.inputs
    assert origin.wiring is not None
    blind = replace(origin, wiring=replace(origin.wiring, guard=None))
    drive = Drive(replace(config, inputs=(blind,)), tmp_path / "a.db", amplifier(iio, UP))
    await drive.until_lost()
    assert ("egt-high", "") in drive.told
