"""Computed signals in the configuration: what becomes of their constants, and how what is wrong with them is told."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from support.config_files import SIGNALS, config_of, problems_of
from uphaul.cli.config import command
from uphaul.config.spec import Accuracy
from uphaul.config.typical import usual_readings
from uphaul.physics.correction import WHY_OFF
from uphaul.physics.lookup import Grid

MORE = """
[signal.speed]
unit = "km/h"

[signal.height]
unit = "m"

[computed.air]
unit = "kg/h"
formula = "air-flow"
inputs = { rpm = "rpm", manifold = "map", charge = "egt" }
constants = { displacement = 3, efficiency = { x = [1000, 3000], y = [100, 200], z = [[0.8, 0.85], [0.9, 1]] } }

[computed.gear]
unit = "1"
formula = "gear"
inputs = { rpm = "rpm", speed = "speed" }
constants = { ratios = [4.3, 2.3, 1.4, 1], final_drive = 4.9, tyre_radius = 0.38 }

[computed.grade]
unit = "%"
formula = "grade"
inputs = { speed = "speed", height = "height" }
"""


def test_numbers_lists_and_maps_become_constants() -> None:
    found = {c.signal.name: dict(c.constants) for c in config_of(SIGNALS + MORE).computed}
    grid = Grid("efficiency", (1000.0, 3000.0), (100.0, 200.0), ((0.8, 0.85), (0.9, 1.0)))
    assert found["air"] == {"displacement": 3.0, "efficiency": grid}
    assert found["gear"]["ratios"] == (4.3, 2.3, 1.4, 1.0)
    assert found["grade"] == {}


WRONG = [
    # (what stands there, what stands there instead, key, part of what is allowed)
    ("displacement = 3, ", "", "air.constants.displacement", "is required, a number in L: swept volume"),
    ("displacement = 3", "displacement = 0", "air.constants.displacement", "of at least 0.1 and at most 100, in L"),
    ("displacement = 3", 'displacement = "3"', "air.constants.displacement", "must be a number of at least 0.1"),
    ("displacement = 3", "displacement = true", "air.constants.displacement", "a number or text or a list of numbers"),
    ("displacement = 3", "displacement = nan", "air.constants.displacement", "must be a number"),
    (
        "displacement = 3",
        "displacment = 3, displacement = 3",
        "air.constants.displacment",
        "is no constant of air-flow",
    ),
    ("displacement = 3", "displacement = [3]", "air.constants.displacement", "must be a number of at least 0.1"),
    ("y = [100, 200]", "y = [200, 100]", "air.constants.efficiency", "each over the one before"),
    ("y = [100, 200]", "y = [100]", "air.constants.efficiency.y", "at least 2 entries, not 1"),
    ("y = [100, 200]", "w = [100, 200]", "air.constants.efficiency.w", "no key of this table"),
    ("[0.9, 1]", "[0.9, 1, 2]", "air.constants.efficiency", "2 rows of 2 values each"),
    ("[0.9, 1]", "[0.9, 20]", "air.constants.efficiency", "a z of numbers of at least 0.01 and at most 2"),
    ("[0.9, 1]", '[0.9, "1"]', "air.constants.efficiency.z[1][1]", "must be a number"),
    ("ratios = [4.3, 2.3, 1.4, 1]", "ratios = [4.3, 2.3, 2.3]", "gear.constants", "each below the one before"),
    ("ratios = [4.3, 2.3, 1.4, 1]", "ratios = 4.3", "gear.constants.ratios", "must be a list of numbers"),
    ("ratios = [4.3, 2.3, 1.4, 1]", "ratios = []", "gear.constants.ratios", "at least 1 entries, not 0"),
    ("final_drive = 4.9", "over = 0.4", "gear.constants", "two gears of (4.3, 2.3, 1.4, 1.0) would both fit"),
    (', height = "height"', "", "grade.inputs", "must have barometric or height, or both, for grade"),
    ('height = "height"', 'height = "speed"', "grade.inputs.height", "must have a unit of length"),
    ('formula = "grade"', 'typical = 7\nrange = [-5, 5]\nformula = "grade"', "grade.typical", "-5 to 5 %"),
    ('formula = "grade"', 'usual = 7\nrange = [-5, 5]\nformula = "grade"', "grade.usual", "-5 to 5 %"),
    ('formula = "grade"', 'uncertainty = -1\nformula = "grade"', "grade.uncertainty", "a number of at least 0"),
    ('"height" }', '"height" }\nconstants = { window_s = 31 }', "grade.constants.window_s", "at most 30, in s"),
]


@pytest.mark.parametrize(("old", "new", "key", "allowed"), WRONG)
def test_a_fault(old: str, new: str, key: str, allowed: str) -> None:
    assert MORE.count(old) == 1
    found = {p.key: p for p in problems_of(SIGNALS + MORE.replace(old, new))}
    assert f"computed.{key}" in found, found
    assert allowed in found[f"computed.{key}"].allowed


def test_a_misspelt_constant_is_told_its_name() -> None:
    text = MORE.replace("displacement = 3", "displacment = 3")
    found = {p.key: p for p in problems_of(SIGNALS + text)}
    assert found["computed.air.constants.displacment"].nearest == "displacement"


def test_uncertainty_and_typical_value_are_kept_by_signal() -> None:
    text = SIGNALS.replace("[signal.baro]", "[signal.baro]\nuncertainty = 0.5\ntypical = 99\nusual = 98")
    assert config_of(text).accuracies == (Accuracy("baro", 0.5, 99.0, 98.0),)


def test_what_is_usual_is_as_written_else_typical_and_of_a_computed_signal_from_its_inputs() -> None:
    text = SIGNALS + POWER.replace("[signal.fuel]", "[signal.fuel]\ntypical = 30\nusual = 10")
    text = text.replace("[signal.ratio]", "[signal.ratio]\ntypical = 2")
    usual = usual_readings(config_of(text))
    assert (usual["fuel"], usual["ratio"]) == (10.0, 2.0)
    assert usual["crank"] == pytest.approx(10.0 / 0.220, abs=0.5)  # 220 g/kWh; half a kW of resolution
    assert usual_readings(config_of(text.replace('formula = "power', 'usual = 40\nformula = "power')))["crank"] == 40.0


POWER = """
[signal.fuel]
unit = "kg/h"

[signal.ratio]
unit = "1"

[computed.crank]
unit = "kW"
formula = "power-from-fuel"
inputs = { fuel = "fuel" }
constants = { consumption = 220 }

[computed.corrected]
unit = "kW"
formula = "corrected-power"
constants = { displacement = 3.2 }
[computed.corrected.inputs]
power = "crank"
barometric = "baro"
intake = "egt"
fuel = "fuel"
rpm = "rpm"
boost_ratio = "ratio"
"""


def _told(tmp_path: Path, signals: str) -> dict[str, object]:
    text = (SIGNALS + signals).split("[source.bus]")[0] + (SIGNALS + signals).split('dbc = "small.dbc"')[1]
    text = "\n".join(line for line in text.splitlines() if not line.startswith("from ="))
    (tmp_path / "signals.toml").write_text(text, encoding="utf-8")
    (tmp_path / "rules.toml").write_text("", encoding="utf-8")
    plain = CliRunner().invoke(command, ["check", str(tmp_path)])
    assert plain.exit_code == 0, plain.output
    told: dict[str, object] = json.loads(CliRunner().invoke(command, ["check", str(tmp_path), "--json"]).output)
    assert all(str(note) in plain.output for note in told["notes"])  # type: ignore[attr-defined]
    return told


def test_a_power_that_is_not_corrected_says_why(tmp_path: Path) -> None:
    assert _told(tmp_path, POWER)["notes"] == [f"corrected: {WHY_OFF}"]


def test_a_power_that_is_corrected_says_by_what(tmp_path: Path) -> None:
    text = POWER.replace("displacement = 3.2", 'displacement = 3.2, edition = "UN R85"')
    assert _told(tmp_path, text)["notes"] == ["corrected: corrected by UN R85"]


def test_an_edition_that_nobody_knows_is_refused() -> None:
    text = POWER.replace("displacement = 3.2", 'displacement = 3.2, edition = "R85"')
    found = {p.key: p for p in problems_of(SIGNALS + text)}
    assert found["computed.corrected.constants.edition"].allowed == (
        "must be one of off, UN R85, ISO 1585:1992, ISO 15550"
    )


def test_check_tells_how_good_computed_signals_are(tmp_path: Path) -> None:
    text = '\n[computed.ratio]\nunit = "1"\nformula = "pressure-ratio"\ninputs = { outlet = "map", inlet = "baro" }\n'
    path = tmp_path / "signals.toml"
    told = _told(tmp_path, text)
    assert told["computed"][1]["uncertainty"] is None  # type: ignore[index]
    for signal, lines in (("map", "uncertainty = 4\ntypical = 240"), ("baro", "uncertainty = 0\ntypical = 80")):
        path.write_text(path.read_text("utf-8").replace(f"[signal.{signal}]", f"[signal.{signal}]\n{lines}"), "utf-8")
    computed = json.loads(CliRunner().invoke(command, ["check", str(tmp_path), "--json"]).output)["computed"]
    assert computed[1] == {
        "name": "ratio",
        "unit": "1",
        "formula": "pressure-ratio",
        "typical": 3.0,
        "uncertainty": pytest.approx(4 / 80),
    }
    assert "ratio 3 ± 0.05" in CliRunner().invoke(command, ["check", str(tmp_path)]).output
