"""Power at the wheels in a pull: against another simulator's vehicle, a published coastdown and solved motion."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from support.road_power import AIR_DEGC, GEARING, SHEET, TRUCK, WHEEL_M, drive_of, driven, reference
from uphaul.analysis.pull_curve import Doubts, WheelPower, pull_curve, wheel_power
from uphaul.analysis.pulls import find_pulls
from uphaul.analysis.smoothing import local_fit
from uphaul.analysis.whole import WholeDrive
from uphaul.units import convert
from uphaul.vehicle.sheet import BuildSheet, Load

# m in kg; F = A + C V2 in N with V in km/h; F at 65 km/h in N; s from 70 to 60 km/h: 40 CFR 86.529-98, figure F98-9
COASTDOWNS = [
    (110.0, 0.82, 0.0227, 96.8, 3.18),
    (150.0, 4.32, 0.0238, 104.9, 3.99),
    (200.0, 8.69, 0.0252, 115.1, 4.85),
    (250.0, 13.06, 0.0266, 125.3, 5.57),
    (300.0, 17.43, 0.0279, 135.4, 6.18),
]


def power(drive: WholeDrive, sheet: BuildSheet = SHEET, gear: int | None = 1, window_ms: int = 1000) -> WheelPower:
    found = wheel_power(drive, sheet, gear=gear, inside=(0, len(drive)), window_ms=window_ms)
    assert not isinstance(found, str), found
    return found


@pytest.mark.parametrize("gear", [1, None], ids=["by engine speed", "by road speed"])
def test_a_published_vehicle_over_the_wltc(gear: int | None) -> None:
    t, v, kw = reference("wltc")
    drive = driven(t, v)
    found, at = power(drive, gear=gear), drive.t_ms / 1000.0
    # where its speed is straight over the window, the other simulator's power comes back
    on = kw[1:] > 0.0
    middle = t[1:] - 0.5
    here = np.interp(middle, at, found.power_kw)[on]
    np.testing.assert_allclose(here, kw[1:][on], rtol=1e-3, atol=0.05)
    # where its acceleration jumps, the window flattens: within what is stated at 95 % of the points or more
    both = (kw[1:-1] > 0.0) & (kw[2:] > 0.0)
    here, doubt = (np.interp(t[1:-1], at, x)[both] for x in (found.power_kw, found.doubt_kw))
    apart = np.abs(here - (kw[1:-1] + kw[2:])[both] / 2.0)
    assert both.sum() > 1000
    assert np.mean(apart <= doubt) >= 0.95


def test_a_published_vehicle_at_full_load() -> None:
    t, v, kw = reference("pull")
    part = (t >= 4.0) & (t <= 22.0)
    (pull,) = find_pulls(driven(t[part] - 4.0, v[part]), SHEET)
    assert pull.curve is not None
    speed = pull.curve.of("rpm") * np.pi / 30.0 * WHEEL_M / GEARING.overall[0]
    true = np.interp(speed, (v[1:] + v[:-1]) / 2.0, kw[1:])
    apart = np.abs(pull.curve.of("power_kw") - true)
    assert len(speed) >= 20
    assert np.mean(apart <= pull.curve.of("power_doubt_kw")) >= 0.95
    assert np.median(apart / true) < 0.002
    torque = true * 30_000.0 / np.pi / pull.curve.of("rpm")
    np.testing.assert_allclose(pull.curve.of("torque_nm"), torque, rtol=0.02)


def test_the_stated_uncertainty_covers_what_is_wrong_with_a_sheet_and_its_sensors_in_95_of_100_pulls() -> None:
    t, v, kw = reference("pull")
    part = (t >= 6.0) & (t <= 18.0)
    at = np.arange(0.0, 12.0, 0.05)
    speed = np.interp(at, t[part] - 6.0, v[part])
    doubts, rng = Doubts(wind_m_s=0.0), np.random.default_rng(11)
    inside = []
    for _ in range(150):
        by = rng.standard_normal(6)
        wrong = Load(
            TRUCK.vehicle_kg * (1.0 + doubts.mass * by[0]),
            0.0,
            TRUCK.drag_area_m2 * (1.0 + doubts.drag * by[1]),
            TRUCK.rolling * (1.0 + doubts.rolling * by[2]),
            TRUCK.rotating + doubts.rotating * by[3],
        )
        turned = speed / WHEEL_M * GEARING.overall[0] * 30.0 / np.pi
        drive = drive_of(
            at,
            speed * (1.0 + doubts.speed * by[4]),
            rpm=np.rint((turned + rng.normal(0.0, 4.0, len(at))) * 8.0) / 8.0,
            grade=doubts.grade * by[5],
        )
        curve = pull_curve(drive, replace(SHEET, load=wrong), gear=1, doubts=doubts)
        assert curve is not None
        true = np.interp(curve.of("rpm") * np.pi / 30.0 * WHEEL_M / GEARING.overall[0], (v[1:] + v[:-1]) / 2.0, kw[1:])
        inside.append(np.abs(curve.of("power_kw") - true) <= curve.of("power_doubt_kw"))
    # neither too narrow nor so wide that it says nothing
    assert 0.91 <= np.mean(inside) <= 0.99


@pytest.mark.parametrize(("kg", "a_n", "c", "force_65", "seconds"), COASTDOWNS)
def test_a_published_coastdown_gives_its_coefficients_back(
    kg: float, a_n: float, c: float, force_65: float, seconds: float
) -> None:
    c_si = c * 3.6**2
    root, knee = np.sqrt(a_n * c_si), np.sqrt(c_si / a_n)
    first, last = convert(75.0, "km/h", "m/s"), convert(55.0, "km/h", "m/s")
    whole_s = kg / root * (np.arctan(first * knee) - np.arctan(last * knee))
    t = np.arange(0.0, whole_s, 0.05)
    v = np.tan(np.arctan(first * knee) - t * root / kg) / knee  # the equation of motion, solved
    fit = local_fit(np.rint(t * 1000).astype(np.int64), v, 1000)
    force, km_h = -kg * fit.slope, fit.value * 3.6
    order = np.argsort(km_h)
    assert np.interp(65.0, km_h[order], force[order]) == pytest.approx(force_65, abs=0.2)
    assert np.interp(-60.0, -km_h, t) - np.interp(-70.0, -km_h, t) == pytest.approx(seconds, rel=3e-3)
    square, level = np.polyfit(km_h**2, force, 1)
    assert square == pytest.approx(c, rel=3e-3)
    assert level == pytest.approx(a_n, abs=0.2)
    # and a vehicle of that road load that rolls freely is told to get nothing at the wheels
    load = Load(kg, 0.0, 2.0 * c_si / 1.2, a_n / (kg * 9.80665), 1.0)
    found = power(drive_of(t, v), replace(SHEET, load=load), gear=None)
    assert np.abs(found.power_kw[10:-10]).max() < 0.002 * force_65 * first / 1000.0


@pytest.mark.parametrize("kw", [60.0, 120.0])
def test_constant_power_without_resistance_as_it_is_solved(kw: float) -> None:
    load = Load(5400.0, 0.0, 1e-9, 1e-9, 1.05)
    t = np.arange(0.0, 20.0, 0.05)
    v = np.sqrt(9.0**2 + 2.0 * kw * 1000.0 / (5400.0 * 1.05) * t)  # m v dv = P dt
    drive = drive_of(t, v)
    curve = pull_curve(drive, replace(SHEET, load=load), gear=1)
    assert curve is not None
    apart = curve.of("power_kw") / kw - 1.0
    window = dict(curve.shares)["window"]
    assert np.abs(apart).max() < 0.01
    # the window's own share says how far it is off: twice a standard uncertainty
    assert (np.abs(curve.of("power_kw") - kw) <= np.array(window) + 0.03).all()
    assert curve.smoothing is not None
    assert (curve.smoothing.window_s, curve.smoothing.readings, curve.smoothing.signal) == (1.0, 21, "rpm")
    assert "Savitzky" in curve.smoothing.words


def test_a_steady_climb_takes_what_the_slope_takes() -> None:
    drive = drive_of(np.arange(0.0, 20.0, 0.05), np.full(400, 20.0), grade=0.06)
    load = Load(5400.0, 0.0, 1e-9, 1e-9, 1.0)
    found = power(drive, replace(SHEET, load=load), gear=None)
    # m g v sin(atan 0.06)
    assert found.power_kw[200] == pytest.approx(5400.0 * 9.80665 * 20.0 * 0.06 / np.sqrt(1.0036) / 1000.0)


def test_the_shares_add_up_as_squares() -> None:
    found = power(driven(*reference("wltc")[:2]))
    total = np.sqrt(sum(x * x for x in found.shares.values()))
    np.testing.assert_allclose(found.doubt_kw, total)
    assert set(found.shares) == {
        "mass", "grade", "rolling", "drag", "wind", "turning", "scale", "noise", "window"
    }  # fmt: skip


def test_what_no_signal_tells_is_assumed_and_said_and_widens_the_doubt() -> None:
    t, v, _ = reference("pull")
    known = driven(t[20:100] - t[20], v[20:100])
    full = pull_curve(known, SHEET, gear=1)
    names = [s.name for s in known.signals]
    keep = [i for i, n in enumerate(names) if n not in ("grade", "baro", "ambient")]
    blind = replace(known, signals=tuple(known.signals[i] for i in keep), values=known.values[:, keep])
    less = pull_curve(blind, SHEET, gear=1)
    assert full is not None and less is not None
    assert full.assumed == ()
    assert len(less.assumed) == 2
    assert "level" in less.assumed[0] and "air" in less.assumed[1]
    assert (less.of("power_doubt_kw") > full.of("power_doubt_kw")).all()


def test_without_a_load_or_a_speed_power_is_not_told_and_why() -> None:
    t, v, _ = reference("pull")
    drive = driven(t[20:100] - t[20], v[20:100])
    curve = pull_curve(drive, BuildSheet(), gear=1)
    assert curve is not None
    assert "[load]" in curve.without_power
    assert np.isnan(curve.of("power_kw")).all()
    gone = drive.values.copy()
    gone[:, 1] = np.nan
    curve = pull_curve(replace(drive, values=gone), BuildSheet(load=TRUCK), gear=1)
    assert curve is not None
    assert "no road speed" in curve.without_power
    # with the driveline the engine's speed does, with the tyre's doubt
    alone, with_speed = pull_curve(replace(drive, values=gone), SHEET, gear=1), pull_curve(drive, SHEET, gear=1)
    assert alone is not None and with_speed is not None
    np.testing.assert_allclose(alone.of("power_kw"), with_speed.of("power_kw"), rtol=1e-6)
    assert (np.array(dict(alone.shares)["scale"]) > 3.5 * np.array(dict(with_speed.shares)["scale"])).all()


def test_a_slipping_clutch_is_measured_by_the_road() -> None:
    t, v, kw = reference("pull")
    at = np.arange(0.0, 12.0, 0.05)
    speed = np.interp(at, t - 6.0, v)
    rpm = speed / WHEEL_M * GEARING.overall[0] * 30.0 / np.pi * np.linspace(1.25, 1.0, len(at))
    curve = pull_curve(drive_of(at, speed, rpm=rpm), SHEET, gear=1)
    assert curve is not None and curve.smoothing is not None
    assert curve.smoothing.signal == "speed"
    assert np.median(curve.of("power_kw")) == pytest.approx(np.median(kw[30:90]), rel=0.02)
    assert np.nanmax(curve.of("slip")) == pytest.approx(0.19, abs=0.02)


def test_air_of_the_reference_is_that_of_the_other_simulator() -> None:
    from uphaul.physics.air import density_kg_m3

    drive = drive_of(np.zeros(1), np.ones(1))
    one = np.ones(1)
    assert density_kg_m3(drive.read("baro"), one * AIR_DEGC, one * 0.5)[0] == pytest.approx(1.2, rel=1e-6)


@pytest.mark.parametrize("late_s", [0.0, 0.3, 0.8])
@pytest.mark.parametrize("held", [1, 4], ids=["20 a second", "5 a second"])
def test_a_road_speed_that_is_told_late_is_made_up_for(late_s: float, held: int) -> None:
    t, v, kw = reference("pull")
    rng, at = np.random.default_rng(2), np.arange(0.0, 12.0, 0.05)
    late = np.interp(at - late_s, t - 5.0, v) + rng.normal(0.0, 0.05, len(at))
    turned = np.interp(at, t - 5.0, v) / WHEEL_M * GEARING.overall[0] * 30.0 / np.pi
    drive = drive_of(at, np.repeat(late[::held], held), rpm=turned)
    curve = pull_curve(drive, SHEET, gear=1)
    assert curve is not None and curve.smoothing is not None
    assert curve.smoothing.signal == "rpm"
    # a reading that is held for four ticks is one and a half ticks old on average
    assert curve.smoothing.late_s == pytest.approx(late_s + 0.05 * (held - 1) / 2.0, abs=0.06)
    true = np.interp(curve.of("rpm") * np.pi / 30.0 * WHEEL_M / GEARING.overall[0], (v[1:] + v[:-1]) / 2.0, kw[1:])
    assert np.abs(curve.of("power_kw") / true - 1.0).max() < 0.025
    assert ("late" in curve.smoothing.words) is (late_s > 0.0)
    # what looks like slip is none
    if late_s > 0.0:
        assert np.isnan(curve.of("slip")).all()


def test_a_wrong_tyre_in_the_sheet_is_found_by_the_road_speed() -> None:
    t, v, _ = reference("pull")
    drive = driven(t[20:100] - t[20], v[20:100])
    wrong = replace(SHEET, driveline=replace(GEARING, tyre_radius_m=WHEEL_M * 1.05))
    right, other = pull_curve(drive, SHEET, gear=1), pull_curve(drive, wrong, gear=1)
    assert right is not None and other is not None
    np.testing.assert_allclose(other.of("power_kw"), right.of("power_kw"), rtol=2e-3)


def test_a_plug_that_tells_nothing_tells_no_mass() -> None:
    t, v, _ = reference("pull")
    drive = driven(t[20:100] - t[20], v[20:100], plug=np.where(np.arange(80) < 2, 1.0, np.nan))
    found = wheel_power(drive, SHEET, gear=1, inside=(200, len(drive)))
    assert isinstance(found, str)
    assert "trailer" in found
