"""The annex of a handover but for its pulls: every attempt, why the bands are where they are, alerts, limits, data."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite

from uphaul.analysis.field_check import Band, Measure, OfSheet
from uphaul.analysis.field_check_measure import unit_of
from uphaul.analysis.ratings import WHERE
from uphaul.reports.case import Case
from uphaul.reports.checked import accepted, gaps, in_tune, measure_of, reading, title_of
from uphaul.reports.handover_case import Driven, Handover
from uphaul.reports.handover_front import used_words, verdict_words, weight
from uphaul.reports.page import Block, Bullets, Para, Section, Table
from uphaul.reports.said import said
from uphaul.reports.sound import quality, setup
from uphaul.reports.words import and_list, capital, clock, duration, figure, measured, minus
from uphaul.rules import ABOVE, Curve, Kind, Rule, Setting, Share

__all__ = ["attempts", "cautions", "limits", "of_drives", "reasons", "used"]

SHOWN = {"rpm": ("rpm", 1.0, 0), "speed": ("km/h", 3.6, 0), "grade": ("%", 100.0, 1), "altitude": ("m", 1.0, 0)}
"""Roles that tell where: unit for people, factor to it, decimals."""


def attempts(handed: Handover) -> Section:
    """Every attempt at every step, with all that it measured."""
    rows: list[tuple[str, ...]] = []
    weights: list[str] = []
    for row in handed.rows:
        if not row.tried:
            rows.append((row.title, "", "", verdict_words(row.verdict), row.why, "", "", ""))
            weights.append(weight(row.verdict))
        for tried in row.tried:
            a = tried.attempt
            span = f"{clock(a.t_ms[0])} to {clock(a.t_ms[1])}"
            title = row.title if row.tune else f"{row.title}{in_tune(a, row.step)}"
            head = (title, str(tried.drive), span, verdict_words(a.verdict))
            said = [a.why] if a.why else []
            if missing := gaps(a, row.step):
                said.append(f"judged over gaps: {missing}")
            lines = [(words, "", "", "") for words in said]
            marks = [weight(a.verdict)] * len(lines)
            for m in a.measured:
                of = measure_of(row.step, m)
                at = clock(m.t_ms) if m.t_ms is not None else ""
                lines.append((title_of(row.step, m), reading(m, of), accepted(m, of), at))
                marks.append("bad" if m.ok is False or (m.why and weight(a.verdict) == "bad") else "")
            for i, line in enumerate(lines or [("", "", "", "")]):
                rows.append((*(head if i == 0 else ("", "", "", "")), *line))
            weights += marks or [weight(a.verdict)]
    header = ("step", "drive", "from, to", "result", "what", "measured", "accepted", "at")
    words = (
        f"{capital(handed.source)}. Where a step was tried more than once, the newest drive in which it passed, "
        "failed or was stopped counts, and in it the last attempt."
    )
    return Section(
        "attempts", "Every attempt", (Para(words), Table("Attempts", header, tuple(rows), (5, 6, 7), tuple(weights)))
    )


def reasons(handed: Handover) -> Section:
    """What each step is for, and why its bands are where they are."""
    blocks: list[Block] = []
    rows = []
    units = {s.name: s.unit for s in handed.newest.case.whole.signals}
    for step in handed.check.steps:
        for i, m in enumerate(step.measures):
            unit = unit_of(m, units.get(m.signal, ""))
            bands = [_band(m.band, m, unit)] if m.band is not None else []
            bands += [f"{tune}: {_band(band, m, unit)}" for tune, band in m.tunes]
            if bands:
                rows.append((step.title if i == 0 else "", m.title, "; ".join(bands), m.reason, m.source))
    if rows:
        header = ("step", "what", "accepted", "why", "source")
        blocks.append(Table("Bands, their reasons and sources", header, tuple(rows)))
    blocks.append(Bullets(tuple(f"{s.title}: {s.do}" for s in handed.check.steps)))
    if handed.check.excused:
        blocks.append(Bullets(tuple(f"Tune {t} needed no run of its own: {why}" for t, why in handed.check.excused)))
    return Section("reasons", "What was asked, and why", tuple(blocks))


def _band(band: Band, m: Measure, unit: str) -> str:
    """A band as it stands in the check, before a drive gave it numbers."""
    of = " from what is expected" if m.against == "expected" else f" from {m.against}" if m.against else ""

    def amount(x: float | Curve | OfSheet) -> str:
        if isinstance(x, OfSheet):
            return f"{100.0 * x.share:.0f} % of the sheet's {x.of}"
        if isinstance(x, Curve):
            return f"{figure(min(x.y))} to {figure(max(x.y), unit)} over {x.over}"
        return figure(x, unit, sign=bool(of))

    ends = [f"{word} {amount(x)}" for word, x in (("at least", band.low), ("at most", band.high)) if x is not None]
    return and_list(ends) + of


def used(handed: Handover) -> Section:
    """The headroom table with when and where, and the power by two ways."""
    rows, places = [], []
    for found in handed.uses():
        use = found.use
        by = {r.window_s: measured(r.value, use.unit) for r in use.readings}
        at = use.judged
        rows.append(
            (
                use.part, use.rating, used_words(use), figure(use.rated, use.unit),
                *(by.get(w, "–") for w in (1.0, 10.0, 60.0)),
                use.told_by,
            )
        )  # fmt: skip
        where = dict(at.where)
        places.append(
            (
                use.part, use.rating, str(found.drive), clock(at.t_ms),
                *(_place(role, where.get(role)) for role in WHERE), at.tune or "unknown",
            )
        )  # fmt: skip
    blocks: list[Block] = []
    header = ("part", "rating", "use", "rated", "1 s", "10 s", "60 s", "told by")
    if rows:
        blocks.append(Table("Use of each rating", header, tuple(rows), (2, 3, 4, 5, 6)))
        of_place = ("part", "rating", "drive", "at", "engine speed", "road speed", "slope", "height", "tune")
        blocks.append(Table("When and where that was", of_place, tuple(places), tuple(range(2, 8))))
    items = [f"{part}, {rating}: not told: {why}" for part, rating, why in handed.not_told()]
    for d in handed.drives:
        for e in d.used.estimates:
            if e.power is not None:
                items.append(
                    f"Drive {d.number}, by {e.way} ({e.made_of}): most power at the crankshaft for 10 s "
                    f"{e.power.value:.0f} ± {e.power_doubt_kw:.0f} kW (one standard uncertainty)"
                )
        both = d.used.agreement
        if both is not None:
            verdict = "which both leave open" if both.agree else "they disagree: trust neither before it is known why"
            items.append(
                f"Drive {d.number}: under load the road tells {abs(both.apart):.0%} "
                f"{'more' if both.apart > 0 else 'less'} than the fuel, {verdict}"
            )
        for b in d.used.bench:
            far = "within" if abs(b.apart) <= 2.0 * b.doubt else "beyond"
            items.append(
                f"Drive {d.number}: at full pedal under {b.tune} {b.way} tells {abs(b.apart):.0%} "
                f"{'more' if b.apart > 0 else 'less'} than its dynamometer run, {far} what the estimate leaves open "
                f"(± {b.doubt:.0%})"
            )
    if items:
        blocks.append(Bullets(tuple(items)))
    blocks.append(Para("A peak is a mean over 1 s. Of temperatures the room to the rating is told.", "small"))
    return Section("used", "Use of ratings", tuple(blocks))


def _place(role: str, value: float | None) -> str:
    if value is None:
        return "–"
    unit, factor, digits = SHOWN[role]
    return f"{minus(f'{value * factor:.{digits}f}')}\N{NO-BREAK SPACE}{unit}"


def of_drives(handed: Handover) -> tuple[Section, ...]:
    """Alerts, data quality and what judged it, drive by drive."""
    out: list[Section] = []
    for driven in handed.drives:
        for section in (said(driven.case), quality(driven.case), setup(driven.case)):
            name, title = f"{section.name}-{driven.number}", f"{_own(section.title)}, drive {driven.number}"
            blocks = section.blocks if section.name != "log" else (*section.blocks, *_notes(driven))
            out.append(replace(section, name=name, title=title, blocks=blocks))
    return tuple(out)


def _own(title: str) -> str:
    return "Alerts" if title == "What the log shows" else title


def _notes(driven: Driven) -> list[Block]:
    case = driven.case
    return [Para(f"{duration(case.last_ms - case.first_ms)} in all, {len(case.rules)} rules in force.", "small")]


def limits(handed: Handover) -> Section:
    """The limits in force at the end, as the driver is warned by them."""
    case = handed.reference.case
    rows = tuple(
        (
            r.name,
            r.action.word,
            r.signal,
            _limit(r, None, case),
            "; ".join(f"{t}: {_limit(r, t, case)}" for t in case.config.tunes if t in dict(r.tunes)),
            r.say,
        )
        for r in sorted(case.rules, key=lambda r: (-r.action, r.rank, r.name))
    )
    header = ("rule", "asks", "signal", "limit", "in tunes", "the driver is told")
    words = "These limits are starting points for the workshop to set; they were in force in the drive that is named."
    return Section(
        "limits", "Limits in force", (Para(words), Table(f"Rules of drive {handed.reference.number}", header, rows))
    )


def _limit(rule: Rule, tune: str | None, case: Case) -> str:
    if rule.kind is Kind.LOST:
        return f"unknown for {duration(rule.grace_ms)}"
    setting, unit = rule.setting(tune), case.rule_unit(rule)
    side = "above" if rule.side == ABOVE else "below"
    if case.off(rule, setting):
        return f"off ({side} {_amount(setting, unit)}, out of reach)"
    own = "" if rule.kind in (Kind.EXPOSURE, Kind.REACH) else unit
    words = f"{side} {_amount(setting, own)}"
    if rule.kind is Kind.DEPARTURE:
        words += " from what is expected"
    if rule.kind is Kind.EXPOSURE:
        words += f", {figure(setting.allowed_s, 's')} of {duration(rule.window_ms)}"
    if rule.kind is Kind.REACH:
        words += f" within {figure(setting.within_s, 's')}"
    return f"{words} for {duration(setting.on_delay_ms)}" if setting.on_delay_ms else words


def _amount(setting: Setting, unit: str) -> str:
    limit = setting.limit
    if isinstance(limit, Share):
        return f"{100.0 * limit.share:.0f} %"
    if isinstance(limit, Curve):
        return f"{figure(min(limit.y))} to {figure(max(limit.y), unit)} over {limit.over}"
    return figure(limit, unit) if isfinite(limit) else "–"


def cautions(handed: Handover) -> Section:
    """What a reader must know, the check's own cautions first."""
    items = [
        *handed.check.cautions,
        "Uphaul advises and never controls. It does not replace mechanical protection or the maker's limits.",
        "What passed was within its band on this day, with this load. What was not measured was not judged.",
        "Findings, bands and limits were tried on an invented vehicle only: hold them against your own experience.",
        "This report shows speeds, times and names. It is the vehicle owner's: ask before you share it.",
    ]
    if handed.invented:
        items.insert(
            0, "All data in this report are invented: they come from a model of a vehicle that does not exist."
        )
    return Section("cautions", "Cautions", (Bullets(tuple(items)),))
