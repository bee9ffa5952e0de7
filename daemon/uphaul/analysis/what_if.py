"""What the rules would have said of a drive with other limits, deadbands or delays: judged again, rule by rule.

Theory of operation. The judge looks at every rule by itself: no rule's condition depends on another's. So a changed
rule alone is judged again, over the columns that it reads alone, and its conditions are put among the kept ones of the
others in the judge's own order: by tick, then by the order of the rules. What rules do to each other (suppression,
chattering, flood), and what people did, belongs to the life cycle, which looks at conditions and events only. It runs
anew over all of them, so alerts, transitions and reasons are those that a judging of all rules would give, to the bit.

A drive whose configuration or program changed on the way consists of stretches, and each begins anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from uphaul.alerts import Carried, Notice, Transition
from uphaul.alerts.lifecycle import LifeCycle
from uphaul.analysis.review import Episode, cut_off, episodes, heard
from uphaul.rules import Condition, Curve, Rule, Setting, Share
from uphaul.rules.judge import Approach, Judge
from uphaul.signals import Block, Signal, index_of

__all__ = [
    "AllRules",
    "Cell",
    "RuleSaid",
    "Said",
    "Stretch",
    "grid",
    "judge_all",
    "judge_one",
    "say",
    "with_limit_moved",
]


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """One part of a drive as one block, and what its alerts began with. `ended` says why another follows."""

    block: Block
    tunes: tuple[str, ...]
    gap_ms: int = 1000
    grid_ms: int = 1
    carried: tuple[Carried, ...] = ()
    ended: str = ""


@dataclass(frozen=True, slots=True)
class RuleSaid:
    """One rule over all stretches: each change of its condition, one tuple a stretch, numbered as rule 0.

    `approach` is how near it came at its nearest; `measured`: its measure was known at some tick.
    """

    conditions: tuple[tuple[Condition, ...], ...]
    approach: Approach | None
    measured: bool


@dataclass(frozen=True, slots=True)
class Said:
    """What all rules said of a drive, each in order of time."""

    episodes: list[Episode]
    transitions: list[Transition]
    notices: list[Notice]


@dataclass(frozen=True, slots=True)
class Cell:
    """What one setting would have said: limit moved by `shift` (in the limit's unit), on-delay `on_delay_ms`."""

    shift: float
    on_delay_ms: int
    raises: int
    active_ms: int


def judge_one(rule: Rule, stretches: Sequence[Stretch]) -> RuleSaid:
    """Judge one rule over the drive."""
    found, approach, measured = [], None, False
    for stretch in stretches:
        block = _narrow(stretch.block, rule.reads())
        judge = _judge(stretch, block, (rule,), approaches=True)
        found.append(tuple(judge.run(block)))
        near = (judge.approaches or [None])[0]
        if near is not None and (approach is None or near.excess > approach.excess):
            approach = near
        measured = measured or bool(judge.measured[0])
    return RuleSaid(tuple(found), approach, measured)


class AllRules:
    """Judges all rules at once over a drive that comes stretch by stretch, each in blocks of any size.

    For many rules that is faster than one by one, and gives the same.
    """

    def __init__(self, rules: Sequence[Rule]) -> None:
        self._rules = tuple(rules)
        self._judges: list[Judge] = []
        self._found: list[list[list[Condition]]] = []

    def begin(self, signals: tuple[Signal, ...], tunes: tuple[str, ...], gap_ms: int, grid_ms: int) -> None:
        """A stretch follows, and is judged anew."""
        self._judges.append(Judge(self._rules, signals, tunes, gap_ms=gap_ms, grid_ms=grid_ms, approaches=True))
        self._found.append([[] for _ in self._rules])

    def take(self, block: Block) -> None:
        """Judge the next ticks of the stretch."""
        for c in self._judges[-1].run(block):
            self._found[-1][c.rule].append(replace(c, rule=0))

    def said(self) -> dict[Rule, RuleSaid]:
        """What each rule said of all that came."""
        out = {}
        for i, rule in enumerate(self._rules):
            nearest: Approach | None = None
            for judge in self._judges:
                near = judge.approaches[i] if judge.approaches else None
                if near is not None and (nearest is None or near.excess > nearest.excess):
                    nearest = near
            conditions = tuple(tuple(own[i]) for own in self._found)
            out[rule] = RuleSaid(conditions, nearest, any(bool(judge.measured[i]) for judge in self._judges))
        return out


def judge_all(rules: Sequence[Rule], stretches: Sequence[Stretch]) -> dict[Rule, RuleSaid]:
    """Judge all rules in one go, as of `AllRules`."""
    judging = AllRules(rules)
    for stretch in stretches:
        judging.begin(stretch.block.signals, stretch.tunes, stretch.gap_ms, stretch.grid_ms)
        judging.take(stretch.block)
    return judging.said()


def say(rules: Sequence[Rule], said: Mapping[Rule, RuleSaid], stretches: Sequence[Stretch]) -> Said:
    """Put together what each of the `rules` said, and let the alerts live through it."""
    out = Said([], [], [])
    names = [r.name for r in rules]
    for i, stretch in enumerate(stretches):
        merged = [replace(c, rule=place) for place, r in enumerate(rules) for c in said[r].conditions[i]]
        merged.sort(key=lambda c: (c.t_ms, c.rule))
        block = stretch.block
        cycle = LifeCycle(tuple(rules), stretch.carried)
        steps, notices = cycle.run(block.t_ms, block.tune, merged, block.events)
        found = heard(episodes(merged, names), steps, rules, stretch.carried)
        if stretch.ended:
            found = cut_off(found, int(block.t_ms[-1]), stretch.ended)
        out.episodes.extend(found)
        out.transitions.extend(steps)
        out.notices.extend(notices)
    return out


def grid(rule: Rule, stretches: Sequence[Stretch], shifts: Sequence[float], delays_ms: Sequence[int]) -> list[Cell]:
    """How often and for how long the rule's condition would have been true: every shift of the limit by every on-delay.

    The delay is that of the rule and of every tune. Order: shifts, within each the delays.
    """
    wanted = [(shift, delay) for shift in shifts for delay in delays_ms]
    variants = tuple(
        replace(_with_delay(with_limit_moved(rule, shift), delay), name=f"{rule.name} {i}")
        for i, (shift, delay) in enumerate(wanted)
    )
    raises, active = [0] * len(wanted), [0] * len(wanted)
    for stretch in stretches:
        block = _narrow(stretch.block, rule.reads())
        since: dict[int, int] = {}
        for c in _judge(stretch, block, variants).run(block):
            if c.active:
                since[c.rule] = c.t_ms
                raises[c.rule] += 1
            elif c.rule in since:
                active[c.rule] += c.t_ms - since.pop(c.rule)
        for number, t_ms in since.items():
            active[number] += int(block.t_ms[-1]) - t_ms
    return [Cell(s, d, raises[i], active[i]) for i, (s, d) in enumerate(wanted)]


def with_limit_moved(rule: Rule, shift: float) -> Rule:
    """The rule with every limit (its own, its tunes', all knots of a curve) moved by `shift`."""

    def moved(s: Setting) -> Setting:
        if isinstance(s.limit, Curve):
            return replace(s, limit=replace(s.limit, y=tuple(y + shift for y in s.limit.y)))
        if isinstance(s.limit, Share):
            return replace(s, limit=Share(s.limit.share + shift))
        return replace(s, limit=s.limit + shift)

    if not shift:
        return rule
    return replace(rule, base=moved(rule.base), tunes=tuple((name, moved(s)) for name, s in rule.tunes))


def _with_delay(rule: Rule, on_delay_ms: int) -> Rule:
    tunes = tuple((name, replace(s, on_delay_ms=on_delay_ms)) for name, s in rule.tunes)
    return replace(rule, base=replace(rule.base, on_delay_ms=on_delay_ms), tunes=tunes)


def _narrow(block: Block, names: Sequence[str]) -> Block:
    """The block with the columns of these names alone: judging goes by names, and moving fifty columns takes longer."""
    column = index_of(block.signals)
    keep = [column[n] for n in names if n in column]
    values = block.values.T[keep].T
    return replace(block, signals=tuple(block.signals[i] for i in keep), values=values, quality=(), events=())


def _judge(stretch: Stretch, block: Block, rules: tuple[Rule, ...], *, approaches: bool = False) -> Judge:
    return Judge(
        rules, block.signals, stretch.tunes, gap_ms=stretch.gap_ms, grid_ms=stretch.grid_ms, approaches=approaches
    )
