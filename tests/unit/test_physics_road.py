"""Road load against the coastdown table of 40 CFR, a published vehicle simulator and arithmetic by hand."""

from __future__ import annotations

import numpy as np
import pytest

from uphaul.physics.road import (
    climb_n,
    coastdown_s,
    combined_kg,
    crank_kw,
    drag_n,
    from_coefficients_n,
    inertia_n,
    mass_kg,
    road_load_n,
    rolling_n,
    wheel_kw,
    wheel_nm,
)


def _a(*x: float) -> np.ndarray:
    return np.array(x)


FLAT = _a(0.0)
STEADY = _a(0.0)

# Mass kg, A in N, C in N/(km/h)2, force at 65 km/h in N, time from 70 to 60 km/h in s: read from 40 CFR 86.529-98,
# figure F98-9
COASTDOWNS = [
    (100.0, 0.00, 0.0224, 94.8, 2.95),
    (110.0, 0.82, 0.0227, 96.8, 3.18),
    (150.0, 4.32, 0.0238, 104.9, 3.99),
    (200.0, 8.69, 0.0252, 115.1, 4.85),
    (250.0, 13.06, 0.0266, 125.3, 5.57),
    (300.0, 17.43, 0.0279, 135.4, 6.18),
]


@pytest.mark.parametrize(("mass", "a", "c", "force", "time"), COASTDOWNS)
def test_published_coastdown_table(mass: float, a: float, c: float, force: float, time: float) -> None:
    c_si = c * 3.6**2
    at_65 = from_coefficients_n(_a(65.0 / 3.6), STEADY, FLAT, _a(mass), a_n=a, b_n_s_m=0.0, c_n_s2_m2=c_si)
    seconds = coastdown_s(_a(70.0 / 3.6), _a(60.0 / 3.6), _a(mass), a_n=a, c_n_s2_m2=c_si)
    # the table gives C to three digits, which is 0.2 % of the force
    assert at_65[0] == pytest.approx(force, abs=0.2)
    assert seconds[0] == pytest.approx(time, rel=3e-3)


def test_coastdown_closed_form_is_the_force_integrated() -> None:
    mass, a, c = 300.0, 17.43, 0.0279 * 3.6**2
    v = np.linspace(60.0 / 3.6, 70.0 / 3.6, 2001)
    n = np.zeros_like(v)
    force = from_coefficients_n(v, n, n, n + mass, a_n=a, b_n_s_m=0.0, c_n_s2_m2=c)
    assert coastdown_s(v[-1:], v[:1], _a(mass), a_n=a, c_n_s2_m2=c)[0] == pytest.approx(
        np.trapezoid(mass / force, v), rel=1e-6
    )


def test_coastdown_with_one_kind_of_resistance_or_none() -> None:
    # by hand: 100 kg slowed by 50 N from 20 to 10 m/s takes 20 s; by 0.5 v2: 100 / 0.5 (1/10 - 1/20) = 10 s
    v1, v2, m = _a(20.0), _a(10.0), _a(100.0)
    assert coastdown_s(v1, v2, m, a_n=50.0, c_n_s2_m2=0.0)[0] == pytest.approx(20.0)
    assert coastdown_s(v1, v2, m, a_n=0.0, c_n_s2_m2=0.5)[0] == pytest.approx(10.0)
    assert np.isnan(coastdown_s(v1, _a(0.0), m, a_n=0.0, c_n_s2_m2=0.5)[0])  # never stands still
    assert np.isnan(coastdown_s(v1, v2, m, a_n=0.0, c_n_s2_m2=0.0)[0])
    assert np.isnan(coastdown_s(v2, v1, m, a_n=50.0, c_n_s2_m2=0.5)[0])  # faster by itself


def test_truck_of_a_published_simulator() -> None:
    # fastsim 2.1.5 (run in its own environment), its class 4 truck at 26.8224 m/s: Cd 0.6078, 8.686 m2, Crr 0.0127,
    # 6,590 kg, 1.2 kg/m3; it takes g as 9.81. Level drag 61.12582 kW, rolling 22.02195; at 3 % 22.01205 and climb
    # 51.99696
    v, mass, grade, g = _a(26.8224), _a(6590.0), _a(0.03), 9.80665 / 9.81
    assert wheel_kw(drag_n(v, _a(1.2), drag_area_m2=0.6078 * 8.686), v)[0] == pytest.approx(61.12582, abs=1e-4)
    assert wheel_kw(rolling_n(mass, FLAT, rolling_coefficient=0.0127), v)[0] == pytest.approx(22.02195 * g, abs=1e-4)
    assert wheel_kw(rolling_n(mass, grade, rolling_coefficient=0.0127), v)[0] == pytest.approx(22.01205 * g, abs=1e-4)
    assert wheel_kw(climb_n(mass, grade), v)[0] == pytest.approx(51.99696 * g, abs=1e-4)


def test_car_of_a_published_simulator() -> None:
    # fastsim 3.1.0 (run in its own environment), an example car (Cd 0.393, 2.12 m2, Crr 0.007, 1,644.2725 kg, four
    # wheels of 0.82 kg m2 and 0.326 m) at 200 s of UDDS, 18.10541 to 18.82069 m/s in 1 s; its air is 1.1728477 kg/m3,
    # its g 9.80. In W: acceleration 21714.54, drag 3075.04, rolling 2082.58, wheels' inertia 407.58, together 27279.74
    v1, v2, mass = 18.10541, 18.82069, _a(1644.2725)
    v, accel, density = _a((v1 + v2) / 2.0), _a(v2 - v1), _a(1.1728477)
    rotating = 1.0 + 4.0 * 0.82 / (1644.2725 * 0.326**2)
    rolling = wheel_kw(rolling_n(mass, FLAT, rolling_coefficient=0.007), v)[0]
    drag = wheel_kw(drag_n(v, density, drag_area_m2=0.393 * 2.12), v)[0]
    whole = road_load_n(
        v, accel, FLAT, mass, density, rolling_coefficient=0.007, drag_area_m2=0.393 * 2.12, rotating=rotating
    )
    assert wheel_kw(inertia_n(mass, accel), v)[0] == pytest.approx(21.71454, abs=2e-4)
    assert wheel_kw(inertia_n(mass, accel, rotating=rotating), v)[0] == pytest.approx(21.71454 + 0.40758, abs=2e-4)
    assert drag == pytest.approx(3.07504, abs=1e-5)
    assert rolling == pytest.approx(2.08258 * 9.80665 / 9.80, abs=1e-5)
    assert wheel_kw(whole, v)[0] == pytest.approx(27.27974 + rolling - 2.08258, abs=3e-4)


# km/h, grade, m/s2; N and kW. By hand: 5,500 kg, Crr 0.008, 3.2 m2, 1.2 kg/m3, 9.80665 m/s2
@pytest.mark.parametrize(
    ("km_h", "grade", "accel", "newton", "kw"),
    [
        (100.0, 0.0, 0.0, 1913.0, 53.14),
        (100.0, 0.06, 0.0, 5142.6, 142.85),
        (80.0, 0.08, 0.0, 5679.5, 126.21),
        (60.0, 0.0, 0.5, 3714.8, 61.91),
    ],
)
def test_a_heavy_rig(km_h: float, grade: float, accel: float, newton: float, kw: float) -> None:
    v, g, a, mass, density = _a(km_h / 3.6), _a(grade), _a(accel), _a(5500.0), _a(1.2)
    force = road_load_n(v, a, g, mass, density, rolling_coefficient=0.008, drag_area_m2=3.2)
    assert force[0] == pytest.approx(newton, abs=0.06)
    assert wheel_kw(force, v)[0] == pytest.approx(kw, abs=0.006)
    if grade or accel:
        back = mass_kg(force, v, a, g, density, rolling_coefficient=0.008, drag_area_m2=3.2)
        assert back[0] == pytest.approx(5500.0)


def test_a_climb_that_a_practitioner_would_believe() -> None:
    # common practice: 5.4 t at 75 km/h up 6.5 %, drag area 3.6, Crr 0.010, thin warm air: wheel power 99..110 kW, and
    # half a percent of grade is some 5.5 kW, a tenth of the mass some 8
    def at(grade: float, mass: float) -> float:
        v = _a(75.0 / 3.6)
        force = road_load_n(v, STEADY, _a(grade), _a(mass), _a(1.05), rolling_coefficient=0.010, drag_area_m2=3.6)
        return float(wheel_kw(force, v)[0])

    assert 99.0 <= at(0.065, 5400.0) <= 110.0
    assert at(0.070, 5400.0) - at(0.065, 5400.0) == pytest.approx(5.5, abs=0.2)
    assert at(0.065, 5940.0) - at(0.065, 5400.0) == pytest.approx(8.0, abs=0.5)


def test_coefficients_in_the_units_of_dynamometers() -> None:
    # A 40 lbf, B 0.5 lbf/mph, C 0.030 lbf/mph2 at 60 mph: 178 lbf, 28.48 hp. Factors: NIST SP 811, by hand
    lbf, mph = 4.4482216152605, 0.44704
    a, b, c = 40.0 * lbf, 0.5 * lbf / mph, 0.030 * lbf / mph**2
    assert (a, b, c) == pytest.approx((177.929, 4.97519, 0.667752), rel=1e-5)
    force = from_coefficients_n(_a(60.0 * mph), STEADY, FLAT, _a(2000.0), a_n=a, b_n_s_m=b, c_n_s2_m2=c)
    assert force[0] == pytest.approx(791.783, abs=1e-3)
    assert force[0] / lbf == pytest.approx(178.0)
    assert wheel_kw(force, _a(60.0 * mph))[0] == pytest.approx(21.2375, abs=1e-4)


def test_coefficients_of_the_published_form_on_a_slope_and_while_speeding_up() -> None:
    # 40 CFR 1066.210(d)(3): A cos + B v + C v2 + M dv/dt + M 9.80665 sin, at the angle of 5 % written as asin and acos
    angle = np.arctan(0.05)
    expected = 180.0 * np.cos(angle) + 5.0 * 20.0 + 0.6 * 400.0 + 2500.0 * 0.3 + 2500.0 * 9.80665 * np.sin(angle)
    got = from_coefficients_n(_a(20.0), _a(0.3), _a(0.05), _a(2500.0), a_n=180.0, b_n_s_m=5.0, c_n_s2_m2=0.6)
    assert got[0] == pytest.approx(expected)


def test_mass_on_the_level_at_steady_speed_is_unknown() -> None:
    got = mass_kg(_a(1913.0), _a(27.8), STEADY, FLAT, _a(1.2), rolling_coefficient=0.008, drag_area_m2=3.2)
    assert np.isnan(got[0])


def test_the_trailer_counts_only_when_hitched() -> None:
    got = combined_kg(_a(2700.0, 2700.0, 2700.0, 2700.0), _a(2700.0, 2700.0, np.nan, np.nan), _a(1.0, 0.0, 0.0, 1.0))
    assert got[:3].tolist() == [5400.0, 2700.0, 2700.0]
    assert np.isnan(got[3])
    assert np.isnan(combined_kg(_a(2700.0), _a(2700.0), _a(np.nan))[0])


def test_crank_power_pays_for_the_driveline_and_overrun_is_paid_by_it() -> None:
    # by hand from the definition of efficiency
    assert crank_kw(_a(90.0, -90.0), efficiency=0.9) == pytest.approx([100.0, -81.0])
    assert wheel_nm(_a(1000.0), rolling_radius_m=0.35)[0] == pytest.approx(350.0)
