"""The judge against the plain evaluator of the tests, to the bit, on random drives that are cut at random."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from support.drives import condition_keys
from support.reference import reference_conditions
from support.strategies import Case, cases, cuttings
from uphaul.alerts.model import Condition
from uphaul.rules.judge import Judge
from uphaul.rules.spec import Kind

PROFILE = settings(
    max_examples=120,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example],
)


def judged(case: Case, cutting: list[tuple[int, int]]) -> list[Condition]:
    """What the judge says of the drive, handed to it in those blocks."""
    judge = Judge(case.rules, case.signals, case.tunes, gap_ms=case.gap_ms)
    return [change for start, stop in cutting for change in judge.run(case.block.part(start, stop))]


@pytest.mark.parametrize("kind", list(Kind))
@PROFILE
@given(data=st.data())
def test_judge_says_what_the_reference_says(kind: Kind, data: st.DataObject) -> None:
    case = data.draw(cases([kind]))
    cutting = data.draw(cuttings(len(case.block)))

    changes = judged(case, cutting)

    expected = reference_conditions(case.rules, case.signals, case.tunes, case.block, case.gap_ms)
    assert condition_keys(changes) == condition_keys(expected)


@PROFILE
@given(data=st.data())
def test_judge_says_what_the_reference_says_of_mixed_rules(data: st.DataObject) -> None:
    case = data.draw(cases())
    cutting = data.draw(cuttings(len(case.block)))

    changes = judged(case, cutting)

    expected = reference_conditions(case.rules, case.signals, case.tunes, case.block, case.gap_ms)
    assert condition_keys(changes) == condition_keys(expected)
