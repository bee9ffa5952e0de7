"""What the page is told of a drive beside another: a reference of another vehicle is called that."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from support.complaints import log_of
from uphaul.desk.drive import load_drive
from uphaul.desk.fitting import fitting
from uphaul.desk.telling import places


def test_a_reference_of_another_vehicle_is_told_with_what_differs(tmp_path: Path) -> None:
    log = log_of(tmp_path / "trip.db")
    drive, reference = load_drive(log, 2), load_drive(log, 1)
    sheet = reference.vehicle.sheet
    assert sheet.engine is not None
    engine = replace(sheet.engine, displacement_l=2.8)
    vehicle = replace(reference.vehicle, name="Rig two (invented)", sheet=replace(sheet, engine=engine))
    other = replace(reference, vehicle=vehicle)

    told = fitting(drive, places(drive), other)
    for cautions in (told["findings"]["cautions"], told["comparison"]["cautions"]):
        assert "“Rig two (invented)”" in cautions[0]
        assert "engine displacement 3.2 L, in the reference 2.8 L" in cautions[0]
    assert not any("another vehicle" in c for c in fitting(drive, places(drive), reference)["findings"]["cautions"])
