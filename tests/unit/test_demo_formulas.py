"""The demo vehicle's equations against published values and other programs."""

from __future__ import annotations

import math

import pytest

from uphaul.demo import formulas as f


@pytest.mark.parametrize(
    ("altitude_m", "pa"),
    # Source: ISO 2533:1975, geopotential heights (ambiance 1.3.1 and fluids 1.3.1 give the same from geometric ones)
    [
        (0, 101325.0),
        (500, 95460.8),
        (1000, 89874.6),
        (1500, 84556.0),
        (2000, 79495.2),
        (3000, 70108.5),
        (5000, 54019.9),
    ],
)
def test_the_barometer_follows_the_standard_atmosphere(altitude_m: float, pa: float) -> None:
    assert f.barometer_kpa(altitude_m, 101.325) * 1000.0 == pytest.approx(pa, abs=0.1)


@pytest.mark.parametrize(
    ("t1", "ratio", "efficiency", "t2", "t2_real"),
    # Source: fluids 1.3.1 isentropic_T_rise_compression (g = 1.4); last column CoolProp 8.0, real air, p1 98 kPa
    [
        (25, 2.0, 0.70, 118.28, 117.98),
        (20, 2.5, 0.75, 136.97, 136.52),
        (25, 2.8, 0.72, 166.63, 165.81),
        (30, 3.0, 0.68, 194.39, 193.09),
        (40, 2.8, 0.70, 193.01, 191.74),
    ],
)
def test_the_compressor_heats_the_air(t1: float, ratio: float, efficiency: float, t2: float, t2_real: float) -> None:
    outlet = f.compressor_outlet_k(t1 + 273.15, ratio, efficiency) - 273.15
    assert outlet == pytest.approx(t2, abs=0.02)
    assert outlet == pytest.approx(t2_real, abs=1.5)


def test_the_compressor_matches_the_example_in_fluids() -> None:
    # Source: documented example of fluids: isentropic_T_rise_compression(286.8, 54050, 432400, 1.4)
    assert f.compressor_outlet_k(286.8, 8.0, 1.0) == pytest.approx(519.5230938, rel=1e-6)


@pytest.mark.parametrize(
    ("ve", "litres", "rpm", "air", "kg_s"),
    [
        # Source: by hand. One litre of standard air (1.2250 kg/m3) 600 times a minute.
        (1.0, 1.0, 1200, (101.325, 15), 0.012250),
        (0.88, 3.9, 2400, (212.78, 60), 0.15273),
        (0.85, 3.9, 2800, (220.00, 55), 0.18066),
    ],
)
def test_the_engine_breathes_by_speed_and_density(
    ve: float, litres: float, rpm: float, air: tuple[float, float], kg_s: float
) -> None:
    kpa, degc = air
    assert f.engine_air_kg_s(ve, litres / 1000.0, rpm, kpa, degc + 273.15) == pytest.approx(kg_s, rel=1e-4)


def test_the_engine_breathes_as_in_a_published_example() -> None:
    # Source: turbocharger handbook method (in a stored public page): 44.0 lb/min at 7200 rpm, 122 in3, VE 0.92,
    # 130 degF needs 41.1 psi absolute. Tolerance: its gas constant is 0.1 % off, its result is rounded.
    air = f.engine_air_kg_s(0.92, 122 * 16.387064e-6, 7200, 41.1 * 6.894757, (130 + 459.67) / 1.8)
    assert air * 60.0 / 0.45359237 == pytest.approx(44.0, rel=0.003)


@pytest.mark.parametrize(("expansion", "drop"), [(1.5, 65.2), (2.0, 107.6), (2.5, 138.5), (3.0, 162.5)])
def test_the_turbine_cools_the_exhaust(expansion: float, drop: float) -> None:
    # Source: by hand, dT = T3 * 0.70 * (1 - ER^-0.248) at 700 degC; common practice says 100 to 150 degC at load.
    assert f.turbine_drop_k(973.15, expansion, 0.70) == pytest.approx(drop, abs=0.3)


@pytest.mark.parametrize(
    ("km_h", "grade", "force_n"),
    # Source: by hand with g 9.80665: 5500 kg, Crr 0.008, CdA 3.2, density 1.2
    [(100, 0.0, 1913.0), (100, 0.06, 5142.6), (80, 0.08, 5679.5)],
)
def test_road_load_of_a_rig(km_h: float, grade: float, force_n: float) -> None:
    speed = km_h / 3.6
    force = f.road_force_n(
        mass_kg=5500, crr=0.008, cda_m2=3.2, density_kg_m3=1.2, grade=grade, speed_m_s=speed, air_m_s=speed
    )
    assert force == pytest.approx(force_n, abs=0.5)


def test_road_load_of_a_truck_from_another_program() -> None:
    # Source: fastsim 2.1.5, its class 4 truck at 26.8224 m/s: drag 61.12582, rolling 22.01205, slope 51.99696 kW.
    # fastsim takes g = 9.81.
    drag_m2, speed = 0.6078 * 8.686, 26.8224
    force = f.road_force_n(
        mass_kg=6590, crr=0.0127, cda_m2=drag_m2, density_kg_m3=1.2, grade=0.03, speed_m_s=speed, air_m_s=speed
    )
    other_kw = 61.12582 + (22.01205 + 51.99696) * f.G_M_S2 / 9.81
    assert force * speed / 1000.0 == pytest.approx(other_kw, abs=1e-3)


def test_a_coastdown_takes_the_time_in_the_regulation() -> None:
    # Source: 40 CFR 86.529-98 figure F98-9, row of 200 kg: A 8.69 N, C 0.0252 N/(km/h)2, 70 to 60 km/h in 4.85 s.
    speed, t_s, dt = 70.0 / 3.6, 0.0, 0.001
    while speed > 60.0 / 3.6:
        force = f.road_force_n(
            mass_kg=200,
            crr=8.69 / (200 * f.G_M_S2),
            cda_m2=2 * 0.0252 * 3.6**2,
            density_kg_m3=1.0,
            grade=0.0,
            speed_m_s=speed,
            air_m_s=speed,
        )
        speed -= force / 200.0 * dt
        t_s += dt
    assert t_s == pytest.approx(4.85, rel=0.003)


def test_a_hole_leaks_as_a_choked_nozzle_does() -> None:
    # Source: choked mass flow of air, 0.0404 * p * A / sqrt(T) in SI (gas dynamics, from memory), discharge 0.62.
    flow = f.leak_kg_s(100.0, 250.0, 350.0, 100.0)
    assert flow == pytest.approx(0.62 * 0.04042 * 250e3 * 100e-6 / math.sqrt(350.0), rel=0.002)
    assert f.leak_kg_s(100.0, 99.0, 350.0, 100.0) == 0.0
