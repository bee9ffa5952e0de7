"""Two-point calibration: the line, what is refused, and calibration.toml in a configuration."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from support.config_files import DBC, RULES, SIGNALS, VEHICLE, config_of, problems_of
from uphaul.cli import main
from uphaul.config import load, load_texts
from uphaul.config.calibration import CalibrationFile, entry_text
from uphaul.signals.calibration import CalibrationError, Point, check_references, two_point

# ----------------------------------------------------------------------------------------------------- the line


def test_a_worked_example() -> None:
    # A thermometer that reads -0.5 in ice water (0.01 degC) and 96.0 in boiling water (100 degC) reads 37: it is 38.9.
    # Source: a public tutorial on two-point calibration, from memory
    factor, offset = two_point(Point(-0.5, 0.01), Point(96.0, 100.0), None, "degC")
    assert 37.0 * factor + offset == pytest.approx(38.9, abs=0.05)


@given(st.floats(-1000, 1000), st.floats(50, 2000), st.floats(0.81, 1.24), st.floats(-100, 100))
def test_the_line_goes_through_both_points(reading: float, apart: float, factor: float, offset: float) -> None:
    low, high = (Point(r, r * factor + offset) for r in (reading, reading + apart))
    a, b = two_point(low, high, None, "kPa")
    for point in (low, high):
        assert a * point.reading + b == pytest.approx(point.reference, abs=1e-6)


def refused(low: Point, high: Point, span: float | None = 400.0) -> str:
    with pytest.raises(CalibrationError) as caught:
        two_point(low, high, span, "kPa")
    return str(caught.value)


def test_references_too_close_or_the_wrong_way_round_are_refused() -> None:
    assert "19 kPa apart: they must be apart by at least 20 kPa" in refused(Point(100.0, 100.0), Point(119.0, 119.0))
    check_references(100.0, 120.0, 400.0, "kPa")
    assert "the low one must be below the high one" in refused(Point(1.0, 200.0), Point(2.0, 100.0))


def test_noise_is_refused_by_the_distance_of_the_references() -> None:
    low, high = Point(100.0, 100.0, 1.0), Point(200.0, 200.0, 0.0)
    assert two_point(low, high, 400.0, "kPa") == (1.0, 0.0)
    assert "not steady: noise 1.01 kPa, at most 1 kPa" in refused(replace(low, noise=1.01), high)
    assert "at 200 kPa the reading is not steady" in refused(low, replace(high, noise=float("nan")))


@pytest.mark.parametrize(("read", "factor"), [(129.0, "0.775"), (79.0, "1.27")])
def test_a_factor_no_whole_sensor_needs_is_refused(read: float, factor: float) -> None:
    text = refused(Point(100.0, 100.0), Point(100.0 + read, 200.0))
    assert f"a factor of {factor}, which must lie from 0.8 to 1.25" in text


def test_a_reading_that_does_not_rise_is_refused() -> None:
    assert "it must rise too" in refused(Point(100.0, 100.0), Point(100.0, 200.0))
    assert "it must rise too" in refused(Point(200.0, 100.0), Point(100.0, 200.0))


def test_gauge_pressure_taken_for_absolute_is_refused() -> None:
    text = refused(Point(101.3, 0.0), Point(301.3, 200.0))
    assert "at 0 kPa it read 101.3 kPa: further off than 80 kPa" in text
    assert "gauge or absolute" in text


# ------------------------------------------------------------------------------------------- the configuration

ENTRY = """
[[calibration]]
signal = "egt"
unit = "degC"
input = "bus EngineBox.Egt1"
date = "2026-05-01T14:30:00+02:00"
by = "A. Person (invented)"
instrument = "dry block (invented)"
low = { reading = 102.0, reference = 100.0, noise = 0.1 }
high = { reading = 602.0, reference = 500.0, noise = 0.1 }
factor = 0.8
offset = 18.4
"""
"""By hand: 400 / 500 = 0.8, and 100 - 0.8 * 102 = 18.4 (degC at 102 reads 100)."""


def test_it_comes_after_the_field_and_its_unit() -> None:
    psi = (
        SIGNALS
        + '\n[signal.boost_told]\nunit = "kPa"\nfrom = { source = "bus", message = "EngineBox", field = "Boost" }\n'
    )
    entry = ENTRY.replace('"egt"', '"boost_told"').replace('"degC"', '"kPa"').replace("Egt1", "Boost")
    before, after = (config_of(psi, calibration=text) for text in ("", ENTRY + entry))
    was, now = ({i.signal: i for i in c.inputs} for c in (before, after))
    assert (was["egt"].factor, was["egt"].offset) == (1.0, 0.0)
    assert (now["egt"].factor, now["egt"].offset) == pytest.approx((0.8, 18.4))
    raw_psi = 10.0
    kpa = raw_psi * was["boost_told"].factor + was["boost_told"].offset
    assert kpa == pytest.approx(68.9476, abs=1e-3)  # 1 psi = 6.894757 kPa, NIST SP 811
    calibrated = raw_psi * now["boost_told"].factor + now["boost_told"].offset
    assert calibrated == pytest.approx(0.8 * kpa + 18.4)
    assert now["rpm"] == was["rpm"]
    assert [c.signal for c in after.calibrations] == ["egt", "boost_told"]


def test_of_several_the_last_counts_and_history_may_be_of_another_input() -> None:
    old = ENTRY.replace("EngineBox.Egt1", "GoneBox.Egt").replace("0.8", "1.0").replace("18.4", "-2.0")
    old = old.replace("reference = 500.0", "reference = 600.0")
    config = config_of(calibration=old + ENTRY)
    assert [(c.factor, c.input) for c in config.calibrations] == [(0.8, "bus EngineBox.Egt1")]
    (problem,) = problems_of(calibration=ENTRY + old)
    assert problem.key == "calibration[1].input"
    assert "must be 'bus EngineBox.Egt1', which egt comes from now" in problem.allowed


@pytest.mark.parametrize(
    ("old", "new", "key", "allowed"),
    [
        ('signal = "egt"', 'signal = "egd"', "[0].signal", "must be a signal of signals.toml"),
        ('signal = "egt"', 'signal = "boost"', "[0].signal", "must be a measured signal"),
        ('signal = "egt"', 'signal = "map"', "[0].signal", "must be a signal that comes from a source"),
        ('unit = "degC"', 'unit = "degF"', "[0].unit", "must be degC"),
        ("14:30:00+02:00", "14:30:00", "[0].date", "must be a date and time with its distance from UTC"),
        ("factor = 0.8", "factor = 0.79", "[0].factor", "must be a number from 0.8 to 1.25"),
        ("factor = 0.8", "factor = 0.81", "[0].factor", "must, with offset, carry low.reading 102"),
        ("reference = 500.0", "reference = 100.0", "[0].high.reference", "must be above low.reference"),
        ('by = "A. Person (invented)"\n', "", "[0].by", "is required"),
        ('"dry block (invented)"', '""', "[0].instrument", "must be"),
        ("offset = 18.4", "offset = nan", "[0].offset", "must be a number"),
        ("offset = 18.4", "offset = 18.4\ncolour = 1", "[0].colour", "is no key of this table"),
    ],
)
def test_what_does_not_hold_is_named(old: str, new: str, key: str, allowed: str) -> None:
    assert old in ENTRY
    found = problems_of(calibration=ENTRY.replace(old, new))
    assert [(p.file, p.key) for p in found] == [("calibration.toml", f"calibration{key}")]
    assert allowed in found[0].allowed


def test_values_of_a_recorded_drive_are_not_calibrated_twice() -> None:
    signals = SIGNALS.split("[source.bus]")[0] + (
        '[source.old]\nkind = "drive-file"\npath = "a.db"\n[signal.egt]\nunit = "degC"\n'
        'from = { source = "old", channel = "egt" }\n'
    )
    (problem,) = problems_of(signals, vehicle=None, calibration=ENTRY.replace("bus EngineBox.Egt1", "old egt"))
    assert "calibrated already" in problem.allowed


def test_a_fault_of_the_signal_itself_is_told_once() -> None:
    faulty = SIGNALS.replace('unit = "degC"', 'unit = "furlong"')
    assert {p.file for p in problems_of(faulty, calibration=ENTRY)} == {"signals.toml"}


def test_what_the_log_keeps_judges_again_although_no_input_is_there() -> None:
    kept = dict(config_of(calibration=ENTRY).files)
    assert kept["calibration.toml"] == ENTRY
    assert load_texts(kept, check_inputs=False).calibrations == ()


def test_an_entry_is_read_back_as_it_was_written() -> None:
    (entry,) = config_of(calibration=ENTRY).calibrations
    odd = replace(entry, by='Ä "quoted" \\ name', factor=0.8 + 1e-9, offset=18.4 - 1e-7)
    (back,) = config_of(calibration=entry_text(odd)).calibrations
    assert back == odd


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    files = {"signals.toml": SIGNALS, "rules.toml": RULES, "vehicle.toml": VEHICLE, "small.dbc": DBC}
    for name, text in {**files, "calibration.toml": ENTRY}.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def test_the_check_shows_what_was_added_to_the_makers_data(folder: Path) -> None:
    done = CliRunner().invoke(main, ["config", "check", str(folder)])
    line = "egt = reading * 0.8 + 18.4 degC, 2026-05-01 by A. Person (invented) against dry block (invented)"
    assert line in done.output
    shown = CliRunner().invoke(main, ["config", "check", "--json", str(folder)]).output
    assert '"reference": 500.0' in shown


def test_whoever_calibrates_anew_reads_without(folder: Path) -> None:
    assert load(folder).calibrations != ()
    bare = load(folder, calibrated=False)
    assert bare.calibrations == ()
    assert {i.factor for i in bare.inputs if i.signal == "egt"} == {1.0}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["boost", "--low", "1", "--high", "2"], "must be a measured signal: a computed one follows its inputs"),
        (["egd", "--low", "1", "--high", "2"], "must be a signal of signals.toml. Did you mean 'egt'?"),
        (["egt", "--low", "100", "--high", "150"], "must be apart by at least 57 degC"),
        (["egt", "--low", "nan", "--high", "150"], "must be a number"),
    ],
)
def test_what_can_not_be_calibrated_is_told_before_anything_is_asked_or_read(
    folder: Path, arguments: list[str], said: str
) -> None:
    done = CliRunner().invoke(main, ["calibrate", "--config", str(folder), *arguments])
    assert done.exit_code == 2
    assert said in done.stderr
    assert (folder / "calibration.toml").read_text(encoding="utf-8") == ENTRY


def test_every_key_is_in_the_reference() -> None:
    text = (Path(__file__).resolve().parents[2] / "config" / "README.md").read_text(encoding="utf-8")
    section = text.split("\n## calibration.toml\n")[1].split("\n## ")[0]
    schema = CalibrationFile.model_json_schema()
    keys = {k for table in (schema, *schema["$defs"].values()) for k in table["properties"]}
    assert {"signal", "low", "reading", "calibration"} <= keys
    assert sorted(k for k in keys if not re.search(rf"`[^`\n]*\b{k}\b[^`\n]*`", section)) == []
