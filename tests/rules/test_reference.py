"""Lives of alerts worked out by hand: the plain life cycle of the tests and the daemon's own must both live them.

Sources: the transitions are those of the alarm states of ISA-18.2 and IEC 62682 as OPC 10000-9 tells them; flood (more
than 10 annunciations in 10 minutes, ended below 5) is the figure that public texts on ISA-18.2 agree on; chattering
(3 raises in a minute) is common practice; that a reset before an acknowledgement is refused is our own rule.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from support.reference_cycle import reference_cycle
from uphaul.alerts.lifecycle import LifeCycle
from uphaul.alerts.model import Condition, Notice, NoticeKind, State, Transition
from uphaul.rules.spec import ABOVE, Action, Kind, Rule, Setting
from uphaul.signals.model import Event, EventKind

Live = Callable[
    [Sequence[Rule], Sequence[int], Sequence[Condition], Sequence[Event]], tuple[list[Transition], list[Notice]]
]
A, B, C, D = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED
E, F, G, H = State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED, State.SHELVED, State.SUPPRESSED
OUT = State.OUT_OF_SERVICE
ACK, RESET, SHELVE = EventKind.ACKNOWLEDGE, EventKind.RESET, EventKind.SHELVE
REFUSED = NoticeKind.REFUSED


def by_reference(
    rules: Sequence[Rule], t_ms: Sequence[int], conditions: Sequence[Condition], events: Sequence[Event]
) -> tuple[list[Transition], list[Notice]]:
    return reference_cycle(rules, t_ms, [0] * len(t_ms), conditions, events)


def by_daemon(
    rules: Sequence[Rule], t_ms: Sequence[int], conditions: Sequence[Condition], events: Sequence[Event]
) -> tuple[list[Transition], list[Notice]]:
    times = np.array(t_ms, dtype=np.int64)
    return LifeCycle(tuple(rules)).run(times, np.zeros(len(t_ms), dtype=np.int16), conditions, events)


LIVES = [pytest.param(by_reference, id="reference"), pytest.param(by_daemon, id="daemon")]


def rule(name: str = "r", *, latch: bool = False, action: Action = Action.EASE, quiet: tuple[str, ...] = ()) -> Rule:
    return Rule(name, Kind.THRESHOLD, "x", ABOVE, Setting(), action, latch=latch, suppressed_by=quiet)


def change(t_ms: int, active: bool, index: int = 0) -> Condition:
    return Condition(t_ms, index, active, 6.0, 5.0, 0)


def act(t_ms: int, kind: EventKind, *, number: int = 0, end_ms: int | None = None, seq: int = 0) -> Event:
    return Event(t_ms, seq, kind, "r", number, "driver", "", end_ms)


PATHS = [
    ("cleared, then acknowledged", False, [(0, True), (1, False)], [act(2, ACK)], [(0, A, B), (1, B, D), (2, D, A)]),
    ("acknowledged, then cleared", False, [(0, True), (2, False)], [act(1, ACK)], [(0, A, B), (1, B, C), (2, C, A)]),
    (
        "raised again before acknowledged",
        False,
        [(0, True), (1, False), (2, True)],
        [],
        [(0, A, B), (1, B, D), (2, D, B)],
    ),
    (
        "latched, acknowledged, reset",
        True,
        [(0, True), (1, False)],
        [act(2, ACK), act(3, RESET)],
        [(0, A, B), (1, B, E), (2, E, F), (3, F, A)],
    ),
    (
        "acknowledged, latched, raised again",
        True,
        [(0, True), (2, False), (3, True)],
        [act(1, ACK)],
        [(0, A, B), (1, B, C), (2, C, F), (3, F, B)],
    ),
    ("latched, raised again", True, [(0, True), (1, False), (2, True)], [], [(0, A, B), (1, B, E), (2, E, B)]),
    (
        "shelf ends by itself, the condition still true",
        False,
        [(0, True)],
        [act(1, SHELVE, end_ms=4)],
        [(0, A, B), (1, B, G), (4, G, B)],
    ),
    (
        "shelf taken away, the condition gone",
        False,
        [(0, True), (2, False)],
        [act(1, SHELVE, end_ms=9), act(3, EventKind.UNSHELVE)],
        [(0, A, B), (1, B, G), (3, G, A)],
    ),
    (
        "what latches was true on the shelf",
        True,
        [(2, True), (3, False)],
        [act(1, SHELVE, end_ms=4)],
        [(1, A, G), (4, G, E)],
    ),
    (
        "out of service and back",
        False,
        [(2, True)],
        [act(1, EventKind.DISABLE), act(3, EventKind.ENABLE)],
        [(1, A, OUT), (3, OUT, B)],
    ),
    (
        "acknowledged in the tick of its fall: the person first",
        False,
        [(0, True), (1, False)],
        [act(1, ACK)],
        [(0, A, B), (1, B, C), (1, C, A)],
    ),
]


@pytest.mark.parametrize("live", LIVES)
@pytest.mark.parametrize(("latch", "changes", "events", "steps"), [pytest.param(*p[1:], id=p[0]) for p in PATHS])
def test_path(
    live: Live,
    latch: bool,
    changes: list[tuple[int, bool]],
    events: list[Event],
    steps: list[tuple[int, State, State]],
) -> None:
    transitions, notices = live([rule(latch=latch)], range(6), [change(*c) for c in changes], events)

    assert [(t.t_ms, t.source, t.target) for t in transitions] == steps
    assert notices == []


REFUSALS = [
    ("acknowledge: nothing to acknowledge", rule(), [], act(1, ACK)),
    ("acknowledge: an earlier raise", rule(), [(0, True), (1, False), (2, True)], act(3, ACK, number=1)),
    ("reset before acknowledge", rule(latch=True), [(0, True), (1, False)], act(2, RESET)),
    ("shelve: a stop rule", rule(action=Action.STOP), [(0, True)], act(1, SHELVE, end_ms=9)),
    ("shelve: no end", rule(), [(0, True)], act(1, SHELVE)),
    ("unshelve: not shelved", rule(), [(0, True)], act(1, EventKind.UNSHELVE)),
    ("enable: in service", rule(), [(0, True)], act(1, EventKind.ENABLE)),
]


@pytest.mark.parametrize("live", LIVES)
@pytest.mark.parametrize(("one", "changes", "event"), [pytest.param(*r[1:], id=r[0]) for r in REFUSALS])
def test_refused_and_nothing_moves(live: Live, one: Rule, changes: list[tuple[int, bool]], event: Event) -> None:
    conditions = [change(*c) for c in changes]
    quiet, _ = live([one], range(6), conditions, [])

    transitions, notices = live([one], range(6), conditions, [event])

    assert transitions == quiet
    assert [(n.t_ms, n.kind, n.rule) for n in notices] == [(event.t_ms, REFUSED, "r")]


@pytest.mark.parametrize("live", LIVES)
def test_a_suppressor_rising_in_the_same_tick_silences_at_once_though_it_stands_later(live: Live) -> None:
    rules = [rule("fan-down", quiet=("belt-gone",)), rule("belt-gone")]

    transitions, _ = live(rules, range(4), [change(1, True, 0), change(1, True, 1), change(2, False, 1)], [])

    assert [(t.t_ms, t.rule, t.target) for t in transitions] == [
        (1, "fan-down", H),
        (1, "belt-gone", B),
        (2, "fan-down", B),
        (2, "belt-gone", D),
    ]


def raises_at(seconds: Sequence[int]) -> tuple[list[int], list[Condition]]:
    """One rule that rises at those seconds and falls a second later."""
    times = [1000 * s for s in seconds]
    return times, [c for t in times for c in (change(t, True), change(t + 1000, False))]


@pytest.mark.parametrize("live", LIVES)
@pytest.mark.parametrize(
    ("spacing_s", "count", "begins_s"),
    [
        (30, 11, 300),  # published vector: 11 at 0, 30, ..., 300 s begin a flood at the 11th
        (60, 10, None),  # published vector: 10 in 600 s are none
        (60, 11, 600),  # the 11th exactly 600 s after the first
        (61, 11, None),
    ],
)
def test_flood(live: Live, spacing_s: int, count: int, begins_s: int | None) -> None:
    rules = [rule(f"r{i}") for i in range(count)]
    times = [1000 * spacing_s * i for i in range(count)]

    _, notices = live(rules, times, [change(t, True, i) for i, t in enumerate(times)], [])

    begun = [n.t_ms for n in notices if n.kind is NoticeKind.FLOOD]
    assert begun == ([] if begins_s is None else [1000 * begins_s])


@pytest.mark.parametrize("live", LIVES)
def test_flood_ends_when_fewer_than_five_lie_in_ten_minutes(live: Live) -> None:
    # At 0, 30, ..., 300 s. In (t - 600, t] lie the five of 180 .. 300 s until t = 779 s; at 780 s there are four.
    rules = [rule(f"r{i}") for i in range(11)]
    rising = [change(30_000 * i, True, i) for i in range(11)]

    _, notices = live(rules, [*(30_000 * i for i in range(11)), 779_000, 780_000, 781_000], rising, [])

    assert [(n.t_ms, n.kind) for n in notices] == [(300_000, NoticeKind.FLOOD), (780_000, NoticeKind.FLOOD_ENDED)]


@pytest.mark.parametrize("live", LIVES)
@pytest.mark.parametrize(
    ("seconds", "told"),
    [
        ([0, 30, 60], [(60, NoticeKind.CHATTERING), (60, NoticeKind.REPEATING), (120, NoticeKind.CHATTERING_ENDED)]),
        ([0, 30, 61], [(61, NoticeKind.REPEATING)]),
        ([0, 450, 900], [(900, NoticeKind.REPEATING)]),
        ([0, 450, 901], []),
    ],
)
def test_chattering_and_repeating(live: Live, seconds: list[int], told: list[tuple[int, NoticeKind]]) -> None:
    _, conditions = raises_at(seconds)

    _, notices = live([rule()], range(0, 1_000_000, 1000), conditions, [])

    assert [(n.t_ms // 1000, n.kind) for n in notices] == told


@pytest.mark.parametrize("live", LIVES)
def test_raises_are_counted_and_leaving_a_shelf_into_unacknowledged_is_one(live: Live) -> None:
    transitions, _ = live([rule()], range(9), [change(0, True)], [act(1, SHELVE, end_ms=3), act(5, ACK, number=2)])

    assert [(t.target, t.raise_number) for t in transitions] == [(B, 1), (G, 1), (B, 2), (C, 2)]
