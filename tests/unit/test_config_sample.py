"""The sample configuration, its reference, its schemas, and the commands that check and print."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from uphaul.cli.config import command
from uphaul.config import demo_config, load, sample_directory
from uphaul.config.calibration import CALIBRATION, HEAD
from uphaul.config.field_check_tables import FIELD_CHECK
from uphaul.config.model import FILES
from uphaul.config.sample import demo_texts
from uphaul.config.schema import SCHEMA_NAMES, amount_rows, json_schema, key_rows
from uphaul.config.spec import CanSpec, DemoSpec
from uphaul.config.typical import usual_readings
from uphaul.derive import FORMULAS
from uphaul.rules import Action, Kind
from uphaul.units import UNITS

CONFIG = Path(__file__).resolve().parents[2] / "config"
NAMES = tuple(SCHEMA_NAMES)


def test_the_sample_is_the_one_at_the_top() -> None:
    assert sample_directory() == CONFIG


def test_the_sample_is_in_order() -> None:
    config = load(CONFIG)
    assert isinstance(config.sources[0], CanSpec)
    assert len(config.inputs) == sum(not s.computed for s in config.signals)
    assert all((i.factor, i.offset) == (1.0, 0.0) for i in config.inputs)


def test_what_customers_read_of_the_check_has_its_units_as_they_are_written() -> None:
    """The titles stand on the page that is signed beside figures in °C."""
    check = load(CONFIG).field_check
    assert check is not None
    titles = [m.title for s in check.steps for m in s.measures]
    assert titles and not [t for t in titles if "degC" in t]


def test_where_the_sample_asks_to_ease_off_or_stop_the_usual_reading_is_well_within() -> None:
    config = load(CONFIG)
    usual = usual_readings(config)
    checked = 0
    for rule in config.rules:
        if rule.kind is not Kind.THRESHOLD or rule.action is Action.NOTE:
            continue
        for tune in config.tunes:
            limit = rule.setting(tune).limit
            if isinstance(limit, int | float):
                assert (limit - usual[rule.signal]) * rule.side > 0, rule.name
                checked += 1
    assert checked > 20


def test_the_sample_shows_every_kind_of_rule_and_both_kinds_of_tune_limit() -> None:
    config = load(CONFIG)
    assert {r.kind for r in config.rules} == set(Kind)
    assert any(r.suppressed_by for r in config.rules)
    assert config.tunes == ("stock", "tow", "tow-max")


def test_every_alert_of_the_sample_names_what_to_do() -> None:
    for rule in load(CONFIG).rules:
        assert len(rule.say) > 10, rule.name
        assert "watch" not in f"{rule.act} {rule.say}".lower(), f"{rule.name}: the driver watches the road"
        if rule.kind is not Kind.LOST and rule.action.word == "stop":
            assert "engine off" in rule.say


def test_every_limit_of_the_sample_is_marked_as_a_starting_point() -> None:
    text = (CONFIG / "rules.toml").read_text(encoding="utf-8")
    for part in re.split(r"\n# -{20,}", text):
        if "[[rule]]" in part:
            assert "tarting point" in part, part[:200]


def test_the_demo_runs_the_same_rules_on_the_invented_vehicle() -> None:
    config, sample = demo_config("climb-heat", 5), load(CONFIG)
    assert config.sources == (DemoSpec("demo", "climb-heat", 5),)
    assert config.signals == sample.signals
    assert config.rules == sample.rules
    assert [i.signal for i in config.inputs] == [i.signal for i in sample.inputs]
    assert {i.source for i in config.inputs} == {"demo"}


def test_the_demos_configuration_says_what_it_is() -> None:
    text = dict(demo_config("climb-heat").files)["signals.toml"]
    assert "vehicle.dbc" not in text
    assert tomllib.loads(text)["signal"]["mixture"]["from"] == {"source": "demo", "channel": "lambda"}


def test_a_scenario_is_a_name_or_any_path() -> None:
    name = 'a "quoted" name\\with é'
    assert tomllib.loads(demo_texts(name, 1)["signals.toml"])["source"]["demo"]["scenario"] == name


@pytest.mark.parametrize("name", NAMES)
def test_the_schema_in_the_folder_is_current(name: str) -> None:
    kept = (CONFIG / f"{name}.schema.json").read_text(encoding="utf-8")
    assert kept == json_schema(name), f"uphaul config schema --file {name} > config/{name}.schema.json"


@pytest.mark.parametrize("name", NAMES)
def test_every_file_points_editors_at_its_schema(name: str) -> None:
    texts = {CALIBRATION: HEAD} | {f: (CONFIG / f).read_text(encoding="utf-8") for f in (*FILES, FIELD_CHECK)}
    assert texts[f"{name}.toml"].splitlines()[0] == f"#:schema ./{name}.schema.json"


@pytest.mark.parametrize("name", NAMES)
def test_every_key_is_in_the_reference_with_unit_default_and_range(name: str) -> None:
    text = (CONFIG / "README.md").read_text(encoding="utf-8")
    section = text.split(f"\n## {name}.toml\n")[1].split("\n## ")[0]
    for row in key_rows(name):
        assert row.line() in section, row.path


def test_the_reference_has_a_row_for_every_key_of_the_models() -> None:
    def keys(schema: dict[str, Any]) -> set[str]:
        parts = [schema, *schema.get("$defs", {}).values()]
        return {key for part in parts for key in part.get("properties", {})}

    told = {row.path.rpartition(".")[2] for name in NAMES for row in key_rows(name)}
    told |= {row.path for row in amount_rows()}
    for name in NAMES:
        assert keys(json.loads(json_schema(name))) <= told


def test_the_reference_has_no_row_that_is_no_key() -> None:
    text = (CONFIG / "README.md").read_text(encoding="utf-8")
    known = {row.line() for name in NAMES for row in key_rows(name)} | {row.line() for row in amount_rows()}
    for line in text.splitlines():
        if line.startswith("| `") and line.count("|") == 5:
            assert line in known or line.split("`")[1] in FILES or line.split("`")[1].startswith("*")


def test_the_reference_names_every_formula_and_unit() -> None:
    text = (CONFIG / "README.md").read_text(encoding="utf-8")
    for formula in FORMULAS.values():
        assert f"\n{formula.row()}\n" in text
    for unit in UNITS.values():
        assert f"`{unit.name}` ({unit.per_unit})" in text


def test_check_tells_what_is_configured() -> None:
    done = CliRunner().invoke(command, ["check", str(CONFIG)])
    assert done.exit_code == 0
    assert "Sample tow vehicle (invented)" in done.output
    assert "20 measured" in done.output


def test_check_as_json() -> None:
    done = CliRunner().invoke(command, ["check", str(CONFIG), "--json"])
    told = json.loads(done.output)
    assert told["ok"] is True
    assert told["tunes"] == ["stock", "tow", "tow-max"]
    assert {"name": "egt", "unit": "degC", "computed": False, "required": True} in told["signals"]


def _broken(tmp_path: Path) -> Path:
    for file in CONFIG.glob("*.toml"):
        text = file.read_text(encoding="utf-8")
        (tmp_path / file.name).write_text(text.replace("deadband = 25", "deadband = nan"), encoding="utf-8")
    return tmp_path


def test_check_tells_every_problem_and_ends_with_2(tmp_path: Path) -> None:
    done = CliRunner().invoke(command, ["check", str(_broken(tmp_path))])
    assert done.exit_code == 2
    assert done.stdout == ""
    lines = done.stderr.splitlines()
    assert sum(".deadband = nan: must be a number" in line for line in lines) == 3
    assert any(
        line.startswith("signals.toml: source.bus.dbc = 'vehicle.dbc': must be a DBC file that is there")
        for line in lines
    )
    assert lines[-1] == f"{tmp_path}: 4 problems"


def test_problems_as_json(tmp_path: Path) -> None:
    done = CliRunner().invoke(command, ["check", str(_broken(tmp_path)), "--json"])
    assert done.exit_code == 2
    told = json.loads(done.stdout)
    assert told["ok"] is False
    assert {"file", "key", "value", "allowed", "nearest"} == set(told["problems"][0])
    assert "nan" in {p["value"] for p in told["problems"]}


@pytest.mark.parametrize("name", NAMES)
def test_the_schema_is_printed(name: str) -> None:
    done = CliRunner().invoke(command, ["schema", "--file", name])
    assert done.output == json_schema(name)


def test_all_schemas_are_printed_together() -> None:
    assert set(json.loads(CliRunner().invoke(command, ["schema"]).output)) == {*FILES, FIELD_CHECK, CALIBRATION}
