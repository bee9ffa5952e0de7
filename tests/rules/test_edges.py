"""Edges of the rules, worked out by hand from the rules' page: what goes in tick by tick, what must come out when.

Ticks are 50 ms apart, counts a quarter of a unit and a gap longer than 1000 ms, unless the row says otherwise. Sources
of the rows: the rules' page; where a row comes from a published vector, the row says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest

from support.drives import block_of, signals_of
from support.reference import reference_conditions
from uphaul.alerts.model import Condition
from uphaul.rules.spec import ABOVE, BELOW, Action, Curve, Kind, Rule, Setting, Share, When
from uphaul.signals.model import Block, Signal

NAN = math.nan
UP, DOWN = "raised", "cleared"

Evaluate = Callable[[Sequence[Rule], Sequence[Signal], Sequence[str], Block, int], list[Condition]]


def rule(kind: Kind = Kind.THRESHOLD, side: int = ABOVE, **more: Any) -> Rule:
    """A rule over signal x; `limit`, `deadband` and the delays go to its base setting."""
    keys = ("limit", "deadband", "on_delay_ms", "off_delay_ms", "allowed_s", "within_s")
    base = Setting(**{key: more.pop(key) for key in keys if key in more})
    return Rule("r", kind, "x", side, base, Action.EASE, **more)


@dataclass(frozen=True)
class Row:
    """One line of the table: a rule, the values of its signals, and when its condition must rise and fall."""

    name: str
    rule: Rule
    columns: Mapping[str, Sequence[float]]
    expected: Sequence[tuple[int, str]]
    t_ms: Sequence[int] | None = None
    tune: Sequence[int] | int = -1
    tunes: Sequence[str] = ()
    per_unit: int = 4
    extra: Sequence[tuple[float, float]] = field(default=())
    """Value and limit of each expected change, where the row cares."""


HOT: dict[str, Any] = {"limit": 105.0, "deadband": 2.0}
RPM_CURVE = Curve("rpm", (1500.0, 2200.0), (110.0, 180.0))
PULLING = (When("rpm", ABOVE, 1200.0, 100.0),)
TOW = (("tow", Setting(680.0, 25.0, 50, 150)),)
EGT: dict[str, Any] = {"limit": 720.0, "deadband": 25.0, "on_delay_ms": 100, "off_delay_ms": 50}
EXPECTED = (("stock", Curve("rpm", (1000.0, 2000.0), (50.0, 150.0))),)

THRESHOLD = [
    Row("at the limit is not beyond", rule(**HOT), {"x": [105, 105, 105]}, []),
    Row("one count above the limit", rule(**HOT), {"x": [105, 105.25]}, [(50, UP)], extra=[(105.25, 105)]),
    Row("at limit minus deadband is within", rule(**HOT), {"x": [105.25, 103]}, [(0, UP), (50, DOWN)]),
    Row("one count above limit minus deadband", rule(**HOT), {"x": [105.25, 103.25, 103.25]}, [(0, UP)]),
    # Published: limit 105, deadband 2: 105.5 on; 104, 103.5 stay on; 102.9 off; 105 on (a maker whose alarm sets at
    # x >= limit; ours sets above the limit only, so that 105 stays off and 105.1 is on).
    Row(
        "published deadband vector",
        rule(**HOT),
        {"x": [105.5, 104, 103.5, 102.9, 105, 105.1]},
        [(0, UP), (150, DOWN), (250, UP)],
        per_unit=10,
    ),
    Row(
        "below: at the limit, one count under, one count short of the deadband, at the deadband",
        rule(side=BELOW, limit=20.0, deadband=5.0),
        {"x": [20, 19.75, 24.75, 25]},
        [(50, UP), (150, DOWN)],
        extra=[(19.75, 20), (25, 20)],
    ),
    Row(
        "no deadband: the limit itself is within",
        rule(limit=10.0),
        {"x": [10.25, 10, 10.25]},
        [(0, UP), (50, DOWN), (100, UP)],
    ),
    Row(
        "share: 5 % of 200 is 10",
        rule(limit=200.0, deadband=Share(0.05)),
        {"x": [201, 190.25, 190]},
        [(0, UP), (100, DOWN)],
    ),
    Row(
        "share of a negative limit is one of its size: 10 % of -10 is 1",
        rule(limit=-10.0, deadband=Share(0.1)),
        {"x": [-9, -10.75, -11]},
        [(0, UP), (100, DOWN)],
    ),
    Row(
        "below, share of a curve's limit at that tick: 110 at 1500 rpm and 180 at 2200 rpm, half of it more to clear",
        rule(side=BELOW, limit=RPM_CURVE, deadband=Share(0.5)),
        {"x": [100, 165, 165], "rpm": [1500, 2200, 1500]},
        [(0, UP), (100, DOWN)],
        extra=[(100, 110), (165, 110)],
    ),
]

DELAYS = [
    Row("met exactly on the tick", rule(**HOT, on_delay_ms=100), {"x": [100, 106, 106, 106]}, [(150, UP)]),
    Row("one tick short", rule(**HOT, on_delay_ms=100), {"x": [100, 106, 106, 105, 106, 106]}, []),
    Row("between two ticks: the next tick", rule(**HOT, on_delay_ms=120), {"x": [106, 106, 106, 106]}, [(150, UP)]),
    Row("none: every tick", rule(**HOT), {"x": [106, 100, 106, 100]}, [(0, UP), (50, DOWN), (100, UP), (150, DOWN)]),
    Row(
        "off-delay met on the tick", rule(**HOT, off_delay_ms=100), {"x": [106, 100, 100, 100]}, [(0, UP), (150, DOWN)]
    ),
    Row(
        "off-delay broken by a tick inside the deadband",
        rule(**HOT, off_delay_ms=100),
        {"x": [106, 100, 100, 104, 100, 100, 100]},
        [(0, UP), (300, DOWN)],
    ),
    Row(
        "on-delay broken by an unknown",
        rule(**HOT, on_delay_ms=100),
        {"x": [106, 106, NAN, 106, 106, 106]},
        [(250, UP)],
    ),
    Row(
        "off-delay broken by an unknown",
        rule(**HOT, off_delay_ms=100),
        {"x": [106, 100, 100, NAN, 100, 100, 100]},
        [(0, UP), (300, DOWN)],
    ),
    Row("an unknown clears nothing", rule(**HOT), {"x": [106, NAN, NAN, NAN]}, [(0, UP)]),
    Row("a gap is longer than gap_ms", rule(**HOT, on_delay_ms=1000), {"x": [106, 106]}, [(1000, UP)], [0, 1000]),
    Row("one ms over is a gap", rule(**HOT, on_delay_ms=1000), {"x": [106, 106, 106]}, [(2001, UP)], [0, 1001, 2001]),
    Row(
        "a gap restarts the off-delay",
        rule(**HOT, off_delay_ms=50),
        {"x": [106, 100, 100]},
        [(0, UP), (1101, DOWN)],
        [0, 1051, 1101],
    ),
    Row("a condition outlives a gap", rule(**HOT), {"x": [106, 104, 103]}, [(0, UP), (5050, DOWN)], [0, 5000, 5050]),
    Row(
        "missed ticks that are no gap count as time",
        rule(**HOT, on_delay_ms=100),
        {"x": [106, 106]},
        [(150, UP)],
        [0, 150],
    ),
    Row(
        "a drive need not begin at 0",
        rule(**HOT, on_delay_ms=100),
        {"x": [106, 106, 106]},
        [(7100, UP)],
        [7000, 7050, 7100],
    ),
]

CURVES = [
    Row(
        "at a knot", rule(limit=RPM_CURVE), {"x": [110, 110.25], "rpm": [1500, 1500]}, [(50, UP)], extra=[(110.25, 110)]
    ),
    Row(
        "half-way", rule(limit=RPM_CURVE), {"x": [145, 145.25], "rpm": [1850, 1850]}, [(50, UP)], extra=[(145.25, 145)]
    ),
    Row(
        "before the first knot",
        rule(limit=RPM_CURVE),
        {"x": [110, 110.25], "rpm": [0, 0]},
        [(50, UP)],
        extra=[(110.25, 110)],
    ),
    Row(
        "after the last knot",
        rule(limit=RPM_CURVE),
        {"x": [180, 180.25], "rpm": [9e3, 9e3]},
        [(50, UP)],
        extra=[(180.25, 180)],
    ),
    Row(
        "an unknown limit breaks the delay",
        rule(limit=RPM_CURVE, on_delay_ms=50),
        {"x": [200, 200, 200, 200], "rpm": [1500, NAN, 1500, 1500]},
        [(150, UP)],
    ),
]

TUNES = [
    Row(
        "a change restarts no timer",
        rule(**EGT, tunes=TOW),
        {"x": [730, 730, 730]},
        [(100, UP)],
        tune=[0, 0, 0],
        tunes=["stock", "tow"],
    ),
    Row(
        "the delay is that of the tick's tune",
        rule(**EGT, tunes=TOW),
        {"x": [730, 730, 730]},
        [(50, UP)],
        tune=[0, 1, 1],
        tunes=["stock", "tow"],
        extra=[(730, 680)],
    ),
    Row(
        "beyond begins with the tune that has the lower limit",
        rule(**EGT, tunes=TOW),
        {"x": [700, 700, 700, 700]},
        [(150, UP)],
        tune=[0, 0, 1, 1],
        tunes=["stock", "tow"],
    ),
    Row(
        "unknown: beyond under any, shortest on-delay; within under all, longest off-delay",
        rule(**EGT, tunes=TOW),
        {"x": [700, 700, 690, 660, 655, 655, 655, 655, 655]},
        [(50, UP), (350, DOWN)],
        tunes=["stock", "tow"],
        extra=[(700, 680), (655, 720)],
    ),
    Row(
        "unknown: the base speaks first",
        rule(**EGT, tunes=TOW),
        {"x": [730, 730]},
        [(50, UP)],
        tunes=["tow"],
        extra=[(730, 720)],
    ),
    Row("unknown without tunes is the base", rule(**EGT), {"x": [730, 730, 730]}, [(100, UP)], extra=[(730, 720)]),
]

WHENS = [
    Row(
        "false is within though x is beyond",
        rule(**HOT, when=PULLING),
        {"x": [106, 106], "rpm": [1200, 1200.25]},
        [(50, UP)],
    ),
    Row(
        "has a memory inside its deadband",
        rule(**HOT, when=PULLING),
        {"x": [106] * 5, "rpm": [1150, 1250, 1150, 1100, 1150]},
        [(50, UP), (150, DOWN)],
        extra=[(106, 105), (106, 105)],
    ),
    Row(
        "false is within though x is unknown",
        rule(**HOT, when=PULLING),
        {"x": [106, NAN], "rpm": [1250, 1000]},
        [(0, UP), (50, DOWN)],
        extra=[(106, 105), (NAN, 105)],
    ),
    Row("unknown counts as holding", rule(**HOT, when=PULLING), {"x": [100, 106], "rpm": [NAN, NAN]}, [(50, UP)]),
    Row(
        "unknown is unknown where so asked",
        rule(**HOT, when=PULLING, judge_unknown_when=True),
        {"x": [106, 106, 106], "rpm": [NAN, NAN, 1250]},
        [(100, UP)],
    ),
    Row(
        "unknown breaks the delay where so asked",
        rule(**HOT, on_delay_ms=100, when=PULLING, judge_unknown_when=True),
        {"x": [106] * 5, "rpm": [1250, NAN, 1250, 1250, 1250]},
        [(200, UP)],
    ),
    Row(
        "unknown takes the memory",
        rule(**HOT, when=PULLING),
        {"x": [106] * 3, "rpm": [1250, NAN, 1150]},
        [(0, UP), (100, DOWN)],
    ),
    Row(
        "a gap takes the memory",
        rule(**HOT, when=PULLING),
        {"x": [106] * 2, "rpm": [1250, 1150]},
        [(0, UP), (1001, DOWN)],
        [0, 1001],
    ),
    Row(
        "no gap, no loss of memory",
        rule(**HOT, when=PULLING),
        {"x": [106] * 2, "rpm": [1250, 1150]},
        [(0, UP)],
        [0, 1000],
    ),
    Row(
        "one false outweighs one unknown",
        rule(**HOT, when=(*PULLING, When("load", ABOVE, 50.0)), judge_unknown_when=True),
        {"x": [106, 106], "rpm": [1250, NAN], "load": [60, 50]},
        [(0, UP), (50, DOWN)],
    ),
    Row(
        "below",
        rule(**HOT, when=(When("rpm", BELOW, 900.0, 50.0),)),
        {"x": [106] * 4, "rpm": [900, 899.75, 949.75, 950]},
        [(50, UP), (150, DOWN)],
    ),
]

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

TABLE = {
    "threshold": THRESHOLD,
    "delay": DELAYS,
    "curve": CURVES,
    "tune": TUNES,
    "when": WHENS,
    "kind": OTHER_KINDS,
}
ROWS = [pytest.param(row, id=f"{group}: {row.name}") for group, rows in TABLE.items() for row in rows]

EVALUATORS = [pytest.param(reference_conditions, id="reference")]


@pytest.mark.parametrize("evaluate", EVALUATORS)
@pytest.mark.parametrize("row", ROWS)
def test_rises_and_falls_when_the_page_says(row: Row, evaluate: Evaluate) -> None:
    signals = signals_of(row.columns, row.per_unit)
    block = block_of(signals, row.columns, t_ms=row.t_ms, tune=row.tune)

    changes = evaluate([row.rule], signals, row.tunes, block, 1000)

    assert [(c.t_ms, UP if c.active else DOWN) for c in changes] == list(row.expected)
    for change, (value, limit) in zip(changes, row.extra, strict=bool(row.extra)):
        assert change.value == pytest.approx(value, rel=1e-12, nan_ok=True)
        assert change.limit == pytest.approx(limit, rel=1e-12, nan_ok=True)
