"""The life cycle of every alert of a drive: from conditions and people's events to transitions and notices.

Theory of operation. Each rule has one alert, in one `State`. Within a tick the order is: shelves that end; people's
events by arrival; conditions and suppression in the order of the rules; chattering and flood. Everything happens at
ticks of interest: those with a condition or an event, and the first tick at or after a timer (end of a shelf, of
chattering, of a flood). So a block costs by what happens in it, not by its length, and any cutting of a drive gives
the same transitions.

Suppression looks at the conditions of the tick itself: a suppressing rule that rises in the same tick silences at once,
whatever the order of the rules. Going to shelved, suppressed or out of service from an alert that was raised or latched
counts as the condition having been true meanwhile, so that no way round leads from there to normal without a
person's reset, for a latching rule.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from uphaul.alerts.model import Carried, Notice, NoticeKind, State, Transition
from uphaul.alerts.table import SET_ASIDE, STEPS, Trigger
from uphaul.rules import Action, Condition, Rule
from uphaul.signals import NO_TUNE, Event, EventKind

__all__ = ["Alert", "LifeCycle"]

CHATTER_MS = 60_000
REPEAT_MS = 900_000
FLOOD_MS = 600_000
FLOOD_BEGINS, FLOOD_ENDS = 11, 5
NEVER = 1 << 62
_LATCHED = (State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED)
_TRUE_BEFORE = (*_LATCHED, State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
"""From these a latching rule may not come back to normal by being set aside."""


@dataclass(slots=True)
class Alert:
    """One rule's alert as it stands: also what a page shows of it.

    `value`, `limit` and `tune` are those of `true_ms`, when the condition last became true (None: in no tick of this
    drive). `raised_ms` is when it was last announced, which comes later if it was suppressed or shelved till then.
    """

    rule: Rule
    state: State = State.NORMAL
    active: bool = False
    since_ms: int = 0
    raises: int = 0
    raised_ms: int = 0
    true_ms: int | None = None
    value: float = float("nan")
    limit: float = float("nan")
    tune: int = NO_TUNE
    shelf_ends_ms: int = NEVER
    was_true: bool = False
    chattering: bool = False
    repeating: bool = False
    recent: deque[int] = field(default_factory=lambda: deque(maxlen=3))


class LifeCycle:
    """All alerts of one drive. `carried` are the states that the drive before left (see `carry`)."""

    def __init__(self, rules: tuple[Rule, ...], carried: Sequence[Carried] = ()) -> None:
        self.alerts = tuple(Alert(r) for r in rules)
        self.flood = False
        self._by_name = {r.name: i for i, r in enumerate(rules)}
        self._suppressors = [[self._by_name[n] for n in r.suppressed_by if n in self._by_name] for r in rules]
        self._suppressible = [i for i, names in enumerate(self._suppressors) if names]
        self._annunciations: deque[int] = deque(maxlen=FLOOD_BEGINS)
        self._transitions: list[Transition] = []
        self._notices: list[Notice] = []
        self._tune = NO_TUNE
        for c in carried:
            if c.rule in self._by_name:
                alert = self.alerts[self._by_name[c.rule]]
                alert.state = c.state
                alert.was_true = c.was_true
                alert.shelf_ends_ms = NEVER if c.shelf_left_ms is None else c.shelf_left_ms

    def carry(self, t_ms: int) -> tuple[Carried, ...]:
        """What the next drive starts with, as of `t_ms`: latched, shelved and out of service.

        A latching rule whose condition is still true as the drive ends is latched by that end.
        """
        out = []
        for a in self.alerts:
            state = a.state
            if a.rule.latch and state is State.UNACKNOWLEDGED:
                state = State.LATCHED_UNACKNOWLEDGED
            elif a.rule.latch and state is State.ACKNOWLEDGED:
                state = State.LATCHED_ACKNOWLEDGED
            if state in (*_LATCHED, State.SHELVED, State.OUT_OF_SERVICE):
                left = None if a.shelf_ends_ms == NEVER else max(a.shelf_ends_ms - t_ms, 0)
                out.append(Carried(a.rule.name, state, a.was_true, left))
        return tuple(out)

    def run(
        self,
        t_ms: npt.NDArray[np.int64],
        tune: npt.NDArray[np.int16],
        conditions: Sequence[Condition],
        events: Sequence[Event],
    ) -> tuple[list[Transition], list[Notice]]:
        """Take in the ticks `t_ms` with the conditions and events that fall on them, both in order of time."""
        self._transitions, self._notices = [], []
        c = e = 0
        events = sorted(events, key=lambda event: (event.t_ms, event.seq))
        done = -NEVER
        while True:
            due = self._next_timer()
            at = int(np.searchsorted(t_ms, max(due, done + 1))) if due < NEVER else len(t_ms)
            t = int(t_ms[at]) if at < len(t_ms) else NEVER
            t = min(
                t,
                conditions[c].t_ms if c < len(conditions) else NEVER,
                events[e].t_ms if e < len(events) else NEVER,
            )
            if t == NEVER:
                break
            c_end, e_end = c, e
            while c_end < len(conditions) and conditions[c_end].t_ms == t:
                c_end += 1
            while e_end < len(events) and events[e_end].t_ms == t:
                e_end += 1
            self._tune = int(tune[min(int(np.searchsorted(t_ms, t)), len(tune) - 1)])
            self._tick(t, conditions[c:c_end], events[e:e_end])
            c, e, done = c_end, e_end, t
        return self._transitions, self._notices

    def _next_timer(self) -> int:
        due = NEVER
        for a in self.alerts:
            if a.state is State.SHELVED:
                due = min(due, a.shelf_ends_ms)
            if a.chattering and not a.active:
                due = min(due, a.recent[-1] + CHATTER_MS)
        if self.flood:
            due = min(due, self._annunciations[-FLOOD_ENDS] + FLOOD_MS)
        return due

    def _tick(self, t: int, conditions: Sequence[Condition], events: Sequence[Event]) -> None:
        for i, a in enumerate(self.alerts):
            if a.state is State.SHELVED and t >= a.shelf_ends_ms:
                self._leave(t, i, to_suppressed=self._suppressed(i))
        for event in events:
            self._event(t, event)
        changed = {c.rule: c for c in conditions}
        for i, c in changed.items():
            self.alerts[i].active = c.active
        for i in sorted({*changed, *self._suppressible}):
            self._condition(t, i, self.alerts[i], changed.get(i))
        self._chattering_and_flood(t)

    def _suppressed(self, i: int) -> bool:
        return any(self.alerts[s].active for s in self._suppressors[i])

    def _condition(self, t: int, i: int, a: Alert, change: Condition | None) -> None:
        if change is not None and change.active:
            a.value, a.limit, a.tune, a.true_ms = change.value, change.limit, change.tune, t
        if self._suppressors[i] and a.state not in (State.SHELVED, State.OUT_OF_SERVICE):
            suppressed = self._suppressed(i)
            if suppressed and a.state is not State.SUPPRESSED:
                self._set_aside(t, a, Trigger.SUPPRESS, change)
                return
            if not suppressed and a.state is State.SUPPRESSED:
                a.was_true |= a.active
                self._leave(t, i, change=change)
                return
        if change is None:
            return
        if a.state in SET_ASIDE:
            a.was_true |= change.active
        elif change.active:
            self._step(t, a, Trigger.RAISE, change)
        else:
            self._step(t, a, Trigger.CLEAR_LATCHING if a.rule.latch else Trigger.CLEAR, change)

    def _set_aside(self, t: int, a: Alert, trigger: Trigger, change: Condition | None = None) -> None:
        if a.state not in SET_ASIDE:
            a.was_true = a.state in _TRUE_BEFORE
        a.was_true |= a.active
        a.shelf_ends_ms = NEVER
        self._step(t, a, trigger, change)

    def _leave(self, t: int, i: int, *, to_suppressed: bool = False, change: Condition | None = None) -> None:
        a = self.alerts[i]
        a.shelf_ends_ms = NEVER
        if to_suppressed:
            self._to(t, a, State.SUPPRESSED, change)
        elif a.active:
            self._to(t, a, State.UNACKNOWLEDGED, change)
        elif a.rule.latch and a.was_true:
            self._to(t, a, State.LATCHED_UNACKNOWLEDGED, change)
        else:
            self._to(t, a, State.NORMAL, change)

    def _step(self, t: int, a: Alert, trigger: Trigger, change: Condition | None = None) -> bool:
        target = STEPS.get((a.state, trigger))
        if target is None:
            return False
        self._to(t, a, target, change)
        return True

    def _to(self, t: int, a: Alert, target: State, change: Condition | None) -> None:
        if target is State.UNACKNOWLEDGED:
            a.raises += 1
            a.raised_ms = t
            a.recent.append(t)
            self._annunciations.append(t)
        nan = float("nan")
        value, limit, tune = (nan, nan, self._tune) if change is None else (change.value, change.limit, change.tune)
        self._transitions.append(Transition(t, a.rule.name, a.state, target, value, limit, tune, a.raises))
        a.state, a.since_ms = target, t

    def _event(self, t: int, event: Event) -> None:
        act = self._acts.get(event.kind)
        if act is None:
            return
        index = self._by_name.get(event.rule)
        problem = f"no rule named {event.rule!r}" if index is None else act(self, t, index, event)
        if problem:
            self._notices.append(Notice(t, NoticeKind.REFUSED, event.rule, f"{event.kind.value}: {problem}"))

    def _acknowledge(self, t: int, i: int, event: Event) -> str:
        a = self.alerts[i]
        if event.raise_number not in (0, a.raises):
            return f"it names raise {event.raise_number}, the present one is {a.raises}"
        return "" if self._step(t, a, Trigger.ACKNOWLEDGE) else f"nothing to acknowledge while {a.state.value}"

    def _reset(self, t: int, i: int, event: Event) -> str:
        a = self.alerts[i]
        if self._step(t, a, Trigger.RESET):
            return ""
        if a.state is State.LATCHED_UNACKNOWLEDGED:
            return "acknowledge it first"
        return f"nothing to reset while {a.state.value}"

    def _shelve(self, t: int, i: int, event: Event) -> str:
        a = self.alerts[i]
        if a.rule.action is Action.STOP:
            return "a stop alert cannot be shelved"
        if event.end_ms is None or event.end_ms <= t:
            return "shelving needs an end in the future"
        if (a.state, Trigger.SHELVE) not in STEPS:
            return f"it cannot be shelved while {a.state.value}"
        self._set_aside(t, a, Trigger.SHELVE)
        a.shelf_ends_ms = event.end_ms
        return ""

    def _unshelve(self, t: int, i: int, event: Event) -> str:
        if self.alerts[i].state is not State.SHELVED:
            return "it is not shelved"
        self._leave(t, i, to_suppressed=self._suppressed(i))
        return ""

    def _disable(self, t: int, i: int, event: Event) -> str:
        a = self.alerts[i]
        if a.state is State.OUT_OF_SERVICE:
            return "it is out of service already"
        self._set_aside(t, a, Trigger.DISABLE)
        return ""

    def _enable(self, t: int, i: int, event: Event) -> str:
        if self.alerts[i].state is not State.OUT_OF_SERVICE:
            return "it is not out of service"
        self._leave(t, i, to_suppressed=self._suppressed(i))
        return ""

    _acts: dict[EventKind, Callable[[LifeCycle, int, int, Event], str]] = {  # noqa: RUF012 - a constant table
        EventKind.ACKNOWLEDGE: _acknowledge,
        EventKind.RESET: _reset,
        EventKind.SHELVE: _shelve,
        EventKind.UNSHELVE: _unshelve,
        EventKind.DISABLE: _disable,
        EventKind.ENABLE: _enable,
    }

    def _chattering_and_flood(self, t: int) -> None:
        for a in self.alerts:
            if not a.recent:
                continue
            third = len(a.recent) == 3 and a.recent[-1] == t
            if third and t - a.recent[0] <= CHATTER_MS and not a.chattering:
                a.chattering = True
                self._notices.append(Notice(t, NoticeKind.CHATTERING, a.rule.name))
            elif a.chattering and not a.active and t - a.recent[-1] >= CHATTER_MS:
                a.chattering = False
                self._notices.append(Notice(t, NoticeKind.CHATTERING_ENDED, a.rule.name))
            if a.recent[-1] == t:
                again = third and t - a.recent[0] <= REPEAT_MS
                if again and not a.repeating:
                    self._notices.append(Notice(t, NoticeKind.REPEATING, a.rule.name, a.rule.again))
                a.repeating = again
        heard = self._annunciations
        if not self.flood and len(heard) == FLOOD_BEGINS and heard[-1] == t and t - heard[0] <= FLOOD_MS:
            self.flood = True
            self._notices.append(Notice(t, NoticeKind.FLOOD))
        elif self.flood and sum(h > t - FLOOD_MS for h in heard) < FLOOD_ENDS:
            self.flood = False
            self._notices.append(Notice(t, NoticeKind.FLOOD_ENDED))
