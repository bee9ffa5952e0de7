"""What a cooling system carries off, from a body of iron and water made by hand with known thermostat, radiator, fan.

C dT/dt = heat - G (T - T_ambient), with G by the wind's mass flow to the power of 0.6, times what the thermostat opens:
Newton's law of cooling, stepped once a second. Nothing of that is taken from the analysis.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from uphaul.analysis.cooling import lets_out_cold, share_at_low_speed, share_when_hot
from uphaul.analysis.pieces import Pieces
from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.signals import Signal

FULL_KG_S = 0.0085
HEAT_J_KG, BODY_J_K = 8.5e6, 340_000.0  # to the coolant a kg of fuel; an engine of 3.2 l
WIDE_W_K = 780.0  # at 20 m/s, thermostat wide open: 72 kW at 90 degrees over the air


@dataclass(frozen=True)
class System:
    """How much of radiator and fan there is, how far the thermostat opens at most and at least."""

    radiator: float = 1.0
    opens: float = 1.0
    stays_open: float = 0.0
    fan_m_s: float = 14.0


def driven(
    system: System,
    *,
    work: float = 0.75,
    speed: float = 19.0,
    ambient: float = 30.0,
    minutes: int = 30,
    baro: float = 100.0,
    from_degc: float = 80.0,
) -> WholeDrive:
    """Climbs of five minutes at that share of full fuel, two minutes easier between."""
    n = minutes * 60
    at = np.arange(n)
    fuel = np.where(at % 420 < 300, work, 0.35 * work) * FULL_KG_S
    coolant, t = np.empty(n), from_degc
    for i in range(n):
        coolant[i] = t
        opened = min(max(float(np.clip((t - 82.0) / 10.0, 0.0, 1.0)), system.stays_open), system.opens)
        fan = system.fan_m_s * float(np.clip((t - 92.0) / 8.0, 0.0, 1.0))
        density = baro / 101.325 * 288.15 / (ambient + 273.15)
        wind = float(np.hypot(speed, fan)) * density
        sheds = WIDE_W_K * system.radiator * (wind / 20.0) ** 0.6 * (0.02 + 0.98 * opened) * (t - ambient)
        t += (fuel[i] * HEAT_J_KG - sheds) / BODY_J_K
    columns = {
        "rpm": np.full(n, 2400.0), "speed": np.full(n, speed), "fuel": fuel, "coolant": coolant,
        "ambient": np.full(n, ambient), "baro": np.full(n, baro),
    }  # fmt: skip
    return WholeDrive(
        tuple(Signal(k, ROLES[k], 1000) for k in columns),
        at.astype(np.int64) * 1000,
        np.stack(list(columns.values()), axis=1),
        np.zeros(n, dtype=np.int16),
        ("tow",),
    )


REFERENCE = Pieces(driven(System(fan_m_s=0.0), work=1.0, ambient=25.0))


def test_a_sound_system_is_the_same_in_any_weather_and_at_any_height() -> None:
    for ambient, baro in ((38.0, 100.0), (20.0, 80.0), (5.0, 95.0)):
        share, _, _ = share_when_hot(Pieces(driven(System(), work=0.95, ambient=ambient, baro=baro)), REFERENCE)
        assert share > 0.9, (ambient, baro)


@pytest.mark.parametrize("left", [0.7, 0.5, 0.35])
def test_what_a_radiator_has_lost_is_told(left: float) -> None:
    share, uncertainty, where = share_when_hot(Pieces(driven(System(radiator=left, fan_m_s=0.0))), REFERENCE)
    assert share == pytest.approx(left, rel=0.1)
    assert abs(share - left) < uncertainty
    assert where


@pytest.mark.parametrize("opens", [0.2, 0.15])
def test_a_thermostat_that_hardly_opens_lets_hardly_any_heat_out(opens: float) -> None:
    share, _, _ = share_when_hot(Pieces(driven(System(opens=opens, fan_m_s=0.0))), REFERENCE)
    assert share == pytest.approx(0.02 + 0.98 * opens, rel=0.1)  # a fiftieth gets by it


def test_a_fan_that_helps_the_hot_system_is_within_the_doubt() -> None:
    share, uncertainty, _ = share_when_hot(Pieces(driven(System(radiator=0.5))), REFERENCE)
    assert 0.5 < share < 0.5 + 1.3 * uncertainty


def test_it_is_told_while_the_coolant_still_rises() -> None:
    # four minutes: far from what the coolant would come to
    drive = driven(System(opens=0.15, fan_m_s=0.0), minutes=10)
    coolant = drive.read("coolant")
    assert coolant[300] - coolant[240] > 3.0
    assert share_when_hot(Pieces(drive), REFERENCE)[0] == pytest.approx(0.167, rel=0.2)


def test_a_system_that_never_gets_hot_is_not_short() -> None:
    share, uncertainty, where = share_when_hot(Pieces(driven(System(), work=0.4, ambient=0.0)), REFERENCE)
    assert share == float("inf")
    assert uncertainty == 0.0
    assert where == ()


def test_without_wind_nothing_is_told_of_the_radiator() -> None:
    assert np.isnan(share_when_hot(Pieces(driven(System(radiator=0.4), speed=8.0)), REFERENCE)[0])


def test_a_reference_without_work_in_the_wind_tells_nothing() -> None:
    idle = Pieces(driven(System(), speed=0.0))
    for look in (share_when_hot, share_at_low_speed, lets_out_cold):
        assert np.isnan(look(REFERENCE, idle)[0])


def test_a_fan_carries_off_more_at_low_speed_than_the_wind_and_a_dead_one_does_not() -> None:
    with_fan, without = (driven(System(fan_m_s=f), work=0.7, speed=9.0, ambient=38.0) for f in (14.0, 0.0))
    works, _, _ = share_at_low_speed(Pieces(with_fan), REFERENCE)
    dead, _, where = share_at_low_speed(Pieces(without), REFERENCE)
    assert works > 1.2
    assert dead == pytest.approx(1.0, abs=0.1)
    assert where


@pytest.mark.parametrize("held", [0.8, 0.4])
def test_a_thermostat_that_stays_open_lets_heat_out_cold(held: float) -> None:
    drive = driven(System(stays_open=held), work=0.3, ambient=0.0, from_degc=60.0)
    share, uncertainty, _ = lets_out_cold(Pieces(drive), REFERENCE)
    assert share == pytest.approx(held, rel=0.2)
    assert uncertainty < 0.3


def test_a_sound_one_warms_up_and_lets_none_out() -> None:
    drive = driven(System(), work=0.3, ambient=0.0, from_degc=10.0)
    assert lets_out_cold(Pieces(drive), REFERENCE)[0] < 0.1


def test_a_gap_in_the_drive_is_no_warming() -> None:
    whole = driven(System(radiator=0.5))
    keep = np.ones(len(whole), dtype=bool)
    keep[700:900] = False
    cut = WholeDrive(whole.signals, whole.t_ms[keep], whole.values[keep], whole.tune[keep], whole.tunes)
    assert share_when_hot(Pieces(cut), REFERENCE)[0] == pytest.approx(
        share_when_hot(Pieces(whole), REFERENCE)[0], rel=0.1
    )


@pytest.mark.parametrize("rises_k_s", [0.0, 0.002])
def test_hot_without_fuel_it_carries_off_nothing_that_is_known(rises_k_s: float) -> None:
    # rolling down a hill behind a hard climb: fuel shut off, coolant still hot and not falling
    hot = driven(System())
    values = hot.values.copy()
    values[:, 2], values[:, 3] = 0.0, 96.0 + rises_k_s * np.arange(len(hot))
    for speed, look in ((19.0, share_when_hot), (8.0, share_at_low_speed)):
        values[:, 1] = speed
        share, uncertainty, _ = look(Pieces(replace(hot, values=values)), REFERENCE)
        assert share == 0.0
        assert 0.0 <= uncertainty < 0.1


def test_what_a_radiator_has_lost_is_the_same_in_thin_air() -> None:
    system = System(radiator=0.5, fan_m_s=0.0)
    share, _, _ = share_when_hot(Pieces(driven(system, speed=26.0, baro=70.0, work=0.8)), REFERENCE)
    assert share == pytest.approx(0.5, rel=0.1)
