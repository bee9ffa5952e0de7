"""Edges of the rules, worked out by hand from the rules' page: what goes in tick by tick, what must come out when.

Ticks are 50 ms apart, counts a quarter of a unit and a gap longer than 1000 ms, unless the row says otherwise. Sources
of the rows: the rules' page; where a row comes from a published vector, the row says so.
"""

from __future__ import annotations

from typing import Any

import pytest

from support.edges import DOWN, EVALUATORS, NAN, UP, Evaluate, Row, check, named, rule
from uphaul.rules.spec import ABOVE, BELOW, Curve, Setting, Share, When

HOT: dict[str, Any] = {"limit": 105.0, "deadband": 2.0}
RPM_CURVE = Curve("rpm", (1500.0, 2200.0), (110.0, 180.0))
PULLING = (When("rpm", ABOVE, 1200.0, 100.0),)
TOW = (("tow", Setting(680.0, 25.0, 50, 150)),)
EGT: dict[str, Any] = {"limit": 720.0, "deadband": 25.0, "on_delay_ms": 100, "off_delay_ms": 50}
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
        # 3.9 * 9 / 13 is 2.7 in doubles; 3.9 / 13 * 9 and 3.9 * (9 / 13) fall short of it and would raise.
        "in the order of operations that the page writes",
        rule(limit=Curve("rpm", (0.0, 13.0), (0.0, 3.9))),
        {"x": [2.7, 2.8], "rpm": [9, 9]},
        [(50, UP)],
        per_unit=10,
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

ROWS = named({"threshold": THRESHOLD, "delay": DELAYS, "curve": CURVES, "tune": TUNES, "when": WHENS})


@pytest.mark.parametrize("evaluate", EVALUATORS)
@pytest.mark.parametrize("row", ROWS)
def test_rises_and_falls_when_the_page_says(row: Row, evaluate: Evaluate) -> None:
    check(row, evaluate)
