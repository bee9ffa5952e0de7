"""A field check over several drives: what decides a step, how the outcome and a value beside its band read."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from uphaul.analysis.field_check import (
    EXPECTED,
    Attempt,
    FieldCheck,
    FieldCheckRun,
    Measure,
    Measured,
    Part,
    Step,
    StepResult,
    Take,
    Verdict,
)
from uphaul.reports.checked import Checked, accepted, merged, outcome, reading, telling
from uphaul.web.check import check_told

NAN, INF = float("nan"), float("inf")
IDLE = Step("idle", Part.COLD, "Idle", "", "", (), (Measure("speed", "idle speed", "rpm", Take.MEAN),))
PULL = Step("pull", Part.HOT, "Pull", "", "", (), (), each_tune=True)
CHECK = FieldCheck("check", (IDLE, PULL))


def attempt(verdict: Verdict, value: float = 1.0, why: str = "") -> Attempt:
    return Attempt((0, 1000), "", verdict, (Measured("speed", value, "rpm"),), why)


def run(*results: StepResult) -> FieldCheckRun:
    return FieldCheckRun("check", (0, 10_000), results)


def idle(verdict: Verdict, *attempts: Attempt, why: str = "") -> FieldCheckRun:
    return run(StepResult("idle", verdict, attempts=attempts, why=why))


def of(rows: tuple[Checked, ...], name: str, tune: str = "") -> Checked:
    (row,) = (r for r in rows if r.step.name == name and r.tune == tune)
    return row


@pytest.mark.parametrize(
    ("first", "second", "decides"),
    [
        (Verdict.PASSED, Verdict.FAILED, Verdict.FAILED),
        (Verdict.FAILED, Verdict.PASSED, Verdict.PASSED),
        (Verdict.PASSED, Verdict.STOPPED, Verdict.STOPPED),
        (Verdict.FAILED, Verdict.UNKNOWN, Verdict.FAILED),
        (Verdict.PASSED, Verdict.UNKNOWN, Verdict.PASSED),
        (Verdict.FAILED, Verdict.SKIPPED, Verdict.FAILED),
        (Verdict.SKIPPED, Verdict.PASSED, Verdict.PASSED),
        (Verdict.PASSED, Verdict.OPEN, Verdict.PASSED),
        (Verdict.UNKNOWN, Verdict.SKIPPED, Verdict.UNKNOWN),
        (Verdict.SKIPPED, Verdict.OPEN, Verdict.SKIPPED),
        (Verdict.OPEN, Verdict.OPEN, Verdict.OPEN),
    ],
)
def test_the_newest_drive_in_which_something_was_decided_decides(
    first: Verdict, second: Verdict, decides: Verdict
) -> None:
    """A later skip does not take a failure away, and a later failure is not hidden behind a pass."""
    none = (Verdict.SKIPPED, Verdict.OPEN)
    runs = [idle(v, *([] if v in none else [attempt(v, k)])) for k, v in enumerate((first, second))]
    row = of(merged(CHECK, [(4, runs[0]), (7, runs[1])]), "idle")
    assert row.verdict is decides
    assert len(row.tried) == 2 - (first in none) - (second in none)
    if row.decided is not None:
        assert row.decided.attempt.verdict is decides
        assert row.decided.drive == (7 if decides is second else 4)


def test_of_two_runs_in_one_drive_the_later_counts() -> None:
    rows = merged(
        CHECK,
        [
            (1, idle(Verdict.FAILED, attempt(Verdict.FAILED, 5.0))),
            (1, idle(Verdict.PASSED, attempt(Verdict.PASSED, 6.0))),
        ],
    )
    assert of(rows, "idle").verdict is Verdict.PASSED
    assert [m.value for m in of(rows, "idle").measured] == [6.0]
    assert [t.attempt.measured[0].value for t in of(rows, "idle").tried] == [5.0, 6.0]


def test_each_tune_has_a_row_and_a_step_nobody_tried_has_one_too() -> None:
    rows = merged(
        CHECK, [(1, run(StepResult("pull", Verdict.PASSED, "tow"), StepResult("pull", Verdict.OPEN, "stock")))]
    )
    assert [(r.title, r.verdict) for r in rows] == [
        ("Idle", Verdict.OPEN),
        ("Pull, tow", Verdict.PASSED),
        ("Pull, stock", Verdict.OPEN),
    ]
    assert [r.title for r in merged(CHECK, [])] == ["Idle", "Pull"]


def test_the_outcome_counts_and_names_and_never_praises() -> None:
    rows = merged(
        CHECK,
        [
            (1, idle(Verdict.SKIPPED, why="cold rain")),
            (
                2,
                run(
                    StepResult("pull", Verdict.PASSED, "tow", (attempt(Verdict.PASSED),)),
                    StepResult("pull", Verdict.EXCUSED, "eco", why="as stock"),
                    StepResult("pull", Verdict.STOPPED, "max", (attempt(Verdict.STOPPED, why="Oil too hot"),)),
                ),
            ),
        ],
    )
    assert outcome(rows) == (
        "1 of 3 passed; 1 stopped by an alert: Pull, max (Oil too hot); 1 skipped: Idle (cold rain); "
        "1 not needed: Pull, eco (as stock)."
    )


def test_one_reason_for_many_is_told_once_and_long_lists_are_counted() -> None:
    skipped = [StepResult("pull", Verdict.SKIPPED, f"t{i}", why="no closed road") for i in range(6)]
    rows = merged(FieldCheck("check", (PULL,)), [(1, run(*skipped))])
    assert (
        outcome(rows) == "0 of 6 passed; 6 skipped: Pull, t0, Pull, t1, Pull, t2, Pull, t3 and 2 more (no closed road)."
    )


@pytest.mark.parametrize(
    ("measured", "value", "band"),
    [
        (Measured("m", 205.04, "kPa", low=185.0, high=225.0), "205 kPa", "185 to 225 kPa"),
        (Measured("m", 688.0, "degC", high=700.0), "688 °C", "at most 700 °C"),
        (Measured("m", 700.3, "degC", high=700.0), "700.3 °C", "at most 700 °C"),
        (Measured("m", 699.96, "degC", high=700.0), "699.96 °C", "at most 700 °C"),
        (Measured("m", 700.0, "degC", high=700.0), "700 °C", "at most 700 °C"),
        (Measured("m", 11.99, "V", low=12.0), "11.99 V", "at least 12 V"),
        (Measured("m", -2.01, "kPa", low=-2.0), "−2.01 kPa", "at least −2 kPa"),
        (Measured("m", 12.0 + 1e-9, "V", high=12.0), "12 V, just above", "at most 12 V"),
        (Measured("m", 4.0, "s"), "4.0 s", ""),
        (Measured("m", 863.6, "s", high=1200.0), "864 s", "at most 1200 s"),
        (Measured("m", 0.1834, "K", low=-10.0, high=10.0), "0 K", "−10 to 10 K"),
        (Measured("m", 1.1634, "1", low=1.104), "1.16", "at least 1.1"),
        (Measured("m", 24.36, "psi", high=28.0), "24.4 psi", "at most 28 psi"),
        (Measured("m", 1012.3, "rpm", low=675.0, high=1012.5), "1012 rpm", "675 to 1012.5 rpm"),
        (Measured("m", NAN, "s", why="rpm was unknown"), "rpm was unknown", ""),
        (Measured("m", INF, "s", high=5.0, why="not reached: at most 60"), "not reached: at most 60", "at most 5 s"),
    ],
)
def test_a_value_reads_on_the_side_of_its_band_where_it_is(measured: Measured, value: str, band: str) -> None:
    assert (reading(measured).replace("\N{NO-BREAK SPACE}", " "), accepted(measured).replace("\xa0", " ")) == (
        value,
        band,
    )


OVER = Measure("m", "boost against what is expected", "boost", Take.MEAN, EXPECTED)
AMBIENT = Measure("m", "charge over outside air", "charge", Take.LAST, "ambient")
COOLED = Measure("m", "time to cool", "egt", Take.TIME_TO, reach=200.0, falling=True)


@pytest.mark.parametrize(
    ("measure", "measured", "value", "band"),
    [
        (OVER, Measured("m", -3.49, "kPa", low=-20.0), "3 kPa under", "at most 20 kPa under"),
        (OVER, Measured("m", -46.2, "kPa", low=-20.0), "46 kPa under", "at most 20 kPa under"),
        (OVER, Measured("m", -20.2, "kPa", low=-20.0), "20.2 kPa under", "at most 20 kPa under"),
        (OVER, Measured("m", 12.1, "kPa", high=35.0), "12 kPa over", "at most 35 kPa over"),
        (OVER, Measured("m", 0.2, "kPa", low=0.0, high=5.0), "0.2 kPa over", "not under and at most 5 kPa over"),
        (OVER, Measured("m", -0.2, "kPa", low=-5.0), "as expected", "at most 5 kPa under"),
        (AMBIENT, Measured("m", 18.7, "K", high=35.0), "+19 K", "at most +35 K"),
        (AMBIENT, Measured("m", -0.4, "K", low=-10.0, high=10.0), "0 K", "−10 to +10 K"),
        (COOLED, Measured("m", 0.0, "s", high=180.0), "at once", "at most 180 s"),
        (COOLED, Measured("m", 41.0, "s", high=180.0), "41 s", "at most 180 s"),
    ],
)
def test_a_difference_says_to_which_side_it_lies(measure: Measure, measured: Measured, value: str, band: str) -> None:
    told = reading(measured, measure), accepted(measured, measure)
    assert tuple(t.replace("\N{NO-BREAK SPACE}", " ") for t in told) == (value, band)


def test_a_step_that_was_judged_over_gaps_says_so_and_so_does_the_outcome() -> None:
    step = Step("idle", Part.COLD, "Idle", "", "", (), (Measure("speed", "idle speed", "rpm", Take.MEAN),), moving=True)
    measured = (Measured("speed", 800.0, "rpm", unknown=0.06),)
    bridged = (("egt", 0.02), ("coolant", 0.009))
    over = Attempt((0, 9000), "tow", Verdict.PASSED, measured, "", ("stock",), 700, True, bridged)
    (row,) = merged(FieldCheck("check", (step,)), [(1, idle(Verdict.PASSED, over))])
    assert row.gaps == (
        "0.7 s of it not recorded; a gap in the recording ended it; EGT unknown for 2 % of it; "
        "engine speed unknown for 6 % of it"
    )
    assert row.driven == "Idle (tune tow, then stock)"
    assert outcome([row]) == "1 of 1 passed; 1 judged over gaps: Idle."
    follower: Any = SimpleNamespace(
        check=FieldCheck("check", (step,)), now=lambda: None, news=(), said=0, runs=(idle(Verdict.PASSED, over),)
    )
    page = check_told(follower)
    assert page is not None
    (shown,) = page["steps"]
    assert (shown["title"], shown["gaps"]) == (row.driven, row.gaps)
    (whole,) = merged(CHECK, [(1, idle(Verdict.PASSED, attempt(Verdict.PASSED)))])[:1]
    assert (whole.gaps, outcome([whole])) == ("", "1 of 1 passed.")


@given(st.floats(-2000, 2000), st.floats(-2000, 2000))
def test_no_value_beyond_its_bound_reads_like_the_bound(value: float, bound: float) -> None:
    m = Measured("m", value, "kPa", high=bound)
    told, limit = reading(m), accepted(m).removeprefix("at most ")
    assert (told == limit) <= (value == bound)


def test_what_failed_is_told_first_and_then_what_came_nearest_to_a_bound() -> None:
    near = Measured("near", 9.9, "V", low=0.0, high=10.0)
    far = Measured("far", 5.0, "V", low=0.0, high=10.0)
    plain = Measured("plain", 3.0, "V")
    over = Measured("over", 11.0, "V", low=0.0, high=10.0)
    lost = Measured("lost", NAN, "V", why="unknown")
    row = Checked(IDLE, "", Verdict.PASSED, "", (), None)
    assert telling(row) == ()

    def told(most: int, *measured: Measured) -> list[str]:
        step = idle(Verdict.PASSED, Attempt((0, 1), "", Verdict.PASSED, measured))
        return [m.name for m in telling(of(merged(CHECK, [(1, step)]), "idle"), most)]

    assert told(1, plain, far, near) == ["near"]
    assert told(2, plain, far, near) == ["far", "near"]
    assert told(1, far, over, near, lost) == ["over", "lost"]
    assert told(3, far, over, near, lost) == ["over", "near", "lost"]
    assert told(1, plain) == ["plain"]
