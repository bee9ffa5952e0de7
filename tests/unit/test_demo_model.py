"""The demo model is deterministic, indifferent to how often it is read, and honest about its limits."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from uphaul.config.scenario import load_scenario
from uphaul.demo import CHANNELS, Fault, Model, Scenario, parse_scenario, record_csv
from uphaul.demo.record import RECORDED
from uphaul.units import UNITS


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return load_scenario("wiring")


def test_the_same_seed_gives_the_same_readings_to_the_bit(scenario: Scenario) -> None:
    one, other = Model(scenario, 5), Model(scenario, 5)
    assert [str(one.step(i / 4)) for i in range(400)] == [str(other.step(i / 4)) for i in range(400)]


def test_another_seed_gives_others(scenario: Scenario) -> None:
    one, other = Model(scenario, 5).step(60.0), Model(scenario, 6).step(60.0)
    assert one["egt"] != other["egt"]
    assert one["map"] != other["map"]


def test_readings_do_not_depend_on_how_often_they_are_read(scenario: Scenario) -> None:
    often, seldom = Model(scenario), Model(scenario)
    for i in range(1000):
        often.step(i * 0.05)
    assert str(often.step(50.0)) == str(seldom.step(50.0))


def test_a_model_cannot_go_back(scenario: Scenario) -> None:
    model = Model(scenario)
    model.step(2.0)
    with pytest.raises(ValueError, match="past"):
        model.step(1.0)


def test_it_drives_on_after_the_end(scenario: Scenario) -> None:
    short = replace(scenario, duration_s=10.0, road_m=(0.0, 50.0), road_altitude_m=(300.0, 301.0))
    reading = Model(short).step(120.0)
    assert reading["distance"] > 300.0
    assert abs(reading["grade"]) < 1.0


def test_every_channel_has_a_known_unit_and_a_meaning() -> None:
    for channel in CHANNELS.values():
        assert channel.unit in UNITS
        assert channel.meaning


def test_any_channel_can_go_open(scenario: Scenario) -> None:
    for name in CHANNELS:
        model = Model(replace(scenario, faults=(Fault("open-circuit", 0.0, channel=name),)))
        reading = model.step(0.5)
        assert [n for n, v in reading.items() if math.isnan(v)] == [name]
        assert model.faulted == {name: "open-circuit"}


def test_a_recorded_drive_has_names_units_and_empty_cells_for_the_unknown() -> None:
    rows = list(record_csv(load_scenario("egt-open"), 3.0, 10.0, start_s=130.0))
    assert rows[0] == ["t_s", *RECORDED, "tune"]
    assert rows[1][:6] == ["s", "rpm", "kPa", "kPa", "degC", "degC"]
    assert len(rows) == 2 + 30
    assert [row[0] for row in rows[2:5]] == ["0.000", "0.100", "0.200"]
    egt = [row[rows[0].index("egt")] for row in rows[2:]]
    assert all(float(cell) > 400 for cell in egt[:10])  # open from 131 s
    assert set(egt[10:]) == {""}
    assert {row[-1] for row in rows[2:]} == {"tow"}


def test_a_warm_start_standing_cranks_and_idles() -> None:
    text = """
title = "start"
duration_s = 30
[start]
as = "standing"
key_on_s = 1
crank_s = 3
[road]
points = [[0, 100]]
[[drive]]
from_s = 0
speed_km_h = 0
"""
    model = Model(parse_scenario(text, name="start", file="start.toml"))
    assert model.step(0.5)["key"] == 0.0
    assert model.step(2.0)["rpm"] == 0.0
    cranking = model.step(3.6)
    assert 100 < cranking["rpm"] < 260
    assert cranking["battery"] < 11.5
    assert model.step(20.0)["rpm"] == pytest.approx(750, abs=25)
    assert model.step(25.0)["oil_pressure"] > 70


def test_the_lagged_channels_are_read_in_the_order_of_the_table(scenario: Scenario) -> None:
    # a standing cold engine tells them apart: each reads its own quantity
    reading = Model(replace(scenario, warm=False), 1).step(0.0)
    by_hand = {"map": reading["baro"], "coolant": 15.0, "charge": 15.0, "ambient": 15.0, "speed": 0.0, "lambda": 8.0}
    for name, value in by_hand.items():
        assert reading[name] == pytest.approx(value, abs=2.5), name
    assert list(reading) == list(CHANNELS)
