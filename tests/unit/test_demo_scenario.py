"""Scenario files: all that is wrong is told at once, with place, value and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from uphaul.config.scenario import find_scenario, load_scenario, scenario_names
from uphaul.demo import CHANNELS, Fault, Scenario, parse_scenario
from uphaul.demo.scenario import FAULT_KINDS
from uphaul.errors import ConfigError

GOOD = """
title = "a drive"
duration_s = 60
[road]
points = [[0, 100], [1000, 150]]
[[drive]]
from_m = 0
speed_km_h = 50
"""


def parse(text: str) -> Scenario:
    return parse_scenario(text, name="x", file="x.toml")


def problems(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        parse(text)
    return [str(p) for p in caught.value.problems]


def test_a_short_file_gets_sensible_defaults() -> None:
    scenario = parse(GOOD)
    assert (scenario.warm, scenario.rolling, scenario.seed, scenario.tune_at(5.0)) == (True, True, 1, 0)
    assert scenario.altitude_m(500.0) == 125.0
    assert scenario.grade(500.0) == 0.05
    assert scenario.altitude_m(2000.0) == 150.0
    assert scenario.grade(2000.0) == 0.0


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("duration_s = 60", "duration_s = -1"), "x.toml: duration_s = -1: must be a number from 1 to 86400 (s)"),
        (("duration_s = 60", ""), "x.toml: duration_s: is missing"),
        (("title", "titel"), "Did you mean 'title'?"),
        (("speed_km_h = 50", "speed_km_h = true"), "x.toml: drive[0].speed_km_h = True: must be a number"),
        (("speed_km_h = 50", "speed_km_h = 500"), "from 0 to 130 (km/h)"),
        (("from_m = 0", "from_m = 0\nfrom_s = 3"), "drive[0].from_m: each part of the plan begins"),
        (("from_m = 0", "from_m = 7"), "drive[0].from_s: must be 0 for the first part"),
        (("[1000, 150]", "[0, 150]"), "road.points[1] = [0, 150]: must be pairs"),
        (("[1000, 150]", "[100, 150]"), "slopes of at most 20 %"),
        (("[1000, 150]", "'x'"), "road.points[1] = 'x'"),
        (("[road]", "[weather]\nambient_degc = 99\n[road]"), "weather.ambient_degc = 99"),
        (("[road]", "[weather]\nambient = 20\n[road]"), "Did you mean 'ambient_degc'?"),
        (("[road]", "[[fault]]\nkind = 'fans'\n[road]"), "Did you mean 'fan'?"),
        (("[road]", "[[fault]]\nkind = 'dropout'\nchannel = 'egtt'\n[road]"), "Did you mean 'egt'?"),
        (("[road]", "[[fault]]\nkind = 'fan'\nfrom_s = 9\nuntil_s = 8\n[road]"), "fault[0].until_s"),
        (("[road]", "[[tune]]\nname = 'tows'\n[road]"), "Did you mean 'tow'?"),
        (("[road]", "[start]\nas = 'standing'\nkey_on_s = 9\ncrank_s = 3\n[road]"), "start.crank_s = 3.0"),
        (("[road]", "tune = 3\n[road]"), "tune = 3: must be tables, each headed [[tune]]"),
        (("[road]", "start = 3\n[road]"), "start = 3: must be a table"),
        (("[road]", "[road"), "is not TOML"),
    ],
)
def test_what_is_wrong_is_told(change: tuple[str, str], told: str) -> None:
    found = problems(GOOD.replace(*change))
    assert any(told in p for p in found), found


def test_everything_wrong_is_told_at_once() -> None:
    found = problems("duration_s = 0\nseed = -3\n[road]\npoints = 4\n[[drive]]\nfrom_s = 0\n[extra]\n")
    keys = {p.split(": ")[1].split(" = ")[0] for p in found}
    assert keys == {"title", "duration_s", "seed", "road.points", "drive[0].speed_km_h", "extra"}


def test_a_fault_grows_and_ends() -> None:
    fault = Fault("fan", 10.0, 40.0, 20.0, 0.8)
    assert [fault.size(t) for t in (9.9, 10.0, 20.0, 30.0, 39.9, 40.0)] == [0.0, 0.0, 0.4, 0.8, 0.8, 0.0]


def test_all_shipped_scenarios_parse_and_say_that_they_are_invented() -> None:
    names = scenario_names()
    assert {"demo", "climb-heat", "flat-cruise", "charge-cooler", "boost-leak", "clutch-slip"} <= set(names)
    assert {"fan-failure", "egt-open", "overboost", "wiring"} <= set(names)
    for name in names:
        assert load_scenario(name).name == name
        assert find_scenario(name).read_text(encoding="utf-8").startswith("# Invented data")


def test_a_scenario_of_the_owner_comes_first(tmp_path: Path) -> None:
    (tmp_path / "demo.toml").write_text(GOOD, encoding="utf-8")
    assert load_scenario("demo", tmp_path).title == "a drive"
    assert load_scenario("wiring", tmp_path).name == "wiring"
    assert load_scenario("./demo.toml", tmp_path).title == "a drive"


def test_a_missing_scenario_names_the_nearest() -> None:
    with pytest.raises(ConfigError, match="Did you mean 'climb-heat'"):
        find_scenario("climb-heart")
    with pytest.raises(ConfigError, match=r"nowhere/x\.toml"):
        find_scenario("nowhere/x.toml")


def test_a_file_that_is_no_text_is_told(tmp_path: Path) -> None:
    (tmp_path / "odd.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(ConfigError, match="cannot be read"):
        load_scenario("odd", tmp_path)


def test_the_readme_beside_the_scenarios_knows_them_all_and_every_channel() -> None:
    readme = (Path(__file__).resolve().parents[2] / "replays" / "README.md").read_text(encoding="utf-8")
    for name in scenario_names():
        assert f"| `{name}` |" in readme
    for channel in CHANNELS.values():
        assert f"`{channel.name}` | {channel.unit} |" in readme
    for kind in FAULT_KINDS:
        assert f"`{kind}`" in readme
