"""Pulls beside those of the reference: freed of weather, of one tune and gear, as sure as their scatter says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import hypot, sqrt

import numpy as np
import pytest

from support.whole_drives import CRUISING, IDLING, Leg, by_hand, without
from uphaul.analysis.evidence import Evidence, Pair, evidence
from uphaul.analysis.pull_beside import USUAL, Beside, beside, courses
from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.physics.basis import Floats
from uphaul.signals import Signal

THIRD = Leg(8.0, rpm=(1500.0, 3300.0), speed=(8.0, 17.6), pedal=1.0, boost=(50.0, 150.0), egt=(450.0, 690.0), gear=3.0)
FOURTH = replace(THIRD, speed=(11.7, 25.7), gear=4.0)
REST = replace(CRUISING, seconds=40.0)


def day(
    legs: Sequence[Leg], ambient: float = 20.0, baro: float = 100.0, efficiency: float = 0.70, map_kpa: float = 0.0
) -> WholeDrive:
    """The legs, with the air that leaves the turbo by the isentropic law, and `map_kpa` on the manifold's pressure."""
    drive = by_hand(legs)
    n = len(drive)
    manifold = 100.0 + drive.read("boost") + map_kpa
    hot = (ambient + 273.15) * (1.0 + ((manifold / baro) ** (2.0 / 7.0) - 1.0) / efficiency) - 273.15
    more = {
        "map": manifold,
        "baro": np.full(n, baro),
        "ambient": np.full(n, ambient),
        "compressor_out": hot,
        "charge": ambient + 0.3 * (hot - ambient),
    }
    signals = (*drive.signals, *(Signal(name, ROLES[name], 1000) for name in more))
    return replace(drive, signals=signals, values=np.column_stack((drive.values, *more.values())))


def met(name: str, drive: WholeDrive, reference: WholeDrive) -> Beside:
    found = beside(name, courses(drive), courses(reference))
    assert found is not None
    return found


def test_a_sound_turbo_is_the_same_on_a_hot_day_in_the_mountains() -> None:
    home, away = day([IDLING, THIRD, REST]), day([IDLING, THIRD, REST], ambient=38.0, baro=85.0)
    plain = float(np.nanmax(away.read("compressor_out")) - np.nanmax(home.read("compressor_out")))
    assert plain > 40.0
    found = met("compressor_out", away, home)
    assert found.value == pytest.approx(0.0, abs=0.2)
    # a share of what was put down to the weather is in doubt
    assert found.uncertainty > met("compressor_out", home, home).uncertainty + 5.0
    assert met("charge_over_ambient", away, home).value == pytest.approx(0.0, abs=0.2)
    assert met("cooler", away, home).value == pytest.approx(0.0, abs=0.2)


def test_a_worn_compressor_is_hotter_by_what_the_isentropic_law_says() -> None:
    # Source: isentropic compression of an ideal gas, T1 (r^(2/7) - 1) / efficiency: at a ratio of 2.5 and 20 degC
    # 293.15 K x 0.29926 = 87.7 K, over 0.70 125.3 K and over 0.60 146.2 K
    steady = replace(THIRD, boost=150.0)
    found = met("compressor_out", day([IDLING, steady, REST], efficiency=0.60), day([IDLING, steady, REST]))
    assert found.value == pytest.approx(146.2 - 125.3, abs=0.2)


def test_short_boost_is_told_with_where_it_was_seen() -> None:
    drive = day([IDLING, THIRD, REST, THIRD, REST], map_kpa=-20.0)
    found = met("boost", drive, day([IDLING, THIRD, REST]))
    assert found.value == pytest.approx(-20.0, abs=0.5)
    assert found.pulls == (2, 1)
    # from two seconds after the pedal on: 1,500 + 2 x 225 rpm
    assert found.rpm[0] == pytest.approx(2000.0, abs=100.0)
    assert found.rpm[1] == pytest.approx(3300.0, abs=100.0)
    assert [round(a / 1000.0) for a, _ in found.moments_ms] == [20, 68]


def test_what_lags_by_seconds_is_left_out_for_longer() -> None:
    # a second more, in which the engine gains 225 rpm
    drive = day([IDLING, THIRD, REST])
    later = met("compressor_out", drive, drive).rpm[0] - met("boost", drive, drive).rpm[0]
    assert later == pytest.approx(225.0, abs=100.0)


def test_more_power_than_the_reference_is_no_fault() -> None:
    def pulled(kw: float) -> WholeDrive:
        plain = day([IDLING, THIRD, REST])
        power = np.full((len(plain), 1), kw)
        signals = (*plain.signals, Signal("wheel_power", ROLES["wheel_power"], 1000))
        return replace(plain, signals=signals, values=np.hstack((plain.values, power)))

    assert sign("pull_power", pulled(120.0), pulled(100.0)).value == 0.0
    assert sign("pull_power", pulled(80.0), pulled(100.0)).value == pytest.approx(-20.0)


def test_only_pulls_of_one_tune_in_one_gear_meet() -> None:
    third = day([IDLING, THIRD, REST])
    assert beside("boost", courses(day([IDLING, FOURTH, REST])), courses(third)) is None
    assert beside("boost", courses(replace(third, tunes=("stock",))), courses(third)) is None
    both = day([IDLING, THIRD, REST, FOURTH, REST])
    assert met("boost", both, third).pulls == (1, 1)
    assert met("boost", both, both).pulls == (2, 2)


def test_without_a_gear_no_pull_is_compared() -> None:
    drive = without(day([IDLING, THIRD, REST]), "gear")
    assert courses(drive) == ()


def test_where_the_clutch_slips_nothing_is_compared() -> None:
    home = day([IDLING, THIRD, REST])
    # the road speed is 4 % short where 8 + 1.0625 t is 0.96 times 8 + 1.2 t: after 3.6 s, at 2,305 rpm
    found = met("boost", day([IDLING, replace(THIRD, speed=(8.0, 16.5)), REST]), home)
    assert found.rpm == (2000.0, 2300.0)
    slipping = day([IDLING, replace(THIRD, speed=(8.0, 14.0)), REST])
    assert beside("boost", courses(slipping), courses(home)) is None


def usual_u(runs: float, day_: float, n: int, m: int) -> float:
    return 2.0 * hypot(runs * sqrt(1.0 / n + 1.0 / m), day_)


@pytest.mark.parametrize(("n", "m"), [(1, 1), (1, 3), (4, 4)])
def test_the_uncertainty_is_that_of_means_and_of_days(n: int, m: int) -> None:
    # Source: GUM (JCGM 100:2008), 5.1.2: independent contributions add as squares; of a mean of n, variance over n
    drive, reference = (day([IDLING, *[THIRD, REST] * k]) for k in (n, m))
    usual = USUAL["compressor_out"]
    found = met("compressor_out", drive, reference)
    free = n + m - 2
    run = usual.run * sqrt(4.0 / (4.0 + free))  # all pulls alike: their own scatter is nought, beside four usual ones
    assert found.pulls == (n, m)
    assert found.uncertainty == pytest.approx(usual_u(run, usual.day, n, m), rel=0.02)


def test_pulls_that_lie_apart_make_it_less_sure() -> None:
    def boosts(*kpa: float) -> WholeDrive:
        legs = [leg for k in kpa for leg in (replace(THIRD, boost=150.0 + k), REST)]
        return day([IDLING, *legs])

    alike, apart = met("boost", boosts(0, 0, 0), boosts(0)), met("boost", boosts(-15, 0, 15), boosts(0))
    assert apart.value == pytest.approx(alike.value, abs=0.1)
    assert apart.uncertainty > 1.5 * alike.uncertainty


def test_thin_air_is_in_the_doubt_where_nothing_holds_the_boost() -> None:
    low, high = day([IDLING, THIRD, REST]), day([IDLING, THIRD, REST], baro=80.0)
    held = replace(THIRD, boost=150.0)
    assert met("boost", high, low).uncertainty > met("boost", low, low).uncertainty + 10.0
    level, mountain = day([IDLING, held, REST]), day([IDLING, held, REST], baro=80.0)
    assert met("boost", mountain, level).uncertainty == pytest.approx(met("boost", level, level).uncertainty)


def test_a_pull_that_takes_longer_makes_what_is_slow_less_sure() -> None:
    quick, long = day([IDLING, THIRD, REST]), day([IDLING, replace(THIRD, seconds=20.0), REST])
    assert met("compressor_out", long, quick).uncertainty > met("compressor_out", quick, quick).uncertainty + 3.0


def test_pieces_without_a_reading_are_left_out() -> None:
    drive = day([IDLING, THIRD, REST])
    values: Floats = drive.values.copy()
    values[:, [s.name for s in drive.signals].index("compressor_out")] = np.nan
    assert beside("compressor_out", courses(replace(drive, values=values)), courses(drive)) is None


def sign(name: str, drive: WholeDrive, reference: WholeDrive) -> Evidence:
    return next(e for e in evidence(Pair(drive, reference)) if e.sign.name == name)


def test_a_sign_is_taken_from_pulls_where_steady_driving_cannot_tell_it() -> None:
    seen = sign("boost", day([IDLING, THIRD, REST], map_kpa=-20.0), day([IDLING, THIRD, REST]))
    assert seen.strength < -1.3
    assert seen.driven.startswith("in a full-load pull at ")
    assert "short of the reference at full load, in a full-load pull" in seen.text
    assert [round(a / 1000.0) for a, _ in seen.moments_ms] == [20]


def test_pulls_without_a_difference_are_no_sign() -> None:
    drive = day([IDLING, THIRD, REST])
    assert all(abs(e.strength) < 0.6 for e in evidence(Pair(drive, day([IDLING, THIRD, REST], ambient=5.0))))


def test_figures_are_written_without_exponents() -> None:
    drive = day([IDLING, THIRD, REST])
    seen = replace(sign("boost", drive, drive), value=-1234.5, uncertainty=324.0, strength=-3.0)
    assert seen.text.endswith(": -1,230 kPa (give or take 320)")
    assert replace(seen, value=-0.012, uncertainty=0.63, strength=-3.0).text.endswith(": -0.01 kPa (give or take 0.63)")
    assert replace(seen, value=16.66, uncertainty=7.25, strength=3.0).text.endswith(": +16.7 kPa (give or take 7.2)")
