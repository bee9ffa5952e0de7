"""Edges of the kinds of rules that look back or compare: rate, exposure, departure, lost, reach; worked out by hand.

Ticks are 50 ms apart, counts a quarter of a unit and a gap longer than 1000 ms, unless the row says otherwise. Source:
the rules' page; the sums stand beside the rows.
"""

from __future__ import annotations

import pytest

from support.edges import DOWN, EVALUATORS, NAN, UP, Evaluate, Row, check, named, rule
from uphaul.rules.spec import BELOW, Curve, Kind, Share

EXPECTED = (("stock", Curve("rpm", (1000.0, 2000.0), (50.0, 150.0))),)

OTHER_KINDS = [
    # 1 unit in 50 ms is 20 a second; three ticks span 100 ms, half of a window of 200 ms.
    Row(
        "rate: half the window is enough",
        rule(Kind.RATE, limit=19.5, window_ms=200),
        {"x": [0, 1, 2]},
        [(100, UP)],
        extra=[(20, 19.5)],
    ),
    Row(
        "rate: less than half is unknown", rule(Kind.RATE, limit=19.5, window_ms=201), {"x": [0, 1, 2, 3]}, [(150, UP)]
    ),
    Row("rate: at the limit is not beyond", rule(Kind.RATE, limit=20.0, window_ms=200), {"x": [0, 1, 2, 3, 4]}, []),
    Row(
        "rate: two known are too few",
        rule(Kind.RATE, limit=1.0, window_ms=200),
        {"x": [0, NAN, 2, 3]},
        [(150, UP)],
        extra=[(20, 1)],
    ),
    Row("rate: unknown now is unknown", rule(Kind.RATE, limit=1.0, window_ms=200), {"x": [0, 1, NAN]}, []),
    Row(
        "rate: the tick at now - window belongs to it",
        # slope over (0, 0) (50, 8) (100, 8): (mean t 50, sum (t - 50)(x - mean x) = 400, sum (t - 50)^2 = 5000) = 80/s;
        # a window without the first tick would have two ticks only.
        rule(Kind.RATE, limit=79.0, window_ms=100),
        {"x": [0, 8, 8]},
        [(100, UP)],
        extra=[(80, 79)],
    ),
    Row(
        "rate: nothing from before a gap",
        rule(Kind.RATE, limit=1.0, window_ms=4000),
        {"x": [0, 1, 5, 6, 7]},
        [],
        [0, 900, 1901, 2801, 3701],
    ),
    Row(
        "rate: below",
        rule(Kind.RATE, BELOW, limit=-19.0, deadband=1.0, window_ms=100),
        {"x": [9, 8, 7, 6, 6, 6]},
        [(100, UP), (200, DOWN)],
        extra=[(-20, -19), (-10, -19)],
    ),
    # Steps of 50 ms; the first tick has none. 100 ms are not more than 0.1 s, 150 ms are.
    Row(
        "exposure: more than allowed",
        rule(Kind.EXPOSURE, limit=10.0, allowed_s=0.1, window_ms=500),
        {"x": [11, 11, 11, 11]},
        [(150, UP)],
        extra=[(0.15, 0.1)],
    ),
    Row(
        "exposure: the step that ended at now - window has left; clears at allowed minus deadband",
        # Past at 50..150 (0.15 s). Window 200 ms: at 250 the step at 50 leaves (0.10), at 300 that at 100 (0.05).
        rule(Kind.EXPOSURE, limit=10.0, allowed_s=0.1, deadband=0.05, window_ms=200),
        {"x": [11, 11, 11, 11, 10, 10, 10]},
        [(150, UP), (300, DOWN)],
        extra=[(0.15, 0.1), (0.05, 0.1)],
    ),
    Row(
        "exposure: unknown time stands against clearing",
        # As above, but the step at 200 is unknown: 0.05 + 0.05 at 300; at 350 the last known one leaves.
        rule(Kind.EXPOSURE, limit=10.0, allowed_s=0.1, deadband=0.05, window_ms=200),
        {"x": [11, 11, 11, 11, NAN, 10, 10, 10]},
        [(150, UP), (350, DOWN)],
        extra=[(0.15, 0.1), (0.0, 0.1)],
    ),
    Row(
        "exposure: a gap is unknown time and clears nothing",
        # 0.15 s by 150; the step to 1151 is a gap of 1.001 s: known stays 0.15, still in the window of 2 s.
        rule(Kind.EXPOSURE, limit=10.0, allowed_s=0.2, window_ms=2000),
        {"x": [11, 11, 11, 11, 11, 11, 11]},
        [(1251, UP)],
        [0, 50, 100, 150, 1151, 1201, 1251],
        extra=[(0.25, 0.2)],
    ),
    Row(
        "exposure: below",
        rule(Kind.EXPOSURE, BELOW, limit=10.0, allowed_s=0.05, window_ms=500),
        {"x": [9, 9, 10, 9]},
        [(150, UP)],
    ),
    # Expected 50 at 1000 rpm, 150 at 2000 rpm, so 100 at 1500 rpm.
    Row(
        "departure: amount",
        rule(Kind.DEPARTURE, limit=20.0, deadband=5.0, expected=EXPECTED),
        {"x": [120, 120.25, 115.25, 115], "rpm": [1500] * 4},
        [(50, UP), (150, DOWN)],
        tune=0,
        tunes=["stock"],
        extra=[(20.25, 20), (15, 20)],
    ),
    Row(
        "departure: below has its own sign",
        rule(Kind.DEPARTURE, BELOW, limit=-20.0, deadband=5.0, expected=EXPECTED),
        {"x": [80, 79.75, 84.75, 85], "rpm": [1500] * 4},
        [(50, UP), (150, DOWN)],
        tune=0,
        tunes=["stock"],
        extra=[(-20.25, -20), (-15, -20)],
    ),
    Row(
        "departure: share of the expected value",
        rule(Kind.DEPARTURE, BELOW, limit=Share(-0.25), deadband=Share(0.125), expected=EXPECTED),
        {"x": [75, 74.75, 87.25, 87.5], "rpm": [1500] * 4},
        [(50, UP), (150, DOWN)],
        tune=0,
        tunes=["stock"],
        extra=[(-25.25, -25), (-12.5, -25)],
    ),
    Row(
        "departure: unknown tune is unknown",
        rule(Kind.DEPARTURE, limit=20.0, expected=EXPECTED, on_delay_ms=50),
        {"x": [200] * 4, "rpm": [1500] * 4},
        [(150, UP)],
        tune=[0, -1, 0, 0],
        tunes=["stock"],
    ),
    Row(
        "departure: a tune without a curve is unknown",
        rule(Kind.DEPARTURE, limit=20.0, expected=EXPECTED),
        {"x": [200, 200], "rpm": [1500] * 2},
        [(50, UP)],
        tune=[1, 0],
        tunes=["stock", "tow"],
    ),
    Row(
        "lost: the allowance is the on-delay",
        rule(Kind.LOST, on_delay_ms=100),
        {"x": [1, NAN, NAN, NAN, 1]},
        [(150, UP), (200, DOWN)],
        extra=[(NAN, NAN), (NAN, NAN)],
    ),
    Row(
        "lost: the grace ends with its last ms",
        rule(Kind.LOST, grace_ms=100, on_delay_ms=50),
        {"x": [NAN] * 5},
        [(150, UP)],
    ),
    Row(
        "lost: the grace is counted from the drive's first tick",
        rule(Kind.LOST, grace_ms=100),
        {"x": [NAN] * 5},
        [(5100, UP)],
        [5000, 5050, 5100, 5150, 5200],
    ),
    # 20 a second again: at 40 the limit of 100 is 3 s away, at 41 it is 2.95 s.
    Row(
        "reach: less than the lead time",
        rule(Kind.REACH, limit=100.0, within_s=3.0, window_ms=100),
        {"x": [38, 39, 40, 41]},
        [(150, UP)],
        extra=[(2.95, 3)],
    ),
    # 20 a second at 100 ms, 55 away: 2.75 s. 10 a second at 150 ms, still 55 away: 5.5 s.
    Row(
        "reach: clears at lead time plus deadband",
        rule(Kind.REACH, limit=100.0, within_s=3.0, deadband=2.5, window_ms=100),
        {"x": [43, 44, 45, 45]},
        [(100, UP), (150, DOWN)],
        extra=[(2.75, 3), (5.5, 3)],
    ),
    Row(
        "reach: does not clear short of it",
        rule(Kind.REACH, limit=100.0, within_s=3.0, deadband=2.75, window_ms=100),
        {"x": [43, 44, 45, 45]},
        [(100, UP)],
    ),
    Row(
        "reach: a slope that turns away is within",
        rule(Kind.REACH, limit=100.0, within_s=3.0, deadband=100.0, window_ms=100),
        {"x": [90, 91, 92, 91, 90]},
        [(100, UP), (150, DOWN)],
    ),
    Row(
        "reach: only past its start",
        rule(Kind.REACH, limit=100.0, within_s=9.0, start=40.0, window_ms=100),
        {"x": [38, 39, 40, 41]},
        [(150, UP)],
    ),
    Row(
        "reach: past the limit no time is left",
        rule(Kind.REACH, limit=100.0, within_s=3.0, window_ms=100),
        {"x": [100, 101, 102]},
        [(100, UP)],
        extra=[(0, 3)],
    ),
    Row(
        "reach: below",
        rule(Kind.REACH, BELOW, limit=0.0, within_s=3.0, window_ms=100),
        {"x": [62, 61, 60, 59]},
        [(150, UP)],
        extra=[(2.95, 3)],
    ),
]

ROWS = named({"kind": OTHER_KINDS})


@pytest.mark.parametrize("evaluate", EVALUATORS)
@pytest.mark.parametrize("row", ROWS)
def test_rises_and_falls_when_the_page_says(row: Row, evaluate: Evaluate) -> None:
    check(row, evaluate)
