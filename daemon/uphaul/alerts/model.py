"""States of an alert (IEC 62682 / ISA-18.2), the transitions between them, and what the life cycle tells."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from uphaul.rules.spec import Condition

__all__ = ["Carried", "Condition", "Notice", "NoticeKind", "State", "Transition"]


class State(StrEnum):
    """Where an alert is in its life."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed-by-design"
    OUT_OF_SERVICE = "out-of-service"


@dataclass(frozen=True, slots=True)
class Transition:
    """One step of one alert's life cycle; `rule` is the rule's name. Enough to print, log and compare."""

    t_ms: int
    rule: str
    source: State
    target: State
    value: float
    limit: float
    tune: int
    raise_number: int


class NoticeKind(StrEnum):
    """What else is told: it affects annunciation only, names a refused event, or says that the tune is (not) known."""

    CHATTERING = "chattering"
    CHATTERING_ENDED = "chattering-ended"
    REPEATING = "repeating"
    FLOOD = "flood"
    FLOOD_ENDED = "flood-ended"
    REFUSED = "refused"
    TUNE_UNKNOWN = "tune-unknown"
    TUNE_KNOWN = "tune-known"


@dataclass(frozen=True, slots=True)
class Notice:
    """Chattering, repeating, flood or an unknown tune begins or ends, or a person's event did not fit and why."""

    t_ms: int
    kind: NoticeKind
    rule: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class Carried:
    """What one alert takes into the next drive. `was_true`: its condition was true while it was set aside."""

    rule: str
    state: State
    was_true: bool = False
    shelf_left_ms: int | None = None
