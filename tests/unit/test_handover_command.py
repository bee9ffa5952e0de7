"""``uphaul handover``: page, reference and package of a vehicle, sound and with a fault, and what is refused."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import html5lib
import numpy as np
import pytest
from click.testing import CliRunner, Result

from support.checked_demo import demo_drive
from support.complained import enter
from support.handed import COLD, FIELDCHECK, HZ, hot, log_of_two, sample, small
from support.whole_drives import IDLING, by_hand
from uphaul.analysis.field_check_engine import check_drive
from uphaul.cli import main
from uphaul.cli.report_case import read_case
from uphaul.config.sample import demo_texts
from uphaul.demo.scenario import Fault
from uphaul.log import Log, LogWriter
from uphaul.reports.package_file import read_package


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder of its own to run in."""
    monkeypatch.chdir(tmp_path)


def run(*args: object) -> Result:
    return CliRunner().invoke(main, ["handover", *map(str, args)])


def both(*more: object, log: str = "check.db", egt_degc: float = 640.0) -> Result:
    """The handover of the two hand-made drives."""
    if not Path(log).exists():
        log_of_two(Path(log), egt_degc=egt_degc, config=small())
    return run(log, "--drive", 1, "--drive", 2, *more)


def reference(log: str = "check.db") -> int | None:
    with Log.open(log) as file:
        found = file.reference()
    return None if found is None else found.drive


# --------------------------------------------------------------------------------------------------- the whole vehicle


def test_a_sound_vehicle_passes_all_and_a_leak_fails_the_pull(tmp_path: Path) -> None:
    """The invented vehicle drives the shipped check; what the page tells is what the engine says of the drives."""
    cold, sound = demo_drive("check-cold", tmp_path), demo_drive("check-hot", tmp_path)
    leaking = demo_drive("check-hot", tmp_path, Fault("boost-leak", 500.0, amount=170.0))
    for name, second in (("sound.db", sound), ("leak.db", leaking)):
        for drive in (cold, second):
            enter(Path(name), sample(), drive, hz=10)
    good, bad = (run(n, "--drive", 1, "--drive", 2, "--json", "--to", f"{n}.html") for n in ("sound.db", "leak.db"))
    assert (good.exit_code, bad.exit_code) == (0, 1), (good.output, bad.output)
    told = json.loads(good.output)
    assert told["good"] and {c["verdict"] for c in told["checks"]} == {"passed"}
    assert (told["reference"], reference("sound.db")) == (2, 2)
    with Log.open("sound.db") as file:
        case = read_case(file, 2)
    assert case.config.field_check is not None
    (own,) = check_drive(case.config.field_check, case.whole, case.rules, vehicle=case.config.vehicle, grid_ms=100)
    engine = {(r.step, r.tune or None): r.attempts[-1].measured for r in own.results if r.attempts}
    page = {(c["step"], c["tune"]): c for c in told["checks"] if c["drive"] == 2}
    assert page and all([m["value"] for m in page[key]["measured"]] == [m.value for m in engine[key]] for key in page)
    peaks = {p["tune"]: p["boost_peak_kpa"] for p in told["pulls"] if p["t_ms"][0] > 420_000}  # after the climb
    for (step, tune), c in page.items():
        if step == "pull":  # the page and its annex tell one peak
            (peak,) = [m["value"] for m in c["measured"] if m["name"] == "peak"]
            assert peak == pytest.approx(peaks.pop(tune), abs=0.05)
    assert peaks == {}
    failed = json.loads(bad.output)
    assert "pull" in {c["step"] for c in failed["checks"] if c["verdict"] == "failed"}
    assert failed["reference"] is None and reference("leak.db") is None
    for name in ("sound.db.html", "leak.db.html"):
        html = Path(name).read_text(encoding="utf-8")
        html5lib.HTMLParser(strict=True).parse(html)
        assert "<script" not in html


# -------------------------------------------------------------------------------------------- reference and package


def test_it_writes_the_page_and_makes_the_drive_with_the_pull_the_reference() -> None:
    result = both("--customer", "C. (invented)", "--workshop", "W. (invented)")
    assert result.exit_code == 0, result.output
    assert result.output.splitlines()[:2] == [
        "2 of 2 passed; 2 not needed: Loaded pull, stock (same fuelling as before), Loaded pull, tow-max (as tow).",
        "Drive 2 is the reference of this vehicle from now on, and drives 1 and 2 are kept for good",
    ]
    html = Path("handover-drive-2.html").read_text(encoding="utf-8")
    assert "Drive 2 is the reference of this vehicle from now on" in html and "W. (invented)" in html
    with Log.open("check.db") as file:
        found = file.reference()
        assert found is not None and (found.drive, found.actor) == (2, "W. (invented)")
        assert [d.kept for d in file.drives()] == [True, True]


def test_what_was_not_done_is_no_good_sign() -> None:
    """An alert that stands keeps steps from being done: such a drive is not to become the reference by itself."""
    log_of_two(Path("check.db"), config=small(fieldcheck=FIELDCHECK.replace('tow-max = "as tow"', "")))
    result = both()
    assert result.exit_code == 1
    assert "1 not done: Loaded pull, tow-max" in result.output
    assert "not made the reference: 1 of 3 steps were not done; --mark-anyway does it all the same" in result.output
    assert reference() is None
    assert "although 1 of 3 steps were not done" in both("--mark-anyway", "--force").output
    assert reference() == 2


def test_no_mark_leaves_the_log_as_it_is_and_the_page_says_so() -> None:
    log_of_two(Path("check.db"), config=small())
    before = Path("check.db").read_bytes()
    result = both("--no-mark")
    assert result.exit_code == 0, result.output
    assert Path("check.db").read_bytes() == before
    assert "Drive 2 was not made the reference: --no-mark" in Path("handover-drive-2.html").read_text(encoding="utf-8")


def test_a_failed_handover_becomes_no_reference_unless_it_is_asked_for() -> None:
    result = both("--package", "package", egt_degc=735.0)
    assert result.exit_code == 1
    assert "1 failed: Loaded pull, tow" in result.output
    assert "not made the reference: a check failed; --mark-anyway does it all the same" in result.output
    assert "a check failed, so this vehicle is no example" in result.output
    assert reference() is None and not Path("package").exists()
    anyway = both("--mark-anyway", "--force")
    assert anyway.exit_code == 1
    assert "although a check failed" in anyway.output and reference() == 2


def test_a_part_past_its_rating_is_no_success_though_every_check_passed() -> None:
    """No tune raises a part's rating: 780 for 750 that seconds may have, in a check that asks for less than 900."""
    lax = FIELDCHECK.replace('high = { share = 1.0, of = "exhaust.egt" }', "high = 900")
    log_of_two(Path("check.db"), egt_degc=780.0, config=small(fieldcheck=lax))
    result = both("--package", "package")
    part = "Manifold and turbine (invented)"
    assert result.exit_code == 1
    assert result.output.startswith("2 of 2 passed") and f" Past a rating: {part}." in result.output
    why = f"a part was used past its rating: {part}"
    assert f"not made the reference: {why}; --mark-anyway does it all the same" in result.output
    assert reference() is None and not Path("package").exists()
    told = json.loads(both("--no-mark", "--json").output)
    assert (told["good"], told["past_rating"], told["lacking"]) == (False, [part], why)
    assert told["outcome"].endswith(f" Past a rating: {part}.")
    anyway = both("--mark-anyway", "--force")
    assert anyway.exit_code == 1 and f"although {why}" in anyway.output and reference() == 2
    assert f"although {why}" in Path("handover-drive-2.html").read_text(encoding="utf-8")


def test_a_step_over_ticks_that_the_log_lacks_is_told_as_such() -> None:
    """0.8 s of the idle were not written, and the engine's speed was lost for 0.3 s of it."""
    idles = np.flatnonzero(COLD.read("rpm") > 600.0)
    kept = np.ones(len(COLD), dtype=bool)
    kept[idles[20:28]] = False
    values = COLD.values.copy()
    values[idles[40:43], COLD.column("rpm")] = np.nan
    holed = replace(COLD, t_ms=COLD.t_ms[kept], values=values[kept], tune=COLD.tune[kept])
    bridged = FIELDCHECK.replace("above = 600 }", "above = 600, bridge_s = 1 }")
    bridged = bridged.replace("below = 900 }", "below = 900, bridge_s = 1 }")
    enter(Path("check.db"), small(fieldcheck=bridged), holed, hz=HZ)
    result = run("check.db", "--drive", 1, "--no-mark", "--json", "--to", "page.html")
    told = json.loads(result.output)
    assert told["outcome"].startswith("1 of 2 passed") and told["outcome"].endswith("; 1 judged over gaps: Idle.")
    (idle,) = [c for c in told["checks"] if c["step"] == "idle"]
    assert idle["gaps"].startswith("0.8 s of it not recorded; engine speed unknown for 3 % of it")
    assert [a["unlogged_ms"] for a in idle["attempts"]] == [800]
    assert f"judged over gaps: {idle['gaps']}" in Path("page.html").read_text(encoding="utf-8")
    read = CliRunner().invoke(main, ["fieldcheck", "check.db", "--drive", "1"])
    assert f"    judged over gaps: {idle['gaps']}" in read.output.splitlines()


def test_what_only_people_know_is_printed_or_is_a_line_to_write_on() -> None:
    blank = both("--no-mark", "--to", "blank.html")
    assert blank.exit_code == 0, blank.output
    labels = ["Customer", "Workshop", "Registration or fleet no.", "Odometer", "Date"]

    def lines(page: str) -> list[str]:
        html = Path(page).read_text(encoding="utf-8")
        return [label for label in labels if f"<span>{label}<i></i></span>" in html]

    assert lines("blank.html") == labels
    told = ["--customer", "C. (invented)", "--registration", "FLEET 7 (invented)", "--odometer", "123,456 km"]
    assert both("--no-mark", "--to", "told.html", *told).exit_code == 0
    assert lines("told.html") == ["Workshop", "Date"]
    html = Path("told.html").read_text(encoding="utf-8")
    for label, text in (("Registration or fleet no.", "FLEET 7 (invented)"), ("Odometer", "123,456 km")):
        assert f"<dt>{label}</dt><dd>{text}</dd>" in html


def test_when_the_log_cannot_be_marked_the_package_is_left_alone() -> None:
    log_of_two(Path("check.db"), config=small())
    writer = LogWriter(Path("check.db"))
    try:
        busy = both("--package", "package")
    finally:
        assert writer.close(10.0)
    assert busy.exit_code == 2 and "end it first" in busy.output
    assert not Path("package").exists() and not list(Path().glob("*.html"))


def test_a_package_that_cannot_be_written_leaves_the_log_alone() -> None:
    log_of_two(Path("check.db"), config=small())
    Path("package").mkdir()
    (Path("package") / "sample-tow-vehicle-invented.handover.json.part").mkdir()
    result = both("--package", "package")
    assert result.exit_code == 2 and "sample-tow-vehicle-invented.handover.json: cannot be written" in result.output
    assert reference() is None and not list(Path().glob("*.html"))


def test_it_writes_the_vehicles_summary_and_places_it_among_the_others_not_itself() -> None:
    first = both("--package", "package")
    assert first.exit_code == 0, first.output
    (own,) = read_package(Path("package"))
    assert own.vehicle == "Sample tow vehicle (invented)"
    (sweep,) = own.sweeps
    assert (sweep.tune, sweep.gear) == ("tow", 3)
    page = Path("handover-drive-2.html").read_text(encoding="utf-8")
    assert "Among 0 vehicles of the package" in page
    for i in range(4):
        path = Path("package") / f"other-{i}.handover.json"
        text = next(Path("package").glob("sample*.json")).read_text(encoding="utf-8")
        path.write_text(text.replace("Sample tow vehicle (invented)", f"Other {i} (invented)"), encoding="utf-8")
    again = both("--package", "package", "--force", "--json")
    placed = json.loads(again.output)["package"]
    assert placed["vehicles"] == 4
    assert {set(p["place"]) <= {"in", ""} for p in placed["placed"]} == {True}
    assert len(read_package(Path("package"))) == 5


def test_another_check_can_be_named_and_the_page_says_so(tmp_path: Path) -> None:
    folder = tmp_path / "config"
    folder.mkdir()
    for name, text in (demo_texts("demo", 1) | {"fieldcheck.toml": FIELDCHECK.replace("850", "770")}).items():
        (folder / name).write_text(text, encoding="utf-8")
    result = both("--config", folder, "--no-mark", "--json")
    assert result.exit_code == 1, result.output
    told = json.loads(result.output)
    (idle,) = [c for c in told["checks"] if c["step"] == "idle"]
    assert idle["verdict"] == "failed" and idle["measured"][0]["high"] == 770.0
    assert "not by their own" in told["source"]


# -------------------------------------------------------------------------------------------------- what is refused


def test_a_drive_in_which_nothing_was_checked_is_refused_and_says_what_to_do() -> None:
    enter(Path("idle.db"), small(), by_hand([replace(IDLING, rpm=1200.0, seconds=20.0)], HZ), hz=HZ)
    result = run("idle.db", "--drive", 1)
    assert result.exit_code == 2
    assert "no step of the field check was done in drive 1: drive it first (Idle; Loaded pull)" in result.output
    assert reference("idle.db") is None and not list(Path().glob("*.html"))


def test_a_configuration_without_a_check_is_refused_and_names_the_file() -> None:
    enter(Path("plain.db"), small(fieldcheck=""), COLD, hz=HZ)
    result = run("plain.db", "--drive", 1)
    assert result.exit_code == 2
    assert "plain.db drive 1: has no field check" in result.output and "--config DIR" in result.output


def test_drives_of_two_vehicles_are_refused() -> None:
    enter(Path("two.db"), small(), COLD, hz=HZ)
    enter(Path("two.db"), small(name="Another vehicle (invented)"), hot(), hz=HZ)
    result = run("two.db", "--drive", 1, "--drive", 2)
    assert result.exit_code == 2
    assert "drive 1 is of Sample tow vehicle (invented), drive 2 of Another vehicle (invented)" in result.output


def test_a_check_that_changed_between_the_drives_is_refused() -> None:
    enter(Path("two.db"), small(), COLD, hz=HZ)
    enter(Path("two.db"), small(fieldcheck=FIELDCHECK.replace("850", "900")), hot(), hz=HZ)
    result = run("two.db", "--drive", 1, "--drive", 2)
    assert result.exit_code == 2
    assert "fieldcheck.toml changed between drives 1 and 2: name the one that holds with --config DIR" in result.output


def test_an_unknown_drive_is_named_with_those_there_are() -> None:
    log_of_two(Path("check.db"), config=small())
    result = run("check.db", "--drive", 7)
    assert result.exit_code == 2 and "there is no drive 7; the log has: 1, 2" in result.output


def test_a_log_that_is_being_recorded_to_gets_no_reference_and_no_page_that_claims_one() -> None:
    log_of_two(Path("check.db"), config=small())
    writer = LogWriter(Path("check.db"))
    try:
        busy, read = both(), both("--no-mark")
    finally:
        assert writer.close(10.0)
    assert busy.exit_code == 2 and "end it first" in busy.output
    assert read.exit_code == 0, read.output
    assert reference() is None


def test_without_the_library_for_a_pdf_nothing_is_marked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    result = both("--pdf", "page.pdf")
    assert result.exit_code == 2 and "--pdf needs weasyprint" in result.output
    assert reference() is None and not list(Path().glob("*.html"))


def test_a_page_that_cannot_be_written_leaves_the_log_and_the_other_page_alone() -> None:
    result = both("--to", "page.html", "--pdf", "missing/page.pdf")
    assert result.exit_code == 2 and "missing/page.pdf: cannot be written" in result.output
    assert reference() is None and not list(Path().glob("page*"))


def test_files_that_are_there_are_left_alone() -> None:
    Path("page.html").write_text("mine", encoding="utf-8")
    result = both("--to", "page.html")
    assert result.exit_code == 2 and "page.html: is there already" in result.output
    assert Path("page.html").read_text(encoding="utf-8") == "mine" and reference() is None


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--no-mark", "--mark-anyway"], "one of them"),
        (["--customer", "x" * 81], "at most 80 letters"),
        (["--to", "page", "--pdf", "./page"], "two files"),
    ],
)
def test_options_that_make_no_sense_are_named(options: list[str], words: str) -> None:
    result = both(*options)
    assert result.exit_code == 2 and words in result.output
