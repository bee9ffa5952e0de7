"""The first page of a handover: what was checked and measured, what the parts had left, and how to live with it."""

from __future__ import annotations

from collections import Counter

import numpy as np

from uphaul.analysis.field_check import Measured, Verdict
from uphaul.analysis.package import WORDS
from uphaul.analysis.ratings import Use
from uphaul.physics.basis import Floats
from uphaul.reports.around import action_of
from uphaul.reports.case import Case
from uphaul.reports.checked import BAD, Checked, accepted, measure_of, reading, telling, title_of
from uphaul.reports.handover_case import Handover
from uphaul.reports.page import Block, Bullets, Front, Para, Table
from uphaul.reports.said import alerts_in_words
from uphaul.reports.sound import gap_words
from uphaul.reports.words import and_list, capital, figure, measured, measured_span, plural
from uphaul.vehicle.model import Tune
from uphaul.vehicle.sheet import BuildSheet

__all__ = ["CAUTIONS", "HOW_TO", "front", "verdict_words"]

MOST_LINES = 40
"""Rows of checks and ratings that fit on the first page, on the shorter paper too. Beyond, the checks tell less there.
Source: printed on A4 and on Letter."""

HOW_TO = (
    "Choose the tune before you set off. Unknown, the strictest limits apply.",
    "Silence: nothing that is measured asks for anything. A passenger reads the page, never the driver.",
    "A sound and a few words ask for one thing: “ease off” is less pedal and a lower gear, “stop” is to pull over "
    "where it is safe.",
    "A passenger marks a moment that felt wrong with one press. The log keeps every second around it.",
    "With a complaint bring the log: the workshop compares it with this drive.",
)
"""In five lines, as many as a customer reads."""

CAUTIONS = (
    "This page tells what was measured on these days: no promise for others, and no approval. Roadworthiness and "
    "emissions are for those whom the law licenses.",
    "Signing says that this page was read and the use of the monitor shown, and nothing else.",
    "The monitor advises and never controls. It replaces neither mechanical protection nor the makers' limits.",
    "Its limits are starting points that the workshop set for these parts. No tune raises a part's rating.",
    "Full load with a trailer heats exhaust, tyres and brakes; the rating of the hitch holds. Exhaust parts burn.",
)

UNMEASURED = (Verdict.STOPPED, Verdict.SKIPPED, Verdict.EXCUSED)
"""Verdicts of which the reason is told, not what was measured."""

NO_BREAK = "\N{NO-BREAK SPACE}"

SIGNATURES = ("Technician", "Passenger", "Customer")


def front(handed: Handover) -> Front:
    """The whole first page."""
    return Front(
        outcome=handed.outcome,
        weight=handed.weight,
        wide=(checks(handed), *ratings(handed)),
        beside=(
            ("Tunes", (_tunes(handed), *_package(handed))),
            ("Cautions", (Bullets(CAUTIONS),)),
            ("On these days", (_conditions(handed),)),
            ("How to use the monitor", (Bullets(HOW_TO),)),
        ),
        signatures=SIGNATURES,
        blanks=(*(label for label, text in written(handed) if not text), "Date"),
    )


def written(handed: Handover) -> tuple[tuple[str, str], ...]:
    """What only people know of it: label, and what they wrote; what is empty is a line to write on."""
    w = handed.written
    return (
        ("Customer", w.customer), ("Workshop", w.workshop),
        ("Registration or fleet no.", w.registration), ("Odometer", w.odometer),
    )  # fmt: skip


def verdict_words(verdict: Verdict) -> str:
    """A verdict for a table: what speaks against a handover in capitals, so that it is seen without colour."""
    return verdict.value.upper() if verdict in BAD else verdict.value


def weight(verdict: Verdict) -> str:
    """How a row of that verdict stands out."""
    return "bad" if verdict in BAD else "" if verdict is Verdict.PASSED else "open"


def checks(handed: Handover) -> Table:
    """The checks: a row for each measure where there is room, else one for what decides each step."""
    most = _most(handed)
    rows: list[tuple[str, ...]] = []
    weights: list[str] = []
    left = 0
    for row in handed.rows:
        shown = telling(row, most)
        left += len(row.measured) - len(shown)
        lines = [_measured(row, m) for m in shown]
        if not lines or row.verdict in UNMEASURED:
            lines = [(row.why or "–", "", "")]
        if row.gaps:
            lines.append((f"judged over gaps: {row.gaps}", "", ""))
        result = verdict_words(row.verdict) + (", with gaps" if row.gaps else "")
        for i, (what, value, band) in enumerate(lines):
            head, end = (row.driven, result) if i == 0 else ("", "")
            rows.append((head, end, what, value, band))
            weights.append(weight(row.verdict))
    more = (
        ""
        if not left
        else f"; of each step what is nearest to its band's edge, {plural(left, 'more value')} in the annex"
    )
    header = ("step", "result", "what", "measured", "accepted")
    return Table(f"{capital(handed.check.title)}{more}", header, tuple(rows), (3, 4), tuple(weights))


def _most(handed: Handover) -> int:
    """How many measures of a step the page has room for: 1 at least."""
    room = MOST_LINES - len(handed.uses())
    most = max((len(row.measured) for row in handed.rows), default=1)
    while most > 1 and sum(max(1, len(telling(row, most))) for row in handed.rows) > room:
        most -= 1
    return max(most, 1)


def _measured(row: Checked, m: Measured) -> tuple[str, str, str]:
    of = measure_of(row.step, m)
    return title_of(row.step, m), reading(m, of), accepted(m, of)


def ratings(handed: Handover) -> list[Block]:
    """The headroom table: each part's ratings, what the drives used of them, the weakest on top; and who rates them."""
    titles = {p.name: p.title or p.name for p in handed.vehicle.sheet.parts}
    rows, weights = [], []
    for found in handed.uses():
        use = found.use
        by_window = {r.window_s: measured(r.value, use.unit) for r in use.readings}
        rows.append(
            (
                titles.get(use.part, use.title or use.part),
                use.rating,
                used_words(use),
                ("at least " if use.at_least else "") + figure(use.rated, use.unit),
                by_window.get(1.0, "–"),
                by_window.get(60.0, "–"),
            )
        )
        weights.append("bad" if use.past else "")
    untold = [f"{rating} of {part}" for part, rating, _ in handed.not_told()]
    if not rows and not untold:
        return [
            Para("The build sheet names no part with a rating, so nothing is told of what the drives used of them.")
        ]
    header = ("part", "rating", "used", "rated", "peak, 1 s", "over 60 s")
    table = Table(
        "Parts and their ratings: the most that these drives used of each, the weakest on top",
        header, tuple(rows), (2, 3, 4, 5), tuple(weights),
    )  # fmt: skip
    more = f" These drives do not tell: {', '.join(untold)} (the annex says why)." if untold else ""
    return [table, Para(_sources(handed.vehicle.sheet) + more, "small")]


def used_words(use: Use) -> str:
    """How much of a rating was used, with what it leaves open."""
    return use.words if use.doubt is None else f"{use.words}{NO_BREAK}± {100.0 * use.doubt:.0f} %"


def _sources(sheet: BuildSheet) -> str:
    """Who rates the parts, each source once."""
    by: dict[str, list[str]] = {}
    for part in sheet.parts:
        by.setdefault(part.source or "no source named", []).append(part.name)
    told = "; ".join(f"{source}: {', '.join(names)}" for source, names in by.items())
    return f"Ratings by: {told}. ± is one standard uncertainty."


def _tunes(handed: Handover) -> Table:
    rows = tuple(_tune(t, handed) for t in handed.vehicle.tunes)
    return Table("What each is to reach", ("tune", "power", "torque", "lambda", "boost", "bench"), rows, (1, 2, 3, 4))


def _tune(tune: Tune, handed: Handover) -> tuple[str, ...]:
    t = tune.targets
    unit = handed.newest.case.unit("boost")
    boost = [max(c.y) for c in tune.expected if c.signal == "boost"]
    return (
        tune.name,
        figure(t.power_kw, "kW"),
        figure(t.torque_nm, "N·m"),
        figure(t.mixture),
        figure(max(boost), unit) if boost else "–",
        "yes" if tune.dyno is not None else "no",
    )


def _package(handed: Handover) -> list[Block]:
    """Where the vehicle lies among others of the same parts, in a sentence."""
    if handed.package is None:
        return []
    among = f"Among {plural(handed.package.vehicles, 'vehicle')} of the same parts"
    known = [(each, at) for each, at in handed.placements() if at.fits is not None]
    if not known:
        return [Para(f"{among}: no pull could be placed (the annex says why).")]
    out = dict.fromkeys(f"{WORDS[at.quantity]} in {each.pull.tune}" for each, at in known if not at.fits)
    if not out:
        return [Para(f"{among}: every pull lies where a new one is expected.")]
    return [Para(f"{among}: outside what is expected: {and_list(list(out))} (see the annex).")]


def _conditions(handed: Handover) -> Bullets:
    """Air and load of the drives."""
    items = []
    for role, words in (("ambient", "Air"), ("baro", "Barometer"), ("altitude", "Height")):
        known = np.concatenate([_known(d.case.whole.read(role)) for d in handed.drives])
        if len(known):
            case = handed.newest.case
            low, high, unit = case.own(role, float(known.min())), case.own(role, float(known.max())), case.unit(role)
            items.append(f"{words}: {measured_span(low, high, unit)}")
    load = handed.vehicle.sheet.load
    if load is not None:
        trailer = f"trailer {load.trailer_kg:.0f} kg" if load.trailer_kg else "no trailer"
        items.append(f"Weighed: vehicle {load.vehicle_kg:.0f} kg, {trailer}")
    items.append("Wind and humidity: not measured")
    for d in handed.drives:
        begun = d.case.about.begun
        when = f"{begun[:16].replace('T', ' ')} UTC" if begun else "wall clock not known"
        items.append(f"Drive {d.number}: {when}; {alerts_in_words(d.case)}{_which(d.case)}")
        if missing := gap_words(d.case):
            items.append(f"Drive {d.number} was not recorded throughout: {missing}")
    names = handed.confirmed_by
    items.append(
        f"Cautions confirmed by {', '.join(names)}" if names else "Looked at afterwards: nobody confirmed cautions"
    )
    return Bullets(tuple(items))


def _which(case: Case) -> str:
    """The rules that were raised, the gravest first, each once with how often, as they are called in the annex."""
    counts = Counter(e.rule for e in case.episodes)
    ordered = sorted(counts, key=lambda r: (-action_of(case, r), r))
    return f" ({', '.join(r if counts[r] == 1 else f'{r} {counts[r]}×' for r in ordered)})" if ordered else ""


def _known(x: Floats) -> Floats:
    out: Floats = x[np.isfinite(x)]
    return out
