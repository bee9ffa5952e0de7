"""Sums over a window against the same written out, for any ticks, any cutting, and beyond the size of int64."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from uphaul.physics.trail import Totals, begins


@settings(max_examples=100, deadline=None)
@given(
    steps=st.lists(st.sampled_from([50, 50, 50, 51, 700, 9000]), min_size=1, max_size=60),
    window_ms=st.sampled_from([0, 50, 400, 3000]),
    since=st.integers(0, 20_000),
    cuts=st.lists(st.integers(1, 59), max_size=60),
)
@example(steps=[50] * 40, window_ms=400, since=0, cuts=[20])
def test_sums_are_those_of_the_ticks_in_the_window(
    steps: list[int], window_ms: int, since: int, cuts: list[int]
) -> None:
    t = np.cumsum(np.array(steps, dtype=np.int64))
    counts = np.random.default_rng(len(steps)).integers(-1000, 1000, (2, len(t)))
    # a break at the first tick from `since` on: before it a window may reach back as far as it likes
    breaks = np.where(t >= since, t[min(int(np.searchsorted(t, since)), len(t) - 1)], 0)
    totals, parts = Totals(2, window_ms), []
    for i, j in pairwise(sorted({0, len(t), *(c for c in cuts if c < len(t))})):
        if j - i == 1:
            one = totals.one(int(t[i]), *counts[:, i].tolist(), since=int(breaks[i]))
            parts.append(np.array(one).reshape(-1, 1))
        else:
            parts.append(totals.run(t[i:j], counts[:, i:j], breaks[i:j]))
    got = np.concatenate(parts, axis=1)

    for k in range(len(t)):
        inside = (t <= t[k]) & (t >= max(t[k] - window_ms, breaks[k]))
        assert got[:, k].tolist() == [t[k] - t[inside][0], *counts[:, inside].sum(axis=1)]


def test_a_window_is_exact_where_the_sums_over_the_drive_outgrow_int64() -> None:
    t = np.arange(40, dtype=np.int64) * 50
    counts = 2**62 - np.arange(40, dtype=np.int64)  # two of them are already more than int64 holds
    block, single = Totals(1, 49), Totals(1, 49)
    assert block.run(t, counts[np.newaxis])[1].tolist() == counts.tolist()
    assert [single.one(now, c)[1] for now, c in zip(t.tolist(), counts.tolist(), strict=True)] == counts.tolist()


@given(
    steps=st.lists(st.sampled_from([50, 50, 50, 51, 4000]), min_size=2, max_size=50),
    kept=st.integers(0, 48),
    window_ms=st.integers(0, 3000),
)
@example(steps=[50] * 50, kept=30, window_ms=1000)
def test_windows_begin_at_the_first_tick_that_is_not_too_old(steps: list[int], kept: int, window_ms: int) -> None:
    times = np.cumsum(np.array(steps, dtype=np.int64))
    oldest = times[min(kept, len(times) - 1) :] - window_ms
    expected = [next(i for i, t in enumerate(times.tolist()) if t >= o) for o in oldest.tolist()]
    assert begins(times, oldest).tolist() == expected
