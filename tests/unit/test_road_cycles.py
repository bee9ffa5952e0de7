"""Road load over whole driving cycles, against a published vehicle simulator that drove them.

The cycles are the files in the wheel of fastsim 2.1.5. The figures are frozen: fastsim 2.1.5 was run in an environment
of its own (it needs numpy below 2.1), its class 4 truck of 6,590 kg (Cd 0.6078, 8.686 m2, Crr 0.0127) with an engine of
3,000 kW and enough grip, so that it misses no second of a cycle. It takes the air as 1.2 kg/m3, g as 9.81, and the
speed of a step as the mean of its ends.
"""

from __future__ import annotations

import csv

import numpy as np
import pytest

from support.packages import wheel
from uphaul.physics.road import climb_n, drag_n, inertia_n, road_load_n, rolling_n, wheel_kw
from uphaul.units import convert

G_RATIO = 9.80665 / 9.81
MASS, DRAG_AREA, ROLLING, AIR = 6590.0, 0.6078 * 8.686, 0.0127, 1.2

# km, s, highest mph: fastsim 2.1.5
TOTALS = [("udds", 11.9904, 1369, 56.70), ("hwfet", 16.5068, 765, 59.90), ("us06", 12.8876, 600, 80.3)]

# Cycle, grade; kJ of drag, of rolling, of speeding up, of the climb, and of the sum wherever it drives the vehicle;
# the highest of that sum in kW: fastsim 2.1.5
ENERGIES = [
    ("udds", 0.00, 8324.11193, 9844.48534, 13829.10209, 0.0, 26941.1846, 148.69470),
    ("udds", 0.03, 8324.11193, 9840.05831, 13829.10209, 23244.23222, 46709.2383, 178.89101),
    ("hwfet", 0.00, 27050.86070, 13552.56478, 7677.13181, 0.0, 42748.7804, 126.34409),
    ("hwfet", 0.03, 27050.86070, 13546.47024, 7677.13181, 31999.53600, 73652.7298, 175.04514),
    ("us06", 0.00, 31428.05491, 10581.06997, 17870.16599, 0.0, 50698.8181, 410.37624),
    ("us06", 0.03, 31428.05491, 10576.31170, 17870.16599, 24983.41346, 72808.0981, 474.06039),
]


def cycle(name: str) -> tuple[np.ndarray, np.ndarray]:
    """(seconds, m/s) of a driving cycle."""
    path = (
        wheel("fastsim", "2.1.5", of=("manylinux2014_x86_64", "3.11"))
        / "fastsim"
        / "resources"
        / "cycles"
        / f"{name}.csv"
    )
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = [(float(row["cycSecs"]), float(row["cycMps"])) for row in csv.DictReader(file)]
    t, v = np.array(rows).T
    return t, v


@pytest.mark.parametrize(("name", "km", "seconds", "mph"), TOTALS)
def test_the_cycles_are_the_published_ones(name: str, km: float, seconds: int, mph: float) -> None:
    t, v = cycle(name)
    assert np.trapezoid(v, t) / 1000.0 == pytest.approx(km, rel=1e-3)
    assert t[-1] == seconds
    assert convert(float(v.max()), "m/s", "mph") == pytest.approx(mph, abs=0.05)


@pytest.mark.parametrize("row", ENERGIES, ids=[f"{name} {100 * grade:.0f} %" for name, grade, *_ in ENERGIES])
def test_energies_over_a_cycle(row: tuple[str, float, float, float, float, float, float, float]) -> None:
    name, slope, drag, rolling, speeding, climb, driven, highest = row
    t, speed = cycle(name)
    dt, v, accel = np.diff(t), (speed[1:] + speed[:-1]) / 2.0, np.diff(speed) / np.diff(t)
    mass, grade, air = np.full_like(v, MASS), np.full_like(v, slope), np.full_like(v, AIR)

    def kj(force: np.ndarray) -> float:
        return float(np.sum(np.maximum(wheel_kw(force, v), 0.0) * dt))

    assert kj(drag_n(v, air, drag_area_m2=DRAG_AREA)) == pytest.approx(drag, rel=1e-8)
    assert kj(rolling_n(mass, grade, rolling_coefficient=ROLLING)) == pytest.approx(rolling * G_RATIO, rel=1e-8)
    assert kj(inertia_n(mass, accel)) == pytest.approx(speeding, rel=1e-8)
    assert kj(climb_n(mass, grade)) == pytest.approx(climb * G_RATIO, rel=1e-8)
    whole = road_load_n(v, accel, grade, mass, air, rolling_coefficient=ROLLING, drag_area_m2=DRAG_AREA)
    # g differs by 0.034 %
    assert kj(whole) == pytest.approx(driven, rel=3e-4)
    assert wheel_kw(whole, v).max() == pytest.approx(highest, rel=3e-4)
