"""``uphaul drives --segments``: what the vehicle was doing in a drive, with the figures of each stretch."""

from __future__ import annotations

import json
from math import isfinite, isnan
from typing import Any

import click

from uphaul.analysis.segment_figures import RuleHeadroom
from uphaul.analysis.segments import KINDS, Segment, cut
from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.cli import text
from uphaul.config import load_texts
from uphaul.errors import LogError
from uphaul.log.drives import log_parts, pick_drive
from uphaul.log.joined import joined
from uphaul.log.reader import Log
from uphaul.rules import Rule
from uphaul.units import convert

__all__ = ["show"]

SHOWN = {"rpm": "rpm, mean", "boost": "boost, most", "egt": "EGT, most", "coolant": "coolant, most"}
"""Roles that the table has a column for; the JSON has all."""


def show(log: Log, drive: int | None, *, as_json: bool) -> None:
    """Print the segments of a drive of `log`, the last one for None. Raises LogError."""
    number = pick_drive(log, drive)
    parts = log_parts(log, number)
    if not parts:
        raise LogError(f"{log.path}: drive {number} has no tick yet")
    label = f"{log.path} drive {number}"
    whole = joined(parts, label)
    rules = load_texts(dict(parts[-1].files), label=label, check_inputs=False).rules
    segments = cut(whole, rules)
    if as_json:
        click.echo(json.dumps(_object(log, number, whole, segments), ensure_ascii=False, indent=1, allow_nan=False))
        return
    _print(label, whole, segments, rules)
    if len(parts) > 1:
        click.echo("its configuration or program changed on the way: the limits are those of its last part")


def _object(log: Log, number: int, drive: WholeDrive, segments: list[Segment]) -> dict[str, object]:
    return {
        "file": str(log.path),
        "drive": number,
        "kinds": {kind.value: {"words": d.words, "needs": d.needs, "source": d.source} for kind, d in KINDS.items()},
        "units": {role: unit for role, unit in ROLES.items() if drive.has(role)},
        "segments": [
            {
                "kind": s.kind.value,
                "from_ms": s.t_ms[0],
                "to_ms": s.t_ms[1],
                "duration_s": s.duration_s,
                "distance_m": _known(s.distance_m),
                "rise_m": _known(s.rise_m),
                "grade": _known(s.grade),
                "figures": {f.role: _without(f._asdict(), "role") for f in s.figures},
                "headroom": {h.rule: _headroom(h, drive) for h in s.headroom},
            }
            for s in segments
        ],
    }


def _headroom(h: RuleHeadroom, drive: WholeDrive) -> dict[str, object]:
    tune = drive.tunes[h.tune] if 0 <= h.tune < len(drive.tunes) else None
    numbers = {key: _known(value) for key, value in (("left", h.left), ("value", h.value), ("limit", h.limit))}
    return {**numbers, "t_ms": h.t_ms, "tune": tune}


def _known(x: float) -> float | None:
    return x if isfinite(x) else None


def _without(fields: dict[str, Any], name: str) -> dict[str, Any]:
    return {key: value for key, value in fields.items() if key != name}


def _print(label: str, drive: WholeDrive, segments: list[Segment], rules: tuple[Rule, ...]) -> None:
    shown = [role for role in SHOWN if drive.has(role)]
    header = ["segment", "from", "length", "km", "rise", "grade", *(SHOWN[role] for role in shown), "nearest its limit"]
    click.echo(f"{label}: {len(segments)} segments, {text.duration(1000 * sum(s.duration_s for s in segments))}")
    rows = [
        [
            s.kind.value,
            text.clock(s.t_ms[0]),
            text.duration(1000 * s.duration_s),
            "–" if isnan(s.distance_m) else f"{round(s.distance_m / 1000, 1) + 0.0:.1f}",
            "–" if isnan(s.rise_m) else f"{round(s.rise_m):+d} m",
            "–" if isnan(s.grade) else f"{round(100 * s.grade, 1) + 0.0:+.1f} %",
            *(_figure(s, role, drive) for role in shown),
            _nearest(s, rules),
        ]
        for s in segments
    ]
    text.table(header, rows, right=range(1, len(header) - 1))


def _figure(segment: Segment, role: str, drive: WholeDrive) -> str:
    """The figure that the table shows of a role, in the drive's own unit."""
    figures, column = segment.of(role), drive.column(role)
    if figures is None or column is None:
        return "–"
    unit = drive.signals[column].unit
    value = figures.mean if SHOWN[role].endswith("mean") else figures.high
    return f"{convert(value, ROLES[role], unit):.0f} {unit}"


def _nearest(segment: Segment, rules: tuple[Rule, ...]) -> str:
    """The rule with the least headroom as a share of its limit, of those with a limit that is a number other than 0."""
    kinds = {rule.name: rule for rule in rules}
    found = [h for h in segment.headroom if isfinite(h.left) and isfinite(h.limit) and h.limit != 0.0]
    if not found:
        return ""
    h = min(found, key=lambda h: h.left / abs(h.limit))
    where = f"{text.number(h.value)} of {text.number(h.limit)}"
    return f"{h.rule}: {where} ({kinds[h.rule].action.word})"
