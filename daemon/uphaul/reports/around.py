"""The charts of a report: the whole drive, and what stands around a moment, with the limits that were in force."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from uphaul.analysis.decimate import window
from uphaul.analysis.limit_lines import DRAWN, limit_line
from uphaul.analysis.segments import Segment, SegmentKind
from uphaul.analysis.whole import ROLES
from uphaul.physics.basis import Floats
from uphaul.reports.case import Case
from uphaul.reports.charts import Band, Line, Panel, Pin, Span, chart, thin
from uphaul.reports.page import Chart
from uphaul.reports.words import capital, clock, figure, plural, role_words, unit_words
from uphaul.rules import Action, Kind
from uphaul.units import convert

__all__ = ["GROUPS", "MOST_PANELS", "Drawn", "alert_label", "bands", "drawn", "mark_label", "pins"]

GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Altitude", ("altitude",)),
    ("Road speed", ("speed",)),
    ("Engine speed", ("rpm",)),
    ("Pedal", ("pedal",)),
    ("Boost", ("boost",)),
    ("Manifold pressure", ("map", "map_told")),
    ("EGT", ("egt", "egt_post")),
    ("Temperatures", ("coolant", "head", "oil_temp", "transmission")),
    ("Charge air", ("compressor_out", "charge", "ambient")),
    ("Mixture (lambda)", ("mixture",)),
    ("Boost control's actuator, closed by", ("boost_actuator",)),
    ("Pressure before the turbine", ("exhaust_pressure",)),
    ("Drive pressure to boost", ("drive_ratio",)),
    ("Turbo speed", ("turbo_speed",)),
    ("Intercooler effectiveness", ("cooler_effectiveness",)),
    ("Clutch slip", ("clutch_slip",)),
    ("Fuel", ("fuel",)),
    ("Power", ("crank_power", "wheel_power")),
    ("Oil pressure", ("oil_pressure",)),
    ("Supply", ("battery",)),
)
"""Quantities that share a panel, from top to bottom."""

MOST_PANELS = 8
ALWAYS = ("speed", "rpm", "pedal", "boost", "egt", "coolant")


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a chart is to show: roles by which panels are chosen, from where to where, and its name on the page."""

    name: str
    title: str
    ends_ms: tuple[int, int]
    roles: tuple[str, ...] = ALWAYS
    limits: bool = True


def alert_label(place: int) -> str:
    """How charts and tables call the alert at that place among the case's episodes."""
    return f"A{place + 1}"


def mark_label(place: int) -> str:
    """The same of the driver's marks."""
    return f"M{place + 1}"


def bands(case: Case) -> list[Band]:
    """Every episode as a band."""
    return [
        Band(
            e.raised_ms, case.last_ms if e.cleared_ms is None else e.cleared_ms, alert_label(i), action_of(case, e.rule)
        )
        for i, e in enumerate(case.episodes)
    ]


def action_of(case: Case, rule: str) -> Action:
    """What a rule asks for, by its name."""
    found = case.rule_of.get(rule)
    return Action.NOTE if found is None else found.action


def pins(marks: Iterable[int]) -> list[Pin]:
    """The driver's marks at these times."""
    return [Pin(t, mark_label(i)) for i, t in enumerate(marks)]


def drawn(case: Case, segments: Sequence[Segment], marks: Sequence[int], what: Drawn) -> Chart | None:
    """The chart, None where nothing of it was measured."""
    first, last = window(case.whole.t_ms.astype(np.float64), *what.ends_ms)
    inside = [b for b in bands(case) if b.stop_ms >= what.ends_ms[0] and b.start_ms <= what.ends_ms[1]]
    raised = {case.episodes[int(b.label[1:]) - 1].rule for b in inside}
    panels, told = [], []
    grave = [r.signal for r in case.rules if r.name in raised and r.action >= Action.EASE] if what.limits else []
    for group in _chosen(case, (*what.roles, *grave)):
        panel = _panel(case, group, (first, last), raised=raised, what=what)
        if panel is not None:
            panels.append((panel, group[1]))
            told.append(_told(panel))
    if not panels:
        return None
    here = [p for p in pins(marks) if what.ends_ms[0] <= p.t_ms <= what.ends_ms[1]]
    strip = [
        Span(s.t_ms[0], s.t_ms[1], s.kind.value)
        for s in segments
        if s.kind is not SegmentKind.OTHER and s.t_ms[1] >= what.ends_ms[0] and s.t_ms[0] <= what.ends_ms[1]
    ]
    svg = chart(
        _shaded(case, panels, inside),
        what.ends_ms,
        bands=inside,
        pins=here,
        strip=strip,
        name=what.name,
    )
    words = f"From {clock(what.ends_ms[0])} to {clock(what.ends_ms[1])}. {capital('; '.join(told))}."
    if inside:
        labels = ", ".join(b.label for b in inside[:12]) + (", ..." if len(inside) > 12 else "")
        words += f" {plural(len(inside), 'alert')}, shaded where their signal is drawn ({labels})."
    if here:
        words += " Upright lines: " + ", ".join(f"{p.label} at {clock(p.t_ms)}" for p in here[:12]) + "."
    if any(p.limits for p, _ in panels):
        words += " Dashed red: limits in force."
    return Chart(what.title, words, svg)


def _shaded(case: Case, panels: Sequence[tuple[Panel, tuple[str, ...]]], inside: Sequence[Band]) -> list[Panel]:
    """The panels with the alerts about what they show."""

    def signal(band: Band) -> str:
        rule = case.rule_of.get(case.episodes[int(band.label[1:]) - 1].rule)
        return "" if rule is None else rule.signal

    about = [(band, signal(band)) for band in inside]
    return [replace(p, bands=tuple(band for band, name in about if name in roles)) for p, roles in panels]


def _chosen(case: Case, roles: Sequence[str]) -> list[tuple[str, tuple[str, ...]]]:
    """The panels that have a role among `roles`, at most `MOST_PANELS`, in their order from top to bottom.

    Where boost is not known the manifold pressure stands in for it.
    """
    asked = [("map" if r == "boost" and not case.known(r) else r) for r in roles]
    found = {g: min(asked.index(r) for r in g[1] if r in asked) for g in GROUPS if any(r in asked for r in g[1])}
    found = {g: place for g, place in found.items() if any(case.known(r) for r in g[1])}
    kept = sorted(found, key=lambda g: found[g])[:MOST_PANELS]
    return [g for g in GROUPS if g in kept]


def _panel(
    case: Case, group: tuple[str, tuple[str, ...]], part: tuple[int, int], *, raised: set[str], what: Drawn
) -> Panel | None:
    title, roles = group
    lines: list[Line] = []
    unit = ""
    for role in roles:
        column = case.whole.column(role)
        if column is None:
            continue
        own = case.whole.signals[column].unit
        unit = unit or own
        line = _line(case, part, convert(case.whole.values[part[0] : part[1], column], own, unit), role_words(role))
        lines += [] if line is None else [line]
    if not lines:
        return None
    limits = _limits(case, roles, unit, part, raised=raised, what=what)
    return Panel(title if len(lines) > 1 else capital(lines[0].words), unit_words(unit), tuple(lines), tuple(limits))


def _limits(
    case: Case, roles: Sequence[str], unit: str, part: tuple[int, int], *, raised: set[str], what: Drawn
) -> list[Line]:
    """The limits of rules that were raised here, and (unless it is the whole drive) of those that ask to act."""
    found = [
        r
        for r in case.rules
        if r.signal in roles
        and r.kind in DRAWN
        and r.kind is not Kind.REACH
        and (r.name in raised or (what.limits and r.action >= Action.EASE and r.kind is Kind.THRESHOLD))
    ]
    stretch = case.stretch(*part)
    out = []
    for rule in found:
        own = case.unit(rule.signal) if rule.signal in ROLES else unit
        line = _line(case, part, convert(limit_line(rule, stretch), own, unit))
        out += [] if line is None else [line]
    return out


def _line(case: Case, part: tuple[int, int], values: Floats, words: str = "") -> Line | None:
    return thin(case.whole.t_ms[part[0] : part[1]], case.gaps[part[0] : part[1]], values, words)


def _told(panel: Panel) -> str:
    """The least and the most of each line, in words."""
    ends = [(line.words, *line.ends) for line in panel.lines]
    return ", ".join(f"{words} {figure(low)} to {figure(high, panel.unit)}" for words, low, high in ends)
