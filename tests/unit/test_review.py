"""Episodes, summaries and the comparison of two judgings."""

from __future__ import annotations

import pytest

from uphaul.alerts import Carried, State, Transition
from uphaul.analysis.review import Episode, compare, cut_off, episodes, heard, summarise
from uphaul.rules import ABOVE, Action, Condition, Kind, Rule, Setting
from uphaul.rules.judge import Approach


def change(t_ms: int, rule: int, active: bool) -> Condition:
    return Condition(t_ms, rule, active, 1.0, 2.0, 0)


def episode(rule: str, raised: int, cleared: int | None) -> Episode:
    return Episode(rule, raised, cleared, 1.0, 2.0, 0)


def test_raises_and_clears_make_episodes_in_order_of_raise() -> None:
    found = episodes([change(0, 1, True), change(5, 0, True), change(7, 1, False), change(9, 1, True)], ["a", "b"])
    assert found == [episode("b", 0, 7), episode("a", 5, None), episode("b", 9, None)]


def test_time_active_counts_to_the_end_of_the_drive() -> None:
    rule = Rule("a", Kind.THRESHOLD, "egt", ABOVE, Setting(720.0), Action.EASE)
    (summary,) = summarise([rule], [episode("a", 10, 30), episode("a", 50, None)], [None], 100)
    assert (summary.raises, summary.active_ms) == (2, 70)


def test_compares_two_judgings() -> None:
    before = [episode("a", 0, 10), episode("a", 50, 60), episode("b", 20, None)]
    after = [episode("a", 0, 10), episode("a", 55, 70), episode("c", 5, 6)]
    found = compare(before, after, 100)
    assert [(d.kind, d.rule) for d in found] == [("new", "c"), ("gone", "b"), ("moved", "a")]


def test_episodes_that_do_not_overlap_are_different_ones() -> None:
    assert [d.kind for d in compare([episode("a", 0, 10)], [episode("a", 11, 20)], 100)] == ["gone", "new"]
    assert [d.kind for d in compare([episode("a", 0, 10)], [episode("a", 10, 20)], 100)] == ["moved"]


def step(t_ms: int, rule: str, source: State, target: State) -> Transition:
    return Transition(t_ms, rule, source, target, 1.0, 2.0, 0, 1)


def rule(name: str, *suppressed_by: str) -> Rule:
    return Rule(name, Kind.THRESHOLD, "egt", ABOVE, Setting(720.0), Action.EASE, suppressed_by=suppressed_by)


N, U, SHELVED, SUPPRESSED = State.NORMAL, State.UNACKNOWLEDGED, State.SHELVED, State.SUPPRESSED


@pytest.mark.parametrize(
    ("steps", "carried", "quiet"),
    [
        ([step(10, "a", N, U)], None, ""),
        ([step(10, "a", N, SUPPRESSED)], None, "suppressed by c"),  # b's condition is over before
        ([step(0, "a", N, SUPPRESSED)], None, "suppressed by c"),
        ([step(0, "a", N, SUPPRESSED), step(20, "a", SUPPRESSED, U)], None, ""),  # told while it lasted
        ([step(0, "a", N, SUPPRESSED), step(31, "a", SUPPRESSED, U)], None, "suppressed by c"),  # and after
        ([step(0, "a", N, SHELVED)], None, "shelved"),
        ([], State.OUT_OF_SERVICE, "out of service"),
        ([step(5, "a", State.OUT_OF_SERVICE, N), step(10, "a", N, U)], State.OUT_OF_SERVICE, ""),
    ],
)
def test_an_alert_that_was_never_unacknowledged_was_quiet(
    steps: list[Transition], carried: State | None, quiet: str
) -> None:
    found = [episode("b", 0, 10), episode("c", 5, None), episode("a", 10, 30)]
    began = () if carried is None else (Carried("a", carried),)
    told = heard(found, [step(0, "b", N, U), step(5, "c", N, U), *steps], [rule("a", "b", "c")], began)
    assert [e.quiet for e in told] == ["", "", quiet]


def test_what_is_open_where_the_judging_ends_ends_there() -> None:
    found = cut_off([episode("a", 0, 10), episode("b", 5, None)], 20, "configuration changed")
    assert [(e.cleared_ms, e.cut) for e in found] == [(10, ""), (20, "configuration changed")]


@pytest.mark.parametrize(
    ("raises", "excess", "short"), [(0, 100.0, True), (0, 0.0, False), (0, -1.0, False), (1, 5.0, False)]
)
def test_beyond_without_a_raise_was_too_short(raises: int, excess: float, short: bool) -> None:
    found = [episode("a", 0, 10)] * raises
    (summary,) = summarise([rule("a")], found, [Approach(0, excess, 720.0 + excess, 720.0, 0)], 100)
    assert summary.too_short is short
