"""What is wrong with a configuration, and how it is told: file, key, value, what is allowed, nearest name."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import can.interfaces
import pytest

from support.config_files import RULES, SIGNALS, VEHICLE, config_of, problems_of, rules_toml
from uphaul.config.interfaces import BUILT_IN
from uphaul.config.signals import SQL_WORDS


def _signals(old: str, new: str) -> str:
    assert old in SIGNALS
    return SIGNALS.replace(old, new)


def _rules(old: str, new: str) -> str:
    assert old in RULES
    return RULES.replace(old, new)


def test_the_files_that_are_changed_below_are_in_order() -> None:
    assert [s.name for s in config_of().signals] == ["rpm", "egt", "map", "baro", "boost"]


IN_SIGNALS = [
    # (what stands there, what stands there instead, key, part of what is allowed, nearest name)
    ("tick_hz = 20", "tick_hz = 30", "tick_hz", "must divide 1000, in Hz: 25 does", None),
    ("tick_hz = 20", "tick_hz = 0", "tick_hz", "a whole number from 1 to 1,000, in Hz", None),
    ("tick_hz = 20", 'tick_hz = "20"', "tick_hz", "a whole number", None),
    ("tick_hz = 20", "tick_hz = true", "tick_hz", "a whole number", None),
    ("tick_hz = 20", "gap_s = 0.01", "gap_s", "at least one tick, 0.05 s", None),
    ("tick_hz = 20", "gap_s = nan", "gap_s", "a number above 0, at most 60, in s", None),
    ("tick_hz = 20", f"gap_s = {10**400}", "gap_s", "a number above 0, at most 60, in s", None),
    ("tick_hz = 20", "tick_herz = 20", "tick_herz", "no key of this table", "tick_hz"),
    ("tick_hz = 20", "signals = 1", "signals", "no key of this table", "signal"),
    ("per_unit = 4", "per_uint = 4", "signal.egt.per_uint", "no key of this table", "per_unit"),
    ("per_unit = 4", "per_unit = 0", "signal.egt.per_unit", "from 1 to 1,000,000", None),
    ("per_unit = 4", "per_unit = 2.5", "signal.egt.per_unit", "a whole number", None),
    ("per_unit = 4", 'reduce = "average"', "signal.egt.reduce", "one of last, mean, min, max", None),
    ("per_unit = 4", 'reduce = "men"', "signal.egt.reduce", "one of last, mean, min, max", "mean"),
    ("per_unit = 4", "max_age_s = 0", "signal.egt.max_age_s", "above 0, at most 3,600, in s", None),
    ("per_unit = 4", "max_age_s = 0.0005", "signal.egt.max_age_s", "whole milliseconds", None),
    ("per_unit = 4", "max_age_s = 1979-05-27", "signal.egt.max_age_s", "a number", None),
    ("per_unit = 4", 'meaning = "two\\nlines"', "signal.egt.meaning", "in one line", None),
    ('unit = "degC"', 'unit = "deg C"', "signal.egt.unit", "a unit that is known", "degC"),
    ('unit = "degC"', 'unit = "kPa"', "signal.egt.unit", "a unit of temperature: the reading of Egt1 is in degC", None),
    ('unit = "degC"', "", "signal.egt.unit", "is required: text", None),
    ("[-40, 1100]", "[1100, -40]", "signal.egt.range", "in degC, the lowest first", None),
    ("[-40, 1100]", "[-40]", "signal.egt.range", "at least 2 entries, not 1", None),
    ("[-40, 1100]", "[-40, inf]", "signal.egt.range[1]", "must be a number", None),
    ("[-40, 1100]", "[-40, 1e16]", "signal.egt.range", "or counts overflow", None),
    ("[-40, 1100]", '[-40, "1100"]', "signal.egt.range[1]", "a number", None),
    ("[signal.egt]", "[signal.Egt]", "signal.Egt", "small letters, digits and _", "egt"),
    ("[signal.map]", "[signal.t_ms]", "signal.t_ms", "the log has a column of that name", None),
    ("[signal.map]", "[signal.tune]", "signal.tune", "the log has a column of that name", None),
    ("[signal.map]", "[signal.order]", "signal.order", "a word of its own", None),
    ("[signal.map]", "[signal.boost]", "computed.boost", "a name of its own", None),
    ('kind = "can"', 'kind = "canbus"', "source.bus.kind", "one of can, demo, drive-file", "can"),
    ('kind = "can"', "", "source.bus.kind", "is required: one of can, demo, drive-file", None),
    ('kind = "can"', 'kind = "can"\nseed = 1', "source.bus.seed", "no key of kind can; it belongs to demo", None),
    ('"virtual"', '"soketcan"', "source.bus.interface", "an interface of python-can", "socketcan"),
    ('"small.dbc"', '"smal.dbc"', "source.bus.dbc", "a DBC file that is there", None),
    ('"small.dbc"', '"../small.dbc"', "source.bus.dbc", "a DBC file in the folder of signals.toml", None),
    ('"small.dbc"', '"/small.dbc"', "source.bus.dbc", "a DBC file in the folder of signals.toml", None),
    ('"small.dbc"', "[]", "source.bus.dbc", "at least one DBC file", None),
    (
        'source = "bus", message = "EngineBox", field = "Egt1"',
        'source = "can"',
        "signal.egt.from.source",
        "(bus)",
        None,
    ),
    ('field = "Egt1"', 'field = "Egt"', "signal.egt.from.field", "a field of message EngineBox", "Egt1"),
    ('field = "Egt1"', 'channel = "egt"', "signal.egt.from.field", "is required for a source of kind can", None),
    ('field = "Egt1"', 'field = "Egt1", channel = "e"', "signal.egt.from.channel", "no key for a source of kind", None),
    ('field = "Egt1"', 'field = "Odd"', "signal.egt.from.unit", "'furlongs', which is no unit that is known", None),
    ('"EngineBox", field = "Egt1"', '"EngieBox", field = "Egt1"', "signal.egt.from.message", "a message", "EngineBox"),
    ('"gauge-pressure"', '"gage-pressure"', "computed.boost.formula", "one of gauge-pressure", "gauge-pressure"),
    ('barometric = "baro"', 'barometric = "bara"', "computed.boost.inputs.barometric", "a signal", "baro"),
    ('barometric = "baro"', 'baro = "baro"', "computed.boost.inputs.barometric", "is required", None),
    ('barometric = "baro"', 'barometric = "egt"', "computed.boost.inputs.barometric", "a unit of pressure", None),
    ('barometric = "baro"', 'barometric = "boost"', "computed.boost.inputs", "read each other in a ring: boost", None),
    ('formula = "gauge', 'constants = { least = 1 }\nformula = "gauge', "computed.boost.constants.least", "none", None),
]


@pytest.mark.parametrize(("old", "new", "key", "allowed", "hint"), IN_SIGNALS)
def test_a_fault_in_signals_toml(old: str, new: str, key: str, allowed: str, hint: str | None) -> None:
    found = {p.key: p for p in problems_of(signals=_signals(old, new))}
    assert key in found, found
    assert found[key].file == "signals.toml"
    assert allowed in found[key].allowed
    assert found[key].nearest == hint


IN_RULES = [
    # (the rule's lines beside name, kind, signal and action; key; part of what is allowed; nearest name)
    ("above = 700\nbelow = 100", "below", "left out where `above` is", None),
    ("", "", "needs a limit: `above` or `below`", None),
    ("above = 700\ndeadband = -1", "deadband", "at least 0, in degC", None),
    ("above = 700\ndeadband = { share = -0.1 }", "deadband.share", "a share from 0 to 1", None),
    ("above = 700\ndeadband = { share = 5 }", "deadband.share", "a number from -1 to 1", None),
    ("above = 700\non_delay_s = -1", "on_delay_s", "a number from 0 to 3,600, in s", None),
    ("above = 700\non_delay_s = 3601", "on_delay_s", "a number from 0 to 3,600, in s", None),
    ("above = 700\noff_delay_s = 0.0001", "off_delay_s", "whole milliseconds", None),
    ("above = 700\non_dealy_s = 1", "on_dealy_s", "no key of kind threshold", "on_delay_s"),
    ("above = 700\nwindow_s = 1", "window_s", "it belongs to rate, exposure, reach", None),
    ("above = inf", "above", "a number or { over, points }", None),
    ('above = "700"', "above", "a number or { over, points }", None),
    ("above = true", "above", "a number or { over, points }", None),
    ("above = { share = 0.1 }", "above", "a number or { over, points }", None),
    ("above = 1100", "above", "below 1100 degC, the top of egt's range", None),
    ("below = -40", "below", "above -40 degC, the bottom of egt's range", None),
    ("above = 0\ndeadband = 50", "above", "ask for -50 degC to be within again", None),
    ('above = { over = "rpn", points = [[1, 2], [2, 3]] }', "above.over", "the name of a signal", "rpm"),
    ('above = { over = "rpm", points = [[1, 2]] }', "above.points", "at least 2 entries", None),
    ('above = { over = "rpm", points = [[1, 2], [1, 3]] }', "above.points[1][0]", "above 1, the x before it", None),
    ('above = { over = "rpm", points = [[1, 2], [2, nan]] }', "above.points[1][1]", "a number", None),
    ('above = { over = "rpm", points = [[1, 2], [2, 3, 4]] }', "above.points[1]", "at most 2 entries", None),
    ('above = { over = "rpm", point = [[1, 2], [2, 3]] }', "above.point", "no key of this table", "points"),
    ('signal = "ecgt"\nabove = 700', "signal", "the name of a signal", "egt"),
    ('action = "stopp"\nabove = 700', "action", "one of note, ease, stop", "stop"),
    ('kind = "threshhold"\nabove = 700', "kind", "one of threshold, rate", "threshold"),
    ('name = "Egt high"\nabove = 700', "name", "small letters, digits, -, _ and :", None),
    ('name = "lost:egt"\nabove = 700', "name", "not begin with lost:", None),
    ("rank = -1\nabove = 700", "rank", "a whole number from 0 to 1,000", None),
    ('when_unknown = "holds"\nabove = 700', "when_unknown", "one of hold, judge", "hold"),
    ('name = "egt-high"\nsuppressed_by = ["egt-hihg"]\nabove = 700', "suppressed_by[0]", "another rule", "egt-high"),
    ('suppressed_by = ["r0"]\nabove = 700', "suppressed_by", "not lead back to the rule itself", None),
    ('above = 700\nwhen = [{ signal = "rpn", above = 1 }]', "when[0].signal", "the name of a signal", "rpm"),
    ('above = 700\nwhen = [{ signal = "rpm" }]', "when[0]", "`above` or `below`", None),
    ('above = 700\nwhen = [{ signal = "rpm", above = 1, below = 2 }]', "when[0].below", "left out", None),
    ('above = 700\nwhen = [{ signal = "rpm", above = 1, dedband = 2 }]', "when[0].dedband", "no key", "deadband"),
    ('above = 700\nwhen = [{ signal = "rpm", above = 9000 }]', "when[0].above", "below 6000 rpm", None),
    ("above = 700\n[rule.tune.tow]\nbelow = 600", "tune.tow.below", "must be `above`, the side of the rule", None),
    ("above = 700\n[rule.tune.tow]\nabove = 1200", "tune.tow.above", "the top of egt's range", None),
    ("above = 700\n[rule.tune.tow]\nabove = { share = 0.5 }", "tune.tow.above", "a number or", None),
    ("above = 700\n[rule.tune.tow]\nlatch = true", "tune.tow.latch", "no key of this table", None),
    ("above = 700\n[rule.tune.tow]\nallowed_s = 3", "tune.tow.allowed_s", "it belongs to exposure", None),
    ("above = 700\n[rule.tune.tow]\ndeadband = -3", "tune.tow.deadband", "at least 0, in degC", None),
    ("above = 700\n[rule.tune.toww]\nabove = 600", "tune.toww", "a tune of vehicle.toml", "tow"),
    ('kind = "rate"\nabove = 1', "window_s", "is required: a number above 0, at most 3,600, in s", None),
    ('kind = "rate"\nabove = 1\nwindow_s = 0.05', "window_s", "at least 0.1 s: a slope needs three ticks", None),
    ('kind = "rate"\nabove = 1\nwindow_s = 5\ndeadband = -1', "deadband", "at least 0, in degC/s", None),
    ('kind = "exposure"\nabove = 700\nwindow_s = 60\nallowed_s = 60', "allowed_s", "below the window of 60 s", None),
    ('kind = "exposure"\nabove = 700\nwindow_s = 60\nallowed_s = 5\ndeadband = 6', "deadband", "at most the 5 s", None),
    ('kind = "departure"\nabove = 20', "signal", "write expected.egt under a tune of vehicle.toml", None),
    ('kind = "departure"\nsignal = "boost"\nbelow = 20', "below", "at most 0: -20 is 20 under", None),
    ('kind = "departure"\nsignal = "boost"\nabove = -20', "above", "at least 0: so far over", None),
    ('kind = "lost"\nabove = 20', "above", "no key of kind lost; it belongs to threshold", None),
    ('kind = "lost"\n[rule.tune.tow]\nabove = 3', "tune.tow.above", "no key of kind lost", None),
    ('kind = "reach"\nabove = 700\nwindow_s = 60\nwithin_s = 0', "within_s", "above 0, at most 36,000, in s", None),
    ('kind = "reach"\nabove = 700\nwindow_s = 60\nwithin_s = 9\nfrom = 800', "from", "below the limit of 700", None),
]


@pytest.mark.parametrize(("lines", "key", "allowed", "hint"), IN_RULES)
def test_a_fault_in_rules_toml(lines: str, key: str, allowed: str, hint: str | None) -> None:
    found = {p.key: p for p in problems_of(rules=rules_toml(lines))}
    key = f"rule[0].{key}" if key else "rule[0]"
    assert key in found, found
    assert found[key].file == "rules.toml"
    assert allowed in found[key].allowed
    assert found[key].nearest == hint


def test_rules_of_one_name() -> None:
    (found,) = problems_of(rules=rules_toml('name = "a"\nabove = 1', "above = 2", 'name = "a"\nabove = 3'))
    assert (found.key, found.value) == ("rule[2].name", "a")
    assert "rule[0] has it already" in found.allowed


def test_rules_that_suppress_each_other_in_a_ring() -> None:
    found = problems_of(
        rules=rules_toml(
            'suppressed_by = ["r1"]\nabove = 1',
            'suppressed_by = ["r2"]\nabove = 1',
            'suppressed_by = ["r0"]\nabove = 1',
        )
    )
    assert [p.key for p in found] == [f"rule[{i}].suppressed_by" for i in range(3)]


def test_a_window_whose_sums_would_outgrow_64_bits() -> None:
    signals = _signals("[-40, 1100]\nper_unit = 4", "[-40, 1100]\nper_unit = 1000000").replace(
        "tick_hz = 20", "tick_hz = 1000"
    )
    (found,) = problems_of(signals=signals, rules=rules_toml('kind = "rate"\nabove = 1\nwindow_s = 3600'))
    assert found.key == "rule[0].window_s"
    assert "outgrow 64 bits" in found.allowed


def test_an_hour_of_the_usual_ticks_is_no_problem() -> None:
    assert config_of(rules=rules_toml('kind = "rate"\nabove = 1\nwindow_s = 3600')).rules[0].window_ms == 3_600_000


def test_faults_of_vehicle_toml() -> None:
    vehicle = VEHICLE.replace("expected.boost = { over", "expected.bost = { over", 1).replace(
        "[2000, 140]", "[900, 140]"
    )
    vehicle = vehicle.replace("name =", "nam =")
    found = {p.key: p for p in problems_of(vehicle=vehicle)}
    assert found["nam"].nearest == "name"
    assert found["tune.stock.expected.bost"].nearest == "boost"
    assert "above 1000, the x before it" in found["tune.tow.expected.boost.points[1][0]"].allowed
    assert {p.file for p in found.values()} == {"vehicle.toml"}


def test_faults_of_daemon_toml() -> None:
    daemon = '[drive]\nsignal = "rpn"\nhold_s = -1\n[log]\nfree_mb = 1.5\n[web]\nport = 70000\n[broker]\nhost = "x"\n'
    found = {p.key: p for p in problems_of(daemon=daemon)}
    assert set(found) == {"drive.signal", "drive.hold_s", "log.free_mb", "web.port", "broker"}
    (rpm,) = problems_of(daemon='[drive]\nsignal = "rpn"\n')
    assert (rpm.file, rpm.key, rpm.nearest) == ("daemon.toml", "drive.signal", "rpm")


def test_faults_of_the_tune_input() -> None:
    table = '[tune_input]\nsignal = "code"\nvalues = { 0 = "stock", 1 = "towe", 01 = "tow", x = "tow" }\n'
    found = {p.key: p for p in problems_of(signals=SIGNALS + table)}
    assert "a whole number" in found["tune_input.values.x"].allowed
    found = {p.key: p for p in problems_of(signals=SIGNALS + table.replace(', x = "tow"', ""))}
    assert found["tune_input.values.1"].nearest == "tow"
    assert "a number of its own" in found["tune_input.values.01"].allowed
    assert "the name of a signal" in found["tune_input.signal"].allowed


def test_every_fault_of_every_file_is_told_at_once() -> None:
    found = problems_of(
        signals=_signals("per_unit = 4", "per_unit = 0").replace('field = "Rpm"', 'field = "Rmp"'),
        rules=rules_toml(
            "above = true", "above = 1\ndeadband = -1", 'signal = "egt"\nabove = 1', 'signal = "egg"\nabove = 1'
        ),
        vehicle=VEHICLE.replace("[2000, 100]", "[1000, 100]"),
    )
    assert [(p.file, p.key) for p in found] == [
        ("signals.toml", "signal.egt.per_unit"),
        ("rules.toml", "rule[0].above"),
        ("signals.toml", "signal.rpm.from.field"),
        ("vehicle.toml", "tune.stock.expected.boost.points[1][0]"),
        ("rules.toml", "rule[1].deadband"),
        ("rules.toml", "rule[3].signal"),
    ]


def test_one_fault_does_not_make_others() -> None:
    # rules, expected curves and computed signals refer to what is at fault
    signals = _signals("[0, 400]", "[0, 400]\nper_unit = 0")
    assert [p.key for p in problems_of(signals=signals)] == ["signal.map.per_unit"]
    vehicle = VEHICLE.replace("[tune.tow]", "[tune.tow]\ntitle = 3")
    rules = rules_toml('kind = "departure"\nsignal = "boost"\nabove = 1\n[rule.tune.tow]\nabove = 2')
    assert [p.key for p in problems_of(rules=rules, vehicle=vehicle)] == ["tune.tow.title"]
    rules = rules_toml('suppressed_by = ["r1"]\nabove = 1', "above = true")
    assert [p.key for p in problems_of(rules=rules)] == ["rule[1].above"]


def keys_of(signals: str = SIGNALS, rules: str = RULES) -> list[str]:
    return [p.key for p in problems_of(signals=signals, rules=rules)]


def test_a_wrong_key_hides_no_other_fault_of_its_table_and_makes_none() -> None:
    signals = _signals("per_unit = 4", "per_uint = 4\nmax_age_s = 0").replace('field = "Egt1"', 'feild = "Egt"')
    assert keys_of(signals=signals) == ["signal.egt.max_age_s", "signal.egt.from.feild", "signal.egt.per_uint"]
    signals = _signals("per_unit = 4", 'per_unit = "4"').replace('unit = "degC"', 'unit = "celsius"')
    assert keys_of(signals=signals) == ["signal.egt.per_unit", "signal.egt.unit"]
    rules = rules_toml('abov = 700\ndeadband = -1\nwhen = [{ signal = "rpn", abov = 1 }]')
    assert keys_of(rules=rules) == [
        "rule[0].when[0].abov",
        "rule[0].abov",
        "rule[0].deadband",
        "rule[0].when[0].signal",
    ]
    rules = rules_toml('below = "70"\nsignal = "egg"\n[rule.tune.tow]\nbelow = 60')
    assert keys_of(rules=rules) == ["rule[0].below", "rule[0].signal"]
    rules = rules_toml("above = 700\n[rule.tune.tow]\nabov = 680\non_delay_s = -1\n[rule.tune.toe]\nabove = 680")
    assert keys_of(rules=rules) == ["rule[0].tune.tow.on_delay_s", "rule[0].tune.tow.abov", "rule[0].tune.toe"]


def test_a_wrong_kind_hides_no_other_fault() -> None:
    # nearly a right one: taken for it
    rules = rules_toml('kind = "treshold"\nabove = 1200\nwindow_s = 3', "above = -1000")
    assert keys_of(rules=rules) == ["rule[0].kind", "rule[0].window_s", "rule[0].above", "rule[1].above"]
    # none at all: what every rule has
    rules = rules_toml(
        'kind = "maximum"\nsignal = "egg"\nacion = "ease"\naction = "eas"\nabove = "x"',
        'kind = 3\nsignal = "egg"\nwhen = [{ signal = "rpn", above = 3 }]\nsuppressed_by = ["r7"]',
    )
    assert keys_of(rules=rules) == [
        "rule[0].kind",
        "rule[0].acion",
        "rule[0].action",
        "rule[1].kind",
        "rule[1].signal",
        "rule[1].when[0].signal",
        "rule[1].suppressed_by[0]",
    ]
    signals = _signals('kind = "can"', 'kind = "cna"').replace('field = "Egt1"', 'field = "Egt"')
    assert keys_of(signals=signals) == ["source.bus.kind", "signal.egt.from.field"]


DEMO_SIGNALS = """
[source.demo]
kind = "demo"
scenario = "{}"
[signal.egt]
unit = "degC"
from = {{ source = "demo", channel = "egt" }}
"""


def test_a_scenario_that_is_not_there_is_named_with_one_that_is() -> None:
    config_of(DEMO_SIGNALS.format("climb-heat"), "", None)
    (found,) = problems_of(DEMO_SIGNALS.format("climb-het"), "", None)
    assert (found.file, found.key, found.value) == ("signals.toml", "source.demo.scenario", "climb-het")
    assert "must be a scenario's file or one of boost-leak" in found.allowed
    assert found.nearest == "climb-heat"
    config_of(DEMO_SIGNALS.format("climb-het"), "", None, check_inputs=False)  # a drive that was made elsewhere


def test_every_fault_in_a_scenario_s_file_is_told_with_the_others(tmp_path: Path) -> None:
    scenario = tmp_path / "mine.toml"
    scenario.write_text("duration_s = 'long'\nroad = 3\n", encoding="utf-8")
    found = problems_of(DEMO_SIGNALS.format(scenario).replace('egt"', 'egg"'), "", None)
    assert [(p.file, p.key) for p in found if p.key in ("duration_s", "signal.egt.from.channel")] == [
        (str(scenario), "duration_s"),
        ("signals.toml", "signal.egt.from.channel"),
    ]


def test_a_name_in_capitals_is_told_once_with_the_name_that_would_do() -> None:
    (found,) = problems_of(signals=_signals("[signal.egt]", "[signal.EGT]"))
    assert (found.key, found.nearest) == ("signal.EGT", "egt")


def test_a_key_that_is_like_no_other_is_told_with_those_there_are() -> None:
    (found,) = problems_of(rules=rules_toml('above = 700\nwhen = [{ signal = "rpm", above = 1, zzz = 2 }]'))
    assert found.allowed == "is no key of this table, which has signal, above, below, deadband (rule 'r0')"
    assert found.nearest is None


def test_indices_are_those_of_the_file_whatever_is_cut() -> None:
    rules = rules_toml('name = "A"\nabove = 1', "above = 700\ndeadband = -1", 'action = "x"\nabove = 1', "above = 9000")
    assert keys_of(rules=rules) == ["rule[0].name", "rule[2].action", "rule[1].deadband", "rule[3].above"]


def test_a_file_that_is_no_toml_does_not_make_faults_in_others() -> None:
    (found,) = problems_of(signals=SIGNALS + "[signal\n")
    assert (found.file, found.key) == ("signals.toml", f"line {SIGNALS.count(chr(10)) + 1}, column 8")
    assert "is not TOML" in found.allowed
    (found,) = problems_of(vehicle="[tune.stock", rules=rules_toml("above = 1\n[rule.tune.tow]\nabove = 2"))
    assert found.file == "vehicle.toml"


@pytest.mark.parametrize("text", ["[" * 100_000, "x = " + "[" * 100_000, "tick_hz = " + "9" * 5000, "a = 1\na = 2"])
def test_toml_made_to_hurt_is_a_problem_like_any_other(text: str) -> None:
    assert all(p.file == "signals.toml" for p in problems_of(signals=text, rules=""))


def test_a_problem_reads_well() -> None:
    (found,) = problems_of(rules=_rules("deadband = 25", "deadband = -25"))
    assert str(found) == "rules.toml: rule[0].deadband = -25.0: must be at least 0, in degC."
    (found,) = problems_of(rules=_rules("on_delay_s", "on_delay"))
    expected = (
        "rules.toml: rule[0].on_delay = 2: is no key of kind threshold (rule 'egt-high'). Did you mean 'on_delay_s'?"
    )
    assert str(found) == expected


def test_words_of_sql_are_those_that_sqlite_refuses_as_a_column() -> None:
    db = sqlite3.connect(":memory:")
    for word in SQL_WORDS:
        db.execute(f'CREATE TABLE "t_{word}" ("{word}" INTEGER)')
        db.execute(f'INSERT INTO "t_{word}" VALUES (5)')
        try:
            rows = db.execute(f'SELECT {word} FROM "t_{word}" WHERE {word} > 1').fetchall()
        except sqlite3.OperationalError:
            continue
        assert rows != [(5,)], f"{word} can be asked for"
    db.close()


def test_the_interfaces_are_those_of_python_can() -> None:
    assert set(BUILT_IN) == set(can.interfaces.BACKENDS)
