"""The transition table of the life cycle, as data; the diagram in the documentation is made from it.

Source: the states and steps of ANSI/ISA-18.2-2016 and IEC 62682:2014 as open texts retell them (OPC 10000-9);
that a reset before acknowledgement is refused, and what follows on leaving the three set-aside states, are
rules of our own.
"""

from __future__ import annotations

from enum import StrEnum

from uphaul.alerts.model import State

__all__ = ["SET_ASIDE", "STEPS", "Trigger", "diagram"]


class Trigger(StrEnum):
    """What can happen to an alert."""

    RAISE = "condition becomes true"
    CLEAR = "condition becomes false"
    CLEAR_LATCHING = "condition of a latching rule becomes false"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    SUPPRESS = "a suppressing rule's condition is true"
    DISABLE = "take out of service"


SET_ASIDE = (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)
"""States that are not annunciated; on leaving, the condition decides where to."""

_OPEN = tuple(s for s in State if s not in SET_ASIDE)

STEPS: dict[tuple[State, Trigger], State] = {
    (State.NORMAL, Trigger.RAISE): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.CLEAR): State.RETURNED_UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.CLEAR_LATCHING): State.LATCHED_UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): State.ACKNOWLEDGED,
    (State.ACKNOWLEDGED, Trigger.CLEAR): State.NORMAL,
    (State.ACKNOWLEDGED, Trigger.CLEAR_LATCHING): State.LATCHED_ACKNOWLEDGED,
    (State.RETURNED_UNACKNOWLEDGED, Trigger.RAISE): State.UNACKNOWLEDGED,
    (State.RETURNED_UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): State.NORMAL,
    (State.LATCHED_UNACKNOWLEDGED, Trigger.RAISE): State.UNACKNOWLEDGED,
    (State.LATCHED_UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): State.LATCHED_ACKNOWLEDGED,
    (State.LATCHED_ACKNOWLEDGED, Trigger.RAISE): State.UNACKNOWLEDGED,
    (State.LATCHED_ACKNOWLEDGED, Trigger.RESET): State.NORMAL,
    **{(s, Trigger.SHELVE): State.SHELVED for s in _OPEN},
    **{(s, Trigger.SUPPRESS): State.SUPPRESSED for s in _OPEN},
    **{(s, Trigger.DISABLE): State.OUT_OF_SERVICE for s in State if s is not State.OUT_OF_SERVICE},
}


def diagram() -> str:
    """The table in Markdown, one row a step."""
    rows = [f"| {source.value} | {trigger.value} | {target.value} |" for (source, trigger), target in STEPS.items()]
    return "\n".join(["| from | when | to |", "|---|---|---|", *rows]) + "\n"
