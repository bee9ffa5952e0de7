"""A package of vehicles: the band over their handovers, where a pull lies in it, the folder's files and the command."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import median_abs_deviation

from uphaul.analysis.package import (
    LEAST_VEHICLES,
    REACH,
    Band,
    Sweep,
    VehicleSummary,
    package_bands,
    package_summary,
    parts_key,
    placed,
)
from uphaul.analysis.pull_spread import COURSES
from uphaul.analysis.pulls import Pull, PullCurve
from uphaul.cli import main
from uphaul.errors import ConfigError, UphaulError
from uphaul.reports.package_file import RANGES, read_package, summary_file
from uphaul.vehicle.sheet import Airbox, BuildSheet, Clutch, Driveline, Engine, Load, Turbo

RPM = tuple(float(r) for r in range(1500, 3501, 100))
TURBO = Turbo(name="turbo", title="Invented", source="invented", boost_kpa=190.0, power_kw=200.0)
SHEET = BuildSheet(
    engine=Engine(3.2, 4, 750.0, 3700.0, 0.88, 222.0),
    driveline=Driveline((4.0, 2.4, 1.5, 1.0), 4.9, 0.38, 0.9),
    load=Load(2700.0, 0.0, 1.2, 0.01, 1.03),
    parts=(TURBO, Clutch(name="clutch", torque_nm=750.0)),
)
PARTS = parts_key(SHEET)


def vehicle(name: str, boost: float | np.ndarray, parts: tuple[str, ...] = PARTS, **more: float) -> VehicleSummary:
    """A vehicle with this boost (and other quantities) all over one sweep."""
    courses = {"boost_kpa": boost, **more}
    made = tuple((n, tuple(np.broadcast_to(x, len(RPM)).astype(float).tolist())) for n, x in courses.items())
    return VehicleSummary(name, parts, (Sweep("tow", 3, 2, RPM, made),))


def fleet(values: list[float]) -> list[VehicleSummary]:
    return [vehicle(f"invented {i}", x) for i, x in enumerate(values)]


def boost_band(vehicles: list[VehicleSummary]) -> Band:
    band = package_bands(vehicles).band("tow", 3, "boost_kpa")
    assert band is not None
    return band


def pull(boost: float, gear: int = 3) -> Pull:
    n = (float("nan"),) * len(RPM)
    curve = PullCurve(RPM, n, n, n, n, (boost,) * len(RPM), n, n, n, n, n)
    return Pull(0, 100, (0, 5000), 5.0, "tow", gear, "signal gear", (1400.0, 3600.0), curve)


def test_the_band_is_the_median_and_robust_deviations_either_way() -> None:
    values = [140.0, 148.0, 150.0, 151.0, 153.0, 158.0]
    band = boost_band(fleet(values))
    half = REACH[6] * median_abs_deviation(values, scale="normal")
    np.testing.assert_allclose(band.middle, 150.5)
    np.testing.assert_allclose(band.high, 150.5 + half, rtol=1e-4)
    np.testing.assert_allclose(band.low, 150.5 - half, rtol=1e-4)
    assert set(band.vehicles) == {6}


@pytest.mark.parametrize("absurd", [0.0, 1e4])
def test_one_odd_vehicle_among_six_hardly_moves_the_band(absurd: float) -> None:
    rng = np.random.default_rng(8)
    moved = []
    for _ in range(200):
        values = rng.normal(150.0, 4.0, 6).tolist()
        sound, odd = boost_band(fleet(values)), boost_band(fleet([*values[:5], absurd]))
        moved.append(abs(odd.middle[0] - sound.middle[0]))
        # the middle stays among the five, the half width within the reach of their range
        assert min(values[:5]) <= odd.middle[0] <= max(values[:5])
        width = max(values[:5]) - min(values[:5])
        assert odd.high[0] - odd.middle[0] <= REACH[6] * max(1.4826 * width, 1.0) + 1e-9
    # a mean would have moved by 25 kPa or more
    assert max(moved) < 8.0
    assert np.mean(moved) < 2.0


@pytest.mark.parametrize("count", [4, 5, 6, 7, 9, 12, 14, 25, 60])
def test_of_new_vehicles_95_in_100_lie_in_the_band(count: int) -> None:
    rng = np.random.default_rng(count)
    inside = []
    for _ in range(40):
        # every engine speed is a fleet of its own here
        table = rng.normal(150.0, 40.0, (count, len(RPM) * 10))
        wide = tuple(float(r) for r in range(len(RPM) * 10))
        made = [
            VehicleSummary(str(i), PARTS, (Sweep("tow", 3, 1, wide, (("boost_kpa", tuple(row)),)),))
            for i, row in enumerate(table)
        ]
        band = boost_band(made)
        new = rng.normal(150.0, 40.0, len(wide))
        inside.append(np.mean((new >= band.low) & (new <= band.high)))
    assert np.mean(inside) == pytest.approx(0.95, abs=0.012)


def test_vehicles_that_are_alike_by_chance_leave_room_for_what_sensors_repeat() -> None:
    band = boost_band(fleet([150.0] * 5))
    assert band.high[0] - band.middle[0] == pytest.approx(REACH[5])


def test_too_few_vehicles_make_no_band_and_are_told() -> None:
    package = package_bands(fleet([150.0] * (LEAST_VEHICLES - 1)))
    assert package.bands == ()
    assert package.told == ("tune tow, gear 3: too few vehicles (3 of at least 4): no band",)
    assert package_bands([]).told == ("too few vehicles (0 of at least 4): no band",)


def test_where_some_do_not_reach_the_band_ends() -> None:
    reach = np.where(np.array(RPM) <= 2500.0, 150.0, np.nan)
    band = boost_band([*fleet([149.0, 150.0, 151.0]), vehicle("short", reach)])
    assert np.isfinite(band.low[RPM.index(2500.0)])
    assert np.isnan(band.low[RPM.index(2600.0)])


def test_only_the_same_parts_count_and_the_others_are_told() -> None:
    other = parts_key(replace(SHEET, parts=(replace(TURBO, boost_kpa=170.0),)))
    package = package_bands([*fleet([149.0, 150.0, 151.0, 152.0]), vehicle("odd parts", 100.0, other)])
    assert package.vehicles == 4
    assert package.told[0].startswith("odd parts: other parts, left out (turbo")
    assert package.bands[0].middle[0] == pytest.approx(150.5)
    assert package_bands(fleet([1.0]), other).vehicles == 0


def test_the_key_is_of_kinds_and_ratings_and_of_no_name_order_or_tyre() -> None:
    same = replace(
        SHEET,
        driveline=replace(SHEET.driveline, tyre_radius_m=0.4),
        parts=(Clutch(name="other", torque_nm=500.0), replace(TURBO, name="snail", title="Another", source="maker")),
        load=None,
    )
    assert parts_key(same) == PARTS
    assert PARTS[-1] == "turbo: boost 190 kPa, efficiency 0.7, power 200 kW"
    assert parts_key(replace(SHEET, parts=(*SHEET.parts, Airbox(name="box", flow_kg_h=900.0, drop_kpa=3.0)))) != PARTS
    assert parts_key(replace(SHEET, parts=(replace(TURBO, power_kw=210.0),))) != PARTS


@pytest.mark.parametrize(
    ("boost", "place", "fits"), [(150.0, "in", True), (190.0, "above", False), (110.0, "below", False)]
)
def test_a_pull_is_placed(boost: float, place: str, fits: bool) -> None:
    band = boost_band(fleet([146.0, 148.0, 150.0, 152.0, 154.0]))
    found = placed(pull(boost), band)
    assert set(found.place) == {place}
    assert found.fits is fits
    assert found.worst is not None
    assert (abs(found.worst) > 1.0) is not fits
    assert f"{boost:.0f} kPa, expected" in found.words
    assert "5 vehicles" in found.words


def test_a_pull_of_another_gear_is_not_compared() -> None:
    found = placed(pull(150.0, gear=4), boost_band(fleet([150.0] * 4)))
    assert found.fits is None
    assert "not compared" in found.words


def test_a_summary_is_of_the_middle_of_the_pulls() -> None:
    made = package_summary("Invented 1", SHEET, [pull(b) for b in (148.0, 150.0, 190.0)])
    assert made.parts == PARTS
    (sweep,) = made.sweeps
    assert (sweep.tune, sweep.gear, sweep.pulls) == ("tow", 3, 3)
    np.testing.assert_allclose(sweep.of("boost_kpa"), 150.0)
    assert np.isnan(sweep.of("egt_degc")).all()


# ------------------------------------------------------------------------------------------------------- the folder


def test_a_folder_comes_back_as_it_was_written(tmp_path: Path) -> None:
    reach = np.where(np.array(RPM) <= 2500.0, 150.0, np.nan)
    written = [*fleet([149.25, 150.0, 151.0]), vehicle("Zum Schluß: one", reach, mixture=1.2)]
    for v in written:
        write_summary(tmp_path / "package", v)
    read = read_package(tmp_path / "package")
    assert [v.vehicle for v in read] == [v.vehicle for v in written]
    for a, b in zip(written, read, strict=True):
        assert (a.parts, a.sweeps[0].rpm) == (b.parts, b.sweeps[0].rpm)
        for (name, x), (other, y) in zip(a.sweeps[0].courses, b.sweeps[0].courses, strict=True):
            assert name == other
            np.testing.assert_array_equal(x, y)


def test_a_vehicle_that_is_handed_over_again_counts_once(tmp_path: Path) -> None:
    write_summary(tmp_path, vehicle("One", 150.0))
    write_summary(tmp_path, vehicle("One", 160.0))
    (only,) = read_package(tmp_path)
    assert only.sweeps[0].of("boost_kpa")[0] == 160.0
    with pytest.raises(UphaulError, match="is of 'One'"):
        write_summary(tmp_path, vehicle("one!", 150.0))


def write_summary(folder: Path, summary: VehicleSummary) -> Path:
    path, what = summary_file(folder, summary)
    path.write_bytes(what)
    return path


def test_every_quantity_has_a_range() -> None:
    assert list(RANGES) == list(COURSES)


WRONG: list[tuple[str, Any, str]] = [
    ("format", "other", "format"),
    ("version", 2, "version = 2: must be 1"),
    ("version", True, "version = True: must be 1"),
    ("version", 1.0, "version = 1.0: must be 1"),
    ("vehicle", "", "vehicle"),
    ("parts", "engine", "parts"),
    ("parts", ["turbo", ""], "parts"),
    ("sweeps", {}, "sweeps"),
    ("sweeps.0.tune", 3, r"sweeps\[0\].tune = 3: must be the name of a tune"),
    ("sweeps.0.gear", 0, r"sweeps\[0\].gear = 0: must be a whole number"),
    ("sweeps.0.pulls", True, r"sweeps\[0\].pulls"),
    ("sweeps.0.gear", 31, r"sweeps\[0\].gear = 31: must be a whole number from 1 to 30"),
    ("sweeps.0.pulls", 2.0, r"sweeps\[0\].pulls = 2.0: must be a whole number from 1 to 1,000"),
    ("sweeps.0.rpm", [2000], r"sweeps\[0\].rpm = .*: must be a list of at least two"),
    ("sweeps.0.rpm", [2000, 2000], r"sweeps\[0\].rpm\[1\] = 2000: must be more than the one before it, 2000"),
    ("sweeps.0.rpm", [2000, 1900], r"sweeps\[0\].rpm\[1\] = 1900: must be more than the one before it, 2000"),
    ("sweeps.0.rpm", [2000, 2050], r"sweeps\[0\].rpm\[1\] = 2050: must be an engine speed .*, a multiple of 100"),
    ("sweeps.0.rpm", [0, 100], r"sweeps\[0\].rpm\[0\] = 0: must be an engine speed from 100 to 10000 rpm"),
    ("sweeps.0.rpm", [2000, True], r"sweeps\[0\].rpm\[1\] = True"),
    ("sweeps.0.rpm", [2000, "2100"], r"sweeps\[0\].rpm\[1\] = '2100'"),
    ("sweeps.0.boost_kpa", [150.0] * 20 + [150_000.0], r"sweeps\[0\].boost_kpa\[20\] = 150000.0: .* -100 to 1000 kPa"),
    ("sweeps.0.mixture", [1.2, False] + [1.2] * 19, r"sweeps\[0\].mixture\[1\] = False: .* 0.1 to 50, or null"),
    ("sweeps.0.boost_kpa", [1.0], r"sweeps\[0\].boost_kpa = .*: must be 21 numbers or nulls"),
    ("sweeps.0.gear", 10**400, r"sweeps\[0\].gear"),
    ("sweeps.0.boost_kpa", [10**400] * 21, r"sweeps\[0\].boost_kpa"),
    ("sweeps.0.boost_kpa", [float("nan")] * 21, r"sweeps\[0\].boost_kpa"),
    ("sweeps.0.rpm", [1500, 10**400], r"sweeps\[0\].rpm"),
    ("sweeps.0.boost_kpa", ["high"] * 21, r"sweeps\[0\].boost_kpa"),
    ("sweeps.0.boost_kpa", None, r"sweeps\[0\].boost_kpa"),
]


@pytest.mark.parametrize(("key", "value", "said"), WRONG, ids=[f"{k}={v!r}"[:40] for k, v, _ in WRONG])
def test_a_fault_in_a_file_is_named_with_file_key_and_what_would_be_right(
    tmp_path: Path, key: str, value: object, said: str
) -> None:
    path = write_summary(tmp_path, vehicle("One", 150.0))
    made = json.loads(path.read_text(encoding="utf-8"))
    at, *rest = key.split(".")
    place = made
    for step in rest:
        place, at = place[int(at) if at.isdigit() else at], step
    place[at] = value
    path.write_text(json.dumps(made), encoding="utf-8")
    with pytest.raises(ConfigError, match=f"one.handover.json: {said}"):
        read_package(tmp_path)


@pytest.mark.parametrize("text", ["", "{", "[]", "\xff", "[" * 100_000, '{"format": NaN}', "9" * 5_000])
def test_what_is_no_such_file_is_named(tmp_path: Path, text: str) -> None:
    (tmp_path / "x.handover.json").write_text(text, encoding="latin-1")
    with pytest.raises(ConfigError, match=r"x\.handover\.json: (file|format)"):
        read_package(tmp_path)


def test_a_vehicle_in_two_files_and_an_empty_folder_are_named(tmp_path: Path) -> None:
    with pytest.raises(UphaulError, match="holds no file"):
        read_package(tmp_path)
    path = write_summary(tmp_path, vehicle("One", 150.0))
    (tmp_path / "two.handover.json").write_bytes(path.read_bytes())
    with pytest.raises(ConfigError, match="each counts once"):
        read_package(tmp_path)


def test_a_sweep_that_comes_twice_in_a_file_is_named_as_it_would_count_twice(tmp_path: Path) -> None:
    path = write_summary(tmp_path, vehicle("One", 150.0))
    made = json.loads(path.read_text(encoding="utf-8"))
    made["sweeps"] *= 2
    path.write_text(json.dumps(made), encoding="utf-8")
    with pytest.raises(ConfigError, match=r"one.handover.json: sweeps\[1\].tune = .*: must come once with gear"):
        read_package(tmp_path)


def test_names_in_any_writing_have_files_of_their_own(tmp_path: Path) -> None:
    names = ["Вымысел один", "Вымысел два", "発明", "Ü/../x", "\U00020000" * 120, "…"]
    written = {write_summary(tmp_path, vehicle(name, 150.0)) for name in names}
    assert {path.parent for path in written} == {tmp_path}
    assert sorted(v.vehicle for v in read_package(tmp_path)) == sorted(names)


def test_the_command_shows_the_band(tmp_path: Path) -> None:
    for v in fleet([146.0, 148.0, 150.0, 152.0]):
        write_summary(tmp_path, v)
    write_summary(tmp_path, vehicle("odd", 150.0, ("engine of another kind",)))
    done = CliRunner().invoke(main, ["package", str(tmp_path)])
    assert done.exit_code == 0, done.output
    half = REACH[4] * median_abs_deviation([146.0, 148.0, 150.0, 152.0], scale="normal")
    assert "4 of 5 vehicles have the same parts" in done.output
    assert "odd: other parts, left out" in done.output
    assert f"{149.0 - half:.0f}–{149.0 + half:.0f}" in done.output
    made = json.loads(CliRunner().invoke(main, ["package", str(tmp_path), "--json"]).output)
    assert made["bands"][0]["high"][0] == pytest.approx(149.0 + half, rel=1e-4)
    assert made["bands"][0]["vehicles"][0] == 4
    (tmp_path / "broken.handover.json").write_text("{", encoding="utf-8")
    done = CliRunner().invoke(main, ["package", str(tmp_path)])
    assert done.exit_code == 2
    assert "broken.handover.json: file: must be JSON" in done.output
