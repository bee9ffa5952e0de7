"""What was driven: the drive's profile, and its segments by kind and one by one."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, isnan

from uphaul.analysis.segment_figures import RuleHeadroom
from uphaul.analysis.segments import KINDS, Segment, SegmentKind
from uphaul.reports.around import Drawn, drawn
from uphaul.reports.case import Case, Looked
from uphaul.reports.page import Block, Para, Section, Table
from uphaul.reports.words import clock, duration, figure, role_words
from uphaul.rules import Action

__all__ = ["driven", "kilometres"]

PROFILE = ("altitude", "speed", "boost", "egt", "coolant")
SHOWN = ("boost", "egt", "coolant")


def kilometres(segments: Sequence[Segment]) -> float:
    """The way of all segments, NaN where none of them knows its own."""
    known = [s.distance_m for s in segments if not isnan(s.distance_m)]
    return sum(known) / 1000.0 if known else float("nan")


def driven(case: Case, looked: Looked) -> Section:
    """The section."""
    blocks: list[Block] = []
    whole = Drawn("profile", "The whole drive", (case.first_ms, case.last_ms), PROFILE, limits=False)
    profile = drawn(case, looked.segments, [m.t_ms for m in looked.marked], whole)
    if profile is not None:
        blocks.append(profile)
    shown = [r for r in SHOWN if case.known(r)]
    blocks.append(_by_kind(case, looked.segments, shown))
    blocks.append(_one_by_one(case, looked, shown))
    met = [k for k in KINDS if any(s.kind is k for s in looked.segments) and k is not SegmentKind.OTHER]
    words = ". ".join(f"{k.value}: {KINDS[k].words}" for k in met)
    if words:
        blocks.append(Para(f"What the words mean. {words}.", "small"))
    return Section("driven", "What was driven", tuple(blocks))


def _by_kind(case: Case, segments: Sequence[Segment], shown: Sequence[str]) -> Table:
    rows = []
    for kind in KINDS:
        own = [s for s in segments if s.kind is kind]
        if not own:
            continue
        rise = sum(s.rise_m for s in own if not isnan(s.rise_m))
        rows.append(
            (
                kind.value,
                str(len(own)),
                duration(1000.0 * sum(s.duration_s for s in own)),
                _km(kilometres(own)),
                figure(rise, "m", sign=True) if any(not isnan(s.rise_m) for s in own) else "–",
                *(_most(case, own, role) for role in shown),
            )
        )
    header = ("kind", "times", "in all", "km", "rise", *(f"{role_words(r)}, most" for r in shown))
    return Table("By what the vehicle was doing", header, tuple(rows), tuple(range(1, len(header))))


def _one_by_one(case: Case, looked: Looked, shown: Sequence[str]) -> Table:
    rooms = {start: found for start, _, found in looked.rooms}
    rows = [
        (
            s.kind.value,
            clock(s.t_ms[0]),
            duration(1000.0 * s.duration_s),
            _km(s.distance_m / 1000.0),
            figure(100.0 * s.grade, "%", sign=True),
            *(_most(case, [s], role) for role in shown),
            _nearest(case, rooms[s.start]),
        )
        for s in looked.shown
    ]
    every = sum(s.kind is not SegmentKind.OTHER for s in looked.segments)
    caption = f"The {len(rows)} longest of {every}" if every > len(rows) else "One by one"
    header = ("kind", "from", "length", "km", "grade", *(f"{role_words(r)}, most" for r in shown), "nearest its limit")
    return Table(caption, header, tuple(rows), tuple(range(1, len(header) - 1)))


def _km(km: float) -> str:
    return "–" if isnan(km) else f"{km:.1f}"


def _most(case: Case, segments: Sequence[Segment], role: str) -> str:
    highs = [f.high for s in segments if (f := s.of(role)) is not None]
    return figure(case.own(role, max(highs)), case.unit(role)) if highs else "–"


def _nearest(case: Case, rooms: Sequence[RuleHeadroom]) -> str:
    """The rule with the least headroom as a share of its limit, of those that ask to act first."""
    found = [h for h in rooms if isfinite(h.left) and isfinite(h.limit) and h.limit != 0.0]
    if not found:
        return ""
    h = min(found, key=lambda h: (case.rule_of[h.rule].action < Action.EASE, h.left / abs(h.limit)))
    rule = case.rule_of[h.rule]
    return f"{h.rule}: {figure(h.value)} of {figure(h.limit, case.rule_unit(rule))} ({rule.action.word})"
