"""Pulls together: the middle, how far they lie apart, both directions; and correction to standard air."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import median_abs_deviation

from uphaul.analysis.pull_spread import corrected, robust, spread
from uphaul.analysis.pulls import Pull, PullCurve
from uphaul.errors import UphaulError
from uphaul.physics.air import vapour_kpa
from uphaul.physics.correction import Edition
from uphaul.vehicle.sheet import Engine

RPM = (2000.0, 2100.0, 2200.0)
NONE = (float("nan"),) * 3


def curve(kw: float, **more: tuple[float, ...]) -> PullCurve:
    """The same power throughout, known to a tenth."""
    nm = tuple(kw * 30_000.0 / np.pi / r for r in RPM)
    empty = dict.fromkeys(("boost_kpa", "egt_degc", "mixture", "charge_degc", "slip", "fuel_kg_s"), NONE)
    tenth = tuple(x / 10.0 for x in nm)
    return PullCurve(RPM, (kw,) * 3, (kw / 10.0,) * 3, nm, tenth, **(empty | more))


def pull(kw: float, *, heading: float | None = None, gear: int | None = 3, tune: str | None = "tow") -> Pull:
    return Pull(0, 100, (0, 5000), 5.0, tune, gear, "signal gear", (1900.0, 2300.0), curve(kw), heading_deg=heading)


def test_the_middle_is_a_median_and_one_odd_pull_hardly_moves_it() -> None:
    usual = [98.0, 99.0, 100.0, 101.0, 102.0]
    (sound,) = spread([pull(kw) for kw in usual])
    (odd,) = spread([pull(kw) for kw in [*usual[:4], 300.0]])
    a, b = sound.of("power_kw"), odd.of("power_kw")
    assert a is not None and b is not None
    assert a.middle == (100.0,) * 3
    assert b.middle == a.middle
    assert a.pulls == (5, 5, 5)
    assert b.spread[0] == pytest.approx(a.spread[0])


def test_only_the_same_tune_and_gear_go_together() -> None:
    groups = spread([pull(100.0), pull(80.0, gear=4), pull(101.0), pull(60.0, tune="stock"), pull(50.0, gear=None)])
    assert [(g.tune, g.gear, g.pulls) for g in groups] == [("tow", 3, 2), ("tow", 4, 1), ("stock", 3, 1)]
    alone = groups[1].of("power_kw")
    assert alone is not None and np.isnan(alone.spread).all()


def test_a_quantity_that_no_pull_knew_has_no_course() -> None:
    (group,) = spread([pull(100.0), pull(101.0)])
    assert group.of("egt_degc") is None
    assert {c.quantity for c in group.courses} == {"power_kw", "torque_nm"}


def test_opposite_directions_are_averaged_so_that_a_steady_slope_falls_out() -> None:
    # 100 kW, and 6 kW that a slope gives one way and takes the other; more pulls one way than the other
    up = [pull(kw, heading=h) for kw, h in ((106.0, 10.0), (106.5, 12.0), (105.5, 8.0))]
    down = [pull(94.0, heading=191.0)]
    (group,) = spread([*up, *down])
    course = group.of("power_kw")
    assert course is not None
    assert group.both_ways
    assert course.middle[0] == pytest.approx(100.0)
    assert course.spread[0] < 1.0
    for other in ([*up], [*up, pull(94.0, heading=100.0)], [*up, pull(94.0)]):
        assert not spread(other)[0].both_ways


def test_the_robust_spread_is_a_standard_deviation_for_normal_scatter_however_few() -> None:
    rng = np.random.default_rng(3)
    for few in (2, 3, 4, 5, 6, 9, 12, 20):
        found = robust(rng.normal(50.0, 4.0, (few, 20_000)))
        assert found.mean() == pytest.approx(4.0, rel=0.03), few
    x = rng.normal(0.0, 1.0, (400, 1))
    assert robust(x)[0] == pytest.approx(median_abs_deviation(x[:, 0], scale="normal"), rel=0.003)


ENGINE = Engine(3.9, 4, 700.0, 3600.0, 0.88, 220.0)


def outside(total_kpa: float, degc: float) -> Pull:
    """A pull at 3200 rpm, 13.5 g/s, boost ratio 2.3: qc 56.438."""
    made = replace(
        curve(100.0),
        rpm=(3200.0,) * 3,
        boost_kpa=(1.3 * total_kpa,) * 3,
        fuel_kg_s=(0.0135,) * 3,
    )
    return replace(pull(100.0), curve=made, baro_kpa=total_kpa, ambient_degc=degc)


# dry kPa and K: factor: arithmetic of UN R85 annex 5
@pytest.mark.parametrize(("dry", "kelvin", "alpha"), [(95.0, 308.0, 1.07240), (90.0, 293.0, 1.03755)])
def test_corrected_power_is_the_measured_times_the_factor_of_the_text(dry: float, kelvin: float, alpha: float) -> None:
    degc = kelvin - 273.0
    vapour = float(vapour_kpa(np.array([degc]), np.array([0.5]))[0])
    found = corrected(outside(dry + vapour, degc), ENGINE, Edition.UN_R85)
    assert found.edition == "UN R85"
    np.testing.assert_allclose(found.curve.power_kw, 100.0 * alpha, rtol=2e-5)
    np.testing.assert_allclose(found.curve.power_doubt_kw, 10.0 * alpha, rtol=2e-5)
    assert "UN R85" in found.notes[0]


def test_outside_what_the_text_allows_it_is_refused_with_a_note() -> None:
    found = corrected(outside(82.0, 38.0), ENGINE, Edition.ISO_1585_1992)
    assert min(found.factor) > 1.1
    assert np.isnan(found.curve.power_kw).all()
    assert "Refused at 3 of 3" in found.notes[1]
    cold = corrected(outside(100.0, 8.0), ENGINE, Edition.UN_R85)
    assert 0.9 < cold.factor[0] < 1.1
    assert np.isnan(cold.curve.power_kw).all()


def test_what_a_correction_lacks_is_said() -> None:
    with pytest.raises(UphaulError, match="pressure and temperature of the air"):
        corrected(pull(100.0), ENGINE, Edition.UN_R85)
    blind = replace(outside(100.0, 20.0), curve=curve(100.0))
    found = corrected(blind, ENGINE, Edition.UN_R85)
    assert "fuel and boost are needed" in found.notes[1]
    assert np.isnan(found.curve.power_kw).all()


def test_fuel_by_air_and_mixture_does_as_well_as_told_fuel() -> None:
    told = outside(99.0, 25.0)
    assert told.curve is not None
    # ideal gas, 3.9 L at 3200 rpm every second turn, filled to 88 %; lambda by 14.5 kg of air a kg of fuel
    air = 0.88 * 3.9e-3 * 3200.0 / 120.0 * 99.0e3 * 2.3 / (287.05 * (50.0 + 273.15))
    by_air = replace(told.curve, fuel_kg_s=NONE, charge_degc=(50.0,) * 3, mixture=(air / 0.0135 / 14.5,) * 3)
    a = corrected(told, ENGINE, Edition.UN_R85)
    b = corrected(replace(told, curve=by_air), ENGINE, Edition.UN_R85)
    assert b.factor[0] == pytest.approx(a.factor[0], abs=2e-3)
