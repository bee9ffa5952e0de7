"""What came of a field check whose parts were done in several drives: one result a step and tune, in words.

The newest drive in which a step passed, failed or was stopped decides; every attempt stays to be told. A skip or an
excuse counts only where nothing was decided.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import floor, isfinite, log10

from uphaul.analysis.field_check import Attempt, FieldCheck, FieldCheckRun, Measure, Measured, Step, StepResult, Verdict
from uphaul.reports.words import figure, unit_words

__all__ = ["BAD", "Checked", "Tried", "accepted", "merged", "outcome", "reading", "tally", "telling", "title_of"]

BAD = (Verdict.FAILED, Verdict.STOPPED, Verdict.UNKNOWN)
"""Verdicts with which a vehicle is not handed over as good."""

DECIDED = (Verdict.PASSED, Verdict.FAILED, Verdict.STOPPED)
RANK = (*DECIDED, Verdict.UNKNOWN, Verdict.SKIPPED, Verdict.EXCUSED, Verdict.OPEN)
MOST_NAMED = 4
"""Steps of one verdict that a sentence names. Source: our own choice."""
MOST_DIGITS = 6


@dataclass(frozen=True, slots=True)
class Tried:
    """An attempt, and the number of the drive that it was made in."""

    drive: int
    attempt: Attempt


@dataclass(frozen=True, slots=True)
class Checked:
    """A step (in a tune, where it is done in each), what came of it, and every attempt in the order of time.

    `decided` is the attempt that the verdict is of, None where there was none. `why` is the reason of a skip or an
    excuse, or what the deciding attempt says.
    """

    step: Step
    tune: str
    verdict: Verdict
    why: str
    tried: tuple[Tried, ...]
    decided: Tried | None

    @property
    def title(self) -> str:
        """For people, with the tune."""
        return f"{self.step.title}, {self.tune}" if self.tune else self.step.title

    @property
    def measured(self) -> tuple[Measured, ...]:
        """What the deciding attempt measured."""
        return () if self.decided is None else self.decided.attempt.measured


def merged(check: FieldCheck, runs: Sequence[tuple[int, FieldCheckRun]]) -> tuple[Checked, ...]:
    """One row a step and tune in the order of the check. `runs` are (drive, run) from the oldest to the newest.

    Results of steps that the check does not have are left out.
    """
    found: dict[tuple[str, str], list[tuple[int, StepResult]]] = {}
    for drive, run in runs:
        for result in run.results:
            found.setdefault((result.step, result.tune), []).append((drive, result))
    rows = []
    for step in check.steps:
        tunes = list(dict.fromkeys(tune for name, tune in found if name == step.name)) or [""]
        rows += [_row(step, tune, found.get((step.name, tune), [])) for tune in tunes]
    return tuple(rows)


def _row(step: Step, tune: str, results: Sequence[tuple[int, StepResult]]) -> Checked:
    tried = tuple(Tried(drive, a) for drive, r in results for a in r.attempts)
    if not results:
        return Checked(step, tune, Verdict.OPEN, "", tried, None)

    def rank(place: int) -> tuple[int, int]:
        verdict = results[place][1].verdict
        return (0 if verdict in DECIDED else RANK.index(verdict), -place)

    drive, deciding = results[min(range(len(results)), key=rank)]
    decided = Tried(drive, deciding.attempts[-1]) if deciding.attempts else None
    own = "" if decided is None or deciding.verdict in (Verdict.SKIPPED, Verdict.EXCUSED) else decided.attempt.why
    return Checked(step, tune, deciding.verdict, own or deciding.why, tried, decided)


def tally(rows: Iterable[Checked]) -> dict[Verdict, list[Checked]]:
    """The rows by verdict, in the order of `RANK`; verdicts of none are left out."""
    rows = list(rows)
    return {v: mine for v in RANK if (mine := [r for r in rows if r.verdict is v])}


def outcome(rows: Sequence[Checked]) -> str:
    """One plain sentence of what came of all of it. It counts; it never calls a vehicle safe or good."""
    by = tally(rows)
    total = len(rows) - len(by.get(Verdict.EXCUSED, ()))
    said = [f"{len(by.get(Verdict.PASSED, ()))} of {total} passed"]
    for verdict, mine in by.items():
        if verdict is not Verdict.PASSED:
            said.append(f"{len(mine)} {verdict.value}: {_named(mine)}")
    return "; ".join(said) + "."


def _named(rows: Sequence[Checked]) -> str:
    reasons = {r.why for r in rows}
    if len(rows) > 1 and len(reasons) == 1 and rows[0].why:
        return f"{_list([r.title for r in rows])} ({rows[0].why})"
    return _list([f"{r.title} ({r.why})" if r.why else r.title for r in rows])


def _list(names: Sequence[str]) -> str:
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more


def title_of(step: Step, measured: Measured) -> str:
    """What a measure is called for people."""
    return next((m.title for m in step.measures if m.name == measured.name), measured.name)


def measure_of(step: Step, measured: Measured) -> Measure | None:
    """The measure of the step that yielded it."""
    return next((m for m in step.measures if m.name == measured.name), None)


def reading(measured: Measured) -> str:
    """The value with its unit; so many digits that it reads on the side of its bounds where it is."""
    value = measured.value
    if not isfinite(value):
        return measured.why or "not known"
    text = figure(value, measured.unit)
    for bound in (measured.low, measured.high):
        if bound is None or value == bound or text != figure(bound, measured.unit):
            continue
        digits = max(1, -floor(log10(abs(value - bound))))
        if digits > MOST_DIGITS:
            return f"{text}, just {'above' if value > bound else 'below'}"
        words = unit_words(measured.unit)
        text = f"{value:.{digits}f}".replace("-", "\N{MINUS SIGN}") + (f"\N{NO-BREAK SPACE}{words}" if words else "")
    return text


def accepted(measured: Measured) -> str:
    """The band for people, ends included: ``185 to 225 kPa``; empty where there is none."""
    low, high = measured.low, measured.high
    if low is None and high is None:
        return ""
    if low is None:
        return f"at most {figure(high, measured.unit)}"
    if high is None:
        return f"at least {figure(low, measured.unit)}"
    return f"{figure(low)} to {figure(high, measured.unit)}"


def telling(row: Checked, most: int = 1) -> tuple[Measured, ...]:
    """The measures that tell most, in their order: all beyond their band or unknown, then those nearest to a bound.

    `most` in all, unless more are beyond; those without a band come last.
    """
    beyond = [m for m in row.measured if m.ok is False or m.value != m.value]
    others = sorted((m for m in row.measured if m not in beyond), key=lambda m: (m.ok is None, _room(m)))
    chosen = [*beyond, *others[: max(most - len(beyond), 0)]]
    return tuple(m for m in row.measured if m in chosen)


def _room(m: Measured) -> float:
    """Distance to the nearer bound as a share of the band, of the bound where there is but one."""
    bounds = [b for b in (m.low, m.high) if b is not None]
    if not bounds:
        return 0.0
    scale = abs(bounds[1] - bounds[0]) if len(bounds) == 2 else abs(bounds[0])
    return min(abs(m.value - b) for b in bounds) / (scale or 1.0)
