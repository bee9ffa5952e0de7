"""What the rules said: the alerts, what room every rule had, and what other limits and delays would have said."""

from __future__ import annotations

from bisect import bisect_right
from math import floor, isfinite, log10

from uphaul.alerts import NoticeKind
from uphaul.analysis.limit_lines import shown_limit
from uphaul.analysis.review import Episode
from uphaul.analysis.segment_figures import RuleHeadroom
from uphaul.analysis.what_if import grid
from uphaul.reports.around import action_of, alert_label
from uphaul.reports.case import Case, Looked
from uphaul.reports.page import Block, Heading, Para, Section, Table
from uphaul.reports.words import clock, duration, figure, plural
from uphaul.rules import Action, Kind, Rule

__all__ = ["headroom", "length", "nearest", "said"]

MOST_ALERTS = 60
MOST_GRIDS = 2
NEVER = "never"
NEAR = 0.05
"""Share of its limit within which a rule is reviewed although it was not raised. Source: our own choice."""


def length(case: Case, e: Episode) -> str:
    """How long an episode lasted, in words."""
    if e.cleared_ms is None:
        return f"{duration(case.last_ms - e.raised_ms)}, to the end"
    words = duration(e.cleared_ms - e.raised_ms)
    return f"{words}, until the {e.cut}" if e.cut else words


def said(case: Case) -> Section:
    """The alerts as they were judged on the way."""
    blocks: list[Block] = []
    if not case.episodes:
        blocks.append(Para("No rule was raised in this drive."))
    else:
        places = range(len(case.episodes))
        kept = sorted(places, key=lambda i: (-action_of(case, case.episodes[i].rule), i))[:MOST_ALERTS]
        rows = []
        for i in sorted(kept):
            e = case.episodes[i]
            rule = case.rule_of.get(e.rule)
            unit = "" if rule is None else case.rule_unit(rule)
            told = f"not told ({e.quiet})" if e.quiet else "" if rule is None else rule.say
            rows.append(
                (
                    alert_label(i),
                    clock(e.raised_ms),
                    length(case, e),
                    action_of(case, e.rule).word,
                    e.rule,
                    figure(e.value, unit),
                    figure(e.limit, unit),
                    case.tune(e.tune),
                    f"{told} [{e.cause}]" if e.cause else told,
                )
            )
        caption = "Alerts, as judged on the way"
        if len(case.episodes) > len(kept):
            caption += f" (the {len(kept)} gravest of {len(case.episodes)})"
        header = ("no.", "at", "for", "asks", "rule", "value", "limit", "tune", "the driver was told")
        blocks.append(Table(caption, header, tuple(rows), (1, 5, 6)))
        blocks.append(
            Para("Value and limit are those as the alert was raised; it may have gone further after that.", "small")
        )
    odd = [n for n in case.notices if n.kind in (NoticeKind.CHATTERING, NoticeKind.REPEATING, NoticeKind.FLOOD)]
    if odd:
        words = {
            NoticeKind.CHATTERING: "chattered",
            NoticeKind.REPEATING: "kept coming back",
            NoticeKind.FLOOD: "many alerts",
        }
        counted: dict[str, int] = {}
        for n in odd:
            key = f"{n.rule} {words[n.kind]}".strip()
            counted[key] = counted.get(key, 0) + 1
        blocks.append(Para("Besides: " + "; ".join(f"{k} ({v}×)" if v > 1 else k for k, v in counted.items()) + "."))
    return Section("log", "What the log shows", tuple(blocks))


def nearest(looked: Looked) -> dict[str, tuple[RuleHeadroom, str]]:
    """How near each rule came at its nearest, and the kind of segment that was in."""
    starts = [s.t_ms[0] for s in looked.segments]
    best: dict[str, tuple[RuleHeadroom, str]] = {}
    for _, _, found in looked.rooms:
        for h in found:
            if isfinite(h.left) and (h.rule not in best or h.left < best[h.rule][0].left):
                best[h.rule] = (h, looked.segments[max(bisect_right(starts, h.t_ms) - 1, 0)].kind.value)
    return best


def headroom(case: Case, looked: Looked) -> Section:
    """Room per rule, and the review of those that were raised or nearly so."""
    best = nearest(looked)
    rows: list[tuple[str, ...]] = []
    silent: list[str] = []
    blind: dict[str, list[str]] = {}
    ordered = sorted(case.rules, key=lambda r: (-r.action, r.rank, r.name))
    for rule in ordered:
        own = [e for e in case.episodes if e.rule == rule.name]
        active = sum((case.last_ms if e.cleared_ms is None else e.cleared_ms) - e.raised_ms for e in own)
        found = best.get(rule.name)
        if found is None:
            if rule.kind is Kind.LOST and not own:
                continue
            missing = [name for name in rule.reads() if not case.known(name)]
            if rule.kind is not Kind.LOST:
                (blind.setdefault(", ".join(missing), []) if missing else silent).append(rule.name)
            if not own:
                continue
        unit = case.rule_unit(rule)
        h, kind = found if found is not None else (None, "")
        limit, left = (figure(h.limit, unit), figure(h.left, unit, sign=True)) if h else ("–", "–")
        if h and h.tune >= 0 and case.off(rule, rule.setting(case.tune(h.tune))):
            limit, left = "off", "–"
        rows.append(
            (
                rule.name,
                rule.action.word,
                str(len(own)),
                duration(active) if own else "–",
                figure(h.value, unit) if h else "–",
                limit,
                left,
                f"{clock(h.t_ms)}, {kind}" if h else "–",
                case.tune(h.tune) if h else "–",
            )
        )
    header = ("rule", "asks", "raised", "active", "nearest", "limit", "room left", "when", "tune")
    blocks: list[Block] = [Table("Room that each rule had at its nearest", header, tuple(rows), (2, 4, 5, 6))]
    blocks.append(
        Para(
            "Below zero is beyond the limit; a rule is raised only when it stays there for as long as its delay.",
            "small",
        )
    )
    for names, rules in blind.items():
        blocks.append(Para(f"Can't tell, not measured in this drive ({names}): {', '.join(rules)}."))
    if silent:
        blocks.append(Para(f"Never judged, as their further conditions never held: {', '.join(silent)}.", "small"))
    if len(case.parts) > 1:
        blocks.append(
            Para(
                "The configuration or the program changed on the way; room is held against the limits at the end.",
                "caution",
            )
        )
    blocks += _review(case, best)
    return Section("headroom", "Headroom and rule review", tuple(blocks))


def _review(case: Case, best: dict[str, tuple[RuleHeadroom, str]]) -> list[Block]:
    """What other settings would have said, for the rules that were raised or came near."""
    found = []
    for rule in case.rules:
        if rule.kind not in (Kind.THRESHOLD, Kind.RATE, Kind.DEPARTURE) or rule.name not in best:
            continue
        limit = shown_limit(rule.base)
        h = best[rule.name][0]
        reference = limit if limit is not None else h.limit
        raised = sum(e.rule == rule.name for e in case.episodes)
        if (
            isfinite(reference)
            and reference
            and (raised or h.left <= NEAR * abs(h.limit))
            and rule.action >= Action.NOTE
        ):
            found.append((-min(raised, 1), -rule.action, h.left / abs(h.limit or 1.0), rule, abs(reference)))
    out: list[Block] = []
    if found:
        out.append(Heading("What other settings would have said"))
        out.append(
            Para(
                "Each cell: how often the rule would have been raised in this drive, and for how long in all. Where a "
                "tune has a limit of its own it is moved by as much as the one shown, and its delay is the one shown. "
                "Fewer alerts are not better in themselves."
            )
        )
    quiet = []
    for *_, rule, size in sorted(found, key=lambda f: f[:3])[:MOST_GRIDS]:
        table = _grid(case, rule, size)
        if all(cell == NEVER for row in table.rows for cell in row[1:]):
            quiet.append(f"{rule.name} (limits from {table.rows[0][0]} to {table.rows[-1][0]})")
        else:
            out.append(table)
    if quiet:
        out.append(Para(f"Came near, but no setting that was tried would have raised it: {', '.join(quiet)}."))
    return out


def _grid(case: Case, rule: Rule, size: float) -> Table:
    step = _nice(0.05 * size)
    shifts = [k * step * rule.side for k in (-2, -1, 0, 1)]
    own = rule.base.on_delay_ms
    delays = sorted({own // 2000 * 1000 if own >= 2000 else own // 2, own, max(2 * own, 2000)})
    cells = {(c.shift, c.on_delay_ms): c for c in grid(rule, [case.stretch()], shifts, delays)}
    unit = case.rule_unit(rule)
    limit = shown_limit(rule.base)

    def label(shift: float) -> str:
        if limit is None:
            return "as it is" if not shift else f"moved by {figure(shift, unit, sign=True)}"
        return figure(limit + shift, unit) + (" (as it is)" if not shift else "")

    rows = []
    for shift in shifts:
        row = [label(shift)]
        for d in delays:
            c = cells[shift, d]
            row.append(f"{c.raises} × ({duration(c.active_ms)})" if c.raises else NEVER)
        rows.append(tuple(row))
    header = ("limit", *(f"after {duration(d)}" + (" (as it is)" if d == own else "") for d in delays))
    return Table(f"{rule.name} ({rule.action.word})", header, tuple(rows), tuple(range(1, len(header))))


def _nice(x: float) -> float:
    """1, 2 or 5 times a power of ten, the nearest not above."""
    power = 10.0 ** floor(log10(x))
    return power * max(k for k in (1.0, 2.0, 5.0) if k <= x / power + 1e-9)


def alerts_in_words(case: Case) -> str:
    """How many alerts asked for what, in a clause."""
    count = {a: sum(action_of(case, e.rule) is a for e in case.episodes) for a in Action}
    said_ = [
        f"{plural(count[a], 'alert')} asked to {words}"
        for a, words in ((Action.STOP, "stop"), (Action.EASE, "ease off"))
        if count[a]
    ]
    if count[Action.NOTE]:
        said_.append(plural(count[Action.NOTE], "note"))
    return "; ".join(said_) if said_ else "no rule was raised"
