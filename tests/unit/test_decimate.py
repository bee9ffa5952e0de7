"""Thinning a signal for a picture: no extreme is lost, nothing unknown is drawn over, and it never gives too much."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from uphaul.analysis.decimate import CHUNK, Thinned, decimate, window
from uphaul.physics.basis import Bools, Floats, Ints

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Line:
    """A signal over an axis, with gaps."""

    x: Floats
    y: Floats
    broken: Bools


@st.composite
def lines(draw: st.DrawFn) -> Line:
    """Walks with stretches of unknown, stands (ticks at one place of the axis), gaps and single spikes."""
    seed = draw(st.integers(0, 2**32 - 1))
    n = draw(st.sampled_from([1, 2, 30, 200, 3000, 9000]))
    rng = np.random.default_rng(seed)
    step = rng.choice([0.0, 0.05, 0.05, 0.05, 0.1], n)
    broken = rng.random(n) < draw(st.sampled_from([0.0, 0.001, 0.05]))
    broken[0] = False
    step[broken] += rng.choice([1.5, 60.0])
    y = np.cumsum(rng.normal(0.0, 1.0, n)).round(1)
    y[rng.integers(0, n, 3)] = rng.choice([-500.0, 500.0, 0.0], 3)
    for _ in range(draw(st.integers(0, 4))):
        at = int(rng.integers(0, n))
        y[at : at + int(rng.integers(1, max(n // 3, 2)))] = NAN
    return Line(np.cumsum(step), y, broken)


@st.composite
def questions(draw: st.DrawFn) -> tuple[Line, int, int, int]:
    """A line, ticks from and to, and a number of buckets, few enough that chunks matter often."""
    line = draw(lines())
    first = draw(st.integers(0, len(line.x) - 1))
    return line, first, draw(st.integers(first + 1, len(line.x))), draw(st.sampled_from([1, 2, 7, 40, 500]))


def drawn(ticks: Ints) -> Ints:
    return ticks[ticks >= 0]


@settings(max_examples=150, deadline=None)
@given(questions())
def test_the_extremes_of_any_stretch_are_among_what_is_drawn(asked: tuple[Line, int, int, int]) -> None:
    line, first, last, buckets = asked
    ticks = drawn(Thinned(line.x, line.y, line.broken).ticks(first, last, buckets))
    known = line.y[first:last][~np.isnan(line.y[first:last])]
    assert (
        len(ticks) == 0 if not len(known) else (line.y[ticks].min(), line.y[ticks].max()) == (known.min(), known.max())
    )


@settings(max_examples=150, deadline=None)
@given(questions())
def test_whatever_lies_within_two_buckets_of_a_tick_holds_its_value(asked: tuple[Line, int, int, int]) -> None:
    """No bucket's extreme is lost: a value stands between the lowest and the highest drawn in its neighbourhood."""
    line, first, last, buckets = asked
    ticks = drawn(Thinned(line.x, line.y, line.broken).ticks(first, last, buckets))
    x, y = line.x[first:last], line.y[first:last]
    bucket = (x[-1] - x[0]) / buckets
    rng = np.random.default_rng(1)
    for at in rng.choice(last - first, min(last - first, 25), replace=False).tolist():
        # a bucket begins up to one chunk early, which on this axis is its own width in ticks
        chunk = line.x[min(first + at + CHUNK, len(line.x) - 1)] - line.x[max(first + at - CHUNK, 0)]
        near = ticks[np.abs(line.x[ticks] - x[at]) <= bucket + chunk + 1e-9]
        if not np.isnan(y[at]):
            assert line.y[near].min() <= y[at] <= line.y[near].max()


@settings(max_examples=150, deadline=None)
@given(questions())
def test_what_is_drawn_rises_is_known_and_is_no_more_than_fits(asked: tuple[Line, int, int, int]) -> None:
    line, first, last, buckets = asked
    ticks = Thinned(line.x, line.y, line.broken).ticks(first, last, buckets)
    kept = drawn(ticks)
    assert (np.diff(kept) > 0).all()
    assert not np.isnan(line.y[kept]).any()
    assert ((kept >= first) & (kept < last)).all()
    assert len(kept) <= 2 * buckets
    assert not ((ticks[1:] == -1) & (ticks[:-1] == -1)).any()


@settings(max_examples=150, deadline=None)
@given(questions())
def test_no_line_is_drawn_across_a_gap(asked: tuple[Line, int, int, int]) -> None:
    line, first, last, buckets = asked
    ticks = Thinned(line.x, line.y, line.broken).ticks(first, last, buckets).tolist()
    for a, b in pairwise(ticks):
        if a >= 0 and b >= 0:
            assert not line.broken[a + 1 : b + 1].any()


@settings(max_examples=100, deadline=None)
@given(questions())
def test_no_line_is_drawn_across_two_buckets_that_are_unknown_throughout(asked: tuple[Line, int, int, int]) -> None:
    line, first, last, buckets = asked
    ticks = Thinned(line.x, line.y, line.broken).ticks(first, last, buckets).tolist()
    bucket = (line.x[last - 1] - line.x[first]) / buckets
    for a, b in pairwise(ticks):
        if a >= 0 and b >= 0 and b - a > 2 * CHUNK and line.x[b] - line.x[a] > 3 * bucket:
            unknown = np.isnan(line.y[a + 1 : b])
            assert not unknown.all()


def test_what_fits_is_given_as_it_is() -> None:
    y = np.array([1.0, 2.0, NAN, NAN, 5.0, 6.0])
    assert decimate(np.arange(6.0), y, np.zeros(6, bool), 3).tolist() == [0, 1, -1, 4, 5]


def test_the_first_tick_of_an_extreme_stands_for_it() -> None:
    y = np.array([0.0, 3.0, 3.0, 1.0, -2.0, -2.0, 0.0, 0.0])
    assert decimate(np.arange(8.0), y, np.zeros(8, bool), 1).tolist() == [1, 4]


def test_infinite_values_are_known_ones() -> None:
    y = np.full(4 * CHUNK, np.inf)
    y[::2] = NAN
    ticks = decimate(np.arange(4.0 * CHUNK), y, np.zeros(4 * CHUNK, bool), 1)
    assert ticks.tolist() == [1]


def test_fewer_than_one_bucket_cannot_be_meant() -> None:
    with pytest.raises(ValueError, match="at least one bucket"):
        decimate(np.arange(3.0), np.arange(3.0), np.zeros(3, bool), 0)


def test_a_window_has_one_tick_more_at_either_end() -> None:
    x = np.array([0.0, 1.0, 2.0, 2.0, 3.0, 4.0])
    assert window(x, 1.5, 2.5) == (1, 5)
    assert window(x, 2.0, 2.0) == (1, 5)
    assert window(x, -5.0, 9.0) == (0, 6)
