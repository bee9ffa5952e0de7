"""Episodes, summaries and the comparison of two judgings."""

from __future__ import annotations

from uphaul.analysis.review import Episode, compare, episodes, summarise
from uphaul.rules import ABOVE, Action, Condition, Kind, Rule, Setting


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
