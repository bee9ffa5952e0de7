"""What the driver reported: each mark with what was unusual around it; without marks the gravest alerts."""

from __future__ import annotations

from collections.abc import Sequence

from uphaul.analysis.moments import AROUND_MS, UNUSUAL, Marked, Unusual
from uphaul.reports.around import ALWAYS, Drawn, action_of, alert_label, drawn, mark_label
from uphaul.reports.case import Case, Looked
from uphaul.reports.page import Block, Chart, Heading, Para, Section, Table
from uphaul.reports.words import and_list, clock, figure, plural, role_words
from uphaul.rules import Action
from uphaul.signals import EventKind

__all__ = ["reported", "unusual_words"]

MOST_CHARTS = 6
LONGEST_MS = 900_000
MOST_UNUSUAL = 8
NOT_PEOPLE = frozenset({EventKind.REMARK, EventKind.MARK})


def reported(case: Case, looked: Looked) -> Section:
    """The section."""
    blocks: list[Block] = []
    times = [m.t_ms for m in looked.marked]
    if looked.marked:
        rows = tuple(
            (mark_label(i), clock(m.t_ms), m.text or "(no note)", m.actor or "–", _doing(looked, m.t_ms))
            for i, m in enumerate(looked.marked)
        )
        blocks.append(Table("Marked by the driver", ("no.", "at", "note", "by", "the vehicle was in"), rows, (1,)))
        groups = _together(looked.marked)
        for i, (first, last) in enumerate(groups[:MOST_CHARTS]):
            here = range(first, last + 1)
            labels = and_list([mark_label(k) for k in here])
            blocks.append(Heading(f"Around {labels}, {clock(times[first])}"))
            roles = [u.role for k in here for u in looked.marked[k].unusual]
            ends = (max(times[first] - AROUND_MS, case.first_ms), min(times[last] + AROUND_MS, case.last_ms))
            what = Drawn(
                f"mark{i + 1}", f"Two minutes before and after {labels}", ends, (*dict.fromkeys(ALWAYS + tuple(roles)),)
            )
            blocks += _charted(case, looked, times, what)
            for k in here:
                blocks += _unusual(case, looked, k)
        if len(groups) > MOST_CHARTS:
            blocks.append(
                Para(f"{len(groups) - MOST_CHARTS} further groups of marks are in the table above, without charts.")
            )
    else:
        shown = " What is shown instead are the gravest alerts." if _gravest(case) else ""
        blocks.append(Para(f"The driver marked no moment in this drive.{shown}"))
        for i in _gravest(case):
            e = case.episodes[i]
            rule = case.rule_of.get(e.rule)
            blocks.append(Heading(f"Around {alert_label(i)}, {e.rule}, {clock(e.raised_ms)}"))
            ends = (max(e.raised_ms - AROUND_MS, case.first_ms), min(e.raised_ms + AROUND_MS, case.last_ms))
            roles = [rule.signal] if rule is not None else []
            title = f"Two minutes before and after {alert_label(i)}"
            blocks += _charted(
                case, looked, times, Drawn(f"alert{i + 1}", title, ends, (*dict.fromkeys(ALWAYS + tuple(roles)),))
            )
    done = [e for e in case.whole.events if e.kind not in NOT_PEOPLE]
    if done:
        acts = tuple((clock(e.t_ms), e.kind.value, e.rule or e.text, e.actor or "–") for e in done[:40])
        caption = "What people did besides" + (f" (the first 40 of {len(done)})" if len(done) > 40 else "")
        blocks.append(Table(caption, ("at", "what", "of", "by"), acts, (0,)))
    return Section("reported", "What was reported", tuple(blocks))


def _charted(case: Case, looked: Looked, times: Sequence[int], what: Drawn) -> list[Chart]:
    found = drawn(case, looked.segments, times, what)
    return [] if found is None else [found]


def _together(marked: Sequence[Marked]) -> list[tuple[int, int]]:
    """(first, last) of the marks that share a chart: each within two minutes of the one before, not too long in all."""
    out: list[tuple[int, int]] = []
    for i, m in enumerate(marked):
        near = out and m.t_ms - marked[out[-1][1]].t_ms <= AROUND_MS and m.t_ms - marked[out[-1][0]].t_ms <= LONGEST_MS
        if near:
            out[-1] = (out[-1][0], i)
        else:
            out.append((i, i))
    return out


def _doing(looked: Looked, t_ms: int) -> str:
    found = next((s for s in looked.segments if s.t_ms[0] <= t_ms <= s.t_ms[1]), None)
    return found.kind.value if found is not None else "–"


def _gravest(case: Case) -> list[int]:
    """Places of at most three episodes that asked to act, by action, then by time."""
    asked = [i for i, e in enumerate(case.episodes) if action_of(case, e.rule) >= Action.EASE]
    return sorted(sorted(asked, key=lambda i: (-action_of(case, case.episodes[i].rule), i))[:3])


def unusual_words(case: Case, u: Unusual) -> str:
    """One unusual thing as a clause."""
    unit = case.unit(u.role)
    value, usual = (figure(case.own(u.role, x), unit) for x in (u.value, u.expected))
    where = "in the reference drive" if u.against == "reference" else "in the rest of this drive"
    return f"{role_words(u.role)} {value}, where {usual} is usual {where} at the same load (from {clock(u.t_ms[0])})"


def _unusual(case: Case, looked: Looked, k: int) -> list[Block]:
    m = looked.marked[k]
    if not m.judged:
        return [Para(f"{mark_label(k)}: can't tell what was unusual: nothing else was driven at the same load.")]
    if not m.unusual:
        words = and_list([role_words(r) for r in m.judged])
        return [Para(f"{mark_label(k)}: nothing was unusual. As usual for the load were {words}.")]
    rows = tuple(
        (
            role_words(u.role),
            figure(case.own(u.role, u.value), case.unit(u.role)),
            figure(case.own(u.role, u.expected), case.unit(u.role)),
            u.against if u.against == "reference" else "rest of the drive",
            f"{abs(u.times):.0f} times",
            f"{clock(u.t_ms[0])} to {clock(u.t_ms[1])}",
        )
        for u in m.unusual[:MOST_UNUSUAL]
    )
    left = len(m.unusual) - len(rows)
    caption = f"{mark_label(k)}: unusual within two minutes" + (
        f" (the first {len(rows)} of {len(m.unusual)})" if left else ""
    )
    told = {u.role for u in m.unusual}
    usual = [role_words(r) for r in m.judged if r not in told]
    note = f"Told from {UNUSUAL:g} usual spreads on, at the same engine speed and load."
    if usual:
        note += f" As usual were {and_list(usual)}."
    note += (
        f" {plural(len(m.judged), 'quantity', 'quantities')} could be held against something; the others can't be told."
    )
    header = ("what", "it was", "usual", "against", "usual spread", "when")
    return [Table(caption, header, rows, (1, 2, 4)), Para(note, "small")]
