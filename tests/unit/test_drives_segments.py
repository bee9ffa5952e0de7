"""`uphaul drives --segments`: a logged drive as table and JSON, also where its configuration changed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from support.config_files import rules_toml
from support.whole_drives import CRUISING, IDLING, OFF, Leg, by_hand
from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.cli import main
from uphaul.config import load_texts
from uphaul.config.spec import Config
from uphaul.log import LogWriter, TickRecord
from uphaul.log.drives import log_parts
from uphaul.log.joined import joined
from uphaul.log.reader import Log
from uphaul.units import convert

UNITS = {"rpm": "rpm", "speed": "mph", "pedal": "%", "boost": "psi", "egt": "degF", "coolant": "degF", "grade": "%"}
CLIMB = Leg(60.0, rpm=2600.0, speed=21.0, pedal=0.85, boost=150.0, egt=(600.0, 730.0), grade=0.065)


def configuration(*tunes: str, rules: str = 'name = "egt-high"\nabove = 1328\naction = "ease"') -> Config:
    signals = "".join(
        f'[signal.{name}]\nunit = "{unit}"\nper_unit = 100\n'
        + ('range = [-40, 2000]\nlocation = "pre-turbine"\n' if name == "egt" else "")
        for name, unit in UNITS.items()
    )
    vehicle = 'name = "Invented"\n' + "".join(f"[tune.{name}]\n" for name in tunes)
    files = {"signals.toml": signals, "rules.toml": rules_toml(rules), "vehicle.toml": vehicle}
    return load_texts(files, check_inputs=False)


def write(path: Path, drive: WholeDrive, *parts: tuple[Config, int, int]) -> Path:
    """One drive in a log; each part is (configuration, first tick, number of its tune)."""
    writer = LogWriter(path, buffer_s=1e6)
    stops = [*(first for _, first, _ in parts[1:]), len(drive)]
    for i, ((config, first, tune), stop) in enumerate(zip(parts, stops, strict=True)):
        if i == 0:
            writer.begin_drive(config, boot_id="boot", began_boot_ms=0)
        else:
            writer.resume_drive(config, 1, boot_id="boot", began_boot_ms=0)
        columns = [
            convert(drive.read(s.name), ROLES[s.name], s.unit) * s.per_unit for s in config.signals if s.name in UNITS
        ]
        for tick in range(first, stop):
            writer.tick(TickRecord(int(drive.t_ms[tick]), tune, [round(float(c[tick])) for c in columns]))
    writer.end_drive("key off")
    assert writer.close(60.0)
    return path


def told(*arguments: str) -> str:
    done = CliRunner().invoke(main, ["drives", *arguments])
    assert done.exit_code == 0, done.output
    return done.output


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    drive = by_hand([OFF, Leg(1.0, rpm=220.0), IDLING, CRUISING, CLIMB])
    return write(tmp_path_factory.mktemp("log") / "a.db", drive, (configuration("tow"), 0, 0))


def test_the_table_has_a_line_for_each_segment_in_the_units_of_the_drive(log: Path) -> None:
    lines = told(str(log), "--segments").splitlines()
    assert lines[0] == f"{log} drive 1: 5 segments, 2 min 31 s"
    assert [line.split()[0] for line in lines[2:]] == ["key-on", "start", "idle", "cruise", "climb"]
    climb = lines[-1].split("  ")
    assert {"1:31.0", "1 min 00 s", "1.3", "+82 m", "+6.5 %", "2600 rpm", "22 psi", "1346 degF"} <= {
        c.strip() for c in climb
    }
    assert climb[-1].strip() == "egt-high: 1346 of 1328 (ease)"


def test_the_json_has_the_figures_of_all_roles_and_the_headroom_of_each_rule(log: Path) -> None:
    found: dict[str, Any] = json.loads(told(str(log), "--segments", "--drive", "1", "--json"))
    climb = found["segments"][-1]
    assert (found["drive"], climb["kind"], climb["from_ms"], climb["to_ms"]) == (1, "climb", 91_000, 150_950)
    assert set(climb["figures"]) == set(UNITS)
    egt = climb["figures"]["egt"]
    assert (found["units"]["egt"], round(egt["high"]), egt["high_ms"]) == ("degC", 730, 150_950)
    headroom = climb["headroom"]["egt-high"]
    assert headroom["left"] == pytest.approx(-18.0)
    assert (headroom["t_ms"], headroom["tune"]) == (150_950, "tow")
    assert found["segments"][0]["grade"] is None
    assert found["kinds"]["pull"]["words"].startswith("full-load acceleration")


def test_a_drive_that_is_not_there_and_options_that_do_not_go_together_are_refused(log: Path) -> None:
    for arguments, words in (
        (["--segments", "--drive", "7"], "7"),
        (["--drive", "1"], "it needs --segments"),
        (["--segments", "--drift"], "one at a time"),
    ):
        done = CliRunner().invoke(main, ["drives", str(log), *arguments])
        assert done.exit_code == 2 and words in done.output


def test_where_the_configuration_changed_the_drive_is_whole_its_tunes_are_kept_by_name_and_it_says_so(
    tmp_path: Path,
) -> None:
    drive = by_hand([CRUISING, CLIMB])
    first, second = (
        configuration("stock", "tow"),
        configuration("tow", rules='name = "slow"\nsignal = "speed"\nbelow = 1'),
    )
    path = write(tmp_path / "b.db", drive, (first, 0, 1), (second, 800, 0))
    with Log.open(path) as file:
        whole = joined(log_parts(file, 1))
    assert len(whole) == len(drive)
    assert {whole.tunes[n] for n in whole.tune.tolist()} == {"tow"}
    lines = told(str(path), "--segments").splitlines()
    assert [line.split()[0] for line in lines[2:4]] == ["cruise", "climb"]
    assert "slow: " in lines[2]
    assert lines[-1] == "its configuration or program changed on the way: the limits are those of its last part"


def test_a_signal_whose_unit_changed_is_named(tmp_path: Path) -> None:
    drive = by_hand([Leg(2.0)])
    other = load_texts({"signals.toml": '[signal.speed]\nunit = "km/h"\n', "rules.toml": ""}, check_inputs=False)
    path = write(tmp_path / "c.db", drive, (configuration(), 0, -1), (other, 20, -1))
    done = CliRunner().invoke(main, ["drives", str(path), "--segments"])
    assert done.exit_code == 2
    assert "drive 1: speed is in mph and in km/h" in done.output
