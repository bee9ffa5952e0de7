"""A plain, slow evaluator of a field check, tick by tick: what the engine is held against.

It follows FIELD_CHECK.md; conditions come from the rules' own reference, everything else is told from lists.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field

from support.reference import Drive, reference_conditions
from uphaul.analysis.field_check import FieldCheck, Measure, Span, Step, Take, Verdict, WaitsFor
from uphaul.rules import ABOVE, Action, Kind, Rule, Setting
from uphaul.signals import Block, Signal

__all__ = ["Tried", "reference_check"]

Tried = tuple[int, int, list[str], Verdict, tuple[float, ...], int, bool, dict[str, float]]
"""From, to, tunes one after the other, verdict, values of the measures; ms that were not recorded, whether a gap ended
it, and the share of it for which a signal that it waits for was unknown."""


@dataclass(frozen=True, slots=True)
class _Ticks:
    signals: Sequence[Signal]
    tunes: Sequence[str]
    block: Block
    gap_ms: int


@dataclass(slots=True)
class _Line:
    """A step in a tune (empty: in any)."""

    step: Step
    tune: str
    verdict: Verdict = Verdict.OPEN
    tried: list[Tried] = field(default_factory=list)
    since: int | None = None

    @property
    def closed(self) -> bool:
        """Whether nothing more is tried."""
        over = self.verdict in (Verdict.PASSED, Verdict.SKIPPED, Verdict.EXCUSED)
        return over or len(self.tried) > self.step.retries


def _active(ticks: _Ticks, rule: Rule) -> list[bool]:
    found = reference_conditions([rule], ticks.signals, ticks.tunes, ticks.block, gap_ms=ticks.gap_ms)
    changes = {c.t_ms: c.active for c in found}
    out, now = [], False
    for t in ticks.block.t_ms.tolist():
        now = changes.get(t, now)
        out.append(now)
    return out


def _met(ticks: _Ticks, wait: WaitsFor) -> list[bool]:
    kind = Kind.RATE if wait.rate_ms else Kind.THRESHOLD
    setting = Setting(wait.limit, wait.deadband, wait.held_ms, wait.bridge_ms)
    holds = _active(ticks, Rule("w", kind, wait.signal, wait.side, setting, Action.NOTE, window_ms=wait.rate_ms))
    lost = Rule("l", Kind.LOST, wait.signal, ABOVE, Setting(on_delay_ms=wait.bridge_ms), Action.NOTE)
    return [h and not u for h, u in zip(holds, _active(ticks, lost), strict=True)]


def _value(drive: Drive, m: Measure, step: Step, start: int, stop: int) -> float:
    """Of ticks `start` to `stop`, both included; NaN where it cannot be told."""
    first = drive.t[start]
    ticks = list(range(start, stop + 1))
    if m.take is not Take.TIME_TO:
        ticks = [k for k in ticks if drive.t[k] >= first + step.settle_ms] or [stop]
    known = [(drive.t[k], x) for k in ticks if (x := drive.x[m.signal][k]) is not None]
    if not known or len(known) < 0.9 * len(ticks):
        return math.nan
    values = [x for _, x in known]
    match m.take:
        case Take.LAST:
            return values[-1]
        case Take.MAXIMUM | Take.MINIMUM:
            every = [(drive.t[k], x) for k in range(start, stop + 1) if (x := drive.x[m.signal][k]) is not None]
            ends = [t for t, _ in known if t - first >= 300]
            means = [statistics.fmean(x for t, x in every if end - 300 < t <= end) for end in ends]
            return (max if m.take is Take.MAXIMUM else min)(means or [statistics.fmean(values)])
        case Take.MEAN:
            return sum(values) / len(values)
        case Take.TIME_TO:
            assert isinstance(m.reach, float)
            there = [t for t, x in known if (x <= m.reach if m.falling else x >= m.reach)]
            return (there[0] - first) / 1000.0 if there else math.inf
        case _:
            raise NotImplementedError(m.take)


def _judge(step: Step, values: Sequence[float]) -> Verdict:
    unknown = False
    for m, x in zip(step.measures, values, strict=True):
        if m.band is None:
            continue
        low, high = m.band.low, m.band.high
        unknown |= math.isnan(x)
        if (isinstance(low, float) and x < low) or (isinstance(high, float) and x > high):
            return Verdict.FAILED
    return Verdict.UNKNOWN if unknown else Verdict.PASSED


def reference_check(
    check: FieldCheck,
    signals: Sequence[Signal],
    tunes: Sequence[str],
    block: Block,
    *,
    asking: Sequence[bool],
    skipped: dict[int, list[str]],
    gap_ms: int = 1000,
) -> list[tuple[str, str, Verdict, list[Tried]]]:
    """(step, tune, verdict, attempts) of a run over all ticks.

    `asking` tells of each whether an alert stands that asks to act, `skipped` which steps are skipped at a tick.
    """
    drive, ticks = Drive(signals, tunes, block, gap_ms), _Ticks(signals, tunes, block, gap_ms)
    lines = [_Line(s, t) for s in check.steps for t in (tunes if s.each_tune else ("",))]
    for line in lines:
        if line.tune and line.tune in dict(check.excused):
            line.verdict = Verdict.EXCUSED
    met = {s.name: [_met(ticks, w) for w in s.waits_for] for s in check.steps}
    used_up: set[str] = set()

    def tune_at(k: int) -> str:
        return drive.tunes[drive.number[k]] if drive.number[k] >= 0 else ""

    def tried(line: _Line, stop: int, verdict: Verdict | None = None, *, cut: bool = False) -> None:
        assert line.since is not None
        inside = range(line.since, stop + 1)
        spaces = [drive.t[k + 1] - drive.t[k] for k in inside[:-1]]
        usual = int(statistics.median(spaces)) if spaces else 0
        gone_ms = sum(s - usual for s in spaces if s > 2 * usual)
        waits = {w.signal: sum(drive.x[w.signal][k] is None for k in inside) for w in line.step.waits_for}
        bridged = {name: count / len(inside) for name, count in waits.items() if count}
        ones = [tune_at(k) for k in inside]
        following = [b for a, b in itertools.pairwise(ones) if a != b]
        values = tuple(_value(drive, m, line.step, line.since, stop) for m in line.step.measures)
        found = verdict or _judge(line.step, values)
        span = drive.t[line.since], drive.t[stop]
        line.tried.append((*span, [ones[0], *following], found, values, gone_ms, cut, bridged))
        line.verdict, line.since = found, None

    def left(line: _Line, stop: int, *, cut: bool = False) -> None:
        assert line.since is not None
        if line.step.span is Span.WHILE and drive.t[stop] - drive.t[line.since] >= line.step.for_ms:
            tried(line, stop, cut=cut)
        line.since = None

    for k, t in enumerate(drive.t):
        tune = tune_at(k)
        if drive.gap_before(k):
            used_up.clear()
            for line in lines:
                if line.since is not None:
                    left(line, k - 1, cut=True)
        for name in skipped.get(t, []):
            for line in lines:
                if line.step.name == name and line.verdict not in (Verdict.PASSED, Verdict.EXCUSED):
                    line.verdict, line.since = Verdict.SKIPPED, None
        holds = {name: all(w[k] for w in waits) for name, waits in met.items()}
        used_up = {name for name in used_up if holds[name]}
        for line in lines:
            if line.since is not None and asking[k]:
                tried(line, k - 1, Verdict.STOPPED)
                used_up.add(line.step.name)
            elif line.since is not None and (not holds[line.step.name] or (line.tune and line.tune != tune)):
                left(line, k - 1)
        if not asking[k]:
            done = {x.step.name for x in lines if x.tried or x.verdict in (Verdict.SKIPPED, Verdict.EXCUSED)}
            for line in lines:
                name = line.step.name
                fits = not line.step.each_tune or line.tune == tune
                if holds[name] and name not in used_up and fits and line.since is None and not line.closed:
                    line.since = k if set(line.step.after) <= done else None
        for line in lines:
            if line.since is not None:
                lasts_ms = line.step.for_ms if line.step.span is Span.FIXED else line.step.at_most_ms
                if t - drive.t[line.since] >= lasts_ms:
                    tried(line, k)
                    used_up.add(line.step.name)
    for line in lines:
        if line.since is not None:
            left(line, len(drive.t) - 1)
    return [(x.step.name, x.tune, x.verdict, x.tried) for x in lines]
