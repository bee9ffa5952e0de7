"""Stretches of a drive, against plain loops."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from uphaul.analysis.spans import bridged, held, lasting, latched, moved, runs, slope

NAN = float("nan")
BITS = st.lists(st.booleans(), min_size=1, max_size=40)
STEPS = st.lists(st.sampled_from([50, 50, 50, 100, 1000]), min_size=1, max_size=40)


def times(steps: list[int]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.cumsum(np.array(steps, dtype=np.int64))


@given(BITS)
def test_runs_are_where_the_mask_is_true(bits: list[bool]) -> None:
    found = [i for start, stop in runs(np.array(bits)) for i in range(start, stop)]
    assert found == [i for i, bit in enumerate(bits) if bit]


@given(st.lists(st.tuples(st.booleans(), st.booleans()), min_size=1, max_size=40))
def test_a_latch_holds_from_on_to_off(pairs: list[tuple[bool, bool]]) -> None:
    state, expected = False, []
    for on, off in pairs:
        state = on or (state and not off)
        expected.append(state)
    assert latched(np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs])).tolist() == expected


def test_a_pause_is_bridged_up_to_its_length_and_a_stretch_counts_from_its_own() -> None:
    t = times([50] * 6)
    mask = np.array([True, False, False, True, True, False])
    assert bridged(mask, t, 150).tolist() == [True] * 5 + [False]
    assert bridged(mask, t, 149).tolist() == mask.tolist()
    assert lasting(mask, t, 50).tolist() == [False, False, False, True, True, False]
    assert not lasting(mask, t, 51).any()


def test_a_reading_that_is_missing_is_held_for_two_seconds() -> None:
    t = np.array([0, 1000, 2000, 3000, 4000])
    assert_array_equal(held(np.array([NAN, 7.0, NAN, NAN, NAN]), t), [NAN, 7.0, 7.0, 7.0, NAN])


@given(STEPS, st.data(), st.sampled_from([0, 50, 120, 500, 3000]))
def test_movement_is_largest_less_smallest_over_the_window(steps: list[int], data: st.DataObject, window: int) -> None:
    t = times(steps)
    x = np.array(data.draw(st.lists(st.sampled_from([1.0, 2.5, -4.0, NAN]), min_size=len(t), max_size=len(t))))
    expected = [np.ptp(x[(t >= now - window) & (t <= now)]) for now in t]
    assert_array_equal(moved(x, t, window), expected)


@given(STEPS)
def test_the_slope_of_a_straight_line_is_its_slope(steps: list[int]) -> None:
    t = times(steps)
    found = slope(3.0 * t / 1000.0, t, 1000)
    assert np.allclose(found[~np.isnan(found)], 3.0)
    assert np.isnan(found).all() == (len(t) == 1)


def test_every_tick_of_the_window_counts_whatever_its_number() -> None:
    for ticks in range(1, 70):
        for at in range(ticks):
            x, t = np.zeros(ticks), 50 * np.arange(ticks)
            x[at] = 3.0
            assert moved(x, t, 50 * ticks)[-1] == moved(-x, t, 50 * ticks)[-1] == (3.0 if ticks > 1 else 0.0)
