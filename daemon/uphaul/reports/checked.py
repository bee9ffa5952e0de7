"""What came of a field check whose parts were done in several drives: one result a step and tune, in words.

The newest drive in which a step passed, failed or was stopped decides; every attempt stays to be told. A skip or an
excuse counts only where nothing was decided.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isfinite

from uphaul.analysis.field_check import (
    EXPECTED,
    Attempt,
    FieldCheck,
    FieldCheckRun,
    Measure,
    Measured,
    Step,
    StepResult,
    Take,
    Verdict,
)
from uphaul.reports.words import and_list, decimals, duration, figure, minus, role_words, unit_words

__all__ = [
    "BAD",
    "Checked",
    "Tried",
    "accepted",
    "gaps",
    "in_tune",
    "measure_of",
    "merged",
    "outcome",
    "reading",
    "tally",
    "telling",
    "title_of",
]

BAD = (Verdict.FAILED, Verdict.STOPPED, Verdict.UNKNOWN)
"""Verdicts with which a vehicle is not handed over as good."""

DECIDED = (Verdict.PASSED, Verdict.FAILED, Verdict.STOPPED)
RANK = (*DECIDED, Verdict.UNKNOWN, Verdict.SKIPPED, Verdict.EXCUSED, Verdict.OPEN)
MOST_NAMED = 4
"""Steps of one verdict that a sentence names. Source: our own choice."""
MOST_DIGITS = 6
LEAST_TOLD = 0.01
"""Share of a step for which a signal was unknown, from which people are told. Source: our own choice: a gear change
leaves the clutch's slip unknown for a moment, and that is no gap."""
MINUS = "\N{MINUS SIGN}"


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
    def driven(self) -> str:
        """The title, with the tunes under which the deciding attempt was driven where that does not say them."""
        return (
            self.title if self.tune or self.decided is None else self.title + in_tune(self.decided.attempt, self.step)
        )

    @property
    def gaps(self) -> str:
        """What was missing of what the deciding attempt was judged by, in a clause; empty for nothing."""
        return "" if self.decided is None else gaps(self.decided.attempt, self.step)

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
    over = [r for r in rows if r.gaps]
    if over:
        said.append(f"{len(over)} judged over gaps: {_list([r.title for r in over])}")
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


SIGNED = (Take.LAST, Take.MAXIMUM, Take.MINIMUM, Take.MEAN)
"""Takes of which a difference stays one."""


def reading(measured: Measured, measure: Measure | None = None) -> str:
    """The value with its unit, as coarse as its sensor, yet so fine that it reads on its own side of its bounds.

    By its `measure` a difference reads as one: ``3 kPa under`` what is expected, ``+19 K`` against another signal.
    """
    value, unit = measured.value, measured.unit
    if measure is not None and measure.take is Take.TIME_TO and value == 0.0:
        return "at once"
    if not isfinite(value):
        return measured.why or "not known"
    bounds = [float(_bound(b, value)) for b in (measured.low, measured.high) if b is not None]
    for digits in range(decimals(value, unit), MOST_DIGITS + 1):
        text = f"{value:.{digits}f}"
        if all(_side(float(text), b) == _side(value, b) for b in bounds):
            return _worded(text, unit, measure)
    above = any(value > b for b in bounds if abs(value - b) < 10.0**-MOST_DIGITS)
    return f"{_worded(figure(value).replace(MINUS, '-'), unit, measure)}, just {'above' if above else 'below'}"


def accepted(measured: Measured, measure: Measure | None = None) -> str:
    """The band for people, ends included: ``185 to 225 kPa``; empty where there is none."""
    unit, value = measured.unit, measured.value
    low, high = (None if b is None else _bound(b, value) for b in (measured.low, measured.high))
    if low is None and high is None:
        return ""
    if measure is not None and measure.against == EXPECTED and measure.take in SIGNED:
        ends = [_of_expected(b, unit, least=b is low) for b in (low, high) if b is not None]
        return " and ".join(ends)
    if low is None or high is None:
        text = _worded(low or high or "", unit, measure)
        return f"at most {text}" if low is None else f"at least {text}"
    return f"{_worded(low, '', measure)} to {_worded(high, unit, measure)}"


def _bound(bound: float, value: float) -> str:
    """The bound as people read it, in full where its value would otherwise lie on its other side."""
    text = figure(bound).replace(MINUS, "-")
    return text if _side(value, float(text)) == _side(value, bound) else repr(bound)


def _side(value: float, bound: float) -> int:
    return (value > bound) - (value < bound)


def _worded(text: str, unit: str, measure: Measure | None) -> str:
    """A number's text with its sign, as its measure makes it a difference, and its unit."""
    words = f"\N{NO-BREAK SPACE}{unit_words(unit)}" if unit_words(unit) else ""
    zero = not text.strip("-0.")
    if measure is None or not measure.against or measure.take not in SIGNED:
        return minus(text) + words
    if measure.against == EXPECTED:
        return "as expected" if zero else f"{text.lstrip('-')}{words} {'under' if text[0] == '-' else 'over'}"
    return minus(text if zero or text[0] == "-" else f"+{text}") + words


def _of_expected(text: str, unit: str, *, least: bool) -> str:
    """A bound of the distance from what is expected: at most 20 kPa under."""
    far = text.lstrip("-") + (f"\N{NO-BREAK SPACE}{unit_words(unit)}" if unit_words(unit) else "")
    if not text.strip("-0."):
        return "not under" if least else "not over"
    under = text[0] == "-"
    return f"at {'most' if under == least else 'least'} {far} {'under' if under else 'over'}"


def in_tune(attempt: Attempt, step: Step) -> str:
    """The tunes in which a step was driven, to follow its title: `` (tune tow, then tow-max)``; empty at a stand."""
    tunes = ", then ".join(t or "unknown" for t in (attempt.tune, *attempt.tunes_after))
    return f" (tune {tunes})" if step.moving else ""


def gaps(attempt: Attempt, step: Step) -> str:
    """What was missing of what an attempt was judged by, in a clause; empty for nothing."""
    out = []
    if attempt.unlogged_ms:
        out.append(f"{duration(attempt.unlogged_ms)} of it not recorded")
    if attempt.cut:
        out.append("a gap in the recording ended it")
    shares = dict(attempt.bridged)
    for m in attempt.measured:
        of = measure_of(step, m)
        name = m.name if of is None else of.signal
        shares[name] = max(shares.get(name, 0.0), m.unknown)
    by: dict[str, list[str]] = {}
    for name, share in shares.items():
        if share >= LEAST_TOLD:
            by.setdefault(f"{100.0 * share:.0f} %", []).append(role_words(name))
    out += [f"{and_list(names)} unknown for {share} of it" for share, names in by.items()]
    return "; ".join(out)


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
