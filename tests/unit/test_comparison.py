"""Comparison of two drives: what it corrects, how honest its uncertainty is, and when it says that it can't compare."""

from __future__ import annotations

from dataclasses import replace

import fluids
import numpy as np
import pytest

from support.demo_drives import BANDS, foot_s
from support.demo_drives import drive as demo_drive
from support.fleet import BUILT_ON, trip
from support.fleet_drive import drive_fleet
from support.fleet_runs import leaking, sound_pairs
from support.whole_drives import without
from uphaul.analysis import comparison
from uphaul.analysis.comparison import Comparison, Difference, compare
from uphaul.analysis.pieces import Pieces
from uphaul.analysis.quantities import QUANTITIES, Quantity
from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.signals import Signal

HZ = 2.0


def made(seconds: float = 600.0, **roles: float | np.ndarray) -> WholeDrive:
    """A drive at 2 Hz with these roles, each constant or (N,)."""
    n = round(seconds * HZ)
    return WholeDrive(
        signals=tuple(Signal(name, ROLES[name], per_unit=1000) for name in roles),
        t_ms=np.arange(n, dtype=np.int64) * round(1000 / HZ),
        values=np.stack([np.full(n, v) if np.isscalar(v) else np.asarray(v) for v in roles.values()], axis=1),
        tune=np.zeros(n, dtype=np.int16),
        tunes=("tow",),
    )


def quantity(name: str) -> Quantity:
    """The quantity of that name."""
    return next(q for q in QUANTITIES if q.name == name)


def number(name: str, **roles: float) -> float:
    """The number that a quantity makes of constant readings."""
    return float(np.median(quantity(name).make(Pieces(made(20.0, **roles)))[1]))


AIR = {"rpm": 2500.0, "map": 250.0, "baro": 100.0, "ambient": 25.0, "charge": 60.0}


def test_compressor_number_is_the_inverse_of_the_isentropic_efficiency() -> None:
    # Source: fluids 1.3.1, isentropic_T_rise_compression, an implementation of others
    for degc, baro, efficiency in ((25.0, 100.0, 0.70), (-5.0, 85.0, 0.62), (40.0, 72.0, 0.76)):
        hot_k = fluids.isentropic_T_rise_compression(degc + 273.15, baro * 1e3, 250e3, 1.4, efficiency)
        readings = {**AIR, "ambient": degc, "baro": baro, "compressor_out": hot_k - 273.15}
        assert number("compressor_out", **readings) == pytest.approx(1.0 / efficiency, rel=1e-9)


def test_turbo_speed_is_compared_by_the_square_root_of_the_isentropic_work() -> None:
    # Source: fluids 1.3.1, isentropic_work_compression (J/mol)
    here, high = {**AIR, "turbo_speed": 120_000.0}, {**AIR, "baro": 80.0, "ambient": 5.0, "turbo_speed": 120_000.0}
    work = [fluids.isentropic_work_compression(T1=r["ambient"] + 273.15, P1=r["baro"], P2=r["map"], k=1.4, eta=1.0)
            for r in (here, high)]  # fmt: skip
    ratio = number("turbo_speed", **here) / number("turbo_speed", **high)
    assert ratio == pytest.approx((work[1] / work[0]) ** 0.5, rel=1e-9)


def test_turbine_balance_is_free_of_height_when_the_turbo_is_the_same() -> None:
    # A turbine that passes and works as Stodola and the isentropic expansion (fluids) say, 70 % good, at two heights:
    # the compressor takes what it gives, so that the balance may not move.
    balances = []
    for baro, p3, egt in ((100.0, 270.0, 650.0), (75.0, 240.0, 690.0)):
        t3 = egt + 273.15
        drop = t3 - fluids.isentropic_T_rise_compression(t3, p3, baro, 1.33, 1.0)
        through = np.sqrt(p3**2 - baro**2) / np.sqrt(t3)
        power = through * drop * 0.7
        flow = 2500.0 * 250.0 / 333.15
        rise = power / flow * 250.0
        readings = {**AIR, "baro": baro, "exhaust_pressure": p3, "egt": egt, "compressor_out": 25.0 + rise}
        balances.append(number("turbine_balance", **readings))
    assert balances[0] == pytest.approx(balances[1], abs=1e-6)


def test_what_the_turbine_lets_through_is_free_of_height_heat_and_load_and_tells_a_hole_by_its_share() -> None:
    # Stodola's ellipse (Stodola 1927, Steam and Gas Turbines, from memory): flow ~ sqrt(p3^2 - p4^2) / sqrt(T3)
    def through(baro: float, p3: float, egt: float, map_kpa: float, more: float = 1.0) -> float:
        flow = more * np.sqrt(p3**2 - baro**2) / np.sqrt(egt + 273.15)
        rpm = 400.0 * flow * 333.15 / map_kpa
        readings = {**AIR, "baro": baro, "exhaust_pressure": p3, "egt": egt, "map": map_kpa, "rpm": float(rpm)}
        return number("swallow", **readings, boost_actuator=0.6)

    low, high = through(100.0, 270.0, 650.0, 250.0), through(75.0, 190.0, 480.0, 180.0)
    assert low == pytest.approx(high, abs=1e-6)
    assert through(100.0, 270.0, 650.0, 250.0, more=1.12) - low == pytest.approx(100.0 * np.log(1.12), abs=1e-6)


def test_mixture_number_is_the_same_for_another_load_of_the_same_engine() -> None:
    # By the definition of lambda and the ideal-gas law: air by speed and density over fuel
    light = {**AIR, "map": 150.0, "fuel": 0.004}
    numbers = [
        number("mixture", **r, mixture=3.0e-4 * r["rpm"] * r["map"] / (r["charge"] + 273.15) / (r["fuel"] * 1e3))
        for r in ({**AIR, "fuel": 0.008}, light)
    ]
    assert numbers[0] == pytest.approx(numbers[1], abs=1e-9)


def wandering(rng: np.random.Generator, n: int, sigma: float, tau: float) -> np.ndarray:
    """Noise that forgets in `tau` ticks: neighbours tell the same twice."""
    keep = np.exp(-1.0 / tau)
    out = np.empty(n)
    at = rng.normal(0.0, sigma)
    for i in range(n):
        out[i] = at
        at = keep * at + rng.normal(0.0, sigma * np.sqrt(1.0 - keep * keep))
    return out


@pytest.mark.parametrize("tau_s", [1.0, 10.0, 30.0])
def test_stated_uncertainty_holds_against_noise_that_is_slow_to_forget(tau_s: float) -> None:
    # Two drives that differ by chance alone; without the quantity's own floor, what is stated must be enough
    rng = np.random.default_rng(5)
    bare = replace(quantity("oil_pressure"), repeat=0.0)
    within = cells = 0
    for _ in range(20):
        pair = []
        for _ in range(2):
            n = round(1800 * HZ)
            rpm = np.repeat(rng.choice([1625.0, 1875.0, 2125.0, 2375.0], n // 60), 60)
            pair.append(
                Pieces(made(1800.0, rpm=rpm, oil_temp=95.0, oil_pressure=300.0 + wandering(rng, n, 5.0, tau_s * HZ)))
            )
        found = _only(bare, *pair)
        known = ~np.isnan(found.difference)
        cells += int(known.sum())
        within += int((np.abs(found.difference[known]) <= found.uncertainty[known]).sum())
    assert cells >= 60
    assert within / cells >= 0.90


def _only(q: Quantity, here: Pieces, there: Pieces) -> Difference:
    return comparison._difference(q, q.y, (here, there), {0}, steady=True)


def test_sound_drives_in_other_weather_and_height_differ_no_more_than_stated() -> None:
    cells = beyond = 0
    for reference, drive in sound_pairs():
        for each in compare(drive, reference).differences:
            known = ~np.isnan(each.difference)
            cells += int(known.sum())
            beyond += int((np.abs(each.difference[known]) > each.uncertainty[known]).sum())
    assert cells >= 200
    assert beyond / cells <= 0.05


def test_a_leak_shows_as_more_given_to_the_turbine_than_arrives() -> None:
    reference, drive = leaking()
    found = compare(drive, reference).of("turbine_balance")
    assert found.overall < -2.0 * found.overall_uncertainty


def test_a_drive_beside_itself_shows_no_difference() -> None:
    _, drive = sound_pairs()[0]
    for each in compare(drive, drive).differences:
        assert not each.comparable or np.nanmax(np.abs(each.difference)) == 0.0


def test_says_which_signal_is_missing() -> None:
    reference, drive = sound_pairs()[0]
    found = compare(without(drive, "egt"), reference).of("egt")
    assert not found.comparable
    assert "no egt" in found.reason


def test_a_tune_that_is_unknown_for_a_moment_is_told_all_the_same() -> None:
    reference, drive = sound_pairs()[0]

    def untold(ticks: int) -> tuple[str, ...]:
        tune = reference.tune.copy()
        tune[:ticks] = -1
        return compare(drive, replace(reference, tune=tune)).cautions

    assert not any("tune" in c for c in untold(8))
    assert any("the tune is not told in both drives" in c for c in untold(len(reference) // 2))


def test_another_tune_is_not_compared() -> None:
    reference, drive = sound_pairs()[0]
    other = replace(drive, tune=np.full(len(drive), 0, dtype=np.int16))
    found = compare(other, reference)
    assert {d.reason for d in found.differences} == {"another tune"}


def test_a_drive_that_never_met_the_load_is_not_comparable() -> None:
    reference, drive = sound_pairs()[0]
    idling = replace(drive, t_ms=drive.t_ms[:60], values=drive.values[:60], tune=drive.tune[:60])
    found: Comparison = compare(idling, reference)
    assert not found.of("boost").comparable


def test_the_fleet_climbs_as_the_demo_vehicle_does() -> None:
    # The climb of the scenario climb-heat with the demo vehicle's own parameters, 4 min from the foot, within the bands
    # by which two vehicles of one build may differ. The demo vehicle itself is held to a practitioner's table.
    base = {
        **{"displacement_l": 3.2, "volumetric": 0.88, "head": 0.74, "choke": 0.19, "efficiency": 0.72, "work": 0.436},
        **{"turbine": 0.0163, "cooler": 1.0, "radiator": 1.0, "driveline": 0.9, "drag_m2": 3.6, "rolling": 0.010},
        **{"control": 1.0, "noise": 1.0, "lag": 1.0, "foot": 1.0, "gust_m_s": 0.6},
    }
    one = trip(BUILT_ON, 0, 0, seconds=420.0)
    metres = np.arange(800) * 50.0
    climb = replace(
        one,
        vehicle=replace(one.vehicle, of={**one.vehicle.of, **base}),
        height_m=300.0 + np.clip(metres - 2500.0, 0.0, None) * 0.065,
        goal_m_s=np.where(metres < 2500.0, 85.0, 78.0) / 3.6,
        stops_m=(),
        ambient_degc=35.0,
        sea_level_kpa=101.325,
        wind_m_s=0.0,
        mass_kg=5400.0,
        warm=True,
    )
    ours, demo = drive_fleet([climb])[0], demo_drive("climb-heat")
    foot = int(np.argmax(ours.read("altitude") > 303.0))
    at = slice(foot + round(230 * HZ), foot + round(250 * HZ))
    then = demo.between(foot_s(demo) + 230.0, foot_s(demo) + 250.0)
    for role in ("rpm", "egt", "coolant", "charge"):
        assert ours.read(role)[at].mean() == pytest.approx(demo[role][then].mean(), abs=BANDS[role]), role
    assert ours.read("boost")[at].mean() == pytest.approx(demo.boost[then].mean(), abs=BANDS["boost"])
    for role, name in (("exhaust_pressure", "exhaust_pressure"), ("turbo_speed", "turbo"), ("compressor_out",) * 2):
        assert ours.read(role)[at].mean() == pytest.approx(demo[name][then].mean(), rel=0.03), role
