"""The complaint report: the answer in five lines, then the evidence, as plain text, tables and charts."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from math import isnan

import uphaul
from uphaul.alerts import NoticeKind
from uphaul.analysis.findings import NOTHING, TOO_LITTLE, UNEXPLAINED
from uphaul.analysis.segments import SegmentKind
from uphaul.reports.around import action_of, mark_label
from uphaul.reports.case import Case, Looked
from uphaul.reports.driven import driven, kilometres
from uphaul.reports.fits import beside, fits
from uphaul.reports.page import Report
from uphaul.reports.reported import reported, unusual_words
from uphaul.reports.said import alerts_in_words, headroom, said
from uphaul.reports.sound import cautions, quality, quality_words, setup
from uphaul.reports.words import and_list, capital, clock, duration, plural, sentence
from uphaul.rules import Action

__all__ = ["BANNER", "answer", "complaint"]

MOST_LETTERS = 120
"""Of a note in the answer; the section of what was reported has all of it."""

MOST_ALERTS = 5
"""Of the rules that are told in the answer where no cause was found."""

BANNER = "Invented demo data: no real vehicle, person or place."


def complaint(case: Case, looked: Looked, reference: Case | None) -> Report:
    """The whole report. `looked` is `look(case, reference)`."""
    begun = f"{case.about.begun[:19].replace('T', ' ')} UTC" if case.about.begun else "wall clock not known"
    facts = (
        ("Vehicle", case.config.vehicle.name or "without a name"),
        ("Drive", f"{case.about.id} of {case.log}, begun {begun}, {duration(case.last_ms - case.first_ms)}"),
        ("Reference", "none" if reference is None else _named(case, reference)),
    )
    with ThreadPoolExecutor(1) as pool:  # judging other settings and drawing keep two processors busy
        room = pool.submit(headroom, case, looked)
        first = (
            reported(case, looked),
            said(case),
            fits(case, looked, reference),
            beside(case, looked, reference),
        )
        sections = (*first, driven(case, looked), room.result(), quality(case), setup(case), cautions(case))
    return Report(
        title=f"Complaint report, drive {case.about.id}",
        facts=facts,
        answer=answer(case, looked, reference),
        sections=sections,
        banner=BANNER if case.invented or (reference is not None and reference.invented) else "",
        made_by=f"Written by Uphaul {uphaul.__version__}. Times count from the drive's beginning.",
    )


def _named(case: Case, reference: Case) -> str:
    name = reference.config.vehicle.name
    of = f", {name}" if name and name != case.config.vehicle.name else ""
    return f"drive {reference.about.id} of {reference.log}{of}"


def answer(case: Case, looked: Looked, reference: Case | None) -> tuple[tuple[str, str], ...]:
    """The five lines: what happened, what was reported, what fits, what to check first, how far to believe it."""
    return (
        ("What happened", _happened(case, looked)),
        ("Reported", _reported(case, looked)),
        ("What fits", _fits(looked, reference)),
        ("Check first", _check(case, looked)),
        ("How sure", _sure(case, looked, reference)),
    )


def _happened(case: Case, looked: Looked) -> str:
    km = kilometres(looked.segments)
    way = f"{km:.0f} km in " if not isnan(km) else ""
    kinds = []
    for kind in (SegmentKind.CLIMB, SegmentKind.PULL):
        own = [s for s in looked.segments if s.kind is kind]
        if own:
            longest = max(own, key=lambda s: s.duration_s)
            kinds.append(f"{plural(len(own), kind.value)} (the longest {duration(1000 * longest.duration_s)})")
    road = f" with {and_list(kinds)}" if kinds else ""
    first = ""
    asked = [e for e in case.episodes if action_of(case, e.rule) >= Action.EASE]
    if asked:
        names = list(dict.fromkeys(e.rule for e in asked))
        more = f" and {len(names) - 4} more" if len(names) > 4 else ""
        first = f" Asked by: {', '.join(names[:4])}{more}; the first at {clock(asked[0].raised_ms)}."
    return f"{way}{duration(case.last_ms - case.first_ms)}{road}: {alerts_in_words(case)}.{first}"


def _reported(case: Case, looked: Looked) -> str:
    if not looked.marked:
        return "The driver marked no moment."
    said_ = []
    for i, m in enumerate(looked.marked[:2]):
        note = f" “{m.text if len(m.text) <= MOST_LETTERS else m.text[:MOST_LETTERS] + '...'}”" if m.text else ""
        if m.unusual:
            seen = unusual_words(case, m.unusual[0])
        elif m.judged:
            seen = "nothing was unusual there for the load"
        else:
            seen = "can't tell whether anything was unusual there"
        said_.append(f"{mark_label(i)} at {clock(m.t_ms)}{note}: {seen}.")
    more = len(looked.marked) - len(said_)
    return " ".join(said_) + (f" {plural(more, 'more mark')} below." if more else "")


def _fits(looked: Looked, reference: Case | None) -> str:
    found = looked.findings
    if reference is None and found.verdict in (NOTHING, TOO_LITTLE):
        return "Can't tell: no reference drive was named, and nothing stands out by itself."
    words = found.words
    if len(found.ranked) > 1 and found.ranked[1].title not in words:
        words += f" Then: {found.ranked[1].title}."
    return words


def _check(case: Case, looked: Looked) -> str:
    found = looked.findings
    if found.ranked and found.verdict != UNEXPLAINED:
        first = sentence(capital(found.ranked[0].first))
        second = (
            found.ranked[1] if len(found.ranked) > 1 and found.ranked[0].score - found.ranked[1].score < 1.0 else None
        )
        return first + (f" Then: {sentence(second.first)}" if second is not None else "") + _asked_again(case)
    if found.verdict == UNEXPLAINED:
        return (
            "The evidence below, sign by sign: no known cause explains it well. Begin with the sensors of those signs."
        )
    if any(action_of(case, e.rule) >= Action.EASE for e in case.episodes):
        return _unexplained_alerts(case)
    if found.verdict == TOO_LITTLE and looked.comparison is not None:
        return "Drive longer under load, in the gears and at the speeds of the reference, on a road with a climb."
    if found.verdict == TOO_LITTLE:
        return (
            "Drive longer under load, on a road with a climb, and name a good drive of the same vehicle with --against."
        )
    return "Nothing by these data. Ask the driver what was noticed, and have it marked next time."


def _unexplained_alerts(case: Case) -> str:
    """Where to begin when an alert asked for something and the comparison has no cause: with all that the rules said.

    A note such as that of a badly cooling intercooler is often what the alerts come from. That a limit is too low is
    the last thing to think of, as moving it hides a fault.
    """
    raised = dict.fromkeys(e.rule for e in case.episodes if e.rule in case.rule_of)
    gravest = sorted(raised, key=lambda rule: action_of(case, rule), reverse=True)
    said_ = "; ".join(f"{rule}: “{case.rule_of[rule].say}”" for rule in gravest[:MOST_ALERTS])
    more = len(gravest) - MOST_ALERTS
    return (
        f"What the alerts said, before any limit is moved: {said_}{f'; and {more} more' if more > 0 else ''}. "
        "That the comparison names no cause does not mean that the vehicle is sound."
    )


def _asked_again(case: Case) -> str:
    """What a rule asked for again and again, so that a cause, or none, never hides it; empty where none did.

    A rule sees what lasts for seconds, a comparison what lasts for minutes or comes in full-load pulls.
    """
    again = [n.rule for n in case.notices if n.kind is NoticeKind.REPEATING and n.rule in case.rule_of]
    if not again:
        return ""
    gravest = max(again, key=lambda r: action_of(case, r))
    return f" Look too at what {gravest} kept asking for: “{case.rule_of[gravest].say}”."


def _sure(case: Case, looked: Looked, reference: Case | None) -> str:
    parts = [capital(quality_words(case)) + "."]
    if looked.other_vehicle:  # said in full with the findings
        parts.append(f"Beware: {looked.other_vehicle[0].partition(':')[0]}.")
    if looked.comparison is not None:
        usable = [d for d in looked.comparison.differences if d.comparable]
        share = max((d.share for d in usable), default=0.0)
        parts.append(
            f"{len(usable)} of {len(looked.comparison.differences)} quantities could be compared, on at most "
            f"{100.0 * min(share, 1.0):.0f} % of the drive."
            if usable
            else "Nothing was comparable with the reference in steady driving."
        )
        if looked.pulls:
            mine, theirs = (max(found.pulls[i] for _, found in looked.pulls) for i in (0, 1))
            parts.append(f"{capital(plural(mine, 'full-load pull'))} met {theirs} of the reference.")
    parts.append("Findings are proven on our own invented vehicle only.")
    return " ".join(parts)
