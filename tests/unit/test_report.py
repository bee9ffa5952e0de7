"""The complaint report: every section there, what a log brings escaped, nothing from elsewhere, always the same."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path
from xml.etree.ElementTree import Element

import html5lib
import pypdf
import pytest
from click.testing import CliRunner

from support.complained import enter
from support.complaints import EVIL, GAP_S, LOST_MS, MARKS_MS, PEAK_DEGC, log_of
from support.whole_drives import CRUISING, IDLING, Leg, by_hand
from uphaul.alerts import Notice, NoticeKind
from uphaul.analysis.cause_table import CAUSES
from uphaul.analysis.findings import NOTHING, TOO_LITTLE
from uphaul.analysis.segment_figures import RuleHeadroom
from uphaul.cli import main
from uphaul.cli.report_case import read_case
from uphaul.config import demo_config
from uphaul.log.reader import Log
from uphaul.reports.around import action_of
from uphaul.reports.case import Case, Looked, look
from uphaul.reports.complaint import BANNER, answer, complaint
from uphaul.reports.fits import PROVEN, not_seen
from uphaul.reports.html import to_html
from uphaul.reports.page import Report, Table
from uphaul.reports.said import headroom
from uphaul.reports.words import clean, clock, figure
from uphaul.rules import ABOVE, Action, Kind

SECTIONS = ["reported", "log", "fits", "beside", "driven", "headroom", "quality", "setup", "cautions"]
HTML = "{http://www.w3.org/1999/xhtml}"


@dataclass(frozen=True)
class Made:
    log: Path
    case: Case
    reference: Case
    looked: Looked
    report: Report
    html: str
    page: Element


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    log = log_of(tmp_path_factory.mktemp("log") / "trip.db")
    with Log.open(log) as file:
        case, reference = read_case(file, 2), read_case(file, 1)
    looked = look(case, reference)
    report = complaint(case, looked, reference)
    html = to_html(report)
    return Made(log, case, reference, looked, report, html, parsed(html))


def parsed(html: str) -> Element:
    """The page as a browser reads it; the least thing that is wrong with it is an error."""
    tree: Element = html5lib.HTMLParser(strict=True).parse(html)
    return tree


def words(element: Element | None) -> str:
    assert element is not None
    return " ".join("".join(element.itertext()).split())


def section(made: Made, name: str) -> str:
    return words(made.page.find(f".//{HTML}section[@id='{name}']"))


def tables(report: Report, name: str) -> Iterator[Table]:
    (found,) = [s for s in report.sections if s.name == name]
    return (b for b in found.blocks if isinstance(b, Table))


def test_it_has_the_answer_in_five_lines_and_then_every_section(made: Made) -> None:
    labels = [words(e) for e in made.page.iter(f"{HTML}dt")]
    assert labels[-5:] == ["What happened", "Reported", "What fits", "Check first", "How sure"]
    assert [e.get("id") for e in made.page.iter(f"{HTML}section")] == SECTIONS
    assert [e.get("href") for e in made.page.iter(f"{HTML}a")] == [f"#{name}" for name in SECTIONS]
    answer = words(made.page.findall(f".//{HTML}dl")[1])
    assert made.looked.findings.words in answer
    assert "proven on our own invented vehicle only" in answer


@pytest.mark.parametrize("rule", ["boost-low", "egt-high"])
def test_what_to_check_first_tells_what_a_rule_kept_asking_for(made: Made, rule: str) -> None:
    """A cause, or that there is none, hides no rule: short pulls are seen by rules and not by the comparison."""
    say, before = made.case.rule_of[rule].say, replace(made.case, notices=())
    again = replace(made.case, notices=(Notice(100_000, NoticeKind.REPEATING, rule),))
    without, told = (dict(answer(c, made.looked, made.reference))["Check first"] for c in (before, again))
    assert made.looked.findings.ranked
    assert told == f"{without} Look too at what {rule} kept asking for: “{say}”."


def test_where_no_cause_was_found_the_alerts_come_before_any_limit(made: Made) -> None:
    """Moving a limit hides a fault: the report begins with all that the rules said, and calls nothing sound."""
    nothing = replace(made.looked, findings=replace(made.looked.findings, ranked=(), verdict=NOTHING))
    asked = next(e for e in made.case.episodes if action_of(made.case, e.rule) >= Action.EASE)
    noted = replace(asked, rule="intercooler-poor")
    assert action_of(made.case, noted.rule) is Action.NOTE
    told = dict(answer(replace(made.case, episodes=(noted, asked)), nothing, made.reference))
    first = told["Check first"]
    assert first.index(made.case.rule_of[asked.rule].say) < first.index(made.case.rule_of[noted.rule].say)
    assert "before any limit is moved" in first
    assert "does not mean that the vehicle is sound" in first
    assert told["What happened"].endswith(
        f"1 alert asked to ease off; 1 note. Asked by: {asked.rule}; the first at {clock(asked.raised_ms)}."
    )


def test_what_was_not_seen_is_told_as_the_fault_that_it_would_be(made: Made) -> None:
    told = {e.sign.name: not_seen(e) for e in made.looked.findings.evidence}
    signs = {e.sign.name: e.sign for e in made.looked.findings.evidence}
    assert told["slip"] == (signs["slip"].up,)
    assert told["boost"] == (signs["boost"].down,)
    assert told["cooler"] == (signs["cooler"].up, signs["cooler"].down)  # fouled, or a sensor that reads low
    assert told["pull_power"] == (signs["pull_power"].down,)


def test_who_named_a_reference_is_not_asked_for_one(made: Made) -> None:
    little = replace(made.looked, findings=replace(made.looked.findings, ranked=(), verdict=TOO_LITTLE))
    quiet = replace(made.case, episodes=(), notices=())
    assert little.comparison is not None
    with_one = dict(answer(quiet, little, made.reference))["Check first"]
    without = dict(answer(quiet, replace(little, comparison=None), None))["Check first"]
    assert "speeds of the reference" in with_one and "--against" not in with_one
    assert "--against" in without


def test_a_question_to_check_first_ends_as_a_question(made: Made) -> None:
    causes = {c.key: replace(made.looked.findings.ranked[0], first=c.first) for c in CAUSES}
    ends = set()
    for one in causes.values():
        looked = replace(made.looked, findings=replace(made.looked.findings, ranked=(one,)))
        first = dict(answer(replace(made.case, notices=()), looked, made.reference))["Check first"]
        ends.add(first[-1])
        assert first[-2] not in ".?!"
    assert ends == {".", "?"}


def test_what_a_log_brings_is_text_and_never_markup(made: Made) -> None:
    """Names, notes and words are written by whoever could act on the vehicle."""
    assert EVIL in section(made, "reported")
    kinds = {str(e.tag).removeprefix(HTML) for e in made.page.iter()}
    assert not kinds & {"script", "img", "iframe", "object", "link", "form", "base"}
    assert [k for e in made.page.iter() for k in e.attrib if k.startswith("on")] == []


def test_everything_that_a_log_could_bring_is_escaped(made: Made) -> None:
    bad = replace(
        made.case,
        log=EVIL,
        about=replace(made.case.about, begun=EVIL, end_reason=EVIL),
        parts=tuple(
            replace(p, info=replace(p.info, software=EVIL, judge_version=EVIL), config=renamed(p.config))
            for p in made.case.parts
        ),
        anchors=tuple(replace(a, utc=EVIL, source=EVIL) for a in made.case.anchors),
        whole=replace(made.case.whole, events=tuple(replace(e, actor=EVIL, text=EVIL) for e in made.case.whole.events)),
        notes=(EVIL,),
        episodes=tuple(replace(e, cause=EVIL, cut=EVIL) for e in made.case.episodes),
    )
    page = parsed(to_html(complaint(bad, look(bad, made.reference), made.reference)))
    assert words(page).count("<script>") > 10
    assert not list(page.iter(f"{HTML}script")) and not list(page.iter(f"{HTML}img"))


def renamed(config: object) -> object:
    return replace(config, vehicle=replace(config.vehicle, name=EVIL + " invented"))  # type: ignore[attr-defined,type-var]


def test_marks_that_turn_the_text_or_that_no_page_may_hold_are_taken_out() -> None:
    assert clean("a\u202eb\x00c\x9bd") == "a\ufffdb\ufffdc\ufffdd"
    assert clean("Ärger über 20 % – ok\nzwei") == "Ärger über 20 % – ok\nzwei"


def test_it_needs_nothing_from_elsewhere(made: Made) -> None:
    for element in made.page.iter():
        for key, value in element.attrib.items():
            if str(key).endswith(("href", "src", "data", "action", "srcset")):
                assert value.startswith("#"), (element.tag, key, value)
    assert re.findall(r"url\((?!#)|@import|@font-face", made.html) == []
    left = made.html.replace("http://www.w3.org/2000/svg", "").replace("http://www.w3.org/1999/xlink", "")
    assert "://" not in left.replace(EVIL, "")
    assert "default-src 'none'" in made.html


def test_no_two_elements_have_one_id_and_every_reference_meets_one(made: Made) -> None:
    ids = [e.get("id") for e in made.page.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    used = re.findall(r'url\(#([^)]+)\)|xlink:href="#([^"]+)"', made.html)
    assert used
    assert {a or b for a, b in used} <= set(ids)


def test_the_same_drive_gives_the_same_page(made: Made, tmp_path: Path) -> None:
    """Also in another process with other seeds of hashing."""
    for seed in ("1", "2"):
        command = [sys.executable, "-m", "uphaul", "report", str(made.log), "--against", "1", "--to", f"{seed}.html"]
        done = subprocess.run(
            command, cwd=tmp_path, env={"PYTHONHASHSEED": seed}, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
    assert (tmp_path / "1.html").read_text() == (tmp_path / "2.html").read_text() == made.html


def test_every_chart_is_told_in_words_with_the_extremes_that_it_shows(made: Made) -> None:
    figures = list(made.page.iter(f"{HTML}figure"))
    assert len(figures) == 2  # the marks are ten seconds apart: one chart for both, and one of the whole drive
    for element in figures:
        assert f"to {PEAK_DEGC:.0f} °C" in words(element.find(f"{HTML}figcaption"))
    around = words(figures[0].find(f"{HTML}figcaption"))
    assert f"M1 at {clock(MARKS_MS[0])}, M2 at {clock(MARKS_MS[1])}" in around
    assert "limits in force" in around
    assert "shaded where their signal is drawn" in around


def test_the_alerts_are_those_of_the_log(made: Made) -> None:
    (alerts,) = [t for t in tables(made.report, "log") if t.caption.startswith("Alerts")]
    assert [(row[1], row[4]) for row in alerts.rows] == [(clock(e.raised_ms), e.rule) for e in made.case.episodes]
    with Log.open(made.log) as file:
        assert len(made.case.episodes) == sum(c.active for c in file.conditions(2))
    lost = next(row for row in alerts.rows if row[4] == "lost:coolant")
    assert lost[-1].endswith("[open circuit]")


def test_a_limit_that_switches_a_rule_off_is_no_room(made: Made) -> None:
    """Towing on the tune that is not for it: 50 t elsewhere is no limit."""
    (rule,) = [r for r in made.case.rules if r.name == "towing-on-stock-tune"]
    assert made.case.off(rule, rule.setting("tow")) and not made.case.off(rule, rule.setting("stock"))
    assert not any(made.case.off(r, r.base) for r in made.case.rules if not r.tunes)
    for tune, told in (("tow", ("off", "–")), ("stock", ("3.6\u00a0t", "+1.2\u00a0t"))):
        found = RuleHeadroom(rule.name, 1.2, 2.4, 3.6, 1000, made.case.whole.tunes.index(tune))
        looked = replace(made.looked, rooms=tuple((a, b, (found,)) for a, b, _ in made.looked.rooms))
        room = headroom(made.case, looked).blocks[0]
        assert isinstance(room, Table)
        (row,) = [r for r in room.rows if r[0] == rule.name]
        assert row[5:7] == told


def test_room_of_a_threshold_is_its_limit_less_its_highest_reading(made: Made) -> None:
    (room,) = [t for t in tables(made.report, "headroom") if t.caption.startswith("Room")]
    rows = {row[0]: row for row in room.rows}
    rule = made.case.rule_of["egt-extreme"]
    assert rule.kind is Kind.THRESHOLD and rule.side == ABOVE and not rule.when
    limit = rule.setting("tow").limit
    assert isinstance(limit, float)
    peak = round(PEAK_DEGC * 4) / 4
    assert rows["egt-extreme"][4:7] == (
        f"{peak:.0f} °C".replace(" ", "\u00a0"),
        figure(limit, "degC"),
        figure(limit - peak, "degC", sign=True),
    )


def test_the_setting_as_it_is_would_have_said_what_the_log_says(made: Made) -> None:
    grids = [t for t in tables(made.report, "headroom") if not t.caption.startswith("Room")]
    assert grids
    for table in grids:
        rule = table.caption.split(" ")[0]
        column = next(i for i, h in enumerate(table.header) if "as it is" in h)
        row = next(r for r in table.rows if "as it is" in r[0])
        raised = sum(e.rule == rule for e in made.case.episodes)
        assert row[column].split(" ")[0] == (str(raised) if raised else "never")


def test_gaps_and_lost_signals_are_told(made: Made) -> None:
    (gaps,) = [t for t in tables(made.report, "quality") if t.caption == "Gaps"]
    assert [row[2] for row in gaps.rows] == [f"{GAP_S + 0.2:.1f} s"]
    (signals,) = [t for t in tables(made.report, "quality") if t.caption.startswith("Signals")]
    told = {row[0]: row[2] for row in signals.rows}
    assert told["coolant"] == f"open circuit {(LOST_MS[1] - LOST_MS[0]) / 1000:.1f} s"
    assert "1 gap of 30.2 s in all" in dict(made.report.answer)["How sure"]


def test_a_drive_that_was_never_closed_is_called_so(made: Made) -> None:
    case = replace(made.case, about=replace(made.case.about, ended=False, end_reason=None))
    report = complaint(case, made.looked, made.reference)
    assert "was not closed" in dict(report.answer)["How sure"]


def test_a_reference_of_another_vehicle_is_told_with_what_differs(made: Made) -> None:
    def built(case: Case, name: str, displacement_l: float) -> Case:
        vehicle, part = case.config.vehicle, case.parts[-1]
        assert vehicle.sheet.engine is not None
        sheet = replace(vehicle.sheet, engine=replace(vehicle.sheet.engine, displacement_l=displacement_l))
        changed = replace(part.config, vehicle=replace(vehicle, name=name, sheet=sheet))
        return replace(case, parts=(*case.parts[:-1], replace(part, config=changed)))

    other = built(made.reference, "Rig two (invented)", 2.8)
    looked = look(made.case, other)
    page = parsed(to_html(complaint(made.case, looked, other)))
    told = "the reference is a drive of another vehicle (“Rig two (invented)”"
    assert told in dict(answer(made.case, looked, other))["How sure"]
    for name in ("fits", "beside"):
        said = words(page.find(f".//{HTML}section[@id='{name}']"))
        assert told in said
        assert "engine displacement 3.2 L, in the reference 2.8 L" in said
    assert "drive 1 of trip.db, Rig two (invented)" in words(page)
    assert "another vehicle" not in words(made.page)


def test_what_full_load_pulls_say_stands_in_a_table(tmp_path: Path) -> None:
    third = Leg(8.0, rpm=(1500.0, 3300.0), speed=(8.0, 17.6), pedal=1.0, boost=120.0, egt=(450.0, 690.0), gear=3.0)
    config, log = demo_config("demo"), tmp_path / "pulls.db"
    for kpa in (0.0, -30.0):
        enter(log, config, by_hand([IDLING, replace(third, boost=120.0 + kpa), CRUISING], 10), hz=10)
    with Log.open(log) as file:
        case, reference = read_case(file, 2), read_case(file, 1)
    looked = look(case, reference)
    report = complaint(case, looked, reference)
    (table,) = (t for t in tables(report, "beside") if t.caption == "Differences in full-load pulls")
    row = next(r for r in table.rows if r[0] == "manifold pressure")
    assert row[1].startswith("\N{MINUS SIGN}30")
    assert row[3:] == ("yes", "1 / 1", "2,100 to 3,200")
    assert "1 full-load pull met 1 of the reference" in dict(answer(case, looked, reference))["How sure"]


def test_without_a_reference_it_says_so_and_compares_nothing(made: Made) -> None:
    looked = look(made.case)
    report = complaint(made.case, looked, None)
    assert looked.comparison is None
    assert dict(report.facts)["Reference"] == "none"
    page = words(parsed(to_html(report)))
    assert "No reference drive was named, so nothing could be compared" in page
    assert "Not compared: no reference drive was named." in page


def test_what_is_not_fitted_is_named_as_what_can_not_be_told(made: Made) -> None:
    assert not made.case.whole.has("turbo_speed")
    told = section(made, "fits")
    assert "Can't tell" in told
    assert "not fitted or never read: turbo_speed" in told
    assert "Not comparable" in section(made, "beside")


def test_invented_data_are_marked_at_the_head_and_on_every_printed_page(made: Made) -> None:
    assert BANNER in words(made.page.find(f".//{HTML}body"))
    assert "@top-center" in made.html
    assert PROVEN in section(made, "cautions")
    assert "All data in this report are invented" in section(made, "cautions")


def test_a_drive_that_is_not_invented_is_not_called_so(made: Made) -> None:
    def other(case: Case) -> Case:
        real = tuple(
            replace(p, config=replace(p.config, sources=(), vehicle=replace(p.config.vehicle, name="Rig 1")))
            for p in case.parts
        )
        return replace(case, parts=real)

    html = to_html(complaint(other(made.case), made.looked, other(made.reference)))
    assert BANNER not in html and "@top-center" not in html
    assert PROVEN in html
    assert BANNER in to_html(complaint(other(made.case), made.looked, made.reference)), "the reference is invented"


def test_it_comes_as_pdf_with_its_mark_on_every_page(made: Made, tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["report", str(made.log), "--against", "1", "--pdf", str(tmp_path / "a.pdf")])
    assert done.exit_code == 0, done.output
    pages = pypdf.PdfReader(BytesIO((tmp_path / "a.pdf").read_bytes())).pages
    assert len(pages) >= 4
    assert all("Invented demo data" in page.extract_text() for page in pages)
    assert "What happened" in pages[0].extract_text()


def test_as_json_it_gives_figures_for_programs(made: Made) -> None:
    done = CliRunner().invoke(main, ["report", str(made.log), "--drive", "2", "--against", "1", "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["answer"] == dict(made.report.answer)
    assert [m["t_ms"] for m in told["marks"]] == list(MARKS_MS)
    assert told["marks"][0]["text"] == EVIL
    assert told["findings"]["verdict"] == made.looked.findings.verdict
    assert told["signals"]["coolant"] < 1.0
    assert len(told["alerts"]) == len(made.case.episodes)


def test_the_good_drive_may_lie_in_another_log(made: Made, tmp_path: Path) -> None:
    other = tmp_path / "handover.db"
    other.write_bytes(made.log.read_bytes())
    arguments = ["report", str(made.log), "--drive", "2", "--json", "--against"]
    own, others = (CliRunner().invoke(main, [*arguments, a]) for a in ("1", f"{other}#1"))
    assert own.exit_code == others.exit_code == 0, others.output
    mine, theirs = json.loads(own.stdout), json.loads(others.stdout)
    assert (mine["reference_file"], theirs["reference_file"]) == (made.log.name, "handover.db")
    assert mine["comparison"] == theirs["comparison"]


def test_it_writes_over_nothing_unless_told_to(made: Made, tmp_path: Path) -> None:
    there = tmp_path / "mine.html"
    there.write_text("mine")
    arguments = ["report", str(made.log), "--to", str(there)]
    done = CliRunner().invoke(main, arguments)
    assert done.exit_code == 2 and "is there already" in done.stderr
    assert there.read_text() == "mine"
    assert CliRunner().invoke(main, [*arguments, "--force"]).exit_code == 0
    assert there.read_text().startswith("<!DOCTYPE html>")
    assert list(tmp_path.iterdir()) == [there]


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (["--drive", "2", "--against", "2"], "is the drive itself"),
        (["--drive", "9"], "there is no drive 9"),
        (["--against", "nowhere.db#1"], "there is no file nowhere.db"),
    ],
)
def test_a_drive_that_can_not_be_is_refused(made: Made, arguments: list[str], why: str) -> None:
    done = CliRunner().invoke(main, ["report", str(made.log), *arguments, "--json"])
    assert done.exit_code == 2 and why in done.stderr


@pytest.mark.parametrize(
    ("value", "unit", "sign", "text"),
    [
        (776.6, "degC", False, "777\u00a0°C"),
        (12.345, "kPa", False, "12.3\u00a0kPa"),
        (1.805, "1", False, "1.8"),
        (0.0333, "degC/s", False, "0.033\u00a0°C/s"),
        (-0.0001, "K", True, "0\u00a0K"),
        (4.0, "%", True, "+4\u00a0%"),
        (-15.12, "%", True, "\u221215.1\u00a0%"),
        (float("nan"), "K", False, "–"),
        (None, "K", False, "–"),
    ],
)
def test_figures_are_written_to_three_digits_with_their_unit(
    value: float | None, unit: str, sign: bool, text: str
) -> None:
    assert figure(value, unit, sign=sign) == text
