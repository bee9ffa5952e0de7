"""What the status page shows, as plain frozen values, and its one JSON form.

The app fills a `Status` from what it owns; nothing here reads a clock or another room's objects. Process-plant words of
the alert life cycle stay in the code: `words` in the JSON is what a person reads.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass

from uphaul.alerts import State
from uphaul.rules import Action
from uphaul.signals import Quality

__all__ = ["AlertView", "LogView", "SignalView", "SourceView", "Status", "WebState", "to_json"]

# What an alert's state is called on the page. Source: common practice of the trade, plain words first.
STATE_WORDS = {
    State.NORMAL: "over",
    State.UNACKNOWLEDGED: "",
    State.ACKNOWLEDGED: "seen",
    State.RETURNED_UNACKNOWLEDGED: "over, not yet seen",
    State.LATCHED_UNACKNOWLEDGED: "held until reset",
    State.LATCHED_ACKNOWLEDGED: "seen, held until reset",
    State.SHELVED: "quiet for now",
    State.SUPPRESSED: "covered by another alert",
    State.OUT_OF_SERVICE: "off for now",
}
ACTION_WORDS = {Action.NOTE: "Look when stopped", Action.EASE: "Ease off now", Action.STOP: "Stop when safe"}
UNIT_WORDS = {"degC": "°C", "degF": "°F", "1": "", "m/s2": "m/s²", "kg/m3": "kg/m³", "deg": "°"}
MOST_DECIMALS = 2
# The condition is over: the page must not go on telling the driver to act.
OVER = (State.NORMAL, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED)
OVER_WORDS = "Back to normal"


@dataclass(frozen=True, slots=True)
class SignalView:
    """One row of the page. `value` None (or NaN) is unknown, and `quality` says why. `low` and `high` are the limits in
    force that the value is nearest to below and above, in the signal's unit, None where no rule watches that side.
    `per_unit` (counts per unit) sets how many decimals make sense.
    """

    name: str
    unit: str
    value: float | None
    quality: Quality = Quality.GOOD
    meaning: str = ""
    per_unit: int = 1
    low: float | None = None
    high: float | None = None
    computed: bool = False


@dataclass(frozen=True, slots=True)
class AlertView:
    """One alert that is not in its normal state, the most pressing one first in `Status.alerts`.

    `say` is the rule's instruction. `since_s` is how long ago its condition became true, `value` and `limit` (both in
    `unit`, None when unknown) are those of that tick: an alert that was covered by another until now shows how long
    things have been so. `since_s` None: in an earlier drive. `measure` names what they are of: the signal, or for
    example ``slope of coolant``. `side` is ``above`` or ``below``, empty where that says nothing (a lost signal).
    `cause` names what is wrong with a signal that is lost: ``open circuit``.
    """

    rule: str
    action: Action
    state: State
    say: str
    measure: str
    value: float | None
    limit: float | None
    unit: str
    since_s: float | None
    side: str = "above"
    again: str = ""
    cause: str = ""


@dataclass(frozen=True, slots=True)
class SourceView:
    """How a source is doing, in the words of its health."""

    name: str
    state: str
    problem: str = ""
    restarts: int = 0


@dataclass(frozen=True, slots=True)
class LogView:
    """How the log is doing: `state` in words (``recording``, ``between drives``, ``not recording``)."""

    state: str
    problem: str = ""
    lost_ticks: int = 0


@dataclass(frozen=True, slots=True)
class Status:
    """Everything on the page at one moment.

    `t_ms` is the last finished tick in ms since the drive began, None before the first. `tick_age_s` is how long ago
    that tick was finished when this was made, None before the first: the page calls itself not live when it is late.
    `drive` None: between drives. `tune` None: unknown. `invented` marks data of the demo vehicle, `replayed` those of a
    recorded drive that is played. `notices` are lasting remarks in plain words (card full, many alerts).
    """

    version: str
    vehicle: str = ""
    invented: bool = False
    replayed: bool = False
    drive: int | None = None
    t_ms: int | None = None
    tick_age_s: float | None = None
    tune: str | None = None
    signals: tuple[SignalView, ...] = ()
    alerts: tuple[AlertView, ...] = ()
    sources: tuple[SourceView, ...] = ()
    log: LogView = LogView("not recording")
    notices: tuple[str, ...] = ()


@dataclass(slots=True)
class WebState:
    """What the web room is given and what it counts.

    `status` makes the present `Status`; it is called on the event loop, at most five times a second whatever the number
    of browsers, and must not block. `failures` counts handlers that failed (each answered 500) and calls of `status`
    that raised. `dropped` counts events that slow browsers missed.
    """

    status: Callable[[], Status]
    failures: int = 0
    dropped: int = 0


def to_json(status: Status, state: WebState, sent_ms: int) -> str:
    """`status` as one line of JSON. `sent_ms` (any steady clock) lets a page see that what it gets is late."""
    return json.dumps(
        {
            "version": status.version,
            "sent_ms": sent_ms,
            "vehicle": status.vehicle,
            "invented": status.invented,
            "replayed": status.replayed,
            "drive": status.drive,
            "t_ms": status.t_ms,
            "tick_age_s": _number(status.tick_age_s),
            "tune": status.tune,
            "alerts": [_alert(a) for a in status.alerts],
            "signals": [_signal(s) for s in status.signals],
            "sources": [
                {"name": s.name, "state": s.state, "problem": s.problem, "restarts": s.restarts} for s in status.sources
            ],
            "log": {"state": status.log.state, "problem": status.log.problem, "lost_ticks": status.log.lost_ticks},
            "notices": list(status.notices),
            "web": {"failures": state.failures, "dropped": state.dropped},
        },
        allow_nan=False,
        ensure_ascii=False,
        separators=(",", ":"),
    )


def _number(value: float | None) -> float | None:
    """JSON has no NaN and no infinity: both are unknown to a reader."""
    return float(value) if value is not None and math.isfinite(value) else None


def _decimals(per_unit: int) -> int:
    """Decimals for a glance, one fewer than the resolution has: none for 10 counts per kPa, 2 for 1000 per volt."""
    return min(max(int(math.log10(per_unit)) - 1, 0), MOST_DECIMALS) if per_unit > 0 else 0


def _unit(unit: str) -> str:
    """How a unit is written for people: ``degC`` -> ``°C``, ``degC/s`` -> ``°C/s``."""
    base, slash, rest = unit.partition("/")
    return UNIT_WORDS.get(unit) or (UNIT_WORDS[base] + slash + rest if UNIT_WORDS.get(base) else unit.strip("1"))


def _signal(view: SignalView) -> dict[str, object]:
    value = _number(view.value)
    known = value is not None and view.quality.known
    quality = view.quality.words if known or not view.quality.known else "unknown"
    return {
        "name": view.name,
        "meaning": view.meaning,
        "unit": _unit(view.unit),
        "value": value if known else None,
        "decimals": _decimals(view.per_unit),
        "quality": quality,
        "low": _number(view.low),
        "high": _number(view.high),
        "computed": view.computed,
    }


def _alert(view: AlertView) -> dict[str, object]:
    return {
        "rule": view.rule,
        "action": view.action.word,
        "act": OVER_WORDS if view.state in OVER else ACTION_WORDS[view.action],
        "over": view.state in OVER,
        "say": view.say,
        "again": view.again,
        "measure": view.measure,
        "side": view.side,
        "cause": view.cause,
        "value": _number(view.value),
        "limit": _number(view.limit),
        "unit": _unit(view.unit),
        "since_s": _number(view.since_s),
        "state": view.state.value,
        "words": STATE_WORDS[view.state],
    }
