"""The judge and the life cycle against the tests' plain evaluators, to the bit, on random drives cut at random."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from support.drives import condition_keys, transition_keys
from support.reference import reference_conditions
from support.reference_cycle import reference_cycle
from support.strategies import Case, Lives, cases, cuttings, lives
from uphaul.alerts.lifecycle import LifeCycle
from uphaul.alerts.model import Condition, Notice, Transition
from uphaul.rules.judge import Judge
from uphaul.rules.spec import ABOVE, BELOW, Action, Kind, Rule, Setting
from uphaul.signals.model import Block, Signal

PROFILE = settings(
    max_examples=120,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example],
)


def judged(case: Case, cutting: list[tuple[int, int]], grid_ms: int = 1) -> list[Condition]:
    """What the judge says of the drive, handed to it in those blocks."""
    judge = Judge(case.rules, case.signals, case.tunes, gap_ms=case.gap_ms, grid_ms=grid_ms)
    return [change for start, stop in cutting for change in judge.run(case.block.part(start, stop))]


def lived(drive: Lives, cutting: list[tuple[int, int]]) -> tuple[list[Transition], list[Notice]]:
    """What the life cycle makes of the drive, handed to it in those blocks."""
    cycle = LifeCycle(drive.rules)
    transitions: list[Transition] = []
    notices: list[Notice] = []
    for start, stop in cutting:
        t = np.array(drive.t_ms[start:stop], dtype=np.int64)
        tune = np.full(len(t), -1, dtype=np.int16)
        conditions = [c for c in drive.conditions if t[0] <= c.t_ms <= t[-1]]
        events = [e for e in drive.events if t[0] <= e.t_ms <= t[-1]]
        steps, told = cycle.run(t, tune, conditions, events)
        transitions += steps
        notices += told
    return transitions, notices


@pytest.mark.parametrize("kind", list(Kind))
@PROFILE
@given(data=st.data())
def test_judge_says_what_the_reference_says(kind: Kind, data: st.DataObject) -> None:
    case = data.draw(cases([kind]))
    cutting = data.draw(cuttings(len(case.block)))

    changes = judged(case, cutting, data.draw(st.sampled_from([1, 10])))

    expected = reference_conditions(case.rules, case.signals, case.tunes, case.block, case.gap_ms)
    assert condition_keys(changes) == condition_keys(expected)


@PROFILE
@given(data=st.data())
def test_judge_says_what_the_reference_says_of_mixed_rules(data: st.DataObject) -> None:
    case = data.draw(cases())
    cutting = data.draw(cuttings(len(case.block)))

    changes = judged(case, cutting, data.draw(st.sampled_from([1, 10])))

    expected = reference_conditions(case.rules, case.signals, case.tunes, case.block, case.gap_ms)
    assert condition_keys(changes) == condition_keys(expected)


@PROFILE
@given(data=st.data())
def test_life_cycle_takes_the_steps_that_the_reference_takes(data: st.DataObject) -> None:
    drive = data.draw(lives())
    cutting = data.draw(cuttings(len(drive.t_ms)))

    transitions, notices = lived(drive, cutting)

    expected, told = reference_cycle(drive.rules, drive.t_ms, [-1] * len(drive.t_ms), drive.conditions, drive.events)
    assert transition_keys(transitions) == transition_keys(expected)
    assert [(n.t_ms, n.kind, n.rule) for n in notices] == [(n.t_ms, n.kind, n.rule) for n in told]


@PROFILE
@given(seed=st.integers(0, 2**32 - 1), per_unit=st.sampled_from([1, 7, 1000]), grid_ms=st.sampled_from([1, 10]))
def test_slopes_agree_to_the_bit_where_the_sums_outgrow_a_double(seed: int, per_unit: int, grid_ms: int) -> None:
    random = np.random.default_rng(seed)
    signals = (Signal("x", "1", per_unit),)
    n = 60
    t_ms = 28_000_000 + grid_ms * np.cumsum(random.integers(1, 9001 // grid_ms, n))
    counts = random.integers(-(10**8), 10**8, n)
    x = np.where(random.random(n) < 0.1, np.nan, counts / per_unit)
    block = Block(signals, t_ms.astype(np.int64), x.reshape(n, 1), np.full(n, -1, dtype=np.int16))
    rules = tuple(
        Rule(f"{kind}-{side}-{window_s}", kind, "x", side, setting, Action.EASE, window_ms=1000 * window_s)
        for kind, setting in [(Kind.RATE, Setting()), (Kind.REACH, Setting(limit=0.0, within_s=60.0))]
        for side in (ABOVE, BELOW)
        for window_s in (30, 200)
    )
    case = Case(signals, (), rules, block, 9000)

    changes = judged(case, [(0, 1), (1, 20), (20, n)], grid_ms)

    expected = reference_conditions(rules, signals, (), block, 9000)
    assert condition_keys(changes) == condition_keys(expected)
