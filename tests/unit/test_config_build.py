"""What a configuration in order becomes: signals, inputs, tunes, rules."""

from __future__ import annotations

import math

import pytest

from support.config_files import RULES, SIGNALS, VEHICLE, config_of, problems_of, rules_toml
from uphaul.config import load_rules
from uphaul.config.signals import linear
from uphaul.config.spec import CanSpec, DemoSpec, DriveFileSpec, DriveSpec, LogSpec, TuneInput, WebSpec
from uphaul.errors import ConfigError
from uphaul.rules import ABOVE, BELOW, Action, Curve, Kind, Rule, Setting, Share, When
from uphaul.signals import Reduce, Signal
from uphaul.units import UNITS, convert


def _rule(lines: str, **more: str | None) -> Rule:
    return config_of(rules=rules_toml(lines), **more).rules[0]


def test_the_rule_of_the_documentation() -> None:
    text = """
[[rule]]
name = "egt-high"
kind = "threshold"
signal = "egt"
above = 720
deadband = 25
on_delay_s = 2
off_delay_s = 5
action = "ease"
rank = 30
say = "Exhaust too hot: ease off, change down"
again = "Keeps coming back: hold a lower speed"
latch = false
when = [{ signal = "rpm", above = 1200, deadband = 100 }]
[rule.tune.tow]
above = 680
"""
    assert config_of(rules=text).rules[0] == Rule(
        name="egt-high",
        kind=Kind.THRESHOLD,
        signal="egt",
        side=ABOVE,
        base=Setting(limit=720.0, deadband=25.0, on_delay_ms=2000, off_delay_ms=5000),
        action=Action.EASE,
        rank=30,
        say="Exhaust too hot: ease off, change down",
        again="Keeps coming back: hold a lower speed",
        when=(When("rpm", ABOVE, 1200.0, 100.0),),
        tunes=(("tow", Setting(limit=680.0, deadband=25.0, on_delay_ms=2000, off_delay_ms=5000)),),
    )


def test_what_a_rule_gets_when_nothing_is_said() -> None:
    rule = _rule('name = "egt-far-too-high"\nabove = 700')
    assert rule.base == Setting(limit=700.0)
    assert (rule.rank, rule.again, rule.latch, rule.when, rule.tunes) == (50, "", False, (), ())
    assert rule.say == "egt far too high"


def test_a_curve_and_a_share() -> None:
    rule = _rule('below = { over = "rpm", points = [[1000, 70], [4000, 280.5]] }\ndeadband = { share = 0.1 }')
    assert rule.side == BELOW
    assert rule.base.limit == Curve("rpm", (1000.0, 4000.0), (70.0, 280.5))
    assert rule.base.deadband == Share(0.1)


def test_times_are_whole_milliseconds() -> None:
    rule = _rule("above = 700\non_delay_s = 0.3\noff_delay_s = 4.35")
    assert (rule.base.on_delay_ms, rule.base.off_delay_ms) == (300, 4350)


def test_a_tune_changes_what_it_names_and_nothing_else() -> None:
    rule = _rule(
        "above = 700\ndeadband = 20\non_delay_s = 3\n"
        "[rule.tune.tow]\non_delay_s = 0\n"
        '[rule.tune.stock]\nabove = { over = "rpm", points = [[1000, 600], [2000, 650]] }\n'
        "deadband = { share = 0.02 }\n"
    )
    assert dict(rule.tunes) == {
        "tow": Setting(limit=700.0, deadband=20.0, on_delay_ms=0),
        "stock": Setting(limit=Curve("rpm", (1000.0, 2000.0), (600.0, 650.0)), deadband=Share(0.02), on_delay_ms=3000),
    }


@pytest.mark.parametrize(
    ("lines", "judges"),
    [
        ('action = "note"', True),
        ('action = "ease"', False),
        ('action = "stop"', False),
        ('action = "note"\nwhen_unknown = "hold"', False),
        ('action = "stop"\nwhen_unknown = "judge"', True),
    ],
)
def test_an_unknown_when_silences_no_warning_unless_asked_to(lines: str, judges: bool) -> None:
    assert _rule(f"above = 700\n{lines}").judge_unknown_when is judges


def test_rate() -> None:
    rule = _rule('kind = "rate"\nabove = 0.033\ndeadband = 0.01\nwindow_s = 60\n[rule.tune.tow]\nabove = 0.02')
    assert (rule.kind, rule.window_ms) == (Kind.RATE, 60_000)
    assert rule.base == Setting(limit=0.033, deadband=0.01)
    assert rule.setting("tow") == Setting(limit=0.02, deadband=0.01)


def test_exposure() -> None:
    rule = _rule(
        'kind = "exposure"\nabove = 690\nwindow_s = 1200\nallowed_s = 600\ndeadband = 60\n'
        "[rule.tune.tow]\nallowed_s = 300"
    )
    assert rule.window_ms == 1_200_000
    assert rule.base == Setting(limit=690.0, deadband=60.0, allowed_s=600.0)
    assert rule.setting("tow").allowed_s == 300.0


def test_departure_takes_its_curves_from_the_vehicle() -> None:
    rule = _rule('kind = "departure"\nsignal = "boost"\nbelow = { share = -0.2 }\ndeadband = { share = 0.05 }')
    assert rule.base == Setting(limit=Share(-0.2), deadband=Share(0.05))
    assert rule.expected == (
        ("stock", Curve("rpm", (1000.0, 2000.0), (50.0, 100.0))),
        ("tow", Curve("rpm", (1000.0, 2000.0), (60.0, 140.0))),
    )


def test_lost() -> None:
    rule = _rule('kind = "lost"')
    assert rule.base == Setting(on_delay_ms=2000)
    assert rule.grace_ms == 10_000


def test_reach() -> None:
    rule = _rule('kind = "reach"\nabove = 800\nfrom = 600\nwindow_s = 60\nwithin_s = 240\ndeadband = 30')
    assert rule.base == Setting(limit=800.0, deadband=30.0, within_s=240.0)
    assert (rule.start, rule.window_ms) == (600.0, 60_000)


def test_a_required_signal_gets_a_rule_for_its_loss() -> None:
    lost = config_of().rules[-1]
    assert (lost.name, lost.kind, lost.signal, lost.action) == ("lost:egt", Kind.LOST, "egt", Action.NOTE)
    assert (lost.base.on_delay_ms, lost.grace_ms) == (2000, 10_000)
    assert "egt" in lost.say


def test_a_rule_of_its_own_takes_that_place() -> None:
    config = config_of(rules=rules_toml('name = "probe-gone"\nkind = "lost"\naction = "ease"', "above = 700"))
    assert [r.name for r in config.rules] == ["probe-gone", "r1"]


def test_the_added_rule_can_suppress() -> None:
    assert _rule('suppressed_by = ["lost:egt"]\nsignal = "rpm"\nabove = 700').suppressed_by == ("lost:egt",)


@pytest.mark.parametrize(
    ("unit", "span", "line", "wrong"),
    [
        ("degC", "[-40, 1100]", 'location = "post-turbine"', None),
        ("degC", "[-40, 1100]", 'location = "tail pipe"', "signal.hot.location"),
        ("kPa", "[0, 900]", 'location = "pre-turbine"', "signal.hot.location"),
    ],
)
def test_only_a_temperature_has_a_place_in_the_exhaust(unit: str, span: str, line: str, wrong: str | None) -> None:
    signals = SIGNALS + f'\n[signal.hot]\nunit = "{unit}"\nrange = {span}\n{line}\n'
    if wrong is None:
        assert "hot" in {s.name for s in config_of(signals=signals).signals}
    else:
        assert [p.key for p in problems_of(signals=signals)] == [wrong]


@pytest.mark.parametrize(
    ("unit", "span", "line", "asked"),
    [
        ("degC", "[-40, 1100]", "", True),
        ("degF", "[0, 2000]", "", True),  # 1,093 degC
        ("degF", "[0, 1000]", "", False),  # 538 degC: oil or metal
        ("degC", "[-40, 600]", "", False),
        ("degC", "[-40, 1100]", 'location = "post-turbine"', False),
        ("kPa", "[0, 900]", "", False),
    ],
)
def test_an_exhaust_temperature_is_asked_where_it_is_measured(unit: str, span: str, line: str, asked: bool) -> None:
    signals = SIGNALS + f'\n[signal.hot]\nunit = "{unit}"\nrange = {span}\n{line}\n'
    if not asked:
        assert "hot" in {s.name for s in config_of(signals=signals).signals}
        return
    (found,) = problems_of(signals=signals)
    assert (found.file, found.key) == ("signals.toml", "signal.hot.location")
    assert "one of pre-turbine, post-turbine" in found.allowed


def test_a_log_from_before_the_place_was_required_is_read() -> None:
    signals = SIGNALS + '\n[signal.hot]\nunit = "degC"\nrange = [-40, 1100]\n'
    assert "hot" in {s.name for s in config_of(signals=signals, check_inputs=False).signals}


def test_every_exhaust_temperature_without_a_place_is_told_at_once() -> None:
    hot = "".join(f'\n[signal.{n}]\nunit = "degC"\nrange = [-40, 1100]\n' for n in ("bank_1", "bank_2"))
    keys = [p.key for p in problems_of(signals=SIGNALS + hot, rules=RULES.replace("above = 720", 'above = "x"'))]
    assert keys == ["rule[0].above", "signal.bank_1.location", "signal.bank_2.location"]


def test_signals() -> None:
    config = config_of(
        signals=SIGNALS.replace("per_unit = 4", 'per_unit = 4\nmax_age_s = 0.5\nreduce = "mean"\nmeaning = "hot"')
    )
    by_name = {s.name: s for s in config.signals}
    assert by_name["egt"] == Signal(
        "egt", "degC", 4, -40.0, 1100.0, 500, Reduce.MEAN, required=True, meaning="hot (pre-turbine)"
    )
    assert by_name["baro"] == Signal("baro", "kPa", 10, -math.inf, math.inf, 1000)
    assert by_name["boost"] == Signal("boost", "kPa", 10, computed=True)
    assert [(c.signal.name, c.formula, c.inputs) for c in config.computed] == [
        ("boost", "gauge-pressure", (("absolute", "map"), ("barometric", "baro")))
    ]


def test_a_signal_without_an_origin_comes_with_the_drive() -> None:
    assert [i.signal for i in config_of().inputs] == ["rpm", "egt"]


def test_an_alias_of_a_unit_becomes_its_one_spelling() -> None:
    assert (
        next(s.unit for s in config_of(signals=SIGNALS.replace('"degC"', '"°C"')).signals if s.name == "egt") == "degC"
    )


def test_an_input_in_the_same_unit_is_left_as_it_is() -> None:
    assert [(i.factor, i.offset) for i in config_of().inputs] == [(1.0, 0.0), (1.0, 0.0)]


@pytest.mark.parametrize(
    ("unit", "field", "reading", "value", "source"),
    [
        ("degF", "Egt1", 100.0, 212.0, "NIST SP 811: 100 degC is 212 degF"),
        ("K", "Egt1", 0.0, 273.15, "NIST SP 811: 0 degC is 273.15 K"),
        ("kPa", "Boost", 20.0, 137.895, "NIST SP 811: 20 psi is 137.895 kPa"),
        ("bar", "Boost", 30.0, 2.06843, "NIST SP 811: 30 psi is 2.06843 bar"),
    ],
)
def test_an_input_in_another_unit_is_converted(
    unit: str, field: str, reading: float, value: float, source: str
) -> None:
    signals = SIGNALS + (
        f'\n[signal.other]\nunit = "{unit}"\nfrom = {{ source = "bus", message = "EngineBox", field = "{field}" }}\n'
    )
    got = config_of(signals=signals).inputs[-1]
    assert reading * got.factor + got.offset == pytest.approx(value, rel=1e-5), source


@pytest.mark.parametrize("source", sorted({u.name for u in UNITS.values()}))
def test_factor_and_offset_agree_with_the_conversion(source: str) -> None:
    for target in {u.name for u in UNITS.values() if u.kind == UNITS[source].kind}:
        factor, offset = linear(source, target)
        for x in (-40.0, 0.0, 1.0, 1234.5):
            assert x * factor + offset == pytest.approx(convert(x, source, target), rel=1e-12, abs=1e-9)
        if source == target:
            assert (factor, offset) == (1.0, 0.0)


def test_a_unit_may_be_named_where_the_dbc_has_none_or_a_wrong_one() -> None:
    table = '\n[signal.odd]\nunit = "%"\nfrom = { source = "bus", message = "EngineBox", field = "Odd", unit = "1" }\n'
    bare = '\n[signal.bare]\nunit = "degC"\nfrom = { source = "bus", message = "EngineBox", field = "Bare" }\n'
    odd, plain = config_of(signals=SIGNALS + table + bare).inputs[-2:]
    assert (odd.factor, odd.offset) == (100.0, 0.0)
    assert (plain.factor, plain.offset) == (1.0, 0.0)


def test_sources() -> None:
    signals = """
[source.bus]
kind = "can"
interface = "slcan"
channel = 0
bitrate = 500000
dbc = ["small.dbc"]
listen_only = false
silent_after_s = 5
options = { ttyBaudrate = 115200, rtscts = true }
[source.invented]
kind = "demo"
scenario = "climb-heat"
seed = 3
start_s = 12.5
[source.played]
kind = "drive-file"
path = "drive.csv"
drive = 4
[signal.egt]
unit = "degF"
from = { source = "invented", channel = "egt" }
[signal.rpm]
unit = "rpm"
from = { source = "played", channel = "rpm" }
"""
    config = config_of(signals=signals, vehicle=None)
    can, demo, drive = config.sources
    assert isinstance(can, CanSpec)
    assert (can.interface, can.channel, can.bitrate, can.listen_only, can.silent_after_s) == (
        "slcan",
        "0",
        500000,
        False,
        5,
    )
    assert [name for name, _ in can.dbc] == ["small.dbc"]
    assert can.options == (("ttyBaudrate", 115200), ("rtscts", True))
    assert demo == DemoSpec("invented", "climb-heat", 3, 12.5)
    assert drive == DriveFileSpec("played", "drive.csv", 4)
    egt, rpm = config.inputs
    assert (egt.source, egt.message, egt.field) == ("invented", "", "egt")
    assert (egt.factor, egt.offset) == pytest.approx((1.8, 32.0), rel=1e-12)
    assert (rpm.field, rpm.factor, rpm.offset) == ("rpm", 1.0, 0.0)


def test_tunes_are_numbered_in_the_vehicle_files_order() -> None:
    config = config_of(rules=rules_toml("above = 700\n[rule.tune.tow]\nabove = 600"))
    assert config.tunes == ("stock", "tow")
    assert config.vehicle.name == "Test vehicle (invented)"


def test_without_a_vehicle_file_tunes_come_from_rules_and_tune_input() -> None:
    table = '\n[tune_input]\nsignal = "rpm"\nvalues = { 0 = "stock", 7 = "tow" }\n'
    rules = rules_toml("above = 700\n[rule.tune.tow]\nabove = 600\n[rule.tune.race]\nabove = 500")
    config = config_of(signals=SIGNALS + table, rules=rules, vehicle=None)
    assert config.tunes == ("tow", "race", "stock")
    assert config.tune_input == TuneInput("rpm", ((0, "stock"), (7, "tow")))


def test_the_daemons_settings() -> None:
    assert config_of().drive == DriveSpec("rpm", 300.0, 120_000)
    assert (config_of().log, config_of().web) == (LogSpec(), WebSpec())
    text = '[drive]\nsignal = "boost"\nabove = 5\nhold_s = 0.5\n[log]\npath = "/x.db"\nfree_mb = 100\n'
    text += '[web]\nport = 0\nhost = ""\n'
    config = config_of(daemon=text)
    assert config.drive == DriveSpec("boost", 5.0, 500)
    assert (str(config.log.path), config.log.free_mb, config.log.max_mb) == ("/x.db", 100, 4000)
    assert config.web == WebSpec("", 0)
    assert config_of(daemon='[drive]\nsignal = ""\n').drive.signal is None


def test_without_engine_speed_a_drive_lasts_as_long_as_the_daemon() -> None:
    config = config_of(signals='[signal.egt]\nunit = "degC"\n', vehicle=None)
    assert config.drive.signal is None


DRIVE = (Signal("egt", "degC", 4, -40.0, 1100.0), Signal("rpm", "rpm", 4))


def test_rules_for_a_drive_that_is_there_already() -> None:
    (rule,) = load_rules(RULES, "my-rules.toml", DRIVE)
    assert rule.name == "egt-high"


def test_rules_that_read_what_the_drive_lacks() -> None:
    text = rules_toml(
        'signal = "oil"\nbelow = 1\nsuppressed_by = ["gone"]\n[rule.tune.other]\nbelow = 2',
        'kind = "departure"\nsignal = "boost"\nbelow = -20',
        "above = 5000",
    )
    with pytest.raises(ConfigError) as caught:
        load_rules(text, "my-rules.toml", DRIVE)
    assert {(p.file, p.key) for p in caught.value.problems} == {
        ("my-rules.toml", "rule[0].signal"),
        ("my-rules.toml", "rule[0].suppressed_by[0]"),
        ("my-rules.toml", "rule[1].signal"),
        ("my-rules.toml", "rule[2].above"),
    }
    rules = load_rules(text, "my-rules.toml", DRIVE, allow_unknown=True)
    assert [r.reads() for r in rules] == [("oil",), ("boost",), ("egt",)]


def test_rules_for_a_drive_use_its_vehicle() -> None:
    vehicle = config_of(vehicle=VEHICLE).vehicle
    text = rules_toml('kind = "departure"\nsignal = "boost"\nbelow = -20\n[rule.tune.tow]\nbelow = -30')
    (rule,) = load_rules(text, "x.toml", (*DRIVE, Signal("boost", "kPa", 10)), vehicle)
    assert [name for name, _ in rule.expected] == ["stock", "tow"]
    with pytest.raises(ConfigError, match="Did you mean 'tow'"):
        load_rules(text.replace("tune.tow", "tune.toww"), "x.toml", (*DRIVE, Signal("boost", "kPa", 10)), vehicle)


def test_rules_with_other_faults_are_refused_even_for_a_drive_that_lacks_signals() -> None:
    with pytest.raises(ConfigError, match=r"x\.toml: rule\[0\]\.deadband"):
        load_rules(rules_toml("above = 1\ndeadband = -1"), "x.toml", (), allow_unknown=True)
