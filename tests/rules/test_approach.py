"""How near a rule came to its limit: at which tick, under which variant, and of which rules nothing can be said."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from support.drives import block_of, signals_of
from support.reference import Drive, closest
from support.strategies import cases, cuttings
from uphaul.rules import ABOVE, BELOW, Action, Kind, Rule, Setting, When
from uphaul.rules.judge import Approach, Judge

NAN = float("nan")
PROFILE = settings(
    max_examples=80,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example],
)


@pytest.mark.parametrize("kind", list(Kind))
@PROFILE
@given(data=st.data())
def test_the_closest_approach_is_that_of_the_plain_evaluator(kind: Kind, data: st.DataObject) -> None:
    case = data.draw(cases([kind]))
    judge = Judge(case.rules, case.signals, case.tunes, gap_ms=case.gap_ms, approaches=True)
    for start, stop in data.draw(cuttings(len(case.block))):
        judge.run(case.block.part(start, stop))

    drive = Drive(case.signals, case.tunes, case.block, case.gap_ms)
    expected = [closest(drive, rule) for rule in case.rules]
    assert judge.approaches == [None if e is None else Approach(*e) for e in expected]


@pytest.mark.parametrize(
    ("side", "base", "tow", "told"),
    [
        (ABOVE, 720.0, 680.0, (660.0, 680.0, -20.0)),  # the tune's limit is nearer: its headroom, its limit
        (ABOVE, 680.0, 720.0, (660.0, 680.0, -20.0)),
        (ABOVE, 650.0, 640.0, (660.0, 640.0, 20.0)),  # beyond both: the one it is furthest past
        (BELOW, 600.0, 640.0, (660.0, 640.0, -20.0)),
    ],
)
def test_limit_and_headroom_belong_to_one_variant(
    side: int, base: float, tow: float, told: tuple[float, float, float]
) -> None:
    rule = Rule("r", Kind.THRESHOLD, "egt", side, Setting(base), Action.EASE, tunes=(("tow", Setting(tow)),))
    signals = signals_of(["egt"])
    judge = Judge((rule,), signals, ("tow",), approaches=True)
    judge.run(block_of(signals, {"egt": [660.0]}, tune=-1))
    assert judge.approaches is not None
    (near,) = judge.approaches
    assert near is not None
    assert (near.value, near.limit, near.excess) == told


def test_it_is_known_of_which_rules_the_measure_never_was() -> None:
    fast = (When("rpm", ABOVE, 1200.0),)
    rules = (
        Rule("held", Kind.THRESHOLD, "egt", ABOVE, Setting(720.0), Action.EASE),
        Rule("ruled-out", Kind.THRESHOLD, "egt", ABOVE, Setting(720.0), Action.EASE, when=fast),
        Rule("unknown", Kind.THRESHOLD, "coolant", ABOVE, Setting(105.0), Action.EASE),
    )
    signals = signals_of(["egt", "rpm", "coolant"])
    judge = Judge(rules, signals, approaches=True)
    judge.run(block_of(signals, {"egt": [NAN, 700.0], "rpm": [800.0, 900.0], "coolant": [NAN, NAN]}))
    assert judge.approaches is not None
    assert [a is not None for a in judge.approaches] == [True, False, False]
    assert judge.measured.tolist() == [True, True, False]
