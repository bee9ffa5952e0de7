"""What a field check is and what came of one: steps, what they wait for and measure, bands, results.

A step waits until all that it `waits_for` holds, measures while it holds, and holds each measure against a band. The
engine (`field_check_engine.py`) takes a drive tick by tick or as a whole and comes to the same result. Signals are the
owner's, by name and in their units; times in a drive are its own ms.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from uphaul.rules import Action, Curve

__all__ = [
    "EXPECTED",
    "Amount",
    "Attempt",
    "Band",
    "FieldCheck",
    "FieldCheckRun",
    "Measure",
    "Measured",
    "Missing",
    "News",
    "NewsKind",
    "Now",
    "OfSheet",
    "Part",
    "Span",
    "Step",
    "StepResult",
    "Take",
    "Verdict",
    "WaitsFor",
    "most_pressing",
]

EXPECTED = "expected"
"""In the place of a second signal: what the tune's expected curve says of the first at that tick."""


class Part(StrEnum):
    """Which half of the check a step belongs to; they can be days apart."""

    COLD = "cold"
    HOT = "hot"


class Take(StrEnum):
    """What a measure makes of its ticks."""

    LAST = "last"
    MAXIMUM = "maximum"
    MINIMUM = "minimum"
    MEAN = "mean"
    SPREAD = "spread"
    """Sample standard deviation."""
    SLOPE = "slope"
    """By least squares, in the signal's unit per minute."""
    TIME_TO = "time-to"
    """Seconds from where the step began to hold to the first tick at `reach` or past it."""
    LARGEST_RATE = "largest-rate"
    """The steepest rise over a second, in the signal's unit per second."""


class Span(StrEnum):
    """How long a step measures."""

    FIXED = "fixed"
    """For `for_ms` from where it began to hold; then it is done."""
    WHILE = "while"
    """As long as it holds, `for_ms` at least, `at_most_ms` at most."""


class Verdict(StrEnum):
    """What came of a step, or of one attempt at it."""

    OPEN = "not done"
    PASSED = "passed"
    FAILED = "failed"
    STOPPED = "stopped by an alert"
    UNKNOWN = "could not be measured"
    SKIPPED = "skipped"
    EXCUSED = "not needed"


@dataclass(frozen=True, slots=True)
class OfSheet:
    """A share of what the build sheet says, for example ``exhaust.egt``: kind of part or table, then its key."""

    share: float
    of: str


Amount = float | Curve | OfSheet


@dataclass(frozen=True, slots=True)
class Band:
    """What is accepted, ends included; None for no bound on that side. In the measure's unit."""

    low: Amount | None = None
    high: Amount | None = None


@dataclass(frozen=True, slots=True)
class Measure:
    """One value that a step yields.

    Of `signal`, or of its difference from `against` (a signal of the same unit, or `EXPECTED`). `tunes` has bands that
    take the place of `band` in a tune. `reason` says for people why the band is where it is, `source` who says so.
    Without a band the value is told and nothing more. `falling`: `reach` is reached from above, not from below.
    """

    name: str
    title: str
    signal: str
    take: Take
    against: str = ""
    reach: Amount | None = None
    falling: bool = False
    band: Band | None = None
    tunes: tuple[tuple[str, Band], ...] = ()
    reason: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class WaitsFor:
    """Something that must hold: `signal` beyond `limit` on that side (`uphaul.rules.ABOVE`, `BELOW`).

    It begins to hold beyond the limit and ends `deadband` within it, as a rule does. With `rate_ms` it is the signal's
    slope per second over that window instead. `held_ms`: only after it has been so for that long. `bridge_ms`: it goes
    on through an interruption of less. An unknown signal does not hold.
    """

    signal: str
    side: int
    limit: float | Curve
    deadband: float = 0.0
    rate_ms: int = 0
    held_ms: int = 0
    bridge_ms: int = 0


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do and to measure.

    `do` tells people what to do, `say` is the short prompt that is spoken. `moving`: done while the vehicle moves, so
    nobody is asked to look at anything. `settle_ms` of what holds is left out of the measures. `each_tune`: to be done
    in every tune of the vehicle that is not excused, each with a result of its own. `after`: steps that must have been
    tried before in the same run (none: any time). `retries`: how often it may be done again when it did not pass.
    """

    name: str
    part: Part
    title: str
    do: str
    say: str
    waits_for: tuple[WaitsFor, ...]
    measures: tuple[Measure, ...]
    moving: bool = False
    span: Span = Span.FIXED
    for_ms: int = 1000
    at_most_ms: int = 1_800_000
    settle_ms: int = 0
    each_tune: bool = False
    after: tuple[str, ...] = ()
    retries: int = 1


@dataclass(frozen=True, slots=True)
class FieldCheck:
    """All steps in their order. `excused` are tunes that need no run of their own, each with the reason."""

    title: str
    steps: tuple[Step, ...]
    cautions: tuple[str, ...] = ()
    excused: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Measured:
    """What a measure yielded, in `unit`: NaN when it could not be told, `why` then says so.

    `t_ms` is the tick that decided (of a maximum, where it was), None for one over all ticks. `low` and `high` are the
    bounds as they applied, None where there is none. `rpm` is the engine's at that tick, NaN where unknown. `unknown`
    is the share of the ticks at which there was nothing to measure.
    """

    name: str
    value: float
    unit: str
    t_ms: int | None = None
    low: float | None = None
    high: float | None = None
    rpm: float = float("nan")
    why: str = ""
    unknown: float = 0.0

    @property
    def ok(self) -> bool | None:
        """Whether it is within its band; None without a band or a value."""
        if self.value != self.value or (self.low is None and self.high is None):
            return None
        return (self.low is None or self.value >= self.low) and (self.high is None or self.value <= self.high)


@dataclass(frozen=True, slots=True)
class Attempt:
    """One stretch in which a step held. `why` says in words why it was stopped or told nothing.

    `tune` is the one in which it began, empty where unknown; `tunes_after` are those that followed. What it was judged
    over: `unlogged_ms` of it are not recorded, `cut` where a gap in the recording ended it, and `bridged` are signals
    that it waited for and that were unknown for a share of it.
    """

    t_ms: tuple[int, int]
    tune: str
    verdict: Verdict
    measured: tuple[Measured, ...] = ()
    why: str = ""
    tunes_after: tuple[str, ...] = ()
    unlogged_ms: int = 0
    cut: bool = False
    bridged: tuple[tuple[str, float], ...] = ()

    @property
    def over_gaps(self) -> bool:
        """Whether something was missing of what it was judged by."""
        return bool(self.unlogged_ms or self.cut or self.bridged or any(m.unknown for m in self.measured))


@dataclass(frozen=True, slots=True)
class StepResult:
    """What came of a step; `tune` is empty for one that is not done in each tune.

    The last attempt decides. `why`: the reason of a skip or an excuse, or what was missing throughout.
    """

    step: str
    verdict: Verdict
    tune: str = ""
    attempts: tuple[Attempt, ...] = ()
    why: str = ""


@dataclass(frozen=True, slots=True)
class FieldCheckRun:
    """A run of a check over a drive or a part of it: from `t_ms[0]` to `t_ms[1]`.

    `confirmed_by` is who confirmed the cautions before it began, empty where nobody did (a drive that was looked at
    afterwards).
    """

    title: str
    t_ms: tuple[int, int]
    results: tuple[StepResult, ...]
    confirmed_by: str = ""


@dataclass(frozen=True, slots=True)
class Missing:
    """What a step still waits for: ``rpm``, 300 ``rpm`` too low. `by` NaN: unknown. `left_s`: to be held on for.

    `words` says it for people.
    """

    signal: str
    by: float
    unit: str
    words: str
    left_s: float = 0.0


class NewsKind(StrEnum):
    """What a run has to say at a tick."""

    NEXT = "next"
    """Another step is the one to do; its words say what."""
    HOLD = "hold"
    """All holds: it is being measured."""
    BROKEN = "broken"
    """It stopped holding too early."""
    PASSED = "passed"
    FAILED = "failed"
    STOP = "stop"
    """An alert that asks the driver to act: leave the step, follow the alert."""
    DONE = "done"
    """No step is open."""


_PRESSING = (
    NewsKind.STOP,
    NewsKind.FAILED,
    NewsKind.DONE,
    NewsKind.PASSED,
    NewsKind.BROKEN,
    NewsKind.HOLD,
    NewsKind.NEXT,
)


@dataclass(frozen=True, slots=True)
class News:
    """Something to speak or beep, at a tick."""

    t_ms: int
    kind: NewsKind
    step: str
    tune: str
    words: str


def most_pressing(news: Iterable[News]) -> NewsKind:
    """Of what there is to say at one tick, what is sounded; that another step follows goes without a sound."""
    return min((n.kind for n in news), key=_PRESSING.index)


@dataclass(frozen=True, slots=True)
class Now:
    """Where a run stands: the step to do (None: none is open), how long it holds and has to, what is missing.

    `alert` is what is said by the alert in the way, empty: none; `action` the gravest that those in the way ask for.
    """

    step: Step | None
    tune: str
    holding_s: float | None
    left_s: float | None
    missing: tuple[Missing, ...]
    alert: str
    action: Action | None
    results: tuple[StepResult, ...]
