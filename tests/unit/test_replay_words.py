"""What `uphaul replay` says of what was raised, of what was not, and of what could not be judged."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from support.config_files import rules_toml
from uphaul.cli import main
from uphaul.cli.replay import command
from uphaul.config import load_texts
from uphaul.config.spec import Config
from uphaul.live import Live, pick_up
from uphaul.log import Log, LogWriter
from uphaul.signals import Collector, Sample

RULES = """
[[rule]]
name = "hot"
kind = "threshold"
signal = "egt"
above = 700
on_delay_s = 10
action = "ease"
say = "Exhaust too hot"
"""


def test_past_the_limit_but_not_for_long_enough_is_not_called_within_it(tmp_path: Path) -> None:
    (tmp_path / "rules.toml").write_text(RULES, encoding="utf-8")
    (tmp_path / "drive.csv").write_text("t_s,egt\ns,degC\n0,800\n", encoding="utf-8")
    done = CliRunner().invoke(command, [str(tmp_path / "drive.csv"), "--rules", str(tmp_path / "rules.toml")])
    assert done.exit_code == 0
    assert "No rule was raised." in done.output
    assert "beyond" not in done.output
    assert "-100 degC" in done.output  # the headroom of the closest approach says how far past it was
    assert "not long enough" in done.output
    assert "1 tick\n" in done.output


SIGNALS = """
[signal.rpm]
unit = "rpm"
range = [0, 6000]
[signal.egt]
unit = "degC"
range = [-40, 1100]
location = "pre-turbine"
[signal.map]
unit = "kPa"
range = [0, 400]
[signal.baro]
unit = "kPa"
[computed.boost]
unit = "kPa"
formula = "gauge-pressure"
inputs = { absolute = "map", barometric = "baro" }
"""
VEHICLE = """
name = "Test vehicle (invented)"
[tune.stock]
[tune.tow]
"""


class Folder:
    """A CSV, a configuration and rules to try, and what a replay says of them."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def replay(self, csv: str, *, rules: str | None = None, config: str | None = None) -> tuple[str, dict[str, Any]]:
        """The text and the object of a replay; `config` holds the rules of the configuration."""
        (self.path / "drive.csv").write_text(csv, encoding="utf-8")
        arguments = [str(self.path / "drive.csv")]
        if rules is not None:
            (self.path / "rules.toml").write_text(rules, encoding="utf-8")
            arguments += ["--rules", str(self.path / "rules.toml")]
        if config is not None:
            directory = self.path / "config"
            directory.mkdir(exist_ok=True)
            for name, text in (("signals", SIGNALS), ("vehicle", VEHICLE), ("rules", config)):
                (directory / f"{name}.toml").write_text(text, encoding="utf-8")
            arguments += ["--config", str(directory)]
        said = CliRunner().invoke(command, arguments)
        assert said.exit_code == 0, said.output
        found = CliRunner().invoke(command, [*arguments, "--json"])
        assert found.exit_code == 0
        result: dict[str, Any] = json.loads(found.output)
        assert all(note in said.output for note in result["notes"])
        return said.output, result


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    return Folder(tmp_path)


FAST = "when = [{ signal = 'rpm', above = 1200 }]"


def test_limits_in_the_units_of_the_csv_are_told(folder: Folder) -> None:
    rules = rules_toml("above = 720", 'signal = "boost"\nabove = 20', 'signal = "coolant"\nkind = "lost"')
    csv = "t_s,egt,boost,coolant\ns,degF,psi,degF\n0,800,10,190\n"
    _, found = folder.replay(csv, rules=rules)
    note = "limits are taken in the CSV's units, egt in degF, boost in psi; --config DIR brings units"
    assert found["notes"] == [note]
    _, found = folder.replay(
        "t_s,egt\ns,degF\n0,800\n", rules=rules_toml("above = 720"), config=rules_toml("above = 700")
    )
    assert found["notes"] == []  # 800 degF are 427 degC: converted, and held against 720 degC
    assert found["conditions"] == []


def test_a_column_of_a_computed_signal_takes_its_unit_from_the_configuration(folder: Folder) -> None:
    # 20 psi = 137.895 kPa. Source: NIST SP 811 (2008), appendix B.9
    rules = rules_toml('signal = "boost"\nabove = 100')
    _, found = folder.replay("t_s,boost\ns,psi\n0,20\n", config=rules)
    (raised,) = found["conditions"]
    assert (raised["value"], found["notes"]) == (137.9, [])


def test_tune_names_that_nobody_knows_are_told_with_the_nearest(folder: Folder) -> None:
    csv = "t_s,egt,tune\ns,degC,\n0,500,tow\n1,500,towing\n"
    tuned = rules_toml("above = 720\ntune.tow.above = 680")
    note = "the CSV names tune 'towing' (did you mean 'tow'?), which is not known; base limits apply there (known: {})"
    _, found = folder.replay(csv, rules=tuned)
    assert note.format("tow") in found["notes"]
    _, found = folder.replay(csv, config=rules_toml("above = 720"))
    assert found["notes"] == [note.format("stock, tow")]
    _, found = folder.replay(csv.replace("towing", "stock"), config=rules_toml("above = 720"))
    assert found["notes"] == []


def test_limits_for_a_tune_that_the_vehicle_has_not_are_told(folder: Folder) -> None:
    rules = rules_toml(
        "above = 720\ntune.race.above = 700", "above = 721\ntune.race.above = 701", "above = 3\ntune.tow.above = 2"
    )
    _, found = folder.replay("t_s,egt\ns,degC\n0,1\n", rules=rules, config=rules_toml("above = 720"))
    assert found["notes"] == ["the vehicle has no tune 'race', which rules r0, r1 set limits for; it has stock, tow"]


def test_limits_that_can_never_or_must_always_be_passed_are_told(folder: Folder) -> None:
    rules = rules_toml(
        "above = 1100",
        "below = 1300",
        "below = { over = 'rpm', points = [[0, -60], [1, -40]] }",
        f"above = 1099\n{FAST}",
        "above = 700\nwhen = [{ signal = 'rpm', above = 7000 }]",
    )
    _, found = folder.replay("t_s,egt,rpm\ns,degC,rpm\n0,1,0\n", rules=rules, config=rules_toml("above = 720"))
    assert found["notes"] == [
        "rule r0: above 1100 degC is never so, egt ranges from -40 to 1100",
        "rule r1: below 1300 degC is always so, egt ranges from -40 to 1100",
        "rule r2: below -60 ... -40 degC is never so, egt ranges from -40 to 1100",
        "rule r4: above 7000 rpm is never so, rpm ranges from 0 to 6000",
    ]


def test_what_the_drive_lacks_is_told_by_what_becomes_of_the_rules(folder: Folder) -> None:
    rules = rules_toml(
        'signal = "coolant"\nabove = 105',
        'signal = "coolant"\nabove = 110',
        'signal = "coolant"\nkind = "lost"',
        f'action = "ease"\nabove = 720\n{FAST}',
        f"above = 720\n{FAST}",
        f'signal = "coolant"\nabove = 105\n{FAST}',
        "above = 720\ntune.tow.above = { over = 'boost', points = [[0, 700], [1, 710]] }",
        'kind = "departure"\nabove = 20',
        "above = 730",
    )
    _, found = folder.replay("t_s,egt\ns,degC\n0,1\n", rules=rules)
    assert found["notes"][1:] == [
        "not judged, the drive has no signal coolant: r0, r1",
        "counted as lost, the drive has no signal coolant: r2",
        "judged as if the `when` held that reads it, the drive has no signal rpm: r3",
        "not judged, the drive has no signal rpm: r4",
        "not judged, the drive has no signals coolant, rpm: r5",
        "not judged in every tune, the drive has no signal boost: r6",
        "not judged, no tune has an expected curve of egt: r7",
    ]


def test_only_what_the_csv_has_the_inputs_of_is_called_computed_from_it(folder: Folder) -> None:
    rules = rules_toml('signal = "boost"\nabove = 100')
    _, found = folder.replay("t_s,map,baro\ns,kPa,kPa\n0,250,100\n", config=rules)
    assert found["notes"] == ["computed from the CSV: boost"]
    assert found["conditions"][0]["value"] == 150
    _, found = folder.replay("t_s,map\ns,kPa\n0,250\n", config=rules)
    assert found["notes"] == ["not judged, the drive has no signal boost: r0"]


def test_values_out_of_range_are_counted(folder: Folder) -> None:
    csv = "t_s,egt,rpm\ns,degC,rpm\n0,1200,800\n1,,800\n2,-300,800\n3,500,inf\n4,1300,800\n"
    _, found = folder.replay(csv, config=rules_toml("above = 720"))
    assert found["notes"] == [
        "egt: 3 of 4 values outside -40 ... 1100 degC, taken as unknown",
        "rpm: 1 of 5 values infinite, taken as unknown",
    ]


def test_rules_that_were_never_measured_are_not_left_out(folder: Folder) -> None:
    rules = rules_toml('signal = "coolant"\nabove = 105', "above = 720", f"above = 720\n{FAST}", 'kind = "lost"')
    said, found = folder.replay("t_s,egt,rpm\ns,degC,rpm\n0,700,800\n", rules=rules)
    assert "\nnever known: r0\n" in said
    assert "\nfurther conditions never held: r2\n" in said
    assert [r["closest"] is None for r in found["rules"]] == [True, False, True, True]


def test_an_alert_that_was_suppressed_is_marked_as_quiet(folder: Folder) -> None:
    rules = rules_toml("above = 750", 'above = 720\nsuppressed_by = ["r0"]\nsay = "Ease off"')
    rows = "0,760\n1,760\n2,600\n3,730\n4,600\n"
    said, found = folder.replay(f"t_s,egt\ns,degC\n{rows}", rules=rules)
    keys = [(c["rule"], c["raised_t_s"], c["told"], c["quiet"]) for c in found["conditions"]]
    assert keys == [("r0", 0, True, None), ("r1", 0, False, "suppressed by r0"), ("r1", 3, True, None)]
    lines = [line for line in said.splitlines() if " r1 " in line]
    assert [line.endswith(end) for line, end in zip(lines, ("quiet (suppressed by r0)", "Ease off"), strict=False)] == [
        True,
        True,
    ]


def config_of(rules: str) -> Config:
    return load_texts({"signals.toml": SIGNALS, "rules.toml": rules, "vehicle.toml": VEHICLE}, check_inputs=False)


def drive(path: Path, rules: str, start_ms: int, temperatures: list[float]) -> None:
    """Drive on, one tick a temperature, under these rules; the drive stays open."""
    config = config_of(rules)
    collector, writer = Collector(config.signals, config.tunes), LogWriter(path)
    live = Live(config, collector, writer, "boot-1")
    if (left := writer.open_drive) is not None:
        with Log.open(path) as log:
            carried, blocks = pick_up(log, left.drive, config)
        live.resume(left.drive, left.began_boot_ms, left.began_boot_ms + start_ms, carried, blocks)
    rpm, egt = ([s.name for s in config.signals].index(name) for name in ("rpm", "egt"))
    for i, value in enumerate(temperatures):
        collector.add([Sample(rpm, start_ms + 50 * i, 2000), Sample(egt, start_ms + 50 * i, value)])
        live.tick(start_ms + 50 * i)
    assert writer.close(10)


def test_an_alert_ends_where_the_configuration_changed(tmp_path: Path) -> None:
    path = tmp_path / "vehicle.db"
    drive(path, rules_toml("above = 720"), 0, [700, 730, 730, 730])
    drive(path, rules_toml("above = 710"), 1000, [700, 600, 725, 725])
    done = CliRunner().invoke(main, ["replay", str(path), "--json"])
    found = json.loads(done.output)
    keys = [(c["raised_t_s"], c["cleared_t_s"], c["limit"], c["cut"]) for c in found["conditions"]]
    assert keys == [(0.05, 0.15, 720, "configuration changed"), (1.1, None, 710, None)]
    assert found["live"] == {"same": True, "differences": []}
    assert [(r["raises"], r["active_s"]) for r in found["rules"]] == [(2, 0.15)]
    said = CliRunner().invoke(main, ["replay", str(path)]).output
    assert "0.1 s, until the configuration changed" in said
    assert said.count("to the end") == 1
    listed = json.loads(CliRunner().invoke(main, ["drives", str(path), "--json"]).output)
    assert [d["alerts"] for d in listed["drives"]] == [2]
    assert "rules raised" in CliRunner().invoke(main, ["drives", str(path)]).output


def test_a_difference_says_by_how_much_an_end_has_moved(tmp_path: Path) -> None:
    path, rules = tmp_path / "vehicle.db", tmp_path / "rules.toml"
    drive(path, rules_toml("above = 720"), 0, [700, 700, 730, 730, 710, 710, 600, 600, 600])
    for limit, says in (
        (705, "moved: r0 at 0:00.1, over 0.1 s later, at 0:00.3"),
        (500, "moved: r0 at 0:00.0, raised 0.1 s earlier, not over at the end, live at 0:00.2"),
    ):
        rules.write_text(rules_toml(f"above = {limit}"), encoding="utf-8")
        assert says in CliRunner().invoke(main, ["replay", str(path), "--rules", str(rules)]).output
