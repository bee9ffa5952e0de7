"""What fits the evidence: causes ranked with what speaks for and against them, and the drive beside its reference."""

from __future__ import annotations

from math import isnan

from uphaul.analysis.cause_table import CAUSES
from uphaul.analysis.comparison import Difference
from uphaul.analysis.evidence import Evidence
from uphaul.analysis.findings import Finding
from uphaul.reports.case import Case, Looked
from uphaul.reports.page import Block, Bullets, Heading, Para, Section, Table
from uphaul.reports.words import clock, duration, figure, sentence

__all__ = ["PROVEN", "beside", "fits", "not_seen"]

PROVEN = (
    "Findings are proven on our own invented vehicle only. They rank what fits the evidence and never name a cause as "
    "certain: check before mending."
)
MOST_CAUSES = 5


def fits(case: Case, looked: Looked, reference: Case | None) -> Section:
    """The findings with their evidence."""
    found = looked.findings
    blocks: list[Block] = [Para(found.words), Para(PROVEN, "caution")]
    if reference is None:
        blocks.append(
            Para(
                "No reference drive was named, so nothing could be compared: name the handover drive, or another good "
                "one of the same vehicle, with --against.",
                "caution",
            )
        )
    blocks += [Para(f"Beware: {c}.") for c in found.cautions if reference is not None]
    for i, one in enumerate(found.ranked[:MOST_CAUSES]):
        blocks += _finding(i, one)
    if len(found.ranked) > MOST_CAUSES:
        rest = "; ".join(f.title for f in found.ranked[MOST_CAUSES:])
        blocks.append(Para(f"Further behind: {rest}."))
    known = [e for e in found.evidence if e.known]
    if known:
        rows = tuple(
            (
                e.name,
                figure(e.value, e.sign.unit, sign=True),
                figure(e.uncertainty, e.sign.unit) if e.uncertainty > 0 else "–",
                _stands(e),
                _when(e.moments_ms[:2]),
            )
            for e in sorted(known, key=lambda e: -abs(e.strength))
            if _stands(e)
        )
        header = ("sign", "seen", "give or take", "it", "look at")
        if rows:
            blocks.append(Table("Signs that were seen, the strongest first", header, rows, (1, 2)))
    calm = [e for e in known if not _stands(e)]
    if calm:
        blocks.append(
            Para("Looked for and not seen: " + "; ".join(n for e in calm for n in not_seen(e)) + ".", "small")
        )
    blind = [e for e in found.evidence if not e.known]
    if blind:
        blocks.append(Heading("Can't tell"))
        blocks.append(Bullets(tuple(_blind(e) for e in blind)))
    return Section("fits", "What fits the evidence", tuple(blocks))


def _stands(e: Evidence) -> str:
    size = abs(e.strength)
    return "stands" if size >= 1.3 else "faint" if size >= 0.6 else ""


def _blind(e: Evidence) -> str:
    why = f"not fitted or never read: {', '.join(e.missing)}" if e.missing else "too little of it in the drives"
    return f"{e.sign.up}: {why}"


def _when(spans: tuple[tuple[int, int], ...]) -> str:
    return ", ".join(f"{clock(a)} to {clock(b)}" for a, b in spans)


def _finding(place: int, f: Finding) -> list[Block]:
    alike = " (shares the first place)" if f.place == 1 and place == 1 else ""
    out: list[Block] = [Heading(f"{f.place}. {f.title}{alike}"), Para(f"Check first: {sentence(f.first)}")]
    rows = [("for", e.text, _when(e.moments_ms[:2])) for e in f.speaks_for]
    rows += [("against", e.text, _when(e.moments_ms[:2])) for e in f.speaks_against]
    rows += [("not explained by it", e.text, _when(e.moments_ms[:2])) for e in f.strays]
    rows += [("can't tell", text, "") for text in f.cant_tell]
    if rows:
        out.append(Table("Evidence", ("speaks", "what", "look at"), tuple(rows)))
    if f.rival:
        out.append(Para(f"Against the next, {f.rival}: {f.apart}."))
    return out


def beside(case: Case, looked: Looked, reference: Case | None) -> Section:
    """The comparison, quantity by quantity."""
    title = "Beside the reference drive"
    if looked.comparison is None or reference is None:
        return Section("beside", title, (Para("Not compared: no reference drive was named."),))
    c = looked.comparison
    load = c.load or "nothing, as none is known in both"
    long = duration(reference.last_ms - reference.first_ms)
    what = (
        f"The reference is {_named(case, reference)}, {long} long. Compared is what both drives did steadily at the "
        f"same engine speed and load (told by {load}), each quantity freed of weather and height."
    )
    blocks: list[Block] = [Para(what)]
    blocks += [Para(f"Beware: {text}.", "caution") for text in c.cautions]
    rows = tuple(_difference(d) for d in c.differences if d.comparable)
    if rows:
        header = ("quantity", "this drive less reference", "give or take (95 %)", "beyond that", "share of the drive")
        blocks.append(Table("Differences", header, rows, (1, 2, 4)))
        used = "; ".join(f"{d.quantity.words}: {d.quantity.corrected}" for d in c.differences if d.comparable)
        blocks.append(Para(f"How each was freed of what differs. {used}.", "small"))
    blocks += _in_pulls(looked)
    not_ = [d for d in c.differences if not d.comparable]
    if not_:
        blocks.append(Heading("Not comparable in steady driving"))
        blocks.append(Bullets(tuple(f"{d.quantity.words}: {d.reason}" for d in not_)))
    return Section("beside", title, tuple(blocks))


def _in_pulls(looked: Looked) -> list[Block]:
    """What full-load pulls say, where any met."""
    rows = []
    for usual, found in looked.pulls:
        mine, theirs = found.pulls
        rows.append(
            (
                usual.words,
                figure(found.value, usual.unit, sign=True),
                figure(found.uncertainty, usual.unit),
                "yes" if abs(found.value) > found.uncertainty else "no",
                f"{mine} / {theirs}",
                f"{found.rpm[0]:,.0f} to {found.rpm[1]:,.0f}",
            )
        )
    if not rows:
        return []
    header = ("quantity", "this drive less reference", "give or take (95 %)", "beyond that", "pulls", "rpm")
    words = (
        "Pulls of the same tune in the same gear at the same engine speeds, the turbo spooled up; how many of this "
        "drive / of the reference. That they are few is in the doubt."
    )
    return [Table("Differences in full-load pulls", header, tuple(rows), (1, 2, 4)), Para(words, "small")]


def _named(case: Case, reference: Case) -> str:
    begun = f", begun {reference.about.begun[:16].replace('T', ' ')} UTC" if reference.about.begun else ""
    of = "" if reference.log == case.log else f" of {reference.log}"
    return f"drive {reference.about.id}{of}{begun}"


def _difference(d: Difference) -> tuple[str, ...]:
    q = d.quantity
    beyond = abs(d.overall) > d.overall_uncertainty
    verdict = "can't tell" if isnan(d.overall) else "yes" if beyond else "no"
    return (
        q.words,
        figure(d.overall, q.unit, sign=True),
        figure(d.overall_uncertainty, q.unit),
        verdict,
        f"{100.0 * min(d.share, 1.0):.0f} %",
    )


def not_seen(e: Evidence) -> tuple[str, ...]:
    """What was looked for and does not stand, in the words of the way that speaks for a cause; both where either may.

    A sign that speaks for none, as less power in pulls, is looked for below.
    """
    expected = (x for c in CAUSES for p in c.pictures for x in p.expects if x.sign == e.sign.name and x.if_seen > 0.0)
    ways = {x.way for x in expected}
    if ways in ({1, -1}, {0}):
        return e.sign.up, e.sign.down
    return (e.sign.up,) if 1 in ways else (e.sign.down,)
