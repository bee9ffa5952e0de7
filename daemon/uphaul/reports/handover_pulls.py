"""The pulls of a handover: what each did, beside what the tune, its dynamometer run and the package let expect."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from uphaul.analysis.field_check import EXPECTED, OfSheet
from uphaul.analysis.package import COMPARED, HOW, Band
from uphaul.analysis.pulls import PEAK_S, RATE_REACH_MS, PullCurve
from uphaul.analysis.whole import ROLES
from uphaul.physics.basis import Floats
from uphaul.reports.checked import Checked
from uphaul.reports.curve_chart import BENCH, EXPECTED_ROLE, OWN, PACKAGE, RATED, Course, CurvePanel, curve_chart
from uphaul.reports.handover_case import Handover, Placed
from uphaul.reports.handover_road import bench_kw
from uphaul.reports.page import Block, Bullets, Chart, Heading, Para, Section, Table
from uphaul.reports.words import and_list, capital, clock, measured, measured_span, minus, plural, unit_words
from uphaul.rules import Curve
from uphaul.units import convert
from uphaul.vehicle.sheet import Exhaust

__all__ = ["pulls"]

MOST_DRAWN = 12
"""Pulls that are drawn, those within the check first and the longest of the others."""

FIELDS = {
    "boost_peak_kpa": "boost",
    "boost_peak_rpm": "engine speed of the most boost",
    "boost_s": "time to boost",
    "overshoot_kpa": "boost over what is expected",
    "egt_most_degc": "EGT",
    "egt_rate_k_s": "rise of the EGT",
    "mixture_least": "mixture",
    "charge_most_degc": "charge temperature",
    "slip_most": "clutch slip",
    "ambient_degc": "ambient",
    "baro_kpa": "barometer",
    "heading_deg": "heading",
    "grade": "slope",
}
"""What people call the fields of a pull that can be missing."""

PANELS = (
    ("boost", "Boost", "boost_kpa"),
    ("egt", "EGT", "egt_degc"),
    ("mixture", "Mixture (lambda)", "mixture"),
)
"""Role, title and field of the curve of what is drawn beside power."""


def pulls(handed: Handover) -> Section:
    """Every pull in a table, drawn over engine speed, and where it lies among the vehicles of the package."""
    found = handed.placed()
    if not found:
        none = "No pull in these drives: full pedal for 2 s in one gear while the engine gains 500 rpm is one."
        return Section("pulls", "Pulls", (Para(none),))
    blocks: list[Block] = [*_tables(found), *_windows(handed, found), *_missing(found)]
    drawn = _chosen(handed, found)
    if len(drawn) < len(found):
        blocks.append(Para(f"{len(drawn)} of {len(found)} pulls are drawn.", "small"))
    for each in drawn:
        blocks += _drawn(handed, each)
    if handed.package is not None:
        blocks += _package(handed)
    return Section("pulls", "Pulls", tuple(blocks))


# ----------------------------------------------------------------------------------------------------------- the table


def _tables(found: Sequence[Placed]) -> list[Block]:
    """Two, so that they are no wider than paper: the air and the power; heat, mixture, slip and the road."""
    first = ("no.", "drive", "at", "tune", "gear", "rpm", "boost", "at rpm", "to 90 %", "over", "power at the wheels")
    second = ("no.", "EGT", "its rise", "lambda", "charge", "slip", "ambient", "barometer", "slope")
    rows = [_lines(each) for each in found]
    return [
        Table("Pulls: boost and power", first, tuple(a for a, _ in rows), (0, 1, 2, *range(4, len(first)))),
        Table("Pulls: heat, mixture, slip, and the day", second, tuple(b for _, b in rows), tuple(range(len(second)))),
    ]


def _lines(each: Placed) -> tuple[tuple[str, ...], tuple[str, ...]]:
    p, case = each.pull, each.drive.case

    def own(role: str, value: float | None) -> str:
        return "–" if value is None else measured(case.own(role, value), case.unit(role))

    def step(role: str, value: float | None, per: str = "") -> str:
        """A difference in the owner's unit."""
        if value is None:
            return "–"
        unit = "K" if case.unit(role) == "degC" else case.unit(role)
        return measured(case.own(role, value) - case.own(role, 0.0), unit + per)

    def percent(value: float | None) -> str:
        return "–" if value is None else f"{minus(f'{100.0 * value:.1f}')} %"

    first = (
        str(each.number),
        str(each.drive.number),
        clock(p.t_ms[0]),
        p.tune or "unknown",
        "–" if p.gear is None else str(p.gear),
        f"{p.rpm[0]:.0f} to {p.rpm[1]:.0f}",
        own("boost", p.boost_peak_kpa),
        measured(p.boost_peak_rpm, "rpm").removesuffix("\N{NO-BREAK SPACE}rpm"),
        measured(p.boost_s, "s"),
        step("boost", p.overshoot_kpa),
        _most_power(p.curve),
    )
    second = (
        str(each.number),
        own("egt", p.egt_most_degc),
        step("egt", p.egt_rate_k_s, "/s"),
        own("mixture", p.mixture_least),
        own("charge", p.charge_most_degc),
        percent(p.slip_most),
        own("ambient", p.ambient_degc),
        own("baro", p.baro_kpa),
        percent(p.grade),
    )
    return first, second


def _most_power(curve: PullCurve | None) -> str:
    if curve is None or np.isnan(curve.of("power_kw")).all():
        return "–"
    at = int(np.nanargmax(curve.of("power_kw")))
    return f"{curve.power_kw[at]:.0f} ± {curve.power_doubt_kw[at]:.0f} kW at {curve.rpm[at]:.0f}"


def _windows(handed: Handover, found: Sequence[Placed]) -> list[Block]:
    """Which step of the check each pull is of, and why its figures can still differ from those of the check."""
    of = [(f"pull {each.number} is of {row.title}", row) for each in found if (row := _step_of(handed, each))]
    words = [f"Highest and lowest are means over {PEAK_S:g} s, as in the check."]
    if of:
        settle_s = max(row.step.settle_ms for _, row in of) / 1000.0
        named = and_list([text for text, _ in of])
        words.append(f"{capital(named)}; no other pull counted.")
        words.append(
            f"The check leaves out {settle_s:g} s at a step's beginning and looks while all holds that the step waits "
            f"for; this table looks at the whole pull, and for the EGT {RATE_REACH_MS / 1000:g} s beyond."
        )
    return [Para(" ".join(words), "small")]


def _step_of(handed: Handover, each: Placed) -> Checked | None:
    """The step of which this pull is the attempt that counts."""
    a, b = each.pull.t_ms
    for row in handed.rows:
        d = row.decided
        if d is None or not any(m.against == EXPECTED for m in row.step.measures) or d.drive != each.drive.number:
            continue
        if d.attempt.t_ms[0] <= b and d.attempt.t_ms[1] >= a:
            return row
    return None


def _missing(found: Sequence[Placed]) -> list[Block]:
    """Why figures are unknown, each reason once with the pulls that it holds for."""
    why: dict[str, list[str]] = {}
    for each in found:
        lacks = [f"{FIELDS.get(name, name)}: {words}" for name, words in each.pull.missing]
        if each.pull.curve is None:
            lacks.append("curve: too short for a window at each end")
        elif each.pull.curve.without_power:
            lacks.append(f"power: {each.pull.curve.without_power}")
        for words in lacks:
            why.setdefault(words, []).append(str(each.number))
    if not why:
        return []
    every = len(found)
    items = (w if len(ns) == every else f"{w} (pull {', '.join(ns)})" for w, ns in why.items())
    return [Para("Not told. " + "; ".join(capital(i) for i in items) + ".", "small")]


# ---------------------------------------------------------------------------------------------------------- the charts


def _chosen(handed: Handover, found: Sequence[Placed]) -> list[Placed]:
    """Those to draw, in the order of time."""

    def within(each: Placed) -> bool:
        a, b = each.pull.t_ms
        return any(
            t.drive == each.drive.number and t.attempt.t_ms[0] <= b and t.attempt.t_ms[1] >= a
            for row in handed.rows
            if any(m.against == EXPECTED for m in row.step.measures)
            for t in row.tried
        )

    best = sorted(found, key=lambda e: (not within(e), -e.pull.seconds))[:MOST_DRAWN]
    return sorted(best, key=lambda e: e.number)


def _drawn(handed: Handover, each: Placed) -> list[Block]:
    pull = each.pull
    if pull.curve is None:
        return []
    panels = [p for role, title, name in PANELS if (p := _panel(handed, each, role, title, name)) is not None]
    power = _power_panel(handed, each)
    if power is not None:
        panels.append(power)
    if not panels:
        return [Para(f"{each.words}: nothing of it is known over engine speed.", "small")]
    svg = curve_chart(panels, f"pull-{each.number}")
    told = [f"Drive {each.drive.number} at {clock(pull.t_ms[0])}, {pull.seconds:.1f} s."]
    told += [f"{p.title}: {_ends(p)}." for p in panels]
    return [Chart(each.words + ".", " ".join(told), svg)]


def _ends(panel: CurvePanel) -> str:
    """The highest and the lowest of the pull's own course."""
    own = panel.courses[0].values
    unit = {"°C": "degC", "°F": "degF", "": "1"}.get(panel.unit, panel.unit)
    return measured_span(float(np.nanmin(own)), float(np.nanmax(own)), unit)


def _panel(handed: Handover, each: Placed, role: str, title: str, name: str) -> CurvePanel | None:
    pull, case = each.pull, each.drive.case
    assert pull.curve is not None
    values = pull.curve.of(name)
    if np.isnan(values).all():
        return None
    unit = case.unit(role)

    def own(x: Floats) -> Floats:
        out: Floats = convert(x, ROLES[role], unit)
        return out

    rpm = np.array(pull.curve.rpm)
    courses = [Course(OWN, rpm, own(values))]
    expected = _expected(handed, each, role, rpm)
    if expected is not None:
        courses.append(expected)
    band = None if handed.package is None else handed.package.band(pull.tune, pull.gear, name)
    if band is not None:
        courses.append(_package_course(band, rpm, own))
    if role == "egt":
        courses += [Course(RATED, rpm, np.full(len(rpm), own(np.array([t]))[0])) for t in _egt_ratings(handed)]
    return CurvePanel(title, unit_words(unit), tuple(courses))


def _egt_ratings(handed: Handover) -> list[float]:
    part = handed.vehicle.sheet.part(Exhaust)
    if part is None or not part.pre_turbine:
        return []
    return [t for t in (part.egt_degc, part.egt_short_degc) if t is not None]


def _expected(handed: Handover, each: Placed, role: str, rpm: Floats) -> Course | None:
    """The tune's expected curve in the owner's unit, with the band that the check accepts once the turbo is up."""
    tune = each.pull.tune
    found = handed.tune(tune)
    curve = None if found is None else next((c for c in found.expected if (c.signal, c.over) == (role, "rpm")), None)
    if curve is None:
        return None
    middle = np.interp(rpm, curve.x, curve.y)
    held = [
        (step, dict(m.tunes).get(tune or "", m.band))
        for step in handed.check.steps
        for m in step.measures
        if m.signal == role and m.against == EXPECTED
    ]
    lows = [_edge(b.low, rpm) for _, b in held if b is not None and b.low is not None]
    highs = [_edge(b.high, rpm) for _, b in held if b is not None and b.high is not None]
    if not lows and not highs:
        return Course(EXPECTED_ROLE, rpm, middle)
    low = middle + np.nanmin(lows, axis=0) if lows else middle
    high = middle + np.nanmax(highs, axis=0) if highs else middle
    settled = rpm >= _rpm_after(each, min(step.settle_ms for step, _ in held))
    return Course(EXPECTED_ROLE, rpm, middle, np.where(settled, low, np.nan), np.where(settled, high, np.nan))


def _rpm_after(each: Placed, settle_ms: int) -> float:
    """The engine's speed when what the check leaves out of its measures was over; 0 where nothing tells it."""
    whole = each.drive.case.whole
    tick = int(np.searchsorted(whole.t_ms, each.pull.t_ms[0] + settle_ms))
    rpm = whole.read("rpm")[tick:]
    known = rpm[~np.isnan(rpm)]
    return float(known[0]) if len(known) else 0.0


def _edge(amount: float | Curve | OfSheet, rpm: Floats) -> Floats:
    """A bound of a difference from what is expected, over engine speed; nothing where it is of the sheet."""
    if isinstance(amount, Curve):
        return np.interp(rpm, amount.x, amount.y) if amount.over == "rpm" else np.zeros(len(rpm))
    return np.zeros(len(rpm)) if isinstance(amount, OfSheet) else np.full(len(rpm), amount)


def _package_course(band: Band, rpm: Floats, own: Callable[[Floats], Floats]) -> Course:
    """The package's band where the pull was, with half a step of room at each end."""
    at = np.array(band.rpm)
    inside = (at >= rpm[0] - 50.0) & (at <= rpm[-1] + 50.0)
    made = [own(np.array(x)[inside]) for x in (band.middle, band.low, band.high)]
    return Course(PACKAGE, at[inside], *made)


def _power_panel(handed: Handover, each: Placed) -> CurvePanel | None:
    pull = each.pull
    assert pull.curve is not None
    kw, doubt = pull.curve.of("power_kw"), pull.curve.of("power_doubt_kw")
    if np.isnan(kw).all():
        return None
    rpm = np.array(pull.curve.rpm)
    courses = [Course(OWN, rpm, kw, kw - doubt, kw + doubt)]
    run = bench_kw(handed, pull.tune, rpm)
    if run is not None:
        courses.append(Course(BENCH, rpm, run))
    band = None if handed.package is None else handed.package.band(pull.tune, pull.gear, "power_kw")
    if band is not None:
        courses.append(_package_course(band, rpm, lambda x: x))
    return CurvePanel("Power at the wheels", "kW", tuple(courses))


# --------------------------------------------------------------------------------------------------------- the package


def _package(handed: Handover) -> list[Block]:
    package = handed.package
    assert package is not None
    out: list[Block] = [Heading(f"Among {plural(package.vehicles, 'vehicle')} of the package"), Para(HOW, "small")]
    out.append(Para(f"The same in all of them: {COMPARED}.", "small"))
    items = [f"Pull {each.number}: {at.words.replace('degC', '°C')}" for each, at in handed.placements()]
    if items:
        out.append(Bullets(tuple(items)))
    if package.told:
        out.append(Bullets(tuple(capital(t) for t in package.told)))
    if not items:
        out.append(Para("No pull could be placed in a band."))
    return out
