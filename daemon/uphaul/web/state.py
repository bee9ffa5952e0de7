"""What a page is told, as one JSON form of `uphaul.status.Status`, and the two unit systems that it can show.

Process-plant words of the alert life cycle stay in the code: `words` in the JSON is what a person reads.
"""

from __future__ import annotations

import asyncio
import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from uphaul.status import STATE_WORDS, AlertView, RoomView, SignalView, SourceView, Status, act_words
from uphaul.units import UNITS, convert

__all__ = ["UNIT_WORDS", "WebState", "as_json", "told", "unit_systems"]

UNIT_WORDS = {"degC": "°C", "degF": "°F", "1": "", "m/s2": "m/s²", "kg/m3": "kg/m³", "deg": "°"}
UNIT_WORDS |= {"K/s": "°C/s", "K/min": "°C/min"}  # of what is shown in °C
MOST_DECIMALS = 2
DIGITS = 6  # more than any sensor here resolves

METRIC = {"psi": "kPa", "inHg": "kPa", "degF": "degC", "mph": "km/h", "ft": "m", "mi": "km", "lb": "kg"}
METRIC |= {"lb/min": "kg/h", "hp": "kW", "lbf·ft": "N·m"}
US = {"kPa": "psi", "hPa": "psi", "mbar": "psi", "bar": "psi", "MPa": "psi", "degC": "degF", "K": "degF"}
US |= {"km/h": "mph", "m/s": "mph", "m": "ft", "km": "mi", "kg": "lb", "t": "lb", "kg/h": "lb/min", "kg/s": "lb/min"}
US |= {"g/s": "lb/min", "kW": "hp", "N·m": "lbf·ft"}
"""What each unit is shown in. Source: common practice of the trade on either side."""


@dataclass(slots=True)
class WebState:
    """What the web room is given and what it counts.

    `status` makes the present `Status`; it is called on the event loop and must not block. `failures` counts handlers
    that failed (each answered 500) and calls of `status` that raised. `dropped` counts events that slow browsers
    missed. `news` is set when pages should hear at once instead of at the next period, `beat` after every tick: what
    pages cost is best spent then, when the next tick is far.
    """

    status: Callable[[], Status]
    failures: int = 0
    dropped: int = 0
    news: asyncio.Event = field(default_factory=asyncio.Event)
    beat: asyncio.Event = field(default_factory=asyncio.Event)

    def ticked(self) -> None:
        """A tick is finished."""
        self.beat.set()

    def nudge(self) -> None:
        """Something that a person must see at once has changed."""
        self.news.set()
        self.beat.set()


def as_json(what: dict[str, Any]) -> str:
    """`what` as one line of JSON."""
    return json.dumps(what, allow_nan=False, ensure_ascii=False, separators=(",", ":"))


def told(status: Status, state: WebState, sent_ms: int) -> dict[str, Any]:
    """`status` as a page is told it. `sent_ms` (any steady clock) lets the page see that what it gets is late."""
    log, sound, played = status.log, status.sound, status.played
    return {
        "version": status.version,
        "sent_ms": sent_ms,
        "vehicle": status.vehicle,
        "invented": status.invented,
        "replayed": status.replayed,
        "drive": status.drive,
        "t_ms": status.t_ms,
        "tick_age_s": _number(status.tick_age_s),
        "tune": status.tune,
        "tunes": list(status.tunes),
        "alerts": [_alert(a) for a in status.alerts],
        "aside": [_alert(a) for a in status.aside],
        "recovered": [{"rule": a.rule, "raise": a.raise_number, "say": a.say} for a in status.recovered],
        "signals": [_signal(s) for s in status.signals],
        "sources": [_source(s) for s in status.sources],
        "outputs": [_source(s) for s in status.outputs],
        "log": {
            "state": log.state,
            "problem": log.problem,
            "lost_ticks": log.lost_ticks,
            "free_mb": _number(log.free_mb),
            "size_mb": _number(log.size_mb),
            "hours": _number(log.hours),
        },
        "notices": list(status.notices),
        "sound": None if sound is None else {"number": sound.number, "action": sound.action.word},
        "prompt": None if status.prompt is None else {"number": status.prompt.number, "kind": status.prompt.kind.value},
        "clock": status.clock,
        "power_cut": status.power_cut,
        "played": None
        if played is None
        else {
            "t_ms": played.t_ms,
            "first_ms": played.first_ms,
            "last_ms": played.last_ms,
            "speed": played.speed,
            "paused": played.paused,
            "seeking": played.seeking,
        },
        "web": {"failures": state.failures, "dropped": state.dropped},
    }


def unit_systems() -> dict[str, dict[str, dict[str, object]]]:
    """By unit code: how ``metric`` and ``us`` write it, ``words`` and shown = value * ``factor`` + ``offset``.

    A rate of a unit is under ``degC/s``, ``K/min`` and the like too. Where that is a unit by itself (``m/s`` is a
    speed), what the tables say of it comes first.
    """
    out: dict[str, dict[str, dict[str, object]]] = {}
    for rate in ("/s", "/min", ""):
        for unit in {u.name for u in UNITS.values()}:
            systems = out.setdefault(unit + rate, {})
            for name, table in (("metric", METRIC), ("us", US)):
                if rate or unit in table or name not in systems:
                    systems[name] = _shown(unit, table.get(unit, unit), rate)
    return out


def _shown(unit: str, target: str, rate: str) -> dict[str, object]:
    offset = 0.0 if rate else convert(0.0, unit, target)
    factor = convert(1.0, unit, target) - convert(0.0, unit, target)
    return {"words": _unit(target + rate), "factor": factor, "offset": offset}


def _number(value: float | None) -> float | None:
    """Short; and JSON has no NaN and no infinity: both are unknown to a reader."""
    return float(f"{value:.{DIGITS}g}") if value is not None and math.isfinite(value) else None


def _decimals(per_unit: int) -> int:
    """Decimals for a glance, one fewer than the resolution has: none for 10 counts per kPa, 2 for 1000 per volt."""
    return min(max(int(math.log10(per_unit)) - 1, 0), MOST_DECIMALS) if per_unit > 0 else 0


def _unit(unit: str) -> str:
    """How a unit is written for people: ``degC`` -> ``°C``, ``degC/s`` -> ``°C/s``."""
    base, slash, rest = unit.partition("/")
    return UNIT_WORDS.get(unit) or (UNIT_WORDS[base] + slash + rest if UNIT_WORDS.get(base) else unit.strip("1"))


def _source(view: SourceView) -> dict[str, object]:
    return {"name": view.name, "state": view.state, "problem": view.problem, "restarts": view.restarts}


def _signal(view: SignalView) -> dict[str, object]:
    value = _number(view.value)
    known = value is not None and view.quality.known
    quality = view.quality.words if known or not view.quality.known else "unknown"
    return {
        "name": view.name,
        "meaning": view.meaning,
        "unit": _unit(view.unit),
        "code": view.unit,
        "value": value if known else None,
        "decimals": _decimals(view.per_unit),
        "quality": quality,
        "low": _number(view.low),
        "high": _number(view.high),
        "computed": view.computed,
        "required": view.required,
        "room": None if view.room is None or not known else _room(view.room),
    }


def _room(room: RoomView) -> dict[str, object]:
    worst = None
    if room.worst is not None and room.worst_limit is not None and room.worst_ms is not None:
        worst = {
            "value": _number(room.worst),
            "limit": _number(room.worst_limit),
            "share": _number(room.worst_share),
            "t_ms": room.worst_ms,
        }
    return {
        "limit": _number(room.limit),
        "left": _number(room.left),
        "share": _number(room.share),
        "side": room.side,
        "action": room.action.word,
        "trend": _number(room.trend),
        "left_s": _number(room.left_s),
        "worst": worst,
        "ahead": None
        if room.ahead is None or room.ahead_action is None
        else {"limit": _number(room.ahead), "action": room.ahead_action.word},
    }


def _alert(view: AlertView) -> dict[str, object]:
    return {
        "rule": view.rule,
        "raise": view.raise_number,
        "action": view.action.word,
        "act": act_words(view),
        "over": view.over,
        "say": view.say,
        "again": view.again,
        "measure": view.measure,
        "signal": view.signal,
        "side": view.side,
        "cause": view.cause,
        "value": _number(view.value),
        "limit": _number(view.limit),
        "now": _number(view.now),
        "unit": _unit(view.unit),
        "code": view.unit,
        "since_s": _number(view.since_s),
        "left_s": _number(view.left_s),
        "latching": view.latching,
        "shelf_left_s": _number(view.shelf_left_s),
        "state": view.state.value,
        "words": STATE_WORDS[view.state],
    }
