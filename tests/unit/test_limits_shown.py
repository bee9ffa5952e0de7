"""Which limits the page shows: those of the rules that are judged now, so that none is shown that does not hold."""

from __future__ import annotations

import numpy as np
import pytest

from uphaul.pipeline import Limit, LimitsInForce, Row, next_limit
from uphaul.rules import ABOVE, BELOW, Action, Kind, Rule, Setting, When
from uphaul.signals import Block, Signal

BOOST = Signal("boost", "kPa", 10)
OIL = Signal("oil", "degC", 4)
SIGNALS = (BOOST, OIL)
COLD_OIL = (When("oil", BELOW, 60.0, 5.0),)
RATING = Rule("boost-rating", Kind.THRESHOLD, "boost", ABOVE, Setting(180.0), Action.EASE)


def boost_limit(*oils: float, judge_unknown: bool = False) -> float:
    """The upper limit on boost that is shown after ticks with these oil temperatures."""
    cold = Rule(
        "boost-cold-oil",
        Kind.THRESHOLD,
        "boost",
        ABOVE,
        Setting(70.0),
        Action.NOTE,
        when=COLD_OIL,
        judge_unknown_when=judge_unknown,
    )
    rules = (cold, RATING)
    row = Row(SIGNALS, rules)
    for i, oil in enumerate(oils):
        block = Block(SIGNALS, np.array([i * 50]), np.array([[74.0, oil]]), np.array([-1], dtype=np.int16))
        row.run(block)
    boost, of_oil = LimitsInForce(rules, SIGNALS, ()).at(block, row.judge.applies)
    assert next_limit(boost, 74.0, BELOW) is None
    assert of_oil == []
    return min(x.value for x in boost)


@pytest.mark.parametrize(
    ("oils", "limit"),
    [
        ((40.0,), 70.0),
        ((90.0,), 180.0),
        ((40.0, 62.0), 70.0),  # still holds within its deadband
        ((40.0, 62.0, 65.0), 180.0),
        ((90.0, 62.0), 180.0),  # does not hold yet
    ],
)
def test_a_limit_is_shown_while_the_further_conditions_of_its_rule_hold(oils: tuple[float, ...], limit: float) -> None:
    assert boost_limit(*oils) == limit


@pytest.mark.parametrize(("judge_unknown", "limit"), [(False, 70.0), (True, 180.0)])
def test_an_unknown_condition_shows_the_limit_where_it_counts_as_holding(judge_unknown: bool, limit: float) -> None:
    assert boost_limit(float("nan"), judge_unknown=judge_unknown) == limit


def test_without_any_further_condition_every_limit_is_shown() -> None:
    row = Row(SIGNALS, (RATING,))
    block = Block(SIGNALS, np.array([0]), np.array([[74.0, 40.0]]), np.array([-1], dtype=np.int16))
    row.run(block)
    boost, _ = LimitsInForce((RATING,), SIGNALS, ()).at(block, row.judge.applies)
    assert boost == [Limit(180.0, ABOVE, Action.EASE)]
