"""What the person who wires a sensor up is told: where it is a value, where it is which fault, how finely it tells."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from uphaul.cli import main
from uphaul.config import sample_directory
from uphaul.signals import Quality
from uphaul.signals.transfer import NTC_CURVES, NtcDivider, Ratiometric, Transfer, TypeK
from uphaul.signals.zones import steepness, zones

SIGNALS = """
[source.adc]
kind = "adc"
device = { i2c = "0x49" }
full_scale_v = 6.144

[sensor.map400]
kind = "ratiometric"
unit = "kPa"
low_share = 0.1
low_value = 0
high_share = 0.9
high_value = 400

[sensor.amp]
kind = "amplifier"
time_constant_s = 3

[signal.map]
unit = "bar"
range = [0.1, 5]
from = { source = "adc", channel = "voltage0", sensor = "map400", supply = "voltage3" }

[signal.egt]
unit = "degC"
from = { source = "adc", channel = "voltage1", sensor = "amp" }

[signal.later]
unit = "kPa"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "signals.toml").write_text(SIGNALS, encoding="utf-8")
    (tmp_path / "rules.toml").write_text("", encoding="utf-8")
    return tmp_path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["sensors", "--zones", "--config", *arguments])


def told(folder: Path) -> dict[str, dict[str, Any]]:
    done = run(str(folder), "--json")
    assert done.exit_code == 0, done.output
    return {row["signal"]: row for row in json.loads(done.stdout)["signals"]}


def test_a_ratiometric_sensor_by_its_zones(folder: Path) -> None:
    # 0.5 to 4.5 V of 5 V, faults half way to the rails: common practice
    row = told(folder)["map"]
    found = [(round(z["from"], 3), round(z["to"], 3), z["quality"]) for z in row["zones"]]
    assert found == [
        (0.0, 0.25, "open circuit"),
        (0.25, 0.475, "saturated"),
        (0.475, 4.525, "good"),
        (4.525, 4.75, "saturated"),
        (4.75, 5.748, "short to supply"),
    ]
    assert row["zones"][1]["values"] == [0.0, 0.0]
    assert row["zones"][2]["values"] == pytest.approx([-0.025, 4.025])  # bar
    assert row["finely"] == pytest.approx([0.001, 0.001])  # 400 kPa over 4000 mV: 0.1 kPa a millivolt
    assert row["beside"] == {"channel": "voltage3", "what": "supply", "assumed": 5.0}


def test_a_probe_says_what_counts_as_a_broken_wire(folder: Path) -> None:
    row = told(folder)["egt"]
    assert row["broken_wire"] == {
        "step_k": pytest.approx(13.0),  # 600 K / 3 s in 50 ms, and 3 K of noise
        "within_s": 0.05,
        "slow_drift_shows": True,
        "believed_again_after_s": 1.0,
    }
    assert row["finely"][0] == pytest.approx(0.2, abs=0.02)  # 5 mV/K nominally


def test_a_signal_without_a_sensor_has_its_range(folder: Path) -> None:
    row = told(folder)["later"]
    assert (row["source"], row["sensor"], row["range"]) == (None, None, None)
    bus = told(sample_directory())["egt"]
    assert (bus["source"], bus["channel"], bus["range"]) == ("bus", "EngineBox.Egt1", [-40.0, 1100.0])


def test_in_words(folder: Path) -> None:
    lines = run(str(folder)).output.splitlines()
    assert lines[0].split() == ["signal", "from", "sensor", "values", "finely"]
    assert "0.1 to 4.025 bar" in lines[1]  # of the sensor's reach, what the signal's range lets through
    assert "any kPa" in lines[3]
    assert "  4.75 to 5.748 V: short to supply" in lines
    assert "  0.25 to 0.475 V: 0 bar, saturated: at that end or beyond" in lines
    assert "  a step of more than 13 K in 0.05 s is a broken wire" in lines


def test_a_faulty_configuration_is_told_and_ends_with_2(folder: Path) -> None:
    (folder / "signals.toml").write_text(SIGNALS.replace("low_share = 0.1", "low_share = 2"), encoding="utf-8")
    done = run(str(folder))
    assert done.exit_code == 2
    assert "sensor.map400.low_share = 2" in done.stderr


SENSORS: list[tuple[Transfer, float, float, float]] = [
    (Ratiometric(0.04, 20.0, 0.96, 250.0, "kPa"), 0.0, 6.0, 5.1),
    (NtcDivider(NTC_CURVES["ntc-2.5k-20c"], 1000.0), 0.0, 6.0, 5.0),
    (NtcDivider(NTC_CURVES["ntc-10k-3977"], 4700.0, pull_up=False), 0.0, 6.0, 5.0),
    (TypeK(), -78.0, 78.0, 25.0),
]


@pytest.mark.parametrize(("sensor", "low", "high", "beside"), SENSORS)
def test_zones_say_of_every_reading_what_the_sensor_says(
    sensor: Transfer, low: float, high: float, beside: float
) -> None:
    found = zones(sensor, low, high, beside)
    at = np.random.default_rng(1).uniform(low, high, 5000)
    quality = sensor.read(at, beside).quality
    for reading, is_ in zip(at.tolist(), quality.tolist(), strict=True):
        (zone,) = [z for z in found if z.low <= reading <= z.high]
        assert zone.quality == is_
    assert (found[0].low, found[-1].high) == (low, high)


def test_steepness_is_the_slope_at_its_flattest_and_steepest() -> None:
    # NIST Monograph 175, type K: 39.5 uV/K at 0 degC, 42.5 at 600, 36.5 at 1200 (rounded): 25.3, 23.5 and 27.4 K/mV
    sensor = TypeK((0.0, 1200.0))
    (good,) = [z for z in zones(sensor, -78.0, 78.0, 0.0) if z.quality is Quality.GOOD]
    assert steepness(sensor, good.low, good.high, 0.0) == pytest.approx((23.5, 27.4), abs=0.1)
