"""Times as the commands write them for people."""

from __future__ import annotations

import pytest

from uphaul.cli.text import clock, duration


@pytest.mark.parametrize(
    ("ms", "words"),
    [
        (0, "0.0 s"),
        (59_940, "59.9 s"),
        (59_960, "1 min 00 s"),
        (60_000, "1 min 00 s"),
        (119_400, "1 min 59 s"),
        (119_600, "2 min 00 s"),
        (3_599_400, "59 min 59 s"),
        (3_599_600, "1 h 00 min"),
        (7_199_999, "2 h 00 min"),
        (7_500_000, "2 h 05 min"),
    ],
)
def test_a_length_of_time_is_rounded_before_it_is_divided_up(ms: float, words: str) -> None:
    assert duration(ms) == words


@pytest.mark.parametrize(
    ("t_ms", "words"),
    [(0, "0:00.0"), (59_960, "1:00.0"), (3_599_960, "1:00:00.0"), (-4_000, "-0:04.0")],
)
def test_a_time_into_the_drive_carries_into_the_next_minute(t_ms: float, words: str) -> None:
    assert clock(t_ms) == words
