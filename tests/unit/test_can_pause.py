"""When the thread at a CAN bus looks again: in step with the ticks, a little before each."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from uphaul.sources.can import LEAD_MS, PERIOD_MS, pause_s


@given(st.floats(0.0, 1e10))
def test_a_round_begins_shortly_before_each_tick(now_ms: float) -> None:
    """Counted on the clock, whatever the time is: the next round is at most a period away and always as far before a
    tick of 50 ms or of 10."""
    pause_ms = 1000.0 * pause_s(now_ms)
    assert 0.0 < pause_ms <= PERIOD_MS
    before = -(now_ms + pause_ms) % PERIOD_MS
    assert min(abs(before - LEAD_MS), abs(before - LEAD_MS - PERIOD_MS)) < 1e-4


@pytest.mark.parametrize(("now_ms", "pause_ms"), [(0.0, 8.0), (7.0, 1.0), (8.0, 10.0), (48.5, 9.5), (50.0, 8.0)])
def test_pauses(now_ms: float, pause_ms: float) -> None:
    """By hand: rounds at 8, 18, 28, 38, 48 ms."""
    assert 1000.0 * pause_s(now_ms) == pytest.approx(pause_ms)
