"""The handover report: every figure is the engine's, what failed stands out, and the page holds nothing but itself."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree.ElementTree import Element

import html5lib
import numpy as np
import pytest

from support.handed import CHECK, CLOSED, handed_over, log_of_two, with_bench
from uphaul.analysis.field_check import Verdict
from uphaul.analysis.package import Package, VehicleSummary, package_bands, package_summary
from uphaul.analysis.pull_spread import spread
from uphaul.cli.handover_json import to_object
from uphaul.reports.checked import Checked, Tried, accepted, measure_of, outcome, reading
from uphaul.reports.complaint import BANNER
from uphaul.reports.curve_chart import EXPECTED_ROLE, CurvePanel
from uphaul.reports.handover import handover
from uphaul.reports.handover_case import Handover, Kept, Written
from uphaul.reports.handover_front import CAUTIONS, HOW_TO
from uphaul.reports.handover_road import EFFICIENCY_DOUBT, bench_rows
from uphaul.reports.html import to_html
from uphaul.reports.page import Block, Bullets, Chart, Para, Report, Table
from uphaul.reports.words import clock, figure

HTML = "{http://www.w3.org/1999/xhtml}"
SHOWN = f"{735.0 - (735.0 - 400.0) / 99.0:.0f}\xa0°C"
"""Of a pull in which the EGT rises evenly from 400 to 735 in 100 ticks of 0.1 s: the mean of the last three."""
EVIL = """<script>alert("x")</script><img src=x onerror=alert(1)>'"&{{ 7*7 }}"""


@dataclass(frozen=True)
class Made:
    handed: Handover
    report: Report
    html: str
    page: Element


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    handed = handed_over(log_of_two(tmp_path_factory.mktemp("log") / "check.db"))
    kept = Kept(2, "Drive 2 is the reference")
    return show(replace(handed, kept=kept, written=Written("C. Ustomer (invented)", "W. Orkshop (invented)")))


def show(handed: Handover) -> Made:
    report = handover(handed)
    html = to_html(report)
    return Made(handed, report, html, html5lib.HTMLParser(strict=True).parse(html))


def words(element: Element | None) -> str:
    assert element is not None
    return " ".join("".join(element.itertext()).split())


def blocks(report: Report, name: str) -> tuple[Block, ...]:
    (found,) = [s for s in report.sections if s.name == name]
    return found.blocks


def tables(report: Report, name: str) -> Iterator[Table]:
    return (b for b in blocks(report, name) if isinstance(b, Table))


def told(report: Report, name: str) -> str:
    """All plain text of a section."""
    out = []
    for b in blocks(report, name):
        if isinstance(b, Para):
            out.append(b.text)
        elif isinstance(b, Bullets):
            out += b.items
        elif isinstance(b, Chart):
            out.append(f"{b.title} {b.text}")
    return "\n".join(out)


def checks(report: Report) -> Table:
    assert report.front is not None
    table = report.front.wide[0]
    assert isinstance(table, Table)
    return table


def ratings(report: Report) -> Table:
    assert report.front is not None
    table = report.front.wide[1]
    assert isinstance(table, Table)
    return table


# ------------------------------------------------------------------------------------------------------ the first page


def test_the_outcome_is_one_plain_sentence(made: Made) -> None:
    assert made.report.front is not None
    assert made.report.front.outcome == (
        f"3 of 5 passed; 1 skipped: Cool-down ({CLOSED}); 1 not needed: Loaded pull, stock (same fuelling as before); "
        "1 not done: Loaded pull, tow-max."
    )
    assert made.report.front.weight == "open"
    assert not re.search(r"\bsafe(ty)?\b", made.report.front.outcome)


def test_every_check_stands_there_with_what_the_engine_measured(made: Made) -> None:
    rows = checks(made.report).rows
    cells = iter(rows)
    for checked in made.handed.rows:
        lines = [next(cells) for _ in range(max(1, len(checked.measured)))]
        assert lines[0][:2] == (checked.title, checked.verdict.value)
        for line, m in zip(lines, checked.measured, strict=False):
            of = measure_of(checked.step, m)
            assert line[3:] == (reading(m, of), accepted(m, of))
    assert list(cells) == []
    pull = [r for r in rows if r[2] == "peak boost"]
    assert [(r[3], r[4]) for r in pull] == [("149\xa0kPa", "120 to 190\xa0kPa")]  # over the last 0.3 s of a rise to 150


def test_what_was_skipped_or_not_needed_gives_its_reason(made: Made) -> None:
    by = {r[0]: r for r in checks(made.report).rows if r[0]}
    assert by["Cool-down"][1:3] == ("skipped", CLOSED)
    assert by["Loaded pull, stock"][1:3] == ("not needed", "same fuelling as before")
    assert by["Loaded pull, tow-max"][1:3] == ("not done", "–")


def test_a_failed_check_is_seen_without_colour(tmp_path: Path) -> None:
    hot = show(handed_over(log_of_two(tmp_path / "hot.db", egt_degc=735.0)))
    assert hot.handed.failed and not hot.handed.good
    assert hot.report.front is not None and hot.report.front.weight == "bad"
    table = checks(hot.report)
    (row,) = [r for r in table.rows if r[2] == "highest EGT"]
    assert row[3:] == (SHOWN, "at most 720\xa0°C")
    (head,) = [i for i, r in enumerate(table.rows) if r[0] == "Loaded pull, tow"]
    assert table.rows[head][1] == "FAILED" and table.weights[head] == "bad"
    assert "1 failed: Loaded pull, tow" in outcome(hot.handed.rows)


def test_with_more_checks_than_room_each_step_keeps_what_decides_it(made: Made) -> None:
    many = replace(made.handed, rows=made.handed.rows * 8)
    table = checks(handover(many))
    assert len(table.rows) == len(many.rows)
    pull = [r for r in table.rows if r[0] == "Loaded pull, tow"]
    assert {r[2] for r in pull} == {"highest EGT"}  # 640 of 720; boost lies 30 of 70 from its bound
    assert "16 more values in the annex" in table.caption


def test_ratings_are_those_of_the_headroom_table_the_weakest_on_top(made: Made) -> None:
    table = ratings(made.report)
    best: dict[tuple[str, str], float] = {}
    for driven in made.handed.drives:
        for use in driven.used.uses:
            key = (use.part, use.rating)
            best[key] = max(best.get(key, 0.0), use.judged.share)
    shares = [o.use.judged.share for o in made.handed.uses()]
    assert shares == sorted(shares, reverse=True) and len(shares) == len(best) >= 5
    for found, row in zip(made.handed.uses(), table.rows, strict=False):
        use = found.use
        assert use.judged.share == best[use.part, use.rating]
        left = f"{use.rated - use.judged.value:.0f} K left"
        assert row[1] == use.rating
        assert row[2].startswith(left if use.unit == "degC" else f"{100.0 * use.judged.share:.0f} %")
        assert row[3].removeprefix("at least ") == figure(use.rated, use.unit)
    assert len(table.rows) == len(shares)
    untold = made.handed.not_told()
    assert untold and all(f"{rating} of {part}" in words(made.page) for part, rating, _ in untold)
    assert all(f"{part}, {rating}: not told: {why}" in told(made.report, "used") for part, rating, why in untold)


def test_a_part_past_its_rating_stands_out(tmp_path: Path) -> None:
    report = handover(handed_over(log_of_two(tmp_path / "hot.db", egt_degc=800.0)))
    table = ratings(report)
    (row,) = [i for i, r in enumerate(table.rows) if r[1] == "exhaust for seconds"]
    assert table.weights[row] == "bad"
    assert report.front is not None
    assert report.front.outcome.endswith(f" Past a rating: {table.rows[row][0]}.")


def test_a_part_past_its_rating_is_told_on_top_though_no_check_failed(made: Made) -> None:
    *rest, hot = made.handed.drives
    first, *others = hot.used.uses
    past = replace(first, judged=replace(first.judged, value=1.05 * first.rated, share=1.05))
    handed = replace(made.handed, drives=(*rest, replace(hot, used=replace(hot.used, uses=(past, *others)))))
    found = handover(handed).front
    assert found is not None and made.handed.weight == "open"
    assert found.weight == "bad" and f" Past a rating: {handed.past[0]}." in found.outcome
    assert made.handed.lacking == "1 of 5 steps were not done"
    assert handed.lacking == f"{made.handed.lacking} and a part was used past its rating: {handed.past[0]}"


def test_a_part_that_does_less_than_it_is_rated_for_is_not_used_past_its_rating(made: Made) -> None:
    *rest, hot = made.handed.drives
    first, *others = hot.used.uses
    weak = replace(
        first,
        unit="1",
        rated=0.7,
        at_least=True,
        doubt=None,
        judged=replace(first.judged, value=0.63, share=0.7 / 0.63),
    )
    handed = replace(made.handed, drives=(*rest, replace(hot, used=replace(hot.used, uses=(weak, *others)))))
    assert (handed.past, handed.weight) == ((), made.handed.weight)
    table = ratings(handover(handed))
    assert (table.rows[0][2], table.rows[0][3], table.weights[0]) == ("90 % reached", "at least 0.7", "")


def test_the_customer_learns_who_what_when_and_how_to_live_with_it(made: Made) -> None:
    text = words(made.page)
    for said in (
        "Sample tow vehicle (invented)", "C. Ustomer (invented)", "W. Orkshop (invented)", "1 and 2 of check.db",
        "Drive 2 is the reference", "vehicle 2700 kg, trailer 2700 kg", "Wind and humidity: not measured",
        "Drive 1: 2026-01-01 08:00 UTC;", "Cautions confirmed by T. Echnician (invented)", "Two people: one drives.",
        "Uprated bolt-on turbo (invented)", "invented for this sample: injectors", "140 kW", "470 N·m",
    ):  # fmt: skip
        assert said in text, said
    assert all(line in text for line in (*HOW_TO, *CAUTIONS)) and len(HOW_TO) == 5
    assert all("passenger" in line for line in HOW_TO if "page" in line or "press" in line)  # never the driver
    signs = made.page.find(f".//{HTML}div[@class='signatures']")
    assert [words(p.find(f"{HTML}b")) for p in signs or ()] == ["Technician", "Passenger", "Customer"]


def test_a_drive_that_was_looked_at_afterwards_says_that_nobody_confirmed(made: Made) -> None:
    drives = tuple(replace(d, runs=tuple(replace(r, confirmed_by="") for r in d.runs)) for d in made.handed.drives)
    assert "nobody confirmed cautions" in to_html(handover(replace(made.handed, drives=drives)))


def test_a_drive_with_gaps_says_so_on_the_first_page(made: Made) -> None:
    """A step that fell into a gap reads as not done, and its reader must learn why."""
    cold, hot = made.handed.drives
    whole = cold.case.whole
    late = np.arange(len(whole)) >= len(whole) // 2
    holed = replace(cold, case=replace(cold.case, whole=replace(whole, t_ms=whole.t_ms + 40_000 * late)))
    said = to_html(handover(replace(made.handed, drives=(holed, hot))))
    assert "not recorded throughout" not in words(made.page)
    assert f"Drive {cold.number} was not recorded throughout: 1 gap of 40.1 s in all" in said


# ----------------------------------------------------------------------------------------------------------- the annex


def test_the_annex_has_every_attempt_with_every_measure(made: Made) -> None:
    (table,) = tables(made.report, "attempts")
    measured = [
        (reading(m, measure_of(row.step, m)), accepted(m, measure_of(row.step, m)))
        for row in made.handed.rows
        for t in row.tried
        for m in t.attempt.measured
    ]
    assert [(r[5], r[6]) for r in table.rows if r[5]] == measured
    assert len(measured) >= 5


def test_two_attempts_at_a_step_are_both_told(tmp_path: Path) -> None:
    twice = handed_over(log_of_two(tmp_path / "twice.db", egt_degc=735.0, pulls=2))
    (table,) = tables(handover(twice), "attempts")
    assert [r[3] for r in table.rows if r[0] == "Loaded pull, tow" or (r[3] and not r[0])].count("FAILED") >= 1
    (row,) = [r for r in twice.rows if r.title == "Loaded pull, tow"]
    assert len(row.tried) == 2
    assert sum(r[5] == SHOWN for r in table.rows) == 2


def test_bands_have_their_reasons_and_sources(made: Made) -> None:
    (table,) = tables(made.report, "reasons")
    assert (table.rows[0][:4]) == (
        "Key on, engine off",
        "EGT at rest",
        "at least 100\xa0°C and at most 200\xa0°C",
        "nothing burns",
    )
    accepted_ = [r[2] for r in table.rows]
    assert "at least 120\xa0kPa and at most 100 % of the sheet's turbo.boost" in accepted_
    assert "at most +35\xa0kPa from what is expected" in accepted_
    assert "Tune stock needed no run of its own: same fuelling as before" in told(made.report, "reasons")


def test_a_pull_is_told_with_the_figures_of_the_analysis(made: Made) -> None:
    (row,), (heat,) = (t.rows for t in tables(made.report, "pulls"))
    (pull,) = [p.pull for p in made.handed.placed()]
    assert row[:5] == ("1", "2", clock(pull.t_ms[0]), "tow", "3")
    assert row[6] == figure(pull.boost_peak_kpa, "kPa")
    assert heat[1] == figure(pull.egt_most_degc, "degC") and heat[3] == "–"
    assert pull.curve is not None
    at = int(np.argmax(pull.curve.of("power_kw")))
    assert row[10] == (
        f"{pull.curve.power_kw[at]:.0f} ± {pull.curve.power_doubt_kw[at]:.0f} kW at {pull.curve.rpm[at]:.0f}"
    )
    assert "Mixture least" not in told(made.report, "pulls")
    assert "Mixture: no signal mixture" in told(made.report, "pulls")
    assert "Pull 1: tow, gear 3." in told(made.report, "pulls")


def test_of_which_step_a_pull_is_and_over_what_its_figures_are_is_told(made: Made) -> None:
    text = told(made.report, "pulls")
    assert "Pull 1 is of Loaded pull, tow; no other pull counted." in text
    assert "means over 0.3 s, as in the check" in text


def test_a_step_that_was_judged_over_gaps_says_so_on_both_pages(made: Made) -> None:
    def holed(row: Checked) -> Checked:
        if row.decided is None or row.step.name != "idle":
            return row
        over = Tried(row.decided.drive, replace(row.decided.attempt, unlogged_ms=900))
        return replace(row, tried=(over,), decided=over)

    report = handover(replace(made.handed, rows=tuple(holed(r) for r in made.handed.rows)))
    words_ = "judged over gaps: 0.9 s of it not recorded"
    (at,) = [i for i, r in enumerate(checks(report).rows) if r[2] == words_]
    assert checks(report).rows[at - 1][:2] == ("Idle", "passed, with gaps")
    (table,) = tables(report, "attempts")
    assert words_ in [r[4] for r in table.rows]
    assert report.front is not None and report.front.outcome.endswith("; 1 judged over gaps: Idle.")
    assert "gaps" not in words(made.page.find(f".//{HTML}div[@class='front']/{HTML}div"))


def test_a_step_that_moves_tells_its_tune(made: Made) -> None:
    steps = tuple(replace(s, moving=True) if s.name == "idle" else s for s in made.handed.check.steps)
    rows = tuple(replace(r, step=steps[1]) if r.step.name == "idle" else r for r in made.handed.rows)
    report = handover(replace(made.handed, rows=rows, check=replace(made.handed.check, steps=steps)))
    assert [r[0] for r in checks(report).rows if r[0].startswith("Idle")] == ["Idle (tune tow)"]
    (table,) = tables(report, "attempts")
    assert "Idle (tune tow)" in [r[0] for r in table.rows]


def test_alerts_are_told_with_the_rules_that_were_raised(made: Made) -> None:
    assert made.report.front is not None
    days = dict(made.report.front.beside)["On these days"][0]
    assert isinstance(days, Bullets)
    for driven in made.handed.drives:
        (line,) = [item for item in days.items if item.startswith(f"Drive {driven.number}: ")]
        counts = {e.rule: sum(o.rule == e.rule for o in driven.case.episodes) for e in driven.case.episodes}
        assert counts
        assert all(rule if count == 1 else f"{rule} {count}×" in line for rule, count in counts.items())
        assert all(rule in line for rule in counts)


def test_a_limit_that_is_out_of_reach_reads_as_off(made: Made) -> None:
    """Towing on the tune that is not for it: 50 t elsewhere is no limit."""
    (table,) = tables(made.report, "limits")
    (row,) = [r for r in table.rows if r[0] == "towing-on-stock-tune"]
    assert row[3:5] == ("off (above 50\xa0t, out of reach)", "stock: above 3.6\xa0t for 10.0 s")


def test_the_chart_of_a_pull_draws_only_what_there_is(made: Made) -> None:
    (chart,) = [b for b in blocks(made.report, "pulls") if isinstance(b, Chart)]
    drawn = re.findall(r">([^<>]+)</text>", chart.svg)
    assert {"Boost, kPa", "EGT, °C", "Power at the wheels, kW"} <= set(drawn)
    assert not any("Mixture" in text for text in drawn)
    legend = [t for t in drawn if "shaded" in t or "rating" in t or "dynamometer" in t or "package" in t]
    assert legend == [
        "this pull, shaded: some 95 %",
        "expected of the tune, shaded: what the check accepts after spool-up",
        "rating of a part",
    ]


def test_what_the_check_accepts_is_shaded_only_where_it_measures(made: Made, monkeypatch: pytest.MonkeyPatch) -> None:
    """From 3 s of ten on, in a pull from 1,500 to 3,200 rpm: before that the turbo comes up."""
    drawn: list[CurvePanel] = []

    def keep(panels: Sequence[CurvePanel], name: str) -> str:
        drawn.extend(panels)
        return ""

    monkeypatch.setattr("uphaul.reports.handover_pulls.curve_chart", keep)
    steps = tuple(replace(s, settle_ms=3000 if s.name == "pull" else 0) for s in made.handed.check.steps)
    handover(replace(made.handed, check=replace(made.handed.check, steps=steps)))
    (boost,) = [p for p in drawn if p.title == "Boost"]
    (expected,) = [c for c in boost.courses if c.role is EXPECTED_ROLE]
    assert expected.high is not None
    assert not np.isnan(expected.values).any()
    begins = expected.rpm[~np.isnan(expected.high)][0]
    assert begins == pytest.approx(1500 + 0.3 * 1700, abs=100)  # a point every 100 rpm
    before = expected.rpm < begins
    assert before.any()
    assert np.isnan(expected.high[before]).all()


def test_without_a_pull_it_says_what_one_is(made: Made) -> None:
    drives = tuple(replace(d, pulls=()) for d in made.handed.drives)
    none = replace(made.handed, drives=drives)
    assert "No pull in these drives: full pedal" in told(handover(none), "pulls")
    assert none.reference.number == 2  # the newest
    assert replace(none, drives=(made.handed.drives[1], drives[0])).reference.number == 2  # the one with a pull


def test_limits_in_force_are_those_of_the_drive_and_called_starting_points(made: Made) -> None:
    (table,) = tables(made.report, "limits")
    rules = made.handed.reference.case.rules
    assert {r[0] for r in table.rows} == {r.name for r in rules}
    assert "starting points" in told(made.report, "limits")
    hot = {r[0]: r for r in table.rows}
    assert hot["egt-high"][3] == "above 720\xa0°C for 10.0 s"
    assert hot["egt-high"][4].startswith(
        "stock: above 690\xa0°C for 5.0 s; tow-max: above 690 to 720\xa0°C over altitude"
    )
    assert hot["lost:egt"][3] == "unknown for 10.0 s"


def test_each_drive_has_its_alerts_its_data_quality_and_what_judged_it(made: Made) -> None:
    names = [s.name for s in made.report.sections]
    assert names == [
        "pulls", "road", "attempts", "reasons", "used", "limits",
        *(f"{what}-{n}" for n in (1, 2) for what in ("log", "quality", "setup")), "cautions",
    ]  # fmt: skip
    sha256 = made.handed.reference.case.parts[-1].sha256
    assert sha256[:16] in words(made.page.find(f".//{HTML}section[@id='setup-2']"))
    assert sha256[:16] in dict(made.report.facts)["Judged by"]


# ------------------------------------------------------------------------------------------------ bench and package


def bench_of(tmp_path: Path, share: float, *, at_wheels: bool = False) -> Handover:
    """With a dynamometer run of a constant power at the wheels: a share of the pull's at 2400 rpm."""
    log = log_of_two(tmp_path / "bench.db", pulls=2)
    handed = handed_over(log)
    (group,) = spread([p.pull for p in handed.placed()])
    course = group.of("power_kw")
    assert course is not None
    kw = course.middle[group.rpm.index(2400.0)] * share
    vehicle = with_bench(handed.vehicle, kw, at_wheels=at_wheels)
    return replace(handed, vehicle=vehicle)


def test_the_bench_column_is_the_run_at_the_wheels(tmp_path: Path) -> None:
    handed = bench_of(tmp_path, 1.0)
    (group,) = spread([p.pull for p in handed.placed()])
    rows = bench_rows(handed, group, handed.placed())
    (same,) = [r for r in rows if r.rpm == 2400.0]
    assert same.bench == pytest.approx(same.road, rel=1e-12)
    assert same.apart == pytest.approx(0.0, abs=1e-12)
    curves = [p.pull.curve for p in handed.placed()]
    assert same.doubt == max(c.power_doubt_kw[c.rpm.index(2400.0)] for c in curves if c is not None)
    table = next(tables(handover(handed), "road"))
    (row,) = [r for r in table.rows if r[0] == "2400"]
    assert row[1] == row[4] == f"{same.road:.0f}" and row[5] == "0\xa0%" and row[6] == ""
    assert row[2] == f"{same.doubt:.0f}"


@pytest.mark.parametrize(("share", "word"), [(0.5, "more"), (2.0, "less")])
def test_it_says_where_road_and_dynamometer_disagree(tmp_path: Path, share: float, word: str) -> None:
    report = handover(bench_of(tmp_path, share))
    table = next(tables(report, "road"))
    (row,) = [r for r in table.rows if r[0] == "2400"]
    assert row[6] == "disagree"
    assert f"the road tells {word} than the dynamometer" in told(report, "road")
    assert "dynamometer, brought to the wheels" in to_html(report)


def test_a_run_at_the_wheels_leaves_the_driveline_out_of_the_doubt(tmp_path: Path) -> None:
    handed = bench_of(tmp_path, 1.0)
    (group,) = spread([p.pull for p in handed.placed()])
    (row,) = [r for r in bench_rows(handed, group, handed.placed()) if r.rpm == 2400.0]
    edge = replace(row, bench=row.road + row.doubt * 1.01)
    assert not edge.agree(0.0) and edge.agree(EFFICIENCY_DOUBT)


def test_what_a_road_cant_know_is_always_told(made: Made) -> None:
    text = told(made.report, "road")
    assert "The build sheet has no dynamometer run of this tune" in text
    assert "Wind: none is measured." in text and "Savitzky and Golay" in text


def in_package(handed: Handover, times: float, names: int = 6) -> Package:
    """Vehicles alike but for their power, in the middle of which the handover's lies `times` over."""
    own = package_summary("own", handed.vehicle.sheet, [p.pull for p in handed.placed()])
    vehicles = []
    for i in range(names):
        factor = (1.0 + 0.01 * (i - 2.5)) / times
        sweeps = tuple(
            replace(
                s, courses=tuple((q, tuple(x * (factor if q == "power_kw" else 1.0) for x in v)) for q, v in s.courses)
            )
            for s in own.sweeps
        )
        vehicles.append(VehicleSummary(f"vehicle {i}", own.parts, sweeps))
    return package_bands(vehicles)


@pytest.mark.parametrize(
    ("times", "place", "front"),
    [
        (1.0, "in the band at all", "every pull lies where a new one is expected"),
        (1.5, "above the band at", "outside what is expected: power at the wheels in tow (see the annex)"),
    ],
)
def test_a_new_vehicle_is_placed_in_its_package(made: Made, times: float, place: str, front: str) -> None:
    report = handover(replace(made.handed, package=in_package(made.handed, times)))
    text = told(report, "pulls")
    assert f"Pull 1: power at the wheels: {place}" in text
    assert f"Among 6 vehicles of the same parts: {front}" in to_html(report)
    assert "Pull 1: boost: in the band at all" in text
    assert "vehicles of the package, hatched" in to_html(report)


def test_too_few_vehicles_make_no_band_and_it_says_so(made: Made) -> None:
    report = handover(replace(made.handed, package=in_package(made.handed, 1.0, names=3)))
    assert "too few vehicles (3 of at least 4): no band" in told(report, "pulls")
    assert "No pull could be placed in a band." in told(report, "pulls")


# -------------------------------------------------------------------------------------------------- what a page must be


def test_what_people_wrote_is_text_and_never_markup(made: Made) -> None:
    step = replace(CHECK.steps[0], title=EVIL, do=EVIL, measures=(replace(CHECK.steps[0].measures[0], title=EVIL),))
    rows = tuple(replace(r, step=step if r.step.name == "key-on" else r.step, why=EVIL) for r in made.handed.rows)
    bad = replace(
        made.handed,
        check=replace(CHECK, title=EVIL, steps=(step, *CHECK.steps[1:]), cautions=(EVIL,), excused=(("stock", EVIL),)),
        rows=rows,
        vehicle=replace(
            made.handed.vehicle,
            name=EVIL,
            sheet=replace(
                made.handed.vehicle.sheet,
                parts=tuple(replace(p, title=EVIL, source=EVIL) for p in made.handed.vehicle.sheet.parts),
            ),
        ),
        kept=Kept(None, EVIL),
        written=Written(EVIL, EVIL),
        source=EVIL,
    )
    page = show(bad).page
    assert words(page).count("<script>") > 10
    kinds = {str(e.tag).removeprefix(HTML) for e in page.iter()}
    assert not kinds & {"script", "img", "iframe", "object", "link", "form", "base"}
    assert [k for e in page.iter() for k in e.attrib if k.startswith("on")] == []


def test_it_needs_nothing_from_elsewhere(made: Made) -> None:
    for element in made.page.iter():
        for key, value in element.attrib.items():
            if str(key).endswith(("href", "src", "data", "action", "srcset")):
                assert value.startswith("#"), (element.tag, key, value)
    left = made.html.replace("http://www.w3.org/2000/svg", "").replace("http://www.w3.org/1999/xlink", "")
    assert "://" not in left and "<script" not in left
    assert "default-src 'none'" in made.html


def test_no_two_elements_have_one_id_and_every_reference_meets_one(made: Made, tmp_path: Path) -> None:
    page = show(handed_over(log_of_two(tmp_path / "three.db", pulls=3)))
    ids = [e.get("id") for e in page.page.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    used = re.findall(r'url\(#([^)]+)\)|xlink:href="#([^"]+)"|href="#([^"]+)"', page.html)
    assert len(used) > 10
    assert {a or b or c for a, b, c in used} <= set(ids)


def test_invented_data_say_so(made: Made) -> None:
    """Its drives come from the invented vehicle, whatever the build sheet says."""
    assert made.report.banner == BANNER
    assert replace(made.handed, vehicle=replace(made.handed.vehicle, name="A vehicle")).invented


def test_json_has_the_figures_of_the_page(made: Made) -> None:
    handed = replace(made.handed, package=in_package(made.handed, 1.0))
    found = json.loads(json.dumps(to_object(handed), allow_nan=False))
    assert found["outcome"] == outcome(handed.rows) and found["reference"] == 2 and found["good"] is False
    (pull,) = [c for c in found["checks"] if (c["step"], c["tune"]) == ("pull", "tow")]
    assert pull["verdict"] == "passed" and pull["drive"] == 2
    assert [(m["name"], m["value"], m["ok"]) for m in pull["measured"]] == [
        (m.name, m.value, m.ok) for r in handed.rows if r.title == "Loaded pull, tow" for m in r.measured
    ]
    assert found["pulls"][0]["curve"]["mixture"][0] is None
    assert {p["quantity"] for p in found["package"]["placed"]} >= {"power_kw", "boost_kpa"}
    assert found["ratings"][0]["share"] == handed.uses()[0].use.judged.share
    assert {v.value for v in Verdict} >= {c["verdict"] for c in found["checks"]}
