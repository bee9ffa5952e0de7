"""Coolant heat and turbo cool-down against CoolProp, closed forms and common practice."""

from __future__ import annotations

from itertools import pairwise

import CoolProp.CoolProp as coolprop  # noqa: N813 (the package's own layout)
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from uphaul.physics.heat import (
    GLYCOL_KJ_L_K,
    SoakWindow,
    coolant_from_flow_kw,
    coolant_from_fuel_kw,
    cooldown_s,
    warming_kw,
)


def _a(*x: float) -> np.ndarray:
    return np.array(x)


def test_heat_capacity_of_the_coolant_as_coolprop_has_it() -> None:
    # half ethylene glycol by volume (AEG: ASHRAE Handbook data), half by volume as 52.7 % by mass (MEG: Melinder's
    # data)
    for mixture in ("INCOMP::AEG[0.5]", "INCOMP::MEG[0.527]"):
        heat = coolprop.PropsSI("C", "T", 363.15, "P", 2e5, mixture)
        density = coolprop.PropsSI("D", "T", 363.15, "P", 2e5, mixture)
        assert pytest.approx(heat * density / 1e6, rel=5e-3) == GLYCOL_KJ_L_K


def test_heat_of_a_coolant_flow() -> None:
    # by hand with plain water's 4.186 kJ/(kg K), 1 kg/L: 3,600 L/h cooled by 10 K give off 41.86 kW
    got = coolant_from_flow_kw(_a(3600.0, 0.0), _a(95.0, 95.0), _a(85.0, 20.0), capacity_kj_l_k=4.186)
    assert got == pytest.approx([41.86, 0.0])


def test_heat_of_the_fuel_in_the_coolant() -> None:
    # 33 L/h of diesel at 35.80 MJ/L (US DOE / GREET, from memory) are 328 kW; a quarter of it
    fuel = _a(33.0 * 0.8366 / 3600.0)
    assert coolant_from_fuel_kw(fuel)[0] == pytest.approx(0.25 * 33.0 * 35.80 / 3.6, rel=2e-3)


def test_heat_that_stays_in_the_engine() -> None:
    # by hand: 150 kJ/K warming by 2 K a minute store 5 kW
    assert warming_kw(_a(2.0 / 60.0), capacity_kj_k=150.0)[0] == pytest.approx(5.0)


@pytest.mark.parametrize("soak", [210.0, 300.0, 500.0])
def test_cool_down_is_the_exponential_solved(soak: float) -> None:
    seconds = cooldown_s(_a(soak))[0]
    # Newton's law of cooling put in again: after that time the housing is at the target
    assert 150.0 + (soak - 150.0) * np.exp(-seconds / 60.0) == pytest.approx(200.0)


def test_cool_down_need_is_what_the_trade_does() -> None:
    # common practice, no standard: nothing when never worked, 1 to 3 min after load, more is never asked for
    none, some, full, most = cooldown_s(_a(180.0, 350.0, 620.0, 1500.0))
    assert none == 0.0
    assert 60.0 <= some <= 180.0
    assert 120.0 <= full <= 180.0
    assert most == 180.0


def test_soak_is_the_mean_over_the_window() -> None:
    t = np.arange(5, dtype=np.int64) * 1000
    got = SoakWindow(2000).run(t, _a(100.0, 200.0, 600.0, np.nan, 300.0))
    # by hand: 100; 150; 300; unknown; 600 and 300
    assert got[[0, 1, 2, 4]] == pytest.approx([100.0, 150.0, 300.0, 450.0])
    assert np.isnan(got[3])


def test_soak_after_long_load_outlasts_the_gas() -> None:
    t = np.arange(3000, dtype=np.int64) * 100
    gas = np.where(t < 240_000, 650.0, 160.0)
    soak = SoakWindow().run(t, gas)
    assert soak[2410] > 600.0  # a second after lifting the gas is cool and the housing is not
    assert cooldown_s(soak)[2410] > 120.0


@settings(max_examples=40, deadline=None)
@given(
    gas=st.lists(st.one_of(st.just(np.nan), st.floats(-50.0, 900.0)), min_size=2, max_size=40),
    cuts=st.lists(st.integers(1, 39), max_size=5),
    step_ms=st.sampled_from([50, 700]),
)
def test_soak_does_not_depend_on_how_a_drive_is_cut(gas: list[float], cuts: list[int], step_ms: int) -> None:
    t = np.arange(len(gas), dtype=np.int64) * step_ms
    whole = SoakWindow(3000).run(t, np.array(gas))
    window = SoakWindow(3000)
    edges = sorted({0, len(gas), *(c for c in cuts if c < len(gas))})
    parts = [window.run(t[i:j], np.array(gas[i:j])) for i, j in pairwise(edges)]
    assert np.concatenate(parts).tobytes() == whole.tobytes()
