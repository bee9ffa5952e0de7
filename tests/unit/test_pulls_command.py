"""`uphaul pulls`: a logged drive as table, JSON and picture."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from click.testing import CliRunner

from support.config_files import rules_toml
from support.road_power import GEARING, TRUCK, WHEEL_M, driven, reference
from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.cli import main
from uphaul.config import load_texts
from uphaul.log import LogWriter, TickRecord
from uphaul.units import convert

UNITS = {
    "rpm": ("rpm", 8), "speed": ("mph", 100), "pedal": ("%", 10), "gear": ("1", 1), "grade": ("%", 100),
    "baro": ("kPa", 100), "ambient": ("degC", 10), "boost": ("psi", 100), "fuel": ("kg/s", 100_000),
    "latitude": ("deg", 1_000_000), "longitude": ("deg", 1_000_000),
}  # fmt: skip
VEHICLE = f"""name = "Invented"
[engine]
displacement = 5.2
cylinders = 4
idle = 700
governed = 3600
filling = 0.9
consumption = 220
[driveline]
gears = [1.0]
final_drive = {GEARING.final_drive}
tyre_radius = {WHEEL_M}
efficiency = 0.9
[load]
vehicle = {TRUCK.vehicle_kg}
drag_area = {TRUCK.drag_area_m2}
rolling = {TRUCK.rolling}
rotating = {TRUCK.rotating}
[tune.tow]
expected.boost = {{ over = "rpm", points = [[1000, 20], [3500, 20]] }}
"""


def files(vehicle: str) -> dict[str, str]:
    """A configuration with this build sheet."""
    signals = "".join(f'[signal.{n}]\nunit = "{u}"\nper_unit = {per}\n' for n, (u, per) in UNITS.items())
    rule = rules_toml('name = "fast"\nabove = 3600\nsignal = "rpm"\naction = "note"')
    return {"signals.toml": signals, "rules.toml": rule, "vehicle.toml": vehicle}


def twice() -> WholeDrive:
    """The reference's pull there and back again, with ten seconds of rest between."""
    t, v, _ = reference("pull")
    part = (t >= 4.0) & (t <= 22.0)
    t, v = t[part] - 4.0, v[part]
    times = np.concatenate(([0.0], 10.0 + t, [28.5, 38.5], 39.0 + t, [57.5]))
    speed = np.concatenate((v[:1], v, v[-1:], v[:1], v, v[-1:]))
    pulls = ((times >= 10.0) & (times <= 28.0)) | ((times >= 39.0) & (times <= 57.0))
    north = np.where(times < 33.0, 45.0 + times / 10_000.0, 45.01 - times / 10_000.0)
    return driven(
        times,
        speed,
        pedal=pulls * 1.0,
        boost=np.where(pulls, 140.0, 10.0),
        fuel=np.where(pulls, 0.012, 0.002),
        latitude=north,
        longitude=7.0 + 0.0 * times,
    )


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("pulls") / "drive.db"
    config = load_texts(files(VEHICLE), check_inputs=False)
    drive = twice()
    writer = LogWriter(path, buffer_s=1e6)
    writer.begin_drive(config, boot_id="boot", began_boot_ms=0)
    columns = [convert(drive.read(s.name), ROLES[s.name], s.unit) * s.per_unit for s in config.signals]
    for tick in range(len(drive)):
        writer.tick(TickRecord(int(drive.t_ms[tick]), 0, [round(float(c[tick])) for c in columns]))
    writer.end_drive("key off")
    assert writer.close(60.0)
    return path


def told(*arguments: str) -> str:
    done = CliRunner().invoke(main, ["pulls", *arguments])
    assert done.exit_code == 0, done.output
    return done.output


def test_the_table_tells_power_with_its_doubt_smoothing_and_what_a_road_cant_know(log: Path) -> None:
    said = told(str(log))
    rows = [line for line in said.splitlines() if line.startswith(("1  ", "2  "))]
    assert len(rows) == 4
    assert all("199 ± " in row for row in rows[:2])
    assert "Savitzky and Golay 1964), window 1 s (21 readings)" in said
    assert " rpm is made of, kW: weight " in said
    assert "2 pulls, in the middle 199 kW" in said
    assert "the mean of both directions" in said
    assert "Wind: none is measured." in said


def test_the_json_has_every_point_and_null_for_the_unknown(log: Path) -> None:
    made = json.loads(told(str(log), "--json"))
    first = made["pulls"][0]
    assert len(first["curve"]["rpm"]) == len(first["curve"]["power_kw"]) >= 20
    assert np.median(first["curve"]["power_kw"]) == pytest.approx(198.81, rel=0.01)
    assert first["mixture_least"] is None
    assert "mixture" in first["missing"]["mixture_least"]
    assert first["curve"]["egt_degc"] == [None] * len(first["curve"]["rpm"])
    assert first["overshoot_kpa"] == pytest.approx(140.0 - 20.0 * 6.894757, abs=0.2)
    assert [g["pulls"] for g in made["spread"]] == [2]
    assert made["cant_know"]


def test_a_correction_is_named_and_only_made_when_asked_for(log: Path) -> None:
    plain, corrected = (json.loads(told(str(log), "--json", *more)) for more in ((), ("--correct", "r85")))
    assert plain["pulls"][0]["corrected"] is None
    found = corrected["pulls"][0]["corrected"]
    assert found["edition"] == "UN R85"
    at = len(found["factor"]) // 2
    measured = corrected["pulls"][0]["curve"]["power_kw"][at]
    assert found["curve"]["power_kw"][at] == pytest.approx(measured * found["factor"][at])
    assert found["factor"][at] != 1.0
    assert "Corrected by ISO 1585:1992" in told(str(log), "--correct", "iso1585")


def test_pictures_are_drawn_as_svg_and_as_a_page_without_scripts(log: Path, tmp_path: Path) -> None:
    told(str(log), "--plot", str(tmp_path / "p.svg"))
    ElementTree.parse(tmp_path / "p.svg")
    told(str(log), "--plot", str(tmp_path / "p.html"))
    page = (tmp_path / "p.html").read_text(encoding="utf-8")
    assert "power at the wheels, kW" in page
    assert "window 1 s" in page
    assert "Wind: none is measured." in page
    assert "<script" not in page
    done = CliRunner().invoke(main, ["pulls", str(log), "--plot", str(tmp_path / "p.gif")])
    assert done.exit_code == 2
    assert ".svg or .html" in done.output


def test_another_build_sheet_tells_another_power(log: Path, tmp_path: Path) -> None:
    heavier = VEHICLE.replace(f"vehicle = {TRUCK.vehicle_kg}", "vehicle = 8000")
    for name, text in files(heavier).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    more = json.loads(told(str(log), "--json", "--config", str(tmp_path)))["pulls"][0]["curve"]["power_kw"]
    less = json.loads(told(str(log), "--json"))["pulls"][0]["curve"]["power_kw"]
    assert more[5] > 1.1 * less[5]
