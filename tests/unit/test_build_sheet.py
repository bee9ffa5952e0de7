"""The build sheet of vehicle.toml: what is read, and every fault told at once, with the reason."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from support.config_files import VEHICLE, config_of, problems_of
from uphaul.config import load
from uphaul.config.sheet_notes import sheet_notes
from uphaul.errors import Problem
from uphaul.vehicle import sheet as s
from uphaul.vehicle.model import Targets

ENGINE = "[engine]\ndisplacement = 3.2\ncylinders = 4\nidle = 750\ngoverned = 3700\n"
DRIVELINE = "[driveline]\ngears = [4.38, 2.39, 1.46, 1.0, 0.705]\nfinal_drive = 4.885\ntyre_radius = 0.38\n"
LOAD = "[load]\nvehicle = 2700\ndrag_area = 1.4\nrolling = 0.01\n"
CLUTCH = '[part.clutch]\nkind = "clutch"\nsource = "invented"\ntorque = 1300\n'
TURBO = '[part.turbo]\nkind = "turbo"\nsource = "invented"\nboost = 190\n'
SHEET = VEHICLE.replace("[tune", ENGINE + DRIVELINE + LOAD + CLUTCH + TURBO + "[tune", 1)


def changed(old: str, new: str, text: str = SHEET) -> dict[str, Problem]:
    """The problems by key of a sheet in which `old` is `new`."""
    assert old in text
    return {p.key: p for p in problems_of(vehicle=text.replace(old, new, 1))}


def test_a_sheet_is_read_with_its_defaults() -> None:
    sheet = config_of(vehicle=SHEET).vehicle.sheet
    assert sheet.engine == s.Engine(3.2, 4, 750.0, 3700.0, filling=0.88, consumption_g_kwh=222.0)
    assert sheet.driveline is not None and sheet.driveline.overall[0] == pytest.approx(4.38 * 4.885)
    assert sheet.load == s.Load(2700.0, 0.0, 1.4, 0.01, 1.04)
    assert sheet.part(s.Clutch) == s.Clutch(name="clutch", source="invented", torque_nm=1300.0)
    assert sheet.part(s.Injectors) is None


def test_a_file_of_name_and_tunes_alone_stays_in_order() -> None:
    vehicle = config_of(vehicle=VEHICLE).vehicle
    assert vehicle.sheet == s.BuildSheet()
    assert [t.name for t in vehicle.tunes] == ["stock", "tow"]
    assert all(t.targets == Targets() for t in vehicle.tunes)


def test_a_sheet_without_tunes_keeps_its_parts() -> None:
    vehicle = config_of(vehicle=ENGINE + CLUTCH).vehicle
    assert vehicle.tunes == ()
    assert vehicle.sheet.part(s.Clutch) is not None


def test_a_tune_has_its_targets() -> None:
    tune = config_of(
        vehicle=SHEET.replace("[tune.tow]", "[tune.tow]\npower = 140\ntorque = 470\nmixture = 1.24")
    ).vehicle
    assert tune.tunes[1].targets == Targets(140.0, 470.0, 1.24)


FAULTS = [
    # a rating that its kind can't do without
    ("torque = 1300\n", "", "part.clutch.torque", "is required: a number above 0, at most 20,000, in N·m"),
    ('source = "invented"\ntorque', "torque", "part.clutch.source", "is required"),
    ("torque = 1300", "torque = 0", "part.clutch.torque", "above 0"),
    # a part that is none, and a rating of another kind of part
    ('kind = "clutch"', 'kind = "cluch"', "part.clutch.kind", "must be one of turbo, injectors, clutch"),
    ("torque = 1300", "torque = 1300\nboost = 5", "part.clutch.boost", "it belongs to turbo"),
    ("[part.turbo]", CLUTCH.replace(".clutch", ".second") + "[part.turbo]", "part.second.kind", "part.clutch is one"),
    # masses
    ("vehicle = 2700", "vehicle = 0", "load.vehicle", "must be a number from 100 to 60,000, in kg"),
    ("vehicle = 2700", "vehicle = 2700\ntrailer = -1", "load.trailer", "from 0 to 60,000, in kg"),
    # gears that can't be
    ("[4.38, 2.39,", "[2.39, 4.38,", "driveline.gears[1]", "must be below 2.39, the gear before it"),
    ("1.46, 1.0,", "1.0, 1.0,", "driveline.gears[3]", "must be below 1, the gear before it"),
    ("1.0, 0.705]", "1.0, 0.0]", "driveline.gears[4]", "a ratio from 0.05 to 100"),
    ("[4.38, 2.39, 1.46, 1.0, 0.705]", "[]", "driveline.gears", "at least 1 entries"),
    ("final_drive = 4.885", "final_drive = 48.85", "driveline.final_drive", "makes 15 km/h of 3700 rpm in top gear"),
    ("tyre_radius = 0.38\n", "", "driveline.tyre_radius", "is required"),
    # engine
    ("cylinders = 4", "cylinders = 4.5", "engine.cylinders", "a whole number from 1 to 24"),
    # what no tune can do
    ("[tune.tow]", "[tune.tow]\nclutch = 1500", "tune.tow.clutch", "is no key of this table"),
    ("[tune.tow]", "[tune.tow]\nmixture = 12", "tune.tow.mixture", "from 0.9 to 5"),
    (
        "[tune.tow]",
        "[tune.tow]\npower = 200\ntorque = 470",
        "tune.tow.power",
        "must be at most 182.1 kW: that is what 470 N·m are at the governed 3700 rpm",
    ),
]


@pytest.mark.parametrize(("old", "new", "key", "said"), FAULTS)
def test_a_fault_is_named_with_what_would_be_right(old: str, new: str, key: str, said: str) -> None:
    found = changed(old, new)
    assert list(found) == [key]
    assert found[key].file == "vehicle.toml"
    assert said in found[key].allowed


def test_a_governor_below_idle_is_a_fault() -> None:
    found = changed("idle = 750\ngoverned = 3700", "idle = 1800\ngoverned = 1500")
    assert found["engine.governed"].allowed == "must be above idle, 1800 rpm"


def test_what_is_stood_for_seconds_is_above_what_is_stood_for_minutes() -> None:
    parts = '[part.pipe]\nkind = "exhaust"\nsource = "x"\nlocation = "pre-turbine"\negt = 720\negt_short = 700\n'
    parts += '[part.radiator]\nkind = "cooling"\nsource = "x"\ncoolant = 104\ncoolant_short = 104\n'
    found = {p.key: p.allowed for p in problems_of(vehicle=parts)}
    assert set(found) == {"part.pipe.egt_short", "part.radiator.coolant_short"}
    assert "above 720 degC, which is stood for minutes" in found["part.pipe.egt_short"]


def test_a_drop_of_the_intercooler_needs_its_flow() -> None:
    cooler = '[part.ic]\nkind = "charge-cooler"\nsource = "x"\neffectiveness = 0.7\ndrop = 10\n'
    (found,) = problems_of(vehicle=cooler)
    assert (found.key, "needs `flow`" in found.allowed) == ("part.ic.drop", True)


def test_every_fault_is_told_at_once() -> None:
    text = SHEET.replace("vehicle = 2700", "vehicle = 0").replace("torque = 1300\n", "").replace("2.39,", "5.0,")
    text = text.replace("[tune.tow]", "[tune.tow]\npower = -1")
    assert {p.key for p in problems_of(vehicle=text)} == {
        "load.vehicle",
        "part.clutch.torque",
        "driveline.gears[1]",
        "tune.tow.power",
    }


def test_the_sample_says_the_same_of_the_vehicle_in_both_files() -> None:
    assert sheet_notes(load(Path(__file__).parents[2] / "config")) == []


def test_a_vehicle_that_is_another_in_signals_toml_is_remarked_on() -> None:
    config = load(Path(__file__).parents[2] / "config")
    assert config.vehicle.sheet.load is not None
    lighter = replace(config.vehicle.sheet, load=replace(config.vehicle.sheet.load, trailer_kg=0.0))
    (note,) = sheet_notes(replace(config, vehicle=replace(config.vehicle, sheet=lighter)))
    assert note.startswith(
        "signals.toml: computed.wheel_power.constants.trailer = 2700, and vehicle.toml: load.trailer = 0"
    )
