"""A dynamometer run from CSV: what becomes of it, and every fault named with file, line and column."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from support.config_files import DBC, RULES, SIGNALS, VEHICLE
from support.whole_drives import Leg, by_hand
from uphaul.analysis.powers import Way, against_bench
from uphaul.cli import main
from uphaul.config import load, load_texts
from uphaul.config.spec import Config
from uphaul.errors import ConfigError, Problem
from uphaul.vehicle.asked import asked, uses
from uphaul.vehicle.model import Dyno, Expected, Tune
from uphaul.vehicle.sheet import BuildSheet, Clutch, Engine

RUN = """rpm,power,torque,boost
rpm,kW,N·m,psi
1500,62.83,400,10
2000,98.43,470,20
2900,142.7,470,21.5
3600,135.7,360,21
"""
"""Invented. Power is torque times speed: 400 N·m at 1500 rpm are 62.83 kW."""

DRIVELINE = "[driveline]\ngears = [4.0, 1.0]\nfinal_drive = 4.0\ntyre_radius = 0.38\nefficiency = 0.8\n"


def loaded(run: str | None = RUN, at: str = 'dyno_at = "crank"', sheet: str = "", file: str = "tow.csv") -> Config:
    vehicle = VEHICLE.replace("[tune.stock]", f"{sheet}[tune.stock]").replace("[tune.tow]\n", "[tune.tow]\nCURVE")
    before, _, after = vehicle.partition("CURVE")
    after = after.partition("\n")[2]  # without its own expected curve
    texts = {"signals.toml": SIGNALS, "rules.toml": RULES, "small.dbc": DBC}
    texts["vehicle.toml"] = f'{before}dyno = "{file}"\n{at}\n{after}'
    return load_texts(texts | ({file: run} if run is not None else {}))


def faults(run: str | None = RUN, **more: str) -> list[Problem]:
    with pytest.raises(ConfigError) as caught:
        loaded(run, **more)
    return list(caught.value.problems)


def run_of(config: Config) -> Dyno:
    (tune,) = (t for t in config.vehicle.tunes if t.name == "tow")
    assert tune.dyno is not None
    return tune.dyno


def test_a_run_is_the_tunes_curve_and_what_is_expected_of_it() -> None:
    config = loaded()
    run = run_of(config)
    assert run.rpm == (1500.0, 2000.0, 2900.0, 3600.0)
    assert run.torque_nm == (400.0, 470.0, 470.0, 360.0)
    assert not run.at_wheels
    (curve,) = config.vehicle.tunes[1].expected
    assert (curve.signal, curve.over, curve.x) == ("boost", "rpm", run.rpm)
    assert curve.y == pytest.approx([68.948, 137.895, 148.237, 144.79], abs=1e-3)  # in kPa, the signal's unit


def test_the_file_is_kept_with_the_configuration() -> None:
    config = loaded()
    assert dict(config.files)["tow.csv"] == RUN
    assert load_texts(dict(config.files)).vehicle == config.vehicle


def test_a_run_at_the_wheels_is_brought_to_the_crankshaft() -> None:
    run = run_of(loaded(at='dyno_at = "wheels"', sheet=DRIVELINE))
    assert run.at_wheels
    assert run.torque_nm[0] == pytest.approx(400.0 / 0.8)
    assert run.power_kw[0] == pytest.approx(62.83 / 0.8)


def test_units_are_converted() -> None:
    """470 N·m are 346.65 lbf·ft; 98.43 kW are 132.0 hp (NIST SP 811)."""
    text = "rpm,power,torque\nrpm,hp,lbf·ft\n1500,84.26,295.02\n2000,132.0,346.65\n2900,191.4,346.65\n"
    run = run_of(loaded(text))
    assert run.torque_nm[1] == pytest.approx(470.0, abs=0.01)
    assert run.power_kw[1] == pytest.approx(98.43, abs=0.01)


def test_what_is_written_goes_before_what_was_measured() -> None:
    texts = dict(loaded().files)
    texts["vehicle.toml"] = VEHICLE.replace("[tune.tow]", '[tune.tow]\ndyno = "tow.csv"\ndyno_at = "crank"')
    (curve,) = load_texts(texts).vehicle.tunes[1].expected
    assert curve == Expected("boost", "rpm", (1000.0, 2000.0), (60.0, 140.0))


FAULTS = [
    ("1500,62.83,400,10", "1500,62.83,4OO,10", "line 3, column 3 (torque)", "must be a number above 0"),
    ("2000,98.43,470,20", "2000,98.43,-470,20", "line 4, column 3 (torque)", "must be a number above 0"),
    ("2000,98.43,470,20", "2000,98.43,470,", "line 4, column 4 (boost)", "must be a number"),
    ("2000,98.43", "1400,68.9", "line 4, column 1 (rpm)", "must be above 1500 rpm, the row before"),
    ("2000,98.43,470,20", "2000,98.43,470", "line 4", "must have 4 numbers, not 3"),
    ("rpm,kW,N·m,psi", "rpm,degC,N·m,psi", "line 2, column 2 (power)", "must be a unit of power, as kW"),
    ("rpm,kW,N·m,psi", "rpm,kW,N·m,furlongs", "line 2, column 4 (boost)", "must be a unit of pressure, as kPa"),
    ("rpm,kW,N·m,psi", "rpm,kW,N·m", "line 2", "must have a unit for each of the 4 columns, not 3"),
    ("rpm,power,torque,boost", "rpm,power,moment,boost", "line 1", "must name a column torque"),
    ("torque,boost", "torque,bost", "line 1, column 4", "or the name of a signal"),
    ("torque,boost", "torque,power", "line 1, column 4", "must be named once"),
    ("rpm,kW", "rpm,hp", "line 3, column 2 (power)", "must be what torque and speed make of it, 62.83 kW"),
    (RUN, RUN.replace(",", ";"), "line 1", "must be separated by commas"),
    (RUN, "rpm,power,torque\nrpm,kW,N·m\n", "rows", "3 rows of numbers at least"),
]


@pytest.mark.parametrize(("old", "new", "key", "said"), FAULTS)
def test_a_fault_is_named_with_its_line_and_column(old: str, new: str, key: str, said: str) -> None:
    assert old in RUN
    found = {p.key: p for p in faults(RUN.replace(old, new, 1))}
    assert key in found
    assert said in found[key].allowed
    assert {p.file for p in found.values()} == {"tow.csv"}


def test_all_faults_of_a_run_are_told_at_once() -> None:
    text = RUN.replace(",400,", ",x,").replace(",360,", ",y,")
    assert [p.key for p in faults(text)] == ["line 3, column 3 (torque)", "line 6, column 3 (torque)"]


@pytest.mark.parametrize(
    ("more", "key", "said"),
    [
        ({"at": ""}, "tune.tow.dyno_at", "crank or wheels"),
        ({"at": 'dyno_at = "wheels"'}, "tune.tow.dyno_at", "needs [driveline]"),
        ({"file": "../tow.csv"}, "tune.tow.dyno", "must be a CSV file in the folder"),
        ({"file": "tow.txt"}, "tune.tow.dyno", "must be a CSV file in the folder"),
    ],
)
def test_a_run_that_is_named_wrongly(more: dict[str, str], key: str, said: str) -> None:
    (found,) = faults(**more)
    assert (found.file, found.key) == ("vehicle.toml", key)
    assert said in found.allowed


def test_a_run_that_is_not_there_is_a_fault() -> None:
    (found,) = faults(None)
    assert (found.key, found.allowed) == ("tune.tow.dyno", "must be a CSV file that is there")


def test_the_run_takes_the_place_of_the_targets() -> None:
    engine = Engine(3.2, 4, 750.0, 3700.0, filling=0.88, consumption_g_kwh=222.0)
    sheet = BuildSheet(engine=engine, parts=(Clutch(name="clutch", torque_nm=500.0),))
    tune = replace(loaded().vehicle.tunes[1], expected=())
    ask = asked(sheet, tune)
    assert ask is not None
    (use,) = uses(sheet, [ask])
    assert use.most == 470.0
    assert 2000.0 <= use.rpm <= 2900.0


def test_the_command_tells_bench_and_target_side_by_side(tmp_path: Path) -> None:
    sample = Path(__file__).parents[2] / "config"
    for name in ("signals.toml", "rules.toml"):
        (tmp_path / name).write_bytes((sample / name).read_bytes())
    text = (sample / "vehicle.toml").read_text(encoding="utf-8")
    text = text.replace("[tune.tow]", '[tune.tow]\ndyno = "tow.csv"\ndyno_at = "wheels"')
    (tmp_path / "vehicle.toml").write_text(text, encoding="utf-8")
    wheels = "rpm,power,torque\nrpm,kW,N·m\n2000,88.59,423\n2900,128.5,423\n3600,122.1,324\n"
    (tmp_path / "tow.csv").write_text(wheels, encoding="utf-8")
    assert load(tmp_path, check_inputs=False).vehicle.tunes[1].dyno is not None
    done = CliRunner().invoke(main, ["vehicle", str(tmp_path)])
    assert done.exit_code == 0, done.output
    (line,) = (x for x in done.stdout.splitlines() if "dynamometer (tow.csv" in x)
    assert "142.8 kW of 140 meant at 2,900 rpm, 470 N·m of 470 meant at 2,000 rpm" in line


def test_an_estimate_of_a_drive_is_held_against_the_run() -> None:
    full = Leg(20.0, rpm=2450.0, speed=20.0, pedal=1.0, gear=4.0)
    drive = by_hand([replace(full, pedal=0.5), full])
    kw = np.full(len(drive), 110.0)
    way = Way("road load", "", kw, 0.13 * kw)
    tune = Tune("tow", dyno=run_of(loaded()))
    found = against_bench(drive, way, tune)
    assert found is not None
    by_bench = 98.43 + (142.7 - 98.43) * 450.0 / 900.0  # straight between 2,000 and 2,900 rpm
    assert found.apart == pytest.approx(110.0 / by_bench - 1.0)
    assert found.doubt == pytest.approx(0.13 * 110.0 / by_bench)
    assert 17 <= found.windows <= 19  # the last of 20 s, the pedal down for 2 s before
    assert against_bench(drive, way, replace(tune, name="stock")) is None
    gentle = by_hand([replace(full, pedal=0.5, seconds=40.0)])
    assert against_bench(gentle, way, tune) is None
