"""Random drives, rules, tunes, gaps, unknowns, people's events and cuttings, made to meet every edge often.

Values, limits and deadbands share one coarse grid of counts, and times, delays and windows one grid of ticks, so that
"exactly at the limit" and "met on the tick" come up in most examples rather than once in a blue moon.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from hypothesis import strategies as st

from uphaul.alerts.model import Condition
from uphaul.rules.spec import ABOVE, BELOW, Action, Curve, Kind, Rule, Setting, Share, When
from uphaul.signals.model import Block, Event, EventKind, Signal

__all__ = ["Case", "Lives", "cases", "cuttings", "lives", "rules_of_kind"]

NAMES = ("x", "y", "z")
TUNES = ("stock", "tow")
SIDES = st.sampled_from([ABOVE, BELOW])
NAN = math.nan


@dataclass(frozen=True, slots=True)
class Scale:
    """How large the numbers of an example are: `step_ms` of a tick, and the reach of its counts."""

    step_ms: int
    counts: int
    start_ms: int


SMALL = Scale(step_ms=50, counts=6, start_ms=0)
SCALES = st.sampled_from([SMALL, SMALL, SMALL, Scale(1000, 60_000, 28_000_000), Scale(10, 4000, 3_590_000)])


@dataclass(frozen=True, slots=True)
class Case:
    """A drive and the rules it is judged by."""

    signals: tuple[Signal, ...]
    tunes: tuple[str, ...]
    rules: tuple[Rule, ...]
    block: Block
    gap_ms: int


@dataclass(frozen=True, slots=True)
class Lives:
    """A drive as the life cycle sees it."""

    rules: tuple[Rule, ...]
    t_ms: tuple[int, ...]
    conditions: tuple[Condition, ...]
    events: tuple[Event, ...]


def _numbers(scale: Scale) -> st.SearchStrategy[float]:
    """Numbers that values meet exactly on a grid of quarters, and some that no double meets exactly."""
    return st.one_of(
        st.integers(-4 * scale.counts, 4 * scale.counts).map(lambda n: n / 4),
        st.integers(-10 * scale.counts, 10 * scale.counts).map(lambda n: n / 10),
    )


@st.composite
def _curves(draw: st.DrawFn, scale: Scale) -> Curve:
    knots = sorted(draw(st.sets(_numbers(scale), min_size=2, max_size=4)))
    y = [draw(_numbers(scale)) for _ in knots]
    return Curve(draw(st.sampled_from(NAMES)), tuple(knots), tuple(y))


def _limits(scale: Scale) -> st.SearchStrategy[float | Curve]:
    return st.one_of(_numbers(scale), _numbers(scale), _curves(scale))


def _deadbands(scale: Scale) -> st.SearchStrategy[float | Share]:
    numbers = st.one_of(st.just(0.0), st.integers(0, 8).map(lambda n: n / 4), _numbers(scale).map(abs))
    shares = st.sampled_from([0.0, 0.05, 0.1, 0.5, 1.5]).map(Share)
    return st.one_of(numbers, numbers, shares)


def _delays(scale: Scale) -> st.SearchStrategy[int]:
    """Whole ticks mostly, none often, and some that end between two ticks."""
    ticks = st.sampled_from([0, 0, 1, 2, 3, 5]).map(lambda n: n * scale.step_ms)
    return st.one_of(ticks, ticks, st.integers(0, 4 * scale.step_ms))


def _seconds(scale: Scale, most: int) -> st.SearchStrategy[float]:
    """The time of some ticks."""
    return st.integers(0, most).map(lambda n: n * scale.step_ms / 1000)


@st.composite
def _settings(draw: st.DrawFn, kind: Kind, side: int, scale: Scale) -> Setting:
    limit: float | Curve | Share = draw(_limits(scale))
    deadband = draw(_deadbands(scale))
    if kind is Kind.DEPARTURE and draw(st.booleans()):
        limit = Share(side * draw(st.sampled_from([0.1, 0.25, 0.5, 1.0])))
    elif kind is Kind.RATE and isinstance(limit, float) and draw(st.booleans()):
        limit = limit * 250 / scale.step_ms  # in the region of one count a tick
    elif kind in (Kind.EXPOSURE, Kind.REACH):
        deadband = draw(_seconds(scale, 3))
    return Setting(
        limit,
        deadband,
        draw(_delays(scale)),
        draw(_delays(scale)),
        allowed_s=draw(_seconds(scale, 4)) if kind is Kind.EXPOSURE else 0.0,
        within_s=draw(_seconds(scale, 8)) if kind is Kind.REACH else 0.0,
    )


@st.composite
def rules_of_kind(draw: st.DrawFn, kind: Kind, scale: Scale = SMALL, name: str = "r") -> Rule:
    """One rule of that kind over signals x, y and z and the tunes stock and tow."""
    side: int = draw(SIDES)
    own = draw(st.lists(st.sampled_from(TUNES), unique=True, max_size=2))
    whens = st.builds(When, st.sampled_from(NAMES), SIDES, _limits(scale), _deadbands(scale))
    with_curve = draw(st.sampled_from([TUNES, TUNES, TUNES[:1], TUNES[1:]])) if kind is Kind.DEPARTURE else []
    return Rule(
        name,
        kind,
        draw(st.sampled_from(NAMES)),
        side,
        draw(_settings(kind, side, scale)),
        Action.EASE,
        when=tuple(draw(st.one_of(st.just([]), st.lists(whens, max_size=2)))),
        judge_unknown_when=draw(st.booleans()),
        tunes=tuple((n, draw(_settings(kind, side, scale))) for n in own),
        window_ms=draw(st.integers(2, 10)) * scale.step_ms + draw(st.sampled_from([0, 0, 1])),
        start=draw(st.none() | _numbers(scale)) if kind is Kind.REACH else None,
        grace_ms=draw(st.integers(0, 6)) * scale.step_ms if kind is Kind.LOST else 0,
        expected=tuple((n, draw(_curves(scale))) for n in with_curve),
    )


def _columns(draw: st.DrawFn, n: int, per_unit: int, scale: Scale) -> list[float]:
    """One signal: a walk, or leaps, with unknowns in between."""
    counts = st.integers(-per_unit * scale.counts, per_unit * scale.counts)
    near = st.integers(-2, 2)
    walk = draw(st.booleans())
    unknown = draw(st.sampled_from([0, 0, 1, 3]))
    steps: list[int] = draw(st.lists(near if walk else counts, min_size=n, max_size=n))
    lost: list[int] = draw(st.lists(st.integers(1, 9), min_size=n, max_size=n)) if unknown else [9] * n
    start: int = draw(counts)
    total = np.cumsum([start, *steps])[1:] if walk else np.array(steps)
    return [NAN if gone <= unknown else float(count) / per_unit for count, gone in zip(total, lost, strict=True)]


@st.composite
def cases(draw: st.DrawFn, kinds: Sequence[Kind] = tuple(Kind), max_ticks: int = 40) -> Case:
    """A drive with one to three rules of those kinds."""
    scale: Scale = draw(SCALES)
    gap_ticks: int = draw(st.sampled_from([2, 3, 20]))
    skips = st.sampled_from([1] * 12 + [2, 3, gap_ticks, gap_ticks + 1, 2 * gap_ticks])
    per_unit = [draw(st.sampled_from([1, 4, 10])) for _ in NAMES]
    signals = tuple(Signal(n, "1", p) for n, p in zip(NAMES, per_unit, strict=True))
    tunes = TUNES[: draw(st.sampled_from([0, 1, 2, 2]))]
    n = draw(st.sampled_from([1, 3, 7, max_ticks // 2, max_ticks - 1, max_ticks]))
    t = scale.start_ms + np.cumsum([0, *(draw(skips) for _ in range(n - 1))]) * scale.step_ms
    values = np.array([_columns(draw, n, s.per_unit, scale) for s in signals]).T
    numbers = st.sampled_from([-1, *range(len(tunes)), *range(len(tunes))])
    changing = draw(st.booleans())
    tune = [draw(numbers) for _ in range(n)] if changing else [draw(numbers)] * n
    count: int = draw(st.integers(1, 3))
    rules = tuple(draw(rules_of_kind(draw(st.sampled_from(kinds)), scale, f"rule-{i}")) for i in range(count))
    block = Block(signals, t.astype(np.int64), values.reshape(n, len(NAMES)), np.array(tune, dtype=np.int16))
    return Case(signals, tunes, rules, block, gap_ticks * scale.step_ms)


def cuttings(n: int) -> st.SearchStrategy[list[tuple[int, int]]]:
    """Where to cut n ticks into blocks: anywhere, nowhere, or after every tick."""
    anywhere = st.sets(st.integers(1, max(n - 1, 1)), max_size=8).map(sorted)
    return st.one_of(anywhere, st.just([]), st.just(list(range(1, n)))).map(
        lambda cuts: [(a, b) for a, b in zip([0, *cuts], [*cuts, n], strict=True) if b > a]
    )


@st.composite
def lives(draw: st.DrawFn, max_ticks: int = 40) -> Lives:
    """Rules, conditions that come and go, and people who do all manner of things, fitting or not."""
    count: int = draw(st.integers(1, 4))
    names = [f"rule-{i}" for i in range(count)]
    rules = []
    for i, name in enumerate(names):
        others = [other for other in names if other != name]
        quiet = draw(st.lists(st.sampled_from(others), unique=True, max_size=1)) if others and i % 2 else []
        action = draw(st.sampled_from(list(Action)))
        latch = draw(st.booleans())
        rules.append(Rule(name, Kind.THRESHOLD, "x", ABOVE, Setting(), action, latch=latch, suppressed_by=tuple(quiet)))
    n: int = draw(st.integers(1, max_ticks))
    step = draw(st.sampled_from([[50], [1000, 10_000, 20_000, 30_000], [30_000, 60_000], [100_000, 300_000, 600_000]]))
    t = np.cumsum([0, *(draw(st.sampled_from(step)) for _ in range(n - 1))])
    busy = draw(st.sampled_from([2, 4, 9]))
    active = [False] * count
    conditions: list[Condition] = []
    events: list[Event] = []
    kinds = st.sampled_from([EventKind.ACKNOWLEDGE, EventKind.ACKNOWLEDGE, *EventKind])
    for now in (int(x) for x in t):
        for i in range(count):
            if draw(st.integers(0, 9)) <= busy:
                active[i] = not active[i]
                value: float = draw(st.integers(-9, 9).map(float) | st.just(NAN))
                conditions.append(Condition(now, i, active[i], value, 5.0, -1))
        several: int = draw(st.sampled_from([0, 0, 0, 1, 2]))
        for _ in range(several):
            kind: EventKind = draw(kinds)
            rule: str = draw(st.sampled_from([*names, *names, *names, "nobody"]))
            number: int = draw(st.sampled_from([0, 0, 1, 2, 3]))
            end: int | None = draw(st.sampled_from([None, 0, 50, 100, 1000, 30_000, 60_000, 400_000]))
            end = None if end is None or kind is not EventKind.SHELVE else now + end
            events.append(Event(now, len(events), kind, rule, number, "driver", "", end))
    return Lives(tuple(rules), tuple(int(x) for x in t), tuple(conditions), tuple(events))
