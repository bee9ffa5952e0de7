"""What to tell the driver now: one instruction, one reason, how urgent, and when to sound again.

Order: the action, then the rule's rank (time to damage), then the first raised. Only the first is spoken; the rest is
a count. In a flood the first cause stays in front. Chattering mutes `note` and `ease` after their first sound. A
`stop` is never muted: acknowledged, it sounds again every 30 s while its condition holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from uphaul.alerts.lifecycle import Alert
from uphaul.alerts.model import State
from uphaul.rules import Action

__all__ = ["STOP_AGAIN_MS", "Instruction", "instruction", "listed", "sounds"]

STOP_AGAIN_MS = 30_000
_SHOWN = (
    State.UNACKNOWLEDGED,
    State.ACKNOWLEDGED,
    State.RETURNED_UNACKNOWLEDGED,
    State.LATCHED_UNACKNOWLEDGED,
    State.LATCHED_ACKNOWLEDGED,
)


@dataclass(frozen=True, slots=True)
class Instruction:
    """The alert to speak of, the words for it, and how many others stand behind it."""

    alert: Alert
    say: str
    others: int


def listed(alerts: Sequence[Alert]) -> list[Alert]:
    """The alerts that a person sees, the most important first; those whose condition is over come last."""
    shown = [a for a in alerts if a.state in _SHOWN]
    return sorted(shown, key=lambda a: (not a.active, -a.rule.action, a.rule.rank, a.raised_ms))


def instruction(alerts: Sequence[Alert]) -> Instruction | None:
    """What to say now, or None while nothing is wrong."""
    active = [a for a in listed(alerts) if a.active]
    if not active:
        return None
    first = active[0]
    say = f"{first.rule.say}. {first.rule.again}" if first.repeating and first.rule.again else first.rule.say
    return Instruction(first, say, len(active) - 1)


def sounds(alert: Alert, before_ms: int, now_ms: int) -> bool:
    """Whether this alert calls for a sound at a tick in (`before_ms`, `now_ms`]."""
    if not alert.active or alert.state not in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED):
        return False
    since = alert.raised_ms
    if before_ms < since <= now_ms:
        return alert.rule.action is Action.STOP or not alert.chattering
    if alert.rule.action is not Action.STOP:
        return False
    return (now_ms - since) // STOP_AGAIN_MS > (before_ms - since) // STOP_AGAIN_MS
