"""Two drives of one vehicle, or of two: told by name and build sheet, with what differs and by how much."""

from __future__ import annotations

from dataclasses import replace

import pytest

from uphaul.vehicle import Vehicle
from uphaul.vehicle.apart import apart
from uphaul.vehicle.sheet import BuildSheet, ChargeCooler, Driveline, Engine, Load, Turbo

ENGINE = Engine(3.2, 4, 750.0, 3700.0, 0.88, 222.0)
LINE = Driveline((4.38, 2.39, 1.46, 1.0, 0.705), 4.885, 0.38, 0.9)
LOAD = Load(2700.0, 2700.0, 3.6, 0.01, 1.035)
TURBO = Turbo(name="turbo", title="invented", boost_kpa=190.0, pressure_ratio=3.5)
COOLER = ChargeCooler(name="intercooler", effectiveness=0.7)
SHEET = BuildSheet(ENGINE, LINE, LOAD, (TURBO, COOLER))
VEHICLE = Vehicle("Rig one (invented)", (), SHEET)


def with_sheet(**changed: object) -> Vehicle:
    return replace(VEHICLE, sheet=replace(SHEET, **changed))


def test_one_vehicle_built_and_loaded_alike_needs_no_caution() -> None:
    assert apart(VEHICLE, VEHICLE) == ()


def test_another_name_and_another_engine_are_another_vehicle() -> None:
    other = replace(with_sheet(engine=replace(ENGINE, displacement_l=2.8)), name="Rig two (invented)")
    (said,) = apart(VEHICLE, other)
    assert said.startswith(
        "the reference is a drive of another vehicle (“Rig two (invented)”, this one is “Rig one (invented)”), built "
        "otherwise: engine displacement 3.2 L, in the reference 2.8 L. "
    )
    assert said.endswith("no fault")


def test_another_name_alone_is_told_as_that() -> None:
    (said,) = apart(VEHICLE, replace(VEHICLE, name="Rig two (invented)"))
    assert "another vehicle by its name" in said
    assert "do not differ" in said


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"parts": (replace(TURBO, boost_kpa=150.0), COOLER)}, "turbo boost 190 kPa, in the reference 150 kPa"),
        (
            {"parts": (TURBO, replace(COOLER, effectiveness=0.6))},
            "intercooler effectiveness 0.7, in the reference 0.6",
        ),
        (
            {"driveline": replace(LINE, gears=(4.0, 2.0))},
            "driveline gears 4.38/2.39/1.46/1/0.705, in the reference 4/2",
        ),
    ],
)
def test_the_same_name_with_other_parts_says_which(changed: dict[str, object], told: str) -> None:
    (said,) = apart(VEHICLE, with_sheet(**changed))
    assert said.startswith(f"the reference was driven with other parts, or by another vehicle: {told}. ")


def test_another_load_is_no_other_vehicle() -> None:
    (said,) = apart(VEHICLE, with_sheet(load=replace(LOAD, trailer_kg=1500.0)))
    assert said == "the reference was loaded otherwise, as stated: load trailer 2700 kg, in the reference 1500 kg"


def test_words_of_a_part_are_no_difference_and_what_one_sheet_lacks_is_not_known() -> None:
    assert apart(VEHICLE, with_sheet(parts=(replace(TURBO, title="other words"), COOLER))) == ()
    assert apart(VEHICLE, with_sheet(engine=None, parts=(TURBO,))) == ()
    assert apart(VEHICLE, with_sheet(parts=(replace(TURBO, pressure_ratio=None), COOLER))) == ()
    assert apart(VEHICLE, Vehicle()) == ()


def test_many_differences_are_counted() -> None:
    other = with_sheet(
        engine=Engine(2.8, 5, 800.0, 4000.0, 0.9, 230.0), parts=(replace(TURBO, boost_kpa=1.0, pressure_ratio=2.0),)
    )
    assert "; and 2 more" in apart(VEHICLE, other)[0]
