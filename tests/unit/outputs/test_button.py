"""What a person means by a button, whatever its contact does on the way."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from uphaul.outputs.button import BOUNCE_NS, LONG_NS, NS_PER_MS, STUCK_NS, Button, Press

QUIET, MARK = [Press.QUIET], [Press.MARK]
Edges = list[tuple[int, bool]]


def meant(edges: Edges, *, looks: list[int] | None = None, to_ms: int = 60_000, pressed: bool = False) -> list[Press]:
    """What comes of edges at ms, with a look at each of `looks` ms and at the end."""
    button = Button(pressed=pressed, now_ns=0)
    found: list[Press] = []
    todo = sorted([(t, 0, level) for t, level in edges] + [(t, 1, False) for t in looks or []])
    for t_ms, is_look, level in todo:
        if is_look:
            found += button.step(t_ms * NS_PER_MS)
        else:
            found += button.edge(t_ms * NS_PER_MS, pressed=level)
    return found + button.step(to_ms * NS_PER_MS)


@pytest.mark.parametrize(
    ("edges", "expected"),
    [
        ([], []),
        ([(100, True), (300, False)], QUIET),
        ([(100, True), (899, False)], QUIET),
        ([(100, True), (900, False)], MARK),
        ([(100, True), (3000, False)], MARK),
        ([(100, True)], MARK),
        ([(100, True), (300, False), (1000, True), (1200, False)], QUIET * 2),
        # a spike of the wiring is no press, and a short break of a press is none either
        ([(100, True), (129, False)], []),
        ([(100, True), (500, False), (520, True), (1500, False)], MARK),
        # bouncing on both ends
        ([(100, True), (105, False), (110, True), (400, False), (408, True), (412, False)], QUIET),
        # a release that bounces across the limit is still one act
        ([(100, True), (895, False), (905, True), (910, False)], MARK),
        # the kernel may read the same level twice after quick edges
        ([(100, True), (102, True), (300, False), (303, False)], QUIET),
    ],
)
def test_presses_by_the_millisecond(edges: Edges, expected: list[Press]) -> None:
    assert meant(edges) == expected


def test_a_long_press_marks_while_it_is_held() -> None:
    button = Button(pressed=False, now_ns=0)
    button.edge(0, pressed=True)
    assert button.due_ns == BOUNCE_NS
    assert button.step(BOUNCE_NS) == []
    assert button.due_ns == LONG_NS
    assert button.step(LONG_NS - 1) == []
    assert button.step(LONG_NS) == MARK
    assert button.step(2 * LONG_NS) == []
    assert button.edge(3 * LONG_NS, pressed=False) == []
    assert button.step(4 * LONG_NS) == []
    assert button.due_ns is None


def test_a_stuck_button_is_one_mark_and_then_known() -> None:
    button = Button(pressed=False, now_ns=0)
    assert button.edge(0, pressed=True) == []
    assert [press for s in range(1, 10) for press in button.step(s * 1000 * NS_PER_MS)] == MARK
    assert not button.stuck
    assert button.due_ns == STUCK_NS
    assert button.step(STUCK_NS) == []
    assert button.stuck
    assert button.due_ns is None
    assert button.step(100 * STUCK_NS) == []
    button.edge(101 * STUCK_NS, pressed=False)
    button.step(102 * STUCK_NS)
    assert not button.stuck


def test_a_button_that_is_held_at_the_start_means_nothing_until_it_was_let_go() -> None:
    assert meant([(5000, False)], pressed=True) == []
    assert meant([(5000, False), (6000, True), (6200, False)], pressed=True) == QUIET
    shorted = Button(pressed=True, now_ns=0)
    shorted.step(STUCK_NS)
    assert shorted.stuck


BOUNCES = st.lists(st.integers(1, 10), max_size=6).filter(lambda gaps: len(gaps) % 2 == 0)


@st.composite
def pressing(draw: st.DrawFn) -> tuple[Edges, list[Press]]:
    """Presses with contacts that bounce at both ends, and what each meant."""
    t_ms, edges, expected = 0, [], []
    for _ in range(draw(st.integers(1, 3))):
        t_ms += draw(st.integers(31, 2000))
        held_ms = draw(st.sampled_from([100, 300, 700, 850, 1200, 5000]))
        for level in (True, False):
            edges.append((t_ms, level))
            for i, gap_ms in enumerate(draw(BOUNCES)):
                t_ms += gap_ms
                edges.append((t_ms, level if i % 2 else not level))
            if level:
                t_ms += held_ms
        expected.append(Press.QUIET if held_ms + 60 < 800 else Press.MARK)
    return edges, expected


@settings(deadline=None)
@given(pressing(), st.lists(st.integers(0, 15_000), max_size=20))
def test_bounces_never_make_two_acts_and_looks_change_nothing(
    case: tuple[Edges, list[Press]], looks: list[int]
) -> None:
    edges, expected = case
    assert meant(edges) == expected
    assert meant(edges, looks=looks) == expected


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 5000), st.booleans()), max_size=30, unique_by=lambda e: e[0]).map(sorted),
    st.lists(st.integers(0, 6000), max_size=30),
)
def test_any_edges_mean_the_same_however_late_they_are_read(edges: Edges, looks: list[int]) -> None:
    found = meant(edges, looks=looks)
    assert found == meant(edges)
    # two acts are at least a settled press and a settled release apart
    assert len(found) <= 1 + sum(b - a >= BOUNCE_NS // NS_PER_MS for (a, _), (b, _) in pairwise(edges)) / 2
