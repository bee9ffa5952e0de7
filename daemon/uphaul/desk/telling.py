"""What the page is told, as plain objects for JSON: the drive, what the rules said, a map, the road."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import ceil, isfinite
from typing import Any

import numpy as np

from uphaul.analysis.decimate import decimate
from uphaul.analysis.maps import EDGES, cell_map
from uphaul.analysis.review import Difference, Episode, RuleSummary
from uphaul.analysis.route import height_m
from uphaul.analysis.segments import KINDS
from uphaul.analysis.what_if import Cell
from uphaul.desk.drive import AXES, SHOWN, SHOWN_FIRST, DeskDrive
from uphaul.desk.judging import Answer
from uphaul.desk.rules_text import Key, keys_of
from uphaul.errors import UphaulError
from uphaul.rules import ABOVE, Curve, Kind, Rule, Share
from uphaul.signals import NO_TUNE, EventKind, Signal

__all__ = [
    "Places",
    "answer",
    "drive",
    "episode",
    "keys",
    "map_of",
    "maps",
    "road",
    "settings",
    "shown_first",
    "signals",
]

ROAD_POINTS, HEIGHT_BUCKETS = 3000, 700

Places = Callable[[float], dict[str, float | None]]
"""Where a time of the drive (ms) lies on each axis."""


def places(of: DeskDrive, reference: DeskDrive | None = None) -> Places:
    """For a drive that is laid beside `reference` its places on the way of that."""
    lying = {name: of.axis(name, reference) for name in AXES}
    t_ms = of.whole.t_ms

    def place(at_ms: float) -> dict[str, float | None]:
        # asked for a whole number: for any other numpy turns all of the times into such
        tick = min(int(t_ms.searchsorted(np.int64(ceil(at_ms)))), len(t_ms) - 1)
        return {name: known(x[tick]) for name, x in lying.items()}

    return place


def known(x: float) -> float | None:
    """A number that JSON has, None for an unknown one."""
    return float(x) if isfinite(x) else None


def words(name: str) -> str:
    """A name as people read it."""
    return name.replace("_", " ")


def drive(of: DeskDrive, place: Places, *, number: int = 0) -> dict[str, Any]:
    """A drive as it is, whatever the rules; what was not read yet is not told."""
    whole = of.whole
    return {
        "label": of.label,
        "log": str(of.path),
        "number": of.number,
        "begun": of.begun,
        "notes": list(of.notes),
        "duration_s": float(of.t_s[-1]),
        "distance_km": float(of.km[-1]),
        "has_place": number == 0
        or any(place(float(t))["place"] is not None for t in whole.t_ms[:: max(1, len(whole) // 500)]),
        "signals": signals(of),
        "shown": shown_first(of),
        "segments": [
            {
                "kind": s.kind.value,
                "from": place(s.t_ms[0]),
                "to": place(s.t_ms[1]),
                "duration_s": s.duration_s,
                "km": known(s.distance_m / 1000.0),
                "rise_m": known(s.rise_m),
                "grade": known(s.grade),
            }
            for s in of.segments
        ],
        "kinds": {kind.value: d.words for kind, d in KINDS.items()},
        "marks": [
            {"at": place(e.t_ms), "text": e.text, "actor": e.actor} for e in whole.events if e.kind is EventKind.MARK
        ],
        "live": [episode(e, of, place) for e in of.live],
        "rules": _rules(of),
    }


def keys(of: DeskDrive) -> dict[str, list[dict[str, Any]]]:
    """What can be moved of each rule."""
    units = {s.name: s.unit for s in of.signals}
    found = keys_of(of.rules_text)
    return {r.name: [_key(k, r, units.get(r.signal, "")) for k in found.get(r.name, [])] for r in of.rules}


def maps(of: DeskDrive) -> dict[str, Any]:
    """What a map can show, and over what."""
    return {
        "values": [name for name in of.spans if name not in ("latitude", "longitude")],
        "axes": [role for role in EDGES if of.whole.has(role)],
    }


def signals(of: DeskDrive) -> list[dict[str, Any]]:
    """All signals of the log, with their lowest and highest value where there is one and it was read."""
    return [_signal(s, of.spans.get(s.name)) for s in of.signals]


def _signal(s: Signal, span: tuple[float, float] | None) -> dict[str, Any]:
    return {
        "name": s.name,
        "words": words(s.name),
        "unit": "" if s.unit == "1" else s.unit,
        "meaning": s.meaning,
        "low": None if span is None else known(span[0]),
        "high": None if span is None else known(span[1]),
        "digits": len(str(s.per_unit)) - 1 if s.per_unit > 1 else 0,
    }


def shown_first(of: DeskDrive) -> list[str]:
    """The signals that a page begins with."""
    names = [n for n in SHOWN_FIRST if n in of.spans]
    return list(dict.fromkeys((*names, *of.spans)))[:SHOWN]


def _rules(of: DeskDrive) -> list[dict[str, Any]]:
    units = {s.name: s.unit for s in of.signals}
    return [
        {
            "name": r.name,
            "kind": r.kind.value,
            "signal": r.signal,
            "unit": units.get(r.signal, ""),
            "fitted": r.signal in units,
            "action": r.action.word,
            "side": "above" if r.side == ABOVE else "below",
            "say": r.say,
        }
        for r in of.rules
    ]


def _key(k: Key, rule: Rule, unit: str) -> dict[str, Any]:
    measured = "s" if rule.kind in (Kind.EXPOSURE, Kind.REACH) else f"{unit}/s" if rule.kind is Kind.RATE else unit
    of_key = {"above": f"{unit}/s" if rule.kind is Kind.RATE else unit, "deadband": measured}
    of_key["below"] = of_key["above"]
    told = "of it" if k.kind == "share" else of_key.get(k.key, "s")
    value = list(k.value) if isinstance(k.value, tuple) else k.value
    return {
        "tune": k.tune,
        "key": k.key,
        "kind": k.kind,
        "value": value,
        "unit": "" if told == "1" else told,
        "over": words(k.over),
        "knots": list(k.knots),
    }


def episode(e: Episode, of: DeskDrive, place: Places) -> dict[str, Any]:
    """One stretch of time in which a rule's condition was true."""
    end = of.whole.t_ms[-1] if e.cleared_ms is None else e.cleared_ms
    return {
        "rule": e.rule,
        "from": place(e.raised_ms),
        "to": place(float(end)),
        "still": e.cleared_ms is None,
        "seconds": (float(end) - e.raised_ms) / 1000.0,
        "value": known(e.value),
        "limit": known(e.limit),
        "tune": of.whole.tunes[e.tune] if e.tune != NO_TUNE and e.tune < len(of.whole.tunes) else None,
        "quiet": e.quiet,
        "cut": e.cut,
        "cause": e.cause,
    }


def answer(a: Answer, of: DeskDrive, place: Places) -> dict[str, Any]:
    """What a set of rules said."""
    chattered = {n.rule for n in a.said.notices if n.kind.value == "chattering"}
    return {
        "token": a.edited.token,
        "episodes": [episode(e, of, place) for e in a.said.episodes],
        "rules": [{**_summary(s, of, place), "chattering": s.rule.name in chattered} for s in a.summaries],
        "changes": [_difference(d, of, place) for d in a.differences],
        "diff": a.diff,
    }


def _difference(d: Difference, of: DeskDrive, place: Places) -> dict[str, Any]:
    return {
        "rule": d.rule,
        "kind": d.kind,
        "before": None if d.before is None else episode(d.before, of, place),
        "after": None if d.after is None else episode(d.after, of, place),
    }


def _summary(s: RuleSummary, of: DeskDrive, place: Places) -> dict[str, Any]:
    near = None
    if s.approach is not None:
        a, whole = s.approach, of.whole
        tick = min(int(np.searchsorted(whole.t_ms, a.t_ms)), len(whole) - 1)
        around = {}
        for role in ("rpm", "boost", "pedal", "speed"):
            column = whole.column(role)
            if column is not None and isfinite(whole.values[tick, column]):
                around[role] = {"value": float(whole.values[tick, column]), "unit": whole.signals[column].unit}
        steep = of.grade[tick]
        near = {
            "excess": known(a.excess),
            "value": known(a.value),
            "limit": known(a.limit),
            "at": place(a.t_ms),
            "tune": whole.tunes[a.tune] if a.tune != NO_TUNE else None,
            "around": around,
            "grade": known(steep),
        }
    return {
        "name": s.rule.name,
        "raises": s.raises,
        "active_s": s.active_ms / 1000.0,
        "near": near,
        "too_short": s.too_short,
        "measured": s.measured,
    }


def settings(rule: Rule, cells: Sequence[Cell]) -> dict[str, Any]:
    """The grid of settings of a rule: rows by on-delay, columns by limit."""
    shifts = list(dict.fromkeys(c.shift for c in cells))
    delays = list(dict.fromkeys(c.on_delay_ms for c in cells))
    by = {(c.shift, c.on_delay_ms): c for c in cells}
    base = rule.base.limit
    number = None if isinstance(base, Curve | Share) or rule.kind is Kind.LOST else float(base)
    return {
        "rule": rule.name,
        "limit": number,
        "shifts": shifts,
        "delays_s": [d / 1000.0 for d in delays],
        "own_delay_s": rule.base.on_delay_ms / 1000.0,
        "cells": [
            [{"raises": by[s, d].raises, "active_s": by[s, d].active_ms / 1000.0} for s in shifts] for d in delays
        ],
    }


def map_of(of: DeskDrive, value: str, x: str, y: str, steady: bool | None) -> dict[str, Any]:
    """A map of cells. Raises UphaulError."""
    m = cell_map(of.whole, value, x, y, steady=steady)
    full = np.argwhere(m.count > 0)
    return {
        "value": value,
        "unit": "" if m.unit == "1" else m.unit,
        "x": {"name": words(x), "unit": m.x_unit, "edges": m.x_edges.tolist()},
        "y": {"name": words(y), "unit": m.y_unit, "edges": m.y_edges.tolist()},
        "outside": m.outside,
        "cells": [
            {
                "x": int(i),
                "y": int(j),
                "count": int(m.count[i, j]),
                "median": float(m.median[i, j]),
                "spread": float(m.spread[i, j]),
                "low": float(m.low[i, j]),
                "high": float(m.high[i, j]),
            }
            for i, j in full
        ],
    }


def road(of: DeskDrive, axis: str) -> dict[str, Any]:
    """The road's height over the axis and, where the place is known, its course (degrees north and east)."""
    if axis not in AXES:
        raise UphaulError(f"axis: one of {', '.join(AXES)}, not {axis!r}")
    x, height = of.axis(axis), height_m(of.whole)
    kept = (
        decimate(x, height, of.after_gap, HEIGHT_BUCKETS) if np.isfinite(height).any() else np.empty(0, dtype=np.int64)
    )
    kept = kept[kept >= 0]
    lat, lon = of.whole.read("latitude"), of.whole.read("longitude")
    seen = np.flatnonzero(np.isfinite(lat) & np.isfinite(lon))
    seen = seen[:: max(1, len(seen) // ROAD_POINTS)]
    return {
        "height": {"x": x[kept].tolist(), "m": height[kept].round(1).tolist()},
        "course": {"x": x[seen].tolist(), "lat": lat[seen].tolist(), "lon": lon[seen].tolist()},
    }
