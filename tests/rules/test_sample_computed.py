"""The sample's computed signals beside what the invented vehicle itself knows, and the rules that live on them.

The model has its own equations (`uphaul.demo`), so this compares two implementations, on sensors with noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from uphaul.analysis.review import episodes
from uphaul.config import load, sample_directory
from uphaul.config.scenario import load_scenario
from uphaul.demo import record_csv
from uphaul.demo.channels import CHANNELS
from uphaul.pipeline import Row, rejudge
from uphaul.signals import Block, quantise

HZ = 20
LATE = 5 * HZ
"""The grade tells of the middle of its 10 s."""
DRIVELINE = 0.90
"""Share of the crankshaft's power that reaches the wheels of the invented vehicle (uphaul/demo/driveline.py)."""

HOT_STOP = """
# Invented data: no real vehicle, road or person. A hard climb, then a stop at once with the engine running.
title = "Hot stop"
seed = 3
duration_s = 480
[start]
engine = "warm"
as = "rolling"
[weather]
ambient_degc = 20
[road]
points = [[0, 300], [500, 300], [5000, 590], [6000, 655]]
[[drive]]
from_s = 0
speed_km_h = 75
[[drive]]
from_s = 240
speed_km_h = 0
[[tune]]
name = "tow"
"""


@dataclass(frozen=True)
class Driven:
    """A drive as the sample sees it, judged, and what the model knows."""

    block: Block
    seen: dict[str, np.ndarray]
    true: dict[str, np.ndarray]
    raised: dict[str, tuple[float, float | None]]


def _block(scenario: object) -> tuple[Block, dict[str, np.ndarray]]:
    names = [name for name in CHANNELS if name != "tune"]
    rows = record_csv(scenario, scenario.duration_s, HZ, channels=names)  # type: ignore[arg-type,attr-defined]
    next(rows), next(rows)
    table = np.array([[float(x) if x != "" else np.nan for x in row[:-1]] for row in rows])
    t = np.rint(table[:, 0] * 1000).astype(np.int64)
    true = dict(zip(names, table[:, 1:].T, strict=True))
    config = load(sample_directory(), check_inputs=False)
    values = np.full((len(t), len(config.signals)), np.nan)
    own = {"mixture": "lambda"}
    for k, s in enumerate(config.signals):
        if not s.computed and s.name != "tune_code":
            values[:, k] = quantise(true[own.get(s.name, s.name)], np.array([float(s.per_unit)]))
    return Block(config.signals, t, values, np.ones(len(t), dtype=np.int16)), true


def _judge(block: Block, cuts: int | None = None) -> list[object]:
    config = load(sample_directory(), check_inputs=False)
    row = Row(config.signals, config.rules, config.tunes, computed=config.computed, gap_ms=config.gap_ms, grid_ms=50)
    step = cuts or len(block)
    pieces = [block.part(i, min(i + step, len(block))) for i in range(0, len(block), step)]
    return list(rejudge(row, pieces).conditions)


@cache
def _drive(name: str) -> Driven:
    return _driven(load_scenario(name))


def _driven(scenario: object) -> Driven:
    block, true = _block(scenario)
    conditions = _judge(block)
    rules = [r.name for r in load(sample_directory(), check_inputs=False).rules]
    raised: dict[str, tuple[float, float | None]] = {}
    for e in episodes(conditions, rules):  # type: ignore[arg-type]
        raised.setdefault(e.rule, (e.raised_ms / 1000, None if e.cleared_ms is None else e.cleared_ms / 1000))
    seen = {s.name: block.values[:, k] for k, s in enumerate(block.signals)}
    return Driven(block, seen, true, raised)


HEALTHY = pytest.mark.parametrize("name", ["climb-heat", "flat-cruise"])


@HEALTHY
def test_the_grade_is_the_roads(name: str) -> None:
    d = _drive(name)
    off = d.seen["grade"][LATE:] - d.true["grade"][:-LATE]
    # steady: the road keeps its slope within 0.3 % over the window
    steady = np.abs(d.true["grade"][LATE:] - d.true["grade"][:-LATE]) < 0.3
    off = off[steady & np.isfinite(off)]
    assert len(off) > 0.5 * len(steady)
    assert np.percentile(np.abs(off), 99) < 0.7
    assert abs(np.mean(off)) < 0.1


@HEALTHY
def test_the_gear_is_the_one_that_is_in(name: str) -> None:
    d = _drive(name)
    # below 10 km/h the clutch slips while setting off
    engaged = (d.true["gear"] > 0) & (d.true["speed"] > 10.0)
    assert np.mean(d.seen["gear_by_ratio"][engaged] == d.true["gear"][engaged]) > 0.98


@HEALTHY
def test_the_air_is_the_engines(name: str) -> None:
    d = _drive(name)
    off = d.seen["air"] / np.where(d.true["air"] > 50.0, d.true["air"], np.nan) - 1.0
    assert abs(np.nanmean(off)) < 0.01
    assert np.nanpercentile(np.abs(off), 95) < 0.04


def test_the_power_at_the_wheels_on_a_climb_is_the_engines_less_the_driveline() -> None:
    d = _drive("climb-heat")
    wheel, crank = d.seen["wheel_power"][LATE:], d.true["power"][:-LATE]
    steady = (np.abs(d.true["grade"][LATE:] - d.true["grade"][:-LATE]) < 0.3) & (crank > 90.0)
    share = wheel[steady] / (DRIVELINE * crank[steady])
    assert np.sum(steady) > 60 * HZ
    # fan and other accessories take some per cent before the gearbox
    assert 0.85 < np.nanmedian(share) < 1.0
    assert np.nanpercentile(np.abs(share - np.nanmedian(share)), 95) < 0.15


def test_the_density_is_the_standard_atmospheres_for_the_days_temperature() -> None:
    d = _drive("climb-heat")
    # ideal gas, dry air, from the model's own pressure and temperature; half humidity makes it 0.5 to 1 % lighter
    dry = d.true["baro"] * 1000.0 / (287.05287 * (d.true["ambient"] + 273.15))
    ratio = d.seen["density"] / dry
    assert np.nanmin(ratio) > 0.980
    assert np.nanmax(ratio) < 0.999


def test_a_sound_clutch_does_not_slip_in_the_numbers() -> None:
    for name in ("climb-heat", "flat-cruise"):
        assert np.nanmax(_drive(name).seen["clutch_slip"]) < 3.0


NEW = {"clutch-slip", "clutch-slip-again", "idle-down"}


@HEALTHY
def test_a_healthy_drive_raises_none_of_them(name: str) -> None:
    assert not NEW & set(_drive(name).raised)


def test_a_slipping_clutch_is_noted_and_the_second_time_asks_to_ease_off() -> None:
    raised = _drive("clutch-slip").raised
    assert raised["clutch-slip"][0] == pytest.approx(151.5, abs=5)
    assert raised["clutch-slip-again"][0] > raised["clutch-slip"][0] + 5


def test_a_hot_turbo_asks_for_idling_after_a_stop_and_is_content_within_three_minutes(tmp_path: Path) -> None:
    path = tmp_path / "hot-stop.toml"
    path.write_text(HOT_STOP, encoding="utf-8")
    d = _driven(load_scenario(str(path)))
    standing = np.flatnonzero((d.true["speed"] < 1.0) & (d.block.t_ms > 240_000))[0] / HZ
    begun, over = d.raised["idle-down"]
    assert standing < begun < standing + 15
    assert over is not None
    assert 30 < over - standing < 180


def test_a_drive_in_pieces_is_judged_as_in_one() -> None:
    block, _ = _block(load_scenario("clutch-slip"))
    assert _judge(block, 37) == _judge(block)
