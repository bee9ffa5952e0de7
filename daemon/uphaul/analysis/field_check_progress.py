"""One run of a field check as it goes along: when a step holds, what it measures, what is next.

Theory of operation. The blocks of the drive go through a judge of the check's own, which has one rule for each thing
that a step waits for, and one for each signal that must be known. Everything else happens at ticks at which something
changes: a condition, the tune, an alert, what a person does, the end of a time. A step that holds is a `Stretch`; it
keeps the ticks of the columns that its measures need.

Unknown: a signal that is unknown for longer than `bridge_ms` does not hold, and after a gap everything begins anew. An
alert that asks the driver to act ends every stretch at once, and none begins while it stands.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from uphaul.alerts import State, Transition
from uphaul.analysis.field_check import (
    Attempt,
    FieldCheck,
    FieldCheckRun,
    Missing,
    News,
    NewsKind,
    Now,
    Part,
    Span,
    Step,
    StepResult,
    Verdict,
    WaitsFor,
)
from uphaul.analysis.field_check_measure import Measuring, verdict_of
from uphaul.analysis.field_check_missing import missing_of
from uphaul.analysis.field_check_stretch import Stretch, unlogged_ms
from uphaul.rules import ABOVE, Action, Kind, Rule, Setting
from uphaul.rules.judge import Judge
from uphaul.signals import NO_TUNE, Block, Event, Signal, index_of
from uphaul.units import compatible, convert
from uphaul.vehicle import Vehicle

__all__ = ["STANDING", "Asking", "Progress", "Surroundings"]

STANDING = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED)
"""States of an alert in which nobody goes on: it asks to act, or is held until a person has looked."""

WALKING_M_S = 1.5
"""Faster than that nobody is asked for what is done standing. Source: common practice, a walk."""

CUT_SHORT = "a gap in the recording ended it too early"

Key = tuple[int, str]
"""A step's place and the tune, empty for a step that is not done in each."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a drive's ticks are: their columns, their tunes by number, the vehicle, and what a gap is."""

    signals: tuple[Signal, ...]
    tunes: tuple[str, ...]
    vehicle: Vehicle
    gap_ms: int
    grid_ms: int


class Asking:
    """The alerts that stand and ask the driver to act, of those of `rules`; true when there is one."""

    def __init__(self, rules: Sequence[Rule], standing: Iterable[str]) -> None:
        self._rules = {r.name: r for r in rules if r.action is not Action.NOTE}
        self._standing = {name: None for name in standing if name in self._rules}

    def __bool__(self) -> bool:
        return bool(self._standing)

    def asks(self, rule: str) -> bool:
        """Whether that rule's alert asks the driver to act."""
        return rule in self._rules

    def note(self, transition: Transition) -> None:
        """Follow one of them."""
        if transition.target in STANDING:
            self._standing[transition.rule] = None
        else:
            self._standing.pop(transition.rule, None)

    @property
    def words(self) -> str:
        """What the one says that came last."""
        rule = self._rules[next(reversed(self._standing))]
        return rule.say or rule.name

    @property
    def action(self) -> Action | None:
        """The gravest that they ask for; None when none stands."""
        return max((self._rules[name].action for name in self._standing), default=None)


class Progress:
    """One run under way, begun at `t_ms` by the one who confirmed the cautions (empty: nobody was asked)."""

    def __init__(self, check: FieldCheck, around: Surroundings, t_ms: int, by: str) -> None:
        self._check, self._around = check, around
        self._began_ms, self._by = t_ms, by
        tunes = around.tunes
        excused = dict(check.excused)
        self._results: dict[Key, StepResult] = {}
        for i, step in enumerate(check.steps):
            for tune in (tunes or ("",)) if step.each_tune else ("",):
                why = excused.get(tune, "") if tune else ""
                verdict = Verdict.EXCUSED if tune in excused else Verdict.OPEN
                self._results[i, tune] = StepResult(step.name, verdict, tune, why=why)
        self._waits = [(i, w) for i, step in enumerate(check.steps) for w in step.waits_for]
        rules = [_rule(n, w) for n, (_, w) in enumerate(self._waits)]
        rules += [_known(n, w) for n, (_, w) in enumerate(self._waits)]
        self._judge = Judge(tuple(rules), around.signals, tunes, gap_ms=around.gap_ms, grid_ms=around.grid_ms)
        self._owner = np.array([i for i, _ in self._waits], dtype=np.intp)
        self._met = np.zeros(len(self._waits), dtype=bool)
        self._lost = np.zeros(len(self._waits), dtype=bool)
        self._measuring = Measuring(check, around.signals, tunes, around.vehicle)
        self._stretches: dict[Key, Stretch] = {}
        self._spent: set[int] = set()
        self._held_up: dict[Key, str] = {}
        self._tune = NO_TUNE
        self._last_ms: int | None = None
        self._values = np.full(len(around.signals), np.nan)
        self._part: Part | None = None
        at = index_of(around.signals).get("speed")
        there = at is not None and compatible(around.signals[at].unit, "m/s")
        self._speed = at if there else None
        self._moves = False
        self._told: Key | None = None
        self._all_told = False
        self._look_again = False

    # ------------------------------------------------------------------------------------------------ going along

    def take(
        self, block: Block, transitions: Sequence[Transition], skips: Sequence[Event], asking: Asking
    ) -> list[News]:
        """Take ticks of the run."""
        t, n = block.t_ms, len(block)
        news: list[News] = []
        changes: dict[int, list[tuple[int, bool]]] = {}
        for change in self._judge.run(block):
            changes.setdefault(int(np.searchsorted(t, change.t_ms)), []).append((change.rule, change.active))
        gaps = set((np.flatnonzero(t[1:] - t[:-1] > self._around.gap_ms) + 1).tolist())
        if self._last_ms is not None and int(t[0]) - self._last_ms > self._around.gap_ms:
            gaps.add(0)
        tunes = {0} if int(block.tune[0]) != self._tune else set()
        tunes |= set((np.flatnonzero(block.tune[1:] != block.tune[:-1]) + 1).tolist())
        alerts: dict[int, list[Transition]] = {}
        for transition in transitions:
            alerts.setdefault(int(np.searchsorted(t, transition.t_ms)), []).append(transition)
        people: dict[int, list[Event]] = {}
        for event in skips:
            people.setdefault(int(np.searchsorted(t, event.t_ms)), []).append(event)
        first = {0} if self._last_ms is None else set()
        stops = sorted({*changes, *gaps, *tunes, *alerts, *people, *first, n})
        at = 0
        while at < n:
            # up to the next tick at which something happens or a time is up, what holds goes on holding
            following = at if self._look_again else stops[bisect_left(stops, at)]
            due = min((int(np.searchsorted(t, d)) for d in self._due()), default=n)
            until = min(following, max(due, at), n)
            self._go_on(block, at, until)
            at = until
            if at == n:
                break
            now_ms = int(t[at])
            self._look_again = False
            if at in gaps:
                news += self._break_all(now_ms, cut=True)
            for rule, active in changes.get(at, ()):
                place = rule % len(self._waits)
                (self._met if rule < len(self._waits) else self._lost)[place] = active
            self._tune = int(block.tune[at])
            for transition in alerts.get(at, ()):
                asking.note(transition)
            for event in people.get(at, ()):
                self._skip(event)
            self._values = block.values[at]
            self._moves = self._moves or self._speed_m_s() > WALKING_M_S
            news += self._step(now_ms, asking)
            self._go_on(block, at, at + 1)
            news += self._times_up(now_ms)
            news += self._next(now_ms)
            at += 1
        self._last_ms = int(t[-1])
        self._values = block.values[-1].copy()
        return news

    def _due(self) -> Iterable[int]:
        """When a time is up for a step that holds."""
        for (i, _), stretch in self._stretches.items():
            step = self._check.steps[i]
            yield stretch.start_ms + (step.for_ms if step.span is Span.FIXED else step.at_most_ms)

    def _go_on(self, block: Block, start: int, stop: int) -> None:
        if start >= stop:
            return
        for (i, _), stretch in self._stretches.items():
            columns = self._measuring.columns[i]
            stretch.add(block.t_ms[start:stop], block.values[start:stop, columns])

    def _holding(self) -> set[int]:
        """Steps of which all that they wait for holds."""
        count = np.zeros(len(self._check.steps), dtype=np.intp)
        np.add.at(count, self._owner[~(self._met & ~self._lost)], 1)
        return {i for i, missing in enumerate(count.tolist()) if not missing}

    def _step(self, now_ms: int, asking: Asking) -> list[News]:
        """Begin and end stretches as things stand at this tick."""
        news: list[News] = []
        holding = self._holding()
        self._spent &= holding
        tune = self._tune_name()
        for key, stretch in list(self._stretches.items()):
            step = self._check.steps[key[0]]
            if asking:
                del self._stretches[key]
                self._spent.add(key[0])
                news += self._attempted(now_ms, key, stretch, stopped=asking.words)
            elif key[0] not in holding or (step.each_tune and key[1] != tune):
                del self._stretches[key]
                news += self._left(now_ms, key, stretch)
            elif stretch.tunes[-1] != tune:
                stretch.tunes.append(tune)
        for i in sorted(holding - self._spent):
            step = self._check.steps[i]
            key = (i, tune if step.each_tune else "")
            if asking:
                self._held_up[key] = f"an alert stood when all else held: {asking.words}"
            elif key in self._results and key not in self._stretches and self._may_begin(key):
                self._stretches[key] = Stretch(now_ms, tune)
                self._part = step.part
                news.append(News(now_ms, NewsKind.HOLD, step.name, key[1], f"{step.title}: hold it"))
        return news

    def _may_begin(self, key: Key) -> bool:
        step, result = self._check.steps[key[0]], self._results[key]
        if not _is_open(result, step):
            return False
        return all(self._was_tried(name) for name in step.after)

    def _was_tried(self, name: str) -> bool:
        return any(
            r.attempts or r.verdict in (Verdict.SKIPPED, Verdict.EXCUSED)
            for r in self._results.values()
            if r.step == name
        )

    def _left(self, now_ms: int, key: Key, stretch: Stretch, *, cut: bool = False) -> list[News]:
        """What a stretch that is over was; `cut`: by a gap."""
        step = self._check.steps[key[0]]
        if step.span is Span.WHILE and stretch.last_ms - stretch.start_ms >= step.for_ms:
            return self._attempted(now_ms, key, stretch, cut=cut)
        if cut:
            self._held_up[key] = CUT_SHORT
        elif unknown := [w.signal for n, (i, w) in enumerate(self._waits) if i == key[0] and self._lost[n]]:
            self._held_up[key] = f"{unknown[0]} became unknown and ended it too early"
        return [News(now_ms, NewsKind.BROKEN, step.name, key[1], f"{step.title}: broken off, once more")]

    def _times_up(self, now_ms: int) -> list[News]:
        news: list[News] = []
        for key, stretch in list(self._stretches.items()):
            step = self._check.steps[key[0]]
            lasts_ms = step.for_ms if step.span is Span.FIXED else step.at_most_ms
            if now_ms - stretch.start_ms >= lasts_ms:
                del self._stretches[key]
                self._spent.add(key[0])
                news += self._attempted(now_ms, key, stretch)
        return news

    def _break_all(self, now_ms: int, *, cut: bool = False) -> list[News]:
        news: list[News] = []
        for key, stretch in self._stretches.items():
            news += self._left(now_ms, key, stretch, cut=cut)
        self._stretches.clear()
        self._spent.clear()
        return news

    def _attempted(
        self, now_ms: int, key: Key, stretch: Stretch, stopped: str = "", *, cut: bool = False
    ) -> list[News]:
        step, result = self._check.steps[key[0]], self._results[key]
        t, values = stretch.ticks()
        measured = self._measuring.measure(key[0], stretch.tunes[0], t, values)
        verdict, why = verdict_of(step, measured)
        if stopped:
            verdict, why = Verdict.STOPPED, stopped
        attempt = Attempt(
            (stretch.start_ms, stretch.last_ms),
            stretch.tunes[0],
            verdict,
            measured,
            why,
            tuple(stretch.tunes[1:]),
            unlogged_ms(t),
            cut,
            self._measuring.bridged(key[0], values),
        )
        self._results[key] = replace(result, verdict=verdict, attempts=(*result.attempts, attempt))
        self._look_again = True  # another step may have waited for this one
        if stopped:
            return [News(now_ms, NewsKind.STOP, step.name, key[1], stopped)]
        kind = NewsKind.PASSED if verdict is Verdict.PASSED else NewsKind.FAILED
        return [News(now_ms, kind, step.name, key[1], f"{step.title}: {verdict.value}")]

    def _skip(self, event: Event) -> None:
        name, _, tune = event.rule.partition(":")
        for key, result in self._results.items():
            mine = result.step == name and (not tune or key[1] == tune)
            if mine and result.verdict not in (Verdict.PASSED, Verdict.EXCUSED):
                self._results[key] = replace(result, verdict=Verdict.SKIPPED, why=event.text)
                self._stretches.pop(key, None)
                self._look_again = True

    def _tune_name(self) -> str:
        tunes = self._around.tunes
        return tunes[self._tune] if 0 <= self._tune < len(tunes) else ""

    # ---------------------------------------------------------------------------------------------- what is told

    def _to_do(self) -> Key | None:
        """The step to be done now: one that holds, else the first that is open, in the present tune if it can be.

        Those of the part in which the last one was begun come first: on the hot road nobody is told of a cold morning.
        Until one was begun, a vehicle that has moved is asked for what is done moving: nobody turns a key at speed.
        """
        for key in self._stretches:
            return key
        ready = [k for k in self._results if self._may_begin(k)]
        if self._part is None and self._moves:
            ready = [k for k in ready if self._check.steps[k[0]].moving] or ready
        ready = [k for k in ready if self._check.steps[k[0]].part is self._part] or ready
        tune = self._tune_name()
        here = [k for k in ready if k[1] in ("", tune)]
        first = next(iter(ready), None)
        return next((k for k in here if first is not None and k[0] == first[0]), first)

    def _speed_m_s(self) -> float:
        """At the present tick; NaN where it is not known."""
        if self._speed is None:
            return float("nan")
        return float(convert(float(self._values[self._speed]), self._around.signals[self._speed].unit, "m/s"))

    def _next(self, now_ms: int) -> list[News]:
        if self._stretches:
            return []
        key = self._to_do()
        if key is None:
            told, self._all_told = self._all_told, True
            return [] if told else [News(now_ms, NewsKind.DONE, "", "", "Field check: all steps are done")]
        self._all_told = False
        if key == self._told:
            return []
        self._told = key
        step = self._check.steps[key[0]]
        words = f"{step.say}, {key[1]}" if key[1] else step.say
        return [News(now_ms, NewsKind.NEXT, step.name, key[1], words)]

    def now(self, asking: Asking) -> Now:
        """Where it stands after the last tick."""
        key = self._to_do()
        alert, action = asking.words if asking else "", asking.action
        results = tuple(self._results.values())
        if key is None or self._last_ms is None:
            return Now(None, "", None, None, (), alert, action, results)
        step = self._check.steps[key[0]]
        stretch = self._stretches.get(key)
        if stretch is not None:
            held_s = (self._last_ms - stretch.start_ms) / 1000.0
            return Now(step, key[1], held_s, max(step.for_ms / 1000.0 - held_s, 0.0), (), alert, action, results)
        return Now(step, key[1], None, None, self._missing(key), alert, action, results)

    def _missing(self, key: Key) -> tuple[Missing, ...]:
        out = []
        if key[1] and key[1] != self._tune_name():
            told = self._tune_name() or "unknown"
            out.append(Missing("tune", float("nan"), "", f"tune {told}, needed is {key[1]}"))
        columns, since_ms = index_of(self._around.signals), self._judge.beyond_since_ms.tolist()
        assert self._last_ms is not None
        for n, (i, wait) in enumerate(self._waits):
            if i == key[0] and not (self._met[n] and not self._lost[n]):
                held_ms = None if since_ms[n] < 0 else self._last_ms - since_ms[n]
                out.append(missing_of(wait, columns, self._values, self._around.signals, held_ms))
        return tuple(out)

    def end(self) -> None:
        """Nothing follows: what has held for long enough counts."""
        if self._last_ms is not None:
            self._break_all(self._last_ms)

    def result(self, t_ms: int) -> FieldCheckRun:
        """What came of it up to that tick."""
        results = tuple(
            replace(r, why=self._held_up[key]) if r.verdict is Verdict.OPEN and key in self._held_up else r
            for key, r in self._results.items()
        )
        return FieldCheckRun(self._check.title, (self._began_ms, t_ms), results, self._by)


def _is_open(result: StepResult, step: Step) -> bool:
    if result.verdict in (Verdict.PASSED, Verdict.SKIPPED, Verdict.EXCUSED):
        return False
    return len(result.attempts) <= step.retries


def _rule(n: int, wait: WaitsFor) -> Rule:
    setting = Setting(wait.limit, wait.deadband, wait.held_ms, wait.bridge_ms)
    kind = Kind.RATE if wait.rate_ms else Kind.THRESHOLD
    return Rule(f"wait {n}", kind, wait.signal, wait.side, setting, Action.NOTE, window_ms=wait.rate_ms)


def _known(n: int, wait: WaitsFor) -> Rule:
    return Rule(f"known {n}", Kind.LOST, wait.signal, ABOVE, Setting(on_delay_ms=wait.bridge_ms), Action.NOTE)
