"""A signal over two others in cells: against SciPy, and what steady means."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binned_statistic_2d, median_abs_deviation

from support.whole_drives import CRUISING, IDLING, Leg, by_hand, in_units
from uphaul.analysis.maps import EDGES, TOLERANCE, CellMap, cell_map, steady
from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.errors import UphaulError
from uphaul.signals import Signal


def noisy(seed: int, ticks: int, lost: float = 0.1) -> WholeDrive:
    """Engine speed, boost and exhaust all over the place, some of it unknown, some on an edge."""
    rng = np.random.default_rng(seed)
    values = np.column_stack(
        (
            rng.choice([rng.uniform(300.0, 5300.0, ticks), rng.choice(EDGES["rpm"], ticks)]),
            rng.choice([rng.uniform(-40.0, 420.0, ticks), rng.choice(EDGES["boost"], ticks)]),
            rng.normal(500.0, 100.0, ticks).round(),
        )
    )
    values[rng.random(values.shape) < lost] = np.nan
    signals = (Signal("rpm", "rpm", 4), Signal("boost", "kPa", 10), Signal("egt", "degC", 4))
    return WholeDrive(signals, 50 * np.arange(ticks), values, np.zeros(ticks, dtype=np.int16))


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.sampled_from([1, 3, 40, 900]), st.sampled_from([0.0, 0.2, 1.0]))
def test_cells_are_those_of_scipy(seed: int, ticks: int, lost: float) -> None:
    drive = noisy(seed, ticks, lost)
    found = cell_map(drive, "egt")
    known = drive.values[~np.isnan(drive.values).any(axis=1)]
    assert found.count.sum() + found.outside == len(known)
    if not len(known):
        assert np.isnan(found.median).all()
        return
    x, y, z = known.T
    bins = [found.x_edges, found.y_edges]
    for mine, statistic in (
        (found.count, "count"),
        (found.median, "median"),
        (found.low, "min"),
        (found.high, "max"),
        (found.spread, lambda v: median_abs_deviation(v, scale="normal") if len(v) else np.nan),
    ):
        expected = binned_statistic_2d(x, y, z, statistic, bins).statistic
        np.testing.assert_allclose(mine, expected, rtol=2e-5)  # scipy: 1 / 0.674490, with more digits than 1.4826


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 2**32 - 1))
def test_steady_and_transient_together_are_all(seed: int) -> None:
    legs = [replace(CRUISING, seconds=8.0), Leg(5.0, rpm=(2000.0, 2900.0), boost=(60.0, 160.0)), IDLING]
    order = np.random.default_rng(seed).permutation(3).tolist()
    drive = by_hand([legs[i] for i in order])
    calm, moving, both = (cell_map(drive, "egt", steady=which) for which in (True, False, None))
    assert (calm.count + moving.count == both.count).all()
    assert (calm.outside, moving.outside, both.outside) == (0, 0, 0)
    assert both.count.sum() == len(drive)


def test_steady_begins_three_seconds_after_things_stop_moving() -> None:
    drive = by_hand([IDLING, Leg(4.0, rpm=(780.0, 2000.0), boost=(0.0, 60.0)), CRUISING])
    calm = steady(drive)
    assert drive.t_ms[np.flatnonzero(calm)[0]] == 3000
    moving = np.flatnonzero(~calm[60:]) + 60
    # the ramp begins at 20 s; the first step beyond 60 rpm is 0.2 s on; it ends at 24 s, less what is within 60 rpm
    assert 20_000 < drive.t_ms[moving[0]] < 20_300
    assert 26_700 < drive.t_ms[moving[-1]] < 27_000
    assert len(moving) == moving[-1] - moving[0] + 1


def test_a_gap_and_an_unknown_reading_are_not_steady() -> None:
    drive = by_hand([IDLING, replace(IDLING, gap_s=5.0)])
    drive.values[100, 0] = np.nan
    calm = steady(drive)
    assert not calm[400:460].any() and calm[460:].all()
    assert not calm[100:161].any() and calm[161:400].all()


def test_other_signals_are_mapped_in_their_own_unit_with_edges_of_their_own() -> None:
    drive = by_hand([CRUISING])
    values = np.column_stack((drive.values, np.full(len(drive), 7.0)))
    drive = replace(drive, signals=(*drive.signals, Signal("tank", "L", 1)), values=values)
    found = cell_map(drive, "tank", "speed", "tank", y_edges=np.array([0.0, 5.0, 10.0]))
    assert (found.unit, found.x_unit, found.y_unit) == ("L", "m/s", "L")
    assert found.count.sum() == found.count[8, 1] == len(drive)  # 22 m/s lies in 20 to 22.5
    with pytest.raises(UphaulError, match="no edges for tank"):
        cell_map(drive, "egt", "rpm", "tank")
    with pytest.raises(UphaulError, match="wether is no role"):
        cell_map(drive, "wether")
    with pytest.raises(UphaulError, match="strictly increasing"):
        cell_map(drive, "egt", x_edges=np.array([2.0, 1.0]))


def test_ticks_can_be_left_out_and_units_make_no_difference() -> None:
    drive = by_hand([IDLING, CRUISING])
    driving = drive.read("speed") > 1.0
    found = cell_map(drive, "egt", where=driving)
    assert found.count.sum() == driving.sum()
    other = cell_map(in_units(drive, {"egt": "degF", "boost": "psi"}), "egt", where=driving)
    assert isinstance(other, CellMap)
    assert (found.count == other.count).all()
    np.testing.assert_allclose(found.median, other.median, atol=1e-9)


def test_edges_and_tolerances_are_of_roles() -> None:
    assert set(EDGES) == set(TOLERANCE)
    assert set(EDGES) <= set(ROLES)
    assert all((np.diff(edges) > 0).all() for edges in EDGES.values())
