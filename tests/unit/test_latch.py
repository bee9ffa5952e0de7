"""No way round leads from a latching alert to normal without a person's reset."""

from __future__ import annotations

import numpy as np
import pytest

from uphaul.alerts import State
from uphaul.alerts.lifecycle import LifeCycle
from uphaul.rules import ABOVE, Action, Condition, Kind, Rule, Setting
from uphaul.signals import Event, EventKind

CAUSE = Rule("cause", Kind.THRESHOLD, "x", ABOVE, Setting(1.0), Action.NOTE)
LATCHING = Rule("latching", Kind.THRESHOLD, "x", ABOVE, Setting(1.0), Action.EASE, latch=True, suppressed_by=("cause",))


def state_after(conditions: list[tuple[int, int, bool]], events: list[Event]) -> State:
    cycle = LifeCycle((CAUSE, LATCHING))
    t = np.arange(0, 1000, 50, dtype=np.int64)
    changes = [Condition(at, rule, active, 2.0, 1.0, -1) for at, rule, active in conditions]
    cycle.run(t, np.full(len(t), -1, dtype=np.int16), changes, events)
    return cycle.alerts[1].state


def event(t: int, kind: EventKind, end: int | None = None) -> Event:
    return Event(t, 0, kind, "latching", end_ms=end)


@pytest.mark.parametrize("acknowledged", [False, True])
def test_clearing_in_the_tick_that_suppresses(acknowledged: bool) -> None:
    events = [event(150, EventKind.ACKNOWLEDGE)] if acknowledged else []
    found = state_after([(100, 1, True), (200, 0, True), (200, 1, False), (250, 0, False)], events)
    assert found is State.LATCHED_UNACKNOWLEDGED


@pytest.mark.parametrize(
    "round_trip",
    [
        [event(300, EventKind.SHELVE, 400)],
        [event(300, EventKind.SHELVE, 900), event(400, EventKind.UNSHELVE)],
        [event(300, EventKind.DISABLE), event(400, EventKind.ENABLE)],
        [event(300, EventKind.SHELVE, 900), event(350, EventKind.DISABLE), event(400, EventKind.ENABLE)],
    ],
)
def test_setting_a_latched_alert_aside(round_trip: list[Event]) -> None:
    assert state_after([(100, 1, True), (200, 1, False)], round_trip) is State.LATCHED_UNACKNOWLEDGED


def test_after_suppression_value_limit_and_time_are_those_of_one_tick() -> None:
    cycle = LifeCycle((CAUSE, LATCHING))
    t = np.arange(0, 1000, 50, dtype=np.int64)
    changes = [Condition(50, 0, True, 9.0, 1.0, -1), Condition(100, 1, True, 2.0, 1.5, -1)]
    cycle.run(t, np.full(len(t), -1, dtype=np.int16), [*changes, Condition(700, 0, False, 0.0, 1.0, -1)], [])
    alert = cycle.alerts[1]
    assert (alert.state, alert.raised_ms) == (State.UNACKNOWLEDGED, 700)
    assert (alert.true_ms, alert.value, alert.limit) == (100, 2.0, 1.5)


def test_what_is_carried_from_an_earlier_drive_has_no_tick_of_this_one() -> None:
    before = LifeCycle((LATCHING,))
    t = np.arange(0, 1000, 50, dtype=np.int64)
    changes = [Condition(100, 0, True, 2.0, 1.0, -1), Condition(200, 0, False, 0.0, 1.0, -1)]
    before.run(t, np.full(len(t), -1, dtype=np.int16), changes, [])
    alert = LifeCycle((LATCHING,), before.carry(950)).alerts[0]
    assert (alert.state, alert.true_ms) == (State.LATCHED_UNACKNOWLEDGED, None)
