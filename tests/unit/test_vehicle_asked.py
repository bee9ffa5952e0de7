"""What a tune asks of its parts: by facts of the trade, by hand, and where a rating is passed."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from math import pi
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from uphaul.cli import main
from uphaul.physics import power
from uphaul.units import convert
from uphaul.vehicle.asked import AIR, SEA_LEVEL, Asked, Use, asked, courses, high_road, uses
from uphaul.vehicle.model import Expected, Targets, Tune
from uphaul.vehicle.sheet import Airbox, BuildSheet, ChargeCooler, Clutch, Engine, Exhaust, Injectors, Part, Turbo

SAMPLE = Path(__file__).parents[2] / "config"
ENGINE = Engine(3.2, 4, 750.0, 3700.0, filling=0.88, consumption_g_kwh=222.0)
COOLER = ChargeCooler(name="intercooler", effectiveness=0.75)


def sheet(*parts: Part) -> BuildSheet:
    return BuildSheet(engine=ENGINE, parts=parts)


def tune(power_kw: float, torque_nm: float, boost_kpa: float = 140.0, mixture: float | None = None) -> Tune:
    curve = Expected("boost", "rpm", (1000.0, 4000.0), (boost_kpa, boost_kpa))
    return Tune("t", expected=(curve,), targets=Targets(power_kw, torque_nm, mixture))


def ask(parts: BuildSheet, what: Tune, *, height_m: float = 0.0) -> Asked:
    found = asked(parts, what, high_road(height_m) if height_m else SEA_LEVEL)
    assert found is not None
    return found


def one(found: tuple[Use, ...], part: str, rating: str) -> Use:
    (use,) = (u for u in found if (u.part, u.rating) == (part, rating))
    return use


# ------------------------------------------------------------------------------------------- facts of the trade


def test_840_nm_on_a_clutch_for_1300_is_65_percent() -> None:
    """Common practice."""
    parts = sheet(Clutch(name="clutch", torque_nm=1300.0))
    found = one(uses(parts, [ask(parts, tune(200.0, 840.0))]), "clutch", "torque")
    assert round(found.share * 100) == 65
    assert found.most == 840.0


def test_840_nm_at_2200_rpm_is_193_5_kw() -> None:
    """Common practice; also by definition, 840 * 2200 * pi / 30000."""
    assert power.from_torque_kw(np.array([840.0]), np.array([2200.0]))[0] == pytest.approx(193.5, abs=0.05)
    found = ask(sheet(), tune(250.0, 840.0))
    assert found.power_kw[found.rpm == 2200.0][0] == pytest.approx(193.5, abs=0.05)


def _most_hp(boost_kpa: float, mixture: float, rpm: float = 3400.0) -> float:
    """Power that the air of this boost is enough for, at a speed near the governor's."""
    parts = sheet(Turbo(name="turbo", boost_kpa=200.0), COOLER, Airbox(name="airbox", flow_kg_h=900.0, drop_kpa=3.0))
    found = ask(parts, tune(150.0, 600.0, boost_kpa, mixture))
    kw = power.from_torque_kw(found.limit_nm, found.rpm)[found.rpm == rpm][0]
    return float(convert(float(kw), "kW", "hp"))


def test_a_factory_turbo_at_18_psi_gives_air_for_about_200_hp() -> None:
    """Common practice: trusted to about 18 psi gauge and 200 hp, with the lean mixture of a stock tune (20:1)."""
    assert _most_hp(float(convert(18.0, "psi", "kPa")), 20.0 / 14.5) == pytest.approx(200.0, rel=0.08)


def test_an_uprated_bolt_on_turbo_gives_air_for_240_to_300_hp() -> None:
    """Common practice, at pressures of 150 to 190 kPa and the mixture of a full-load tune (17.5 to 18:1)."""
    assert 240.0 < _most_hp(150.0, 18.0 / 14.5) < _most_hp(190.0, 17.5 / 14.5) < 300.0


@pytest.mark.parametrize(("hp", "over"), [(225.0, False), (245.0, True)])
def test_stock_injectors_and_airbox_run_out_together_between_230_and_240_hp(hp: float, over: bool) -> None:
    """Common practice. Injectors for 235 hp; the airbox passes 700 kg/h, which is 235 hp at 18:1 and 222 g/kWh."""
    injectors = Injectors(name="injectors", power_kw=float(convert(235.0, "hp", "kW")), flow_mg_ms=45.0, angle_deg=45.0)
    parts = sheet(injectors, Airbox(name="airbox", flow_kg_h=700.0, drop_kpa=3.0))
    kw = float(convert(hp, "hp", "kW"))
    # the engine takes in what it burns at 18:1: its boost follows
    air_kg_h = kw * 222.0 / 1000.0 * 18.0
    probe = ask(parts, tune(kw, 600.0, 130.0))
    boost = 130.0
    for _ in range(20):
        probe = ask(parts, tune(kw, 600.0, boost))
        boost *= air_kg_h / float(probe.air_kg_h[-1])
    found = uses(parts, [probe])
    assert (one(found, "injectors", "power").share > 1.0) is over
    assert (one(found, "airbox", "air flow").share > 1.0) is over


# -------------------------------------------------------------------------------------------------- by hand


def test_the_injection_angle_by_hand() -> None:
    """150 kW at 222 g/kWh are 9.25 g/s; at 3000 rpm and 4 cylinders 92.5 mg a stroke; at 50 mg/ms 1.85 ms: 33.3 deg."""
    parts = sheet(Injectors(name="injectors", power_kw=200.0, flow_mg_ms=50.0, angle_deg=40.0))
    found = ask(parts, tune(150.0, 600.0))
    at = found.rpm == 3000.0
    assert found.fuel_mg[at][0] == pytest.approx(92.5)
    assert found.angle_deg[at][0] == pytest.approx(33.3)


def test_the_air_by_hand() -> None:
    """Without intercooler losses: 241.3 kPa and 60.7 degC fill 3.2 L 1,500 times a minute to 0.88: 0.1773 kg/s."""
    parts = sheet(Turbo(name="turbo", boost_kpa=200.0, efficiency=0.70), COOLER)
    found = ask(parts, tune(150.0, 600.0))
    at = found.rpm == 3000.0
    ratio = (101.325 + 140.0) / 101.325
    hot = 298.15 * (1.0 + (ratio ** (0.4 / 1.4) - 1.0) / 0.70)
    charge = hot - 0.75 * (hot - 298.15)
    assert found.pressure_ratio[at][0] == pytest.approx(ratio)
    assert found.charge_degc[at][0] == pytest.approx(charge - 273.15, abs=0.01)
    by_hand = 0.88 * 0.0032 * 25.0 * 241_325.0 / (287.05 * charge)
    assert found.air_kg_h[at][0] / 3600.0 == pytest.approx(by_hand, rel=1e-4)
    assert found.mixture[at][0] == pytest.approx(by_hand / 0.00925 / 14.5, rel=1e-4)


def test_what_airbox_and_intercooler_cost_raises_the_pressure_ratio() -> None:
    airbox, cooler = Airbox(name="a", flow_kg_h=800.0, drop_kpa=5.0), replace(COOLER, flow_kg_h=800.0, drop_kpa=10.0)
    bare, costly = ask(sheet(COOLER), tune(150.0, 600.0)), ask(sheet(airbox, cooler), tune(150.0, 600.0))
    share = (costly.air_kg_h / 800.0) ** 2
    by_hand = (241.325 + 10.0 * share) / (101.325 - 5.0 * share)
    assert np.all(costly.pressure_ratio > bare.pressure_ratio)
    assert costly.pressure_ratio == pytest.approx(by_hand, rel=1e-4)


def test_the_same_manifold_pressure_is_a_higher_ratio_at_height() -> None:
    """Standard atmosphere, ISO 2533: 79.495 kPa at 2,000 m."""
    found = ask(sheet(COOLER), tune(150.0, 600.0), height_m=2000.0)
    assert found.pressure_ratio[0] == pytest.approx(241.325 / 79.495, rel=1e-4)
    assert found.boost_kpa[0] == pytest.approx(241.325 - 79.495, abs=0.01)


def test_boost_in_psi_is_boost() -> None:
    in_psi = tune(150.0, 600.0, float(convert(140.0, "kPa", "psi")))
    found = asked(sheet(COOLER), in_psi, boost_unit="psi")
    assert found is not None
    assert found.air_kg_h == pytest.approx(ask(sheet(COOLER), tune(150.0, 600.0)).air_kg_h)


# ------------------------------------------------------------------------------------------ the weakest, and none


def test_the_weakest_part_is_on_top_and_the_worst_day_counts() -> None:
    parts = sheet(Turbo(name="turbo", boost_kpa=180.0, pressure_ratio=3.0), Clutch(name="clutch", torque_nm=700.0))
    found = uses(parts, [ask(parts, tune(150.0, 500.0)), ask(parts, tune(150.0, 500.0), height_m=2000.0)])
    assert [u.share for u in found] == sorted((u.share for u in found), reverse=True)
    assert (found[0].part, found[0].rating) == ("turbo", "pressure ratio")
    assert found[0].share > 1.0
    assert found[0].day == "2,000 m, 35 degC"


def test_too_little_boost_for_the_mixture_is_named() -> None:
    lean, rich = tune(150.0, 500.0, 150.0, mixture=1.2), tune(150.0, 500.0, 80.0, mixture=1.2)
    parts = sheet(COOLER)
    (enough,), (too_little,) = uses(parts, [ask(parts, lean)]), uses(parts, [ask(parts, rich)])
    assert enough.part == too_little.part == AIR
    assert enough.share < 1.0 < too_little.share
    assert too_little.most < 1.2 < enough.most


def test_what_only_a_drive_tells_has_no_row() -> None:
    parts = sheet(Exhaust(name="exhaust", egt_degc=720.0), Turbo(name="turbo", boost_kpa=180.0, speed_rpm=150_000.0))
    assert [(c.part, c.rating) for c in courses(parts, ask(parts, tune(150.0, 500.0)))] == [("turbo", "boost")]


def test_without_engine_or_targets_nothing_is_worked_out() -> None:
    assert asked(BuildSheet(), tune(150.0, 500.0)) is None
    assert asked(sheet(COOLER), Tune("t")) is None
    assert asked(sheet(COOLER), Tune("t", targets=Targets(power_kw=150.0))) is None


def test_without_expected_boost_power_and_torque_are_still_told() -> None:
    parts = sheet(Clutch(name="clutch", torque_nm=700.0), Airbox(name="airbox", flow_kg_h=700.0, drop_kpa=3.0))
    plain = Tune("t", targets=Targets(150.0, 500.0, 1.2))
    assert [u.part for u in uses(parts, [ask(parts, plain)])] == ["clutch"]


# --------------------------------------------------------------------------------------------------- the command


def copied(folder: Path, old: str = "", new: str = "") -> Path:
    for name in ("signals.toml", "rules.toml", "vehicle.toml"):
        text = (SAMPLE / name).read_text(encoding="utf-8")
        if name == "vehicle.toml" and old:
            assert old in text
            text = text.replace(old, new)
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def test_the_sample_asks_for_less_than_its_parts_can_do(tmp_path: Path) -> None:
    run = CliRunner().invoke(main, ["vehicle", str(SAMPLE), "--json", "--plot", str(tmp_path / "use.svg")])
    assert run.exit_code == 0, run.output
    told = json.loads(run.stdout)
    assert [t["name"] for t in told["tunes"]] == ["stock", "tow", "tow-max"]
    assert {r["part"] for r in told["tunes"][1]["ratings"]} >= {"turbo", "injectors", "clutch", "airbox", "intercooler"}
    assert all(0.3 < r["share"] <= 1.0 for t in told["tunes"] for r in t["ratings"])
    picture = (tmp_path / "use.svg").read_text(encoding="utf-8")
    assert "clutch: torque" in picture
    assert "Towing, most power" in picture


def test_a_mixture_above_its_rating_is_not_told_as_if_it_were_too_much() -> None:
    run = CliRunner().invoke(main, ["vehicle", str(SAMPLE)])
    rows = [x for x in run.stdout.splitlines() if "mixture (lambda)" in x and x.startswith(("stock ", "tow"))]
    assert [re.search("at least ([0-9.]+)", x)[1] for x in rows] == ["1.38", "1.24", "1.2"]
    assert run.stdout.count("at least") == len(rows)


def test_a_tune_that_asks_too_much_is_named(tmp_path: Path) -> None:
    run = CliRunner().invoke(main, ["vehicle", str(copied(tmp_path, "torque = 750 ", "torque = 500 "))])
    assert run.exit_code == 1
    (line,) = (x for x in run.stdout.splitlines() if x.startswith("Asks too much"))
    assert line.startswith("Asks too much: tow-max, clutch torque: 525 N·m of 500 N·m, 5.0% over")


def test_a_sheet_that_says_too_little_is_told_what_it_lacks(tmp_path: Path) -> None:
    copied(tmp_path)
    (tmp_path / "vehicle.toml").write_text("[tune.stock]\n[tune.tow]\n[tune.tow-max]\n", encoding="utf-8")
    (tmp_path / "rules.toml").write_text("", encoding="utf-8")
    run = CliRunner().invoke(main, ["vehicle", str(tmp_path)])
    assert run.exit_code == 2
    assert "vehicle.toml: needs [engine] and a [part]" in run.stderr


def test_each_tunes_pull_has_its_gear_and_end_speed_or_is_one_for_a_dynamometer() -> None:
    """By hand: a turn of the wheel is 2 pi x 0.380 m; at 3,000 rpm in third it turns 3000 / (1.46 x 4.885) a minute.

    1st gear (4.38) is 20.1 km/h there and 19.1 km/h at 2,850 rpm, where tow is at its power: 140 kW / 470 N·m.
    """
    by_tune = {t["name"]: t["pull"] for t in json.loads(told("--json"))["tunes"]}
    stock = by_tune["stock"]
    assert (stock["where"], stock["gear"], stock["from_rpm"], stock["to_rpm"]) == ("road", 3, 1500.0, 3000.0)
    assert stock["to_km_h"] == pytest.approx(2 * pi * 0.380 * 3000 / (1.46 * 4.885) * 60 / 1000, abs=0.05)
    assert "  pull within 80 km/h: gear 3: 1500 to 3000 rpm is 30 to 60 km/h" in told().splitlines()
    slow = {t["name"]: t["pull"] for t in json.loads(told("--json", "--speed-limit", "20"))["tunes"]}
    assert (slow["stock"]["where"], slow["stock"]["gear"], slow["stock"]["to_km_h"]) == ("dynamometer", None, None)
    assert (slow["tow"]["where"], slow["tow"]["gear"], slow["tow"]["to_km_h"]) == ("road", 1, 19.1)
    assert "no gear is slow enough for 1500 to 3000 rpm: on a dynamometer" in told("--speed-limit", "20")


def test_without_a_driveline_a_pull_is_one_for_a_dynamometer(tmp_path: Path) -> None:
    sheet = (SAMPLE / "vehicle.toml").read_text(encoding="utf-8")
    start = sheet.index("[driveline]")
    stop = sheet.index("\n[", start)
    folder = copied(tmp_path, sheet[start:stop], "")
    assert "the sheet has no [driveline] for 1500 to 3000 rpm: on a dynamometer" in told(folder=folder)


def told(*args: str, folder: Path = SAMPLE) -> str:
    run = CliRunner().invoke(main, ["vehicle", str(folder), *args])
    assert run.exit_code == 0, run.output
    return run.stdout


def test_a_plot_of_another_kind_is_refused() -> None:
    run = CliRunner().invoke(main, ["vehicle", str(SAMPLE), "--plot", "use.pdf"])
    assert run.exit_code == 2
    assert "must end in .svg or .png" in run.stderr
