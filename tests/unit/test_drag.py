"""Drag told apart by what it goes with: drives made by hand from the road-load law, with known brakes, wind and mass.

The road load is that of 40 CFR 1066.210(d)(3) with slope; the engine turns a fixed share of its fuel into work, less a
friction that grows with speed. Nothing of that is taken from the analysis.
"""

from __future__ import annotations

import numpy as np
import pytest

from uphaul.analysis.drag import Drag, drag
from uphaul.analysis.pieces import Pieces
from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.signals import Signal

KG, AREA_M2, ROLLING, AIR, G = 5000.0, 3.6, 0.01, 1.2, 9.80665
RATIOS, RADIUS_M = (17.0, 9.0, 5.6, 3.8), 0.38
NOISE = 0.002
"""Of the grade that is told: 100 N for 5 t."""


def driven(
    seed: int,
    *,
    brakes_n: float = 0.0,
    wind_m_s: float = 0.0,
    more_kg: float = 0.0,
    work: float = 0.40,
    slopes: tuple[float, ...] = (0.06, 0.0, 0.03, -0.01, 0.045, 0.02),
    starts: bool = True,
    graded: bool = True,
) -> WholeDrive:
    """Half an hour: a leg a slope, most of them after pulling away, told as a vehicle of 5 t in still air."""
    chance = np.random.default_rng(seed)
    speed: list[float] = []
    slope: list[float] = []
    for s in slopes:
        top = chance.uniform(18.0, 24.0) if starts else 21.0
        rise = np.arange(4.0, top, 0.25) if starts else np.empty(0)  # half a second each: 0.5 m/s^2
        speed += [*rise, *(top + starts * np.sin(np.arange(600 - len(rise)) / 40.0))]
        slope += [s] * 600
    v, grade = np.array(speed), np.array(slope)
    gain = np.gradient(v, 0.5)
    gear = np.clip(np.digitize(v, (6.0, 10.0, 16.0)) + 1, 1, 4)
    rpm = v * np.array(RATIOS)[gear - 1] / RADIUS_M * 30.0 / np.pi
    air = v + wind_m_s + chance.normal(0.0, 0.3, len(v))
    gave = (KG + more_kg) * (G * (grade + ROLLING) + 1.035 * gain) + 0.5 * AIR * AREA_M2 * air**2 + brakes_n
    watts = gave * v / 0.9 + rpm * 20.0  # friction: some 190 N m
    fuel = watts / (work * 42.8e6)
    told = grade + chance.normal(0.0, NOISE, len(v))
    asked = KG * (G * (told + ROLLING) + 1.035 * gain) + 0.5 * AIR * AREA_M2 * v**2
    columns = {
        "rpm": rpm, "speed": v, "gear": gear.astype(float), "fuel": fuel, "pedal": np.full(len(v), 0.5),
        "wheel_power": asked * v / 1000.0, "grade": told,
    }  # fmt: skip
    if not graded:
        del columns["grade"]
    return WholeDrive(
        tuple(Signal(n, ROLES[n], 1000) for n in columns),
        np.arange(len(v), dtype=np.int64) * 500,
        np.stack(list(columns.values()), axis=1),
        np.zeros(len(v), dtype=np.int16),
        ("tow",),
    )


def beside(drive: WholeDrive, reference: WholeDrive | None = None) -> Drag:
    found = drag(Pieces(drive), Pieces(reference or driven(1)))
    assert found is not None
    return found


@pytest.mark.parametrize("seed", [2, 3, 4])
def test_a_sound_drive_has_neither_drag_nor_more_mass(seed: int) -> None:
    found = beside(driven(seed))
    assert abs(found.mean_n) < 60.0
    assert abs(found.mass_kg) < 60.0


@pytest.mark.parametrize("seed", [2, 3, 4])
def test_dragging_brakes_are_a_force_at_any_speed(seed: int) -> None:
    found = beside(driven(seed, brakes_n=900.0))
    assert found.mean_n == pytest.approx(900.0, abs=60.0)
    assert found.mass_kg == pytest.approx(0.0, abs=100.0)
    assert found.share == pytest.approx(1.0, abs=0.2)


@pytest.mark.parametrize("seed", [2, 3, 4])
def test_a_headwind_goes_with_speed(seed: int) -> None:
    # rho A (v w + w^2 / 2): of 0.5 rho A (2 v w + w^2) at 21 m/s, w / (2 v + w) = 0.16 is there at any speed
    found = beside(driven(seed, wind_m_s=8.0))
    assert found.mean_n == pytest.approx(0.5 * AIR * AREA_M2 * (2 * 21.0 * 8.0 + 64.0), rel=0.12)
    assert found.share == pytest.approx(0.16, abs=0.2)
    assert abs(found.mass_kg) < found.mass_u


@pytest.mark.parametrize("seed", [2, 3, 4])
def test_more_mass_goes_with_slope_and_pulling_away_and_is_no_drag(seed: int) -> None:
    found = beside(driven(seed, more_kg=1200.0))
    assert found.mass_kg == pytest.approx(1200.0, abs=100.0)
    assert abs(found.mean_n) < 60.0
    assert np.isnan(found.share)


def test_each_is_told_beside_the_others() -> None:
    found = beside(driven(5, brakes_n=700.0, more_kg=900.0))
    assert found.mass_kg == pytest.approx(900.0, abs=100.0)
    assert found.mean_n == pytest.approx(700.0, abs=80.0)
    assert found.share == pytest.approx(1.0, abs=0.2)


def test_an_engine_that_turns_less_of_its_fuel_into_work_looks_like_more_mass() -> None:
    # a tenth less of some 5 t
    found = beside(driven(6, work=0.36))
    assert 300.0 < found.mass_kg < 800.0


def test_the_noise_of_the_grade_does_not_pass_for_mass() -> None:
    # the grade's noise stands on both sides: by plain least squares it takes a share of the mass away, which is the
    # noise's variance (of a mean of four readings) over that of what a kilogram is asked
    gentle = (0.012, 0.0, 0.004, 0.016, 0.0, 0.008)
    means = [beside(driven(s, slopes=gentle, starts=False), driven(1, slopes=gentle)).mass_kg for s in range(10, 16)]
    plain_kg = KG * (NOISE / 2.0) ** 2 / (float(np.var(gentle)) + (NOISE / 2.0) ** 2)
    assert plain_kg > 120.0
    assert abs(float(np.mean(means))) < 0.4 * plain_kg


def test_where_all_was_driven_at_one_force_mass_is_not_told_and_drag_is_less_sure() -> None:
    flat = (0.02,) * 6
    found = beside(driven(2, slopes=flat, starts=False))
    plain = beside(driven(2))
    assert np.isnan(found.mass_kg)
    assert found.mean_u > plain.mean_u


def test_without_a_grade_told_mass_is_not_told() -> None:
    found = beside(driven(2, brakes_n=900.0, graded=False))
    assert np.isnan(found.mass_kg)
    assert found.mean_n == pytest.approx(900.0, abs=60.0)
    assert found.share > 0.7


def test_too_little_of_pulling_in_gear_tells_nothing() -> None:
    short = driven(2, slopes=(0.02,))
    few = WholeDrive(short.signals, short.t_ms[:200], short.values[:200], short.tune[:200], short.tunes)
    assert drag(Pieces(few), Pieces(driven(1))) is None


def test_the_stated_doubt_covers_what_noise_does() -> None:
    # the doubt holds two days' wind and engine too: it has to be more than what the fit alone scatters by
    found = [beside(driven(s, more_kg=500.0)) for s in range(20, 32)]
    off = np.array([(f.mass_kg - 500.0) / f.mass_u for f in found])
    assert np.abs(off).max() < 1.0
    assert np.mean([abs(f.mean_n) < f.mean_u for f in found]) == 1.0


def test_what_the_engine_spends_on_itself_is_in_the_doubt_by_its_gear() -> None:
    # 6 N m, twice for some 95 %, through 3.8 to wheels of 0.38 m: 120 N, beside 280 N of wind
    found = beside(driven(2, slopes=(0.02,) * 6, starts=False, graded=False))
    assert found.mean_u == pytest.approx(np.hypot(280.0, 120.0), rel=0.02)


def test_a_short_reference_makes_it_less_sure() -> None:
    few = beside(driven(2), driven(1, slopes=(0.0, 0.06)))
    assert few.mass_u > beside(driven(2)).mass_u + 10.0
