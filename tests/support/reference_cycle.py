"""A plain life cycle of alerts, tick by tick: what the one of the daemon is held against.

It is a heap of `if`s on purpose: the daemon's own is a table, and two tables could share one slip.

Order within a tick: shelves end (file order); people's events by `seq`; each rule in file order takes in its condition
and its suppression; chattering begins or ends (file order); the flood begins or ends.

Readings taken where more than one seemed possible:

- A raise is a transition into unacknowledged, wherever from; so is an annunciation.
- A shelf that ends and a person's event at tick k still meet all conditions, the suppressors' among them, as tick k-1
  left them; then every rule meets the suppressors' conditions as tick k leaves them, whatever the file order.
- A rule takes its own condition of the tick in first, then enters or leaves suppression by it, in one transition.
- A state that hides a rule (shelved, suppressed, out of service) remembers whether the condition was true at its start
  or since, or a latch stood at its start: what latches is not lost by hiding it. Going from one hidden state straight
  to another keeps that memory.
- Leaving shelved or out of service while suppressed leads to suppressed, without a raise.
- Shelving fits every state that is not hidden; it needs an end after the tick. Disabling fits every state but out of
  service itself.
- Transitions taken while the rule's own condition changes carry the value and limit of that change, others NaN. All
  carry the tick's tune and the number of the latest raise (0 before the first).
- Chattering and repeating are told last in the tick that makes them, rule by rule, in that order.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from uphaul.alerts.model import Condition, Notice, NoticeKind, State, Transition
from uphaul.rules.spec import Action, Rule
from uphaul.signals.model import Event, EventKind

__all__ = ["reference_cycle"]

LATCHED = (State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED)
HIDDEN = (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)

OF_A_CHECK = (EventKind.CHECK_BEGIN, EventKind.CHECK_END, EventKind.CHECK_SKIP)
OF_NO_ALERT = (EventKind.MARK, EventKind.TUNE, EventKind.REMARK, *OF_A_CHECK)
"""Events that are noted and mean nothing to an alert."""


class _Alert:
    """One rule's life."""

    def __init__(self, cycle: _Cycle, rule: Rule) -> None:
        self.cycle = cycle
        self.rule = rule
        self.state = State.NORMAL
        self.active = False
        self.hidden_true = False
        self.shelf_end_ms = 0
        self.raises: list[int] = []
        self.chattering = False
        self.repeating = False

    def go(self, target: State, cause: Condition | None = None) -> None:
        """Take one step, count a raise, and say so."""
        cycle, t = self.cycle, self.cycle.t_ms
        if target in HIDDEN and self.state not in HIDDEN:
            raised = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
            self.hidden_true = self.active or self.state in (*LATCHED, *raised)
        if target is State.UNACKNOWLEDGED:
            self.raises.append(t)
            cycle.annunciations.append(t)
        value, limit = (cause.value, cause.limit) if cause else (math.nan, math.nan)
        number = len(self.raises)
        cycle.transitions.append(Transition(t, self.rule.name, self.state, target, value, limit, cycle.tune, number))
        self.state = target

    def count(self, t: int) -> None:
        """After a raise: does the rule chatter, does it keep coming back?"""
        within_minute = [r for r in self.raises if t - r <= 60_000]
        within_quarter = [r for r in self.raises if t - r <= 900_000]
        if len(within_minute) >= 3 and not self.chattering:
            self.chattering = True
            self.cycle.tell(NoticeKind.CHATTERING, self.rule.name)
        if len(within_quarter) >= 3 and not self.repeating:
            self.cycle.tell(NoticeKind.REPEATING, self.rule.name)
        self.repeating = len(within_quarter) >= 3

    def suppressed(self) -> bool:
        return any(self.cycle.active_now[name] for name in self.rule.suppressed_by)

    def show(self, cause: Condition | None = None) -> None:
        """Leave a hidden state for where the rule now belongs."""
        if self.state is not State.SUPPRESSED and self.suppressed():
            self.go(State.SUPPRESSED)
        elif self.active:
            self.go(State.UNACKNOWLEDGED, cause)
        elif self.rule.latch and self.hidden_true:
            self.go(State.LATCHED_UNACKNOWLEDGED, cause)
        else:
            self.go(State.NORMAL, cause)

    def take_in(self, change: Condition | None) -> None:
        """This tick's condition and suppression."""
        if change is not None:
            self.active = change.active
            self.hidden_true = self.hidden_true or change.active
        if self.suppressed() and self.state not in HIDDEN:
            self.go(State.SUPPRESSED, change)
        if self.state is State.SUPPRESSED and not self.suppressed():
            self.show(change)
        elif self.state in HIDDEN or change is None:
            return
        elif change.active:
            self.go(State.UNACKNOWLEDGED, change)
        elif self.state is State.UNACKNOWLEDGED:
            self.go(State.LATCHED_UNACKNOWLEDGED if self.rule.latch else State.RETURNED_UNACKNOWLEDGED, change)
        elif self.state is State.ACKNOWLEDGED:
            self.go(State.LATCHED_ACKNOWLEDGED if self.rule.latch else State.NORMAL, change)
        else:
            raise AssertionError(f"a condition cannot end in state {self.state}")

    def fits(self, event: Event) -> bool:
        """Do what the person asked; False when it does not fit."""
        if event.kind is EventKind.ACKNOWLEDGE:
            if event.raise_number not in (0, len(self.raises)):
                return False
            if self.state is State.UNACKNOWLEDGED:
                self.go(State.ACKNOWLEDGED)
            elif self.state is State.RETURNED_UNACKNOWLEDGED:
                self.go(State.NORMAL)
            elif self.state is State.LATCHED_UNACKNOWLEDGED:
                self.go(State.LATCHED_ACKNOWLEDGED)
            else:
                return False
        elif event.kind is EventKind.RESET:
            if self.state is not State.LATCHED_ACKNOWLEDGED:
                return False
            self.go(State.NORMAL)
        elif event.kind is EventKind.SHELVE:
            if self.rule.action is Action.STOP or self.state in HIDDEN:
                return False
            if event.end_ms is None or event.end_ms <= self.cycle.t_ms:
                return False
            self.shelf_end_ms = event.end_ms
            self.go(State.SHELVED)
        elif event.kind is EventKind.UNSHELVE:
            if self.state is not State.SHELVED:
                return False
            self.show()
        elif event.kind is EventKind.DISABLE:
            if self.state is State.OUT_OF_SERVICE:
                return False
            self.go(State.OUT_OF_SERVICE)
        elif event.kind is EventKind.ENABLE:
            if self.state is not State.OUT_OF_SERVICE:
                return False
            self.show()
        return True


class _Cycle:
    """All rules' lives and what is told of them."""

    def __init__(self, rules: Sequence[Rule]) -> None:
        self.t_ms = 0
        self.tune = -1
        self.transitions: list[Transition] = []
        self.notices: list[Notice] = []
        self.annunciations: list[int] = []
        self.flood = False
        self.active_now = {rule.name: False for rule in rules}
        self.alerts = [_Alert(self, rule) for rule in rules]

    def tell(self, kind: NoticeKind, rule: str = "") -> None:
        self.notices.append(Notice(self.t_ms, kind, rule))

    def tick(self, t: int, tune: int, changes: dict[int, Condition], events: list[Event]) -> None:
        self.t_ms, self.tune = t, tune
        for alert in self.alerts:
            if alert.state is State.SHELVED and t >= alert.shelf_end_ms:
                alert.show()
        by_name = {alert.rule.name: alert for alert in self.alerts}
        for event in events:
            if event.kind in OF_NO_ALERT:
                continue
            if event.rule not in by_name or not by_name[event.rule].fits(event):
                self.tell(NoticeKind.REFUSED, event.rule)
        for index, change in changes.items():
            self.active_now[self.alerts[index].rule.name] = change.active
        for index, alert in enumerate(self.alerts):
            alert.take_in(changes.get(index))
        for alert in self.alerts:
            if alert.raises and alert.raises[-1] == t:
                alert.count(t)
            elif alert.chattering and not alert.active and t - alert.raises[-1] >= 60_000:
                alert.chattering = False
                self.tell(NoticeKind.CHATTERING_ENDED, alert.rule.name)
        self._flood(t)

    def _flood(self, t: int) -> None:
        if not self.flood:
            if len([a for a in self.annunciations if t - a <= 600_000]) >= 11:
                self.flood = True
                self.tell(NoticeKind.FLOOD)
        elif len([a for a in self.annunciations if a > t - 600_000]) < 5:
            self.flood = False
            self.tell(NoticeKind.FLOOD_ENDED)


def reference_cycle(
    rules: Sequence[Rule],
    t_ms: Sequence[int],
    tune: Sequence[int],
    conditions: Sequence[Condition],
    events: Sequence[Event] = (),
) -> tuple[list[Transition], list[Notice]]:
    """All transitions and notices of a whole drive with these ticks, tunes, changes of conditions and people's events.

    An event belongs to the first tick at or after its time; those of one tick go by `seq`. A notice's text is empty.
    """
    cycle = _Cycle(rules)
    last = -math.inf
    for t, number in zip(t_ms, tune, strict=True):
        now, then = int(t), last
        changes = {c.rule: c for c in conditions if c.t_ms == now}
        taken = sorted((e for e in events if then < e.t_ms <= now), key=lambda e: e.seq)
        cycle.tick(now, int(number), changes, taken)
        last = now
    return cycle.transitions, cycle.notices
