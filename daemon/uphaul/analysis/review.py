"""What the rules said over a drive: when each condition was true, how often, how long, and how near it came."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from uphaul.rules import Condition, Rule
from uphaul.rules.judge import Approach

__all__ = ["Difference", "Episode", "RuleSummary", "compare", "episodes", "summarise"]


@dataclass(frozen=True, slots=True)
class Episode:
    """One stretch of time during which a rule's condition was true; `cleared_ms` None: still so at the end.

    `value`, `limit` (NaN when unknown) and `tune` (-1 unknown) are those at the raise.
    """

    rule: str
    raised_ms: int
    cleared_ms: int | None
    value: float
    limit: float
    tune: int


@dataclass(frozen=True, slots=True)
class RuleSummary:
    """One rule over a drive. `active_ms` counts to the drive's last tick where a condition was still true."""

    rule: Rule
    raises: int
    active_ms: int
    approach: Approach | None


@dataclass(frozen=True, slots=True)
class Difference:
    """How an episode of one judging stands in another: `before` or `after` is None where the other has none."""

    rule: str
    before: Episode | None
    after: Episode | None

    @property
    def kind(self) -> str:
        """``new``, ``gone`` or ``moved``."""
        if self.before is None:
            return "new"
        return "gone" if self.after is None else "moved"


def episodes(conditions: Sequence[Condition], rules: Sequence[str]) -> list[Episode]:
    """The episodes in order of raise, then of rule. `rules` are the names that `Condition.rule` counts through."""
    found: list[tuple[int, int, Episode]] = []
    open_: dict[int, int] = {}
    for c in conditions:
        if c.active:
            open_[c.rule] = len(found)
            found.append((c.t_ms, c.rule, Episode(rules[c.rule], c.t_ms, None, c.value, c.limit, c.tune)))
        elif c.rule in open_:
            at = open_.pop(c.rule)
            t, rule, e = found[at]
            found[at] = (t, rule, Episode(e.rule, e.raised_ms, c.t_ms, e.value, e.limit, e.tune))
    return [e for _, _, e in sorted(found, key=lambda f: f[:2])]


def summarise(
    rules: Sequence[Rule], found: Sequence[Episode], approaches: Sequence[Approach | None], last_ms: int
) -> list[RuleSummary]:
    """One summary a rule, in the order of the rules. `last_ms` is the drive's last tick."""
    out = []
    for i, rule in enumerate(rules):
        own = [e for e in found if e.rule == rule.name]
        active = sum((last_ms if e.cleared_ms is None else e.cleared_ms) - e.raised_ms for e in own)
        out.append(RuleSummary(rule, len(own), active, approaches[i] if i < len(approaches) else None))
    return out


def compare(before: Sequence[Episode], after: Sequence[Episode], last_ms: int) -> list[Difference]:
    """What changed from one judging of a drive to another, in order of time.

    Episodes of one rule belong together where they overlap (touching counts), the earliest first; equal ones are
    left out.
    """

    def end(e: Episode) -> int:
        return last_ms if e.cleared_ms is None else e.cleared_ms

    out = []
    for name in dict.fromkeys(e.rule for e in (*before, *after)):
        old = [e for e in before if e.rule == name]
        new = [e for e in after if e.rule == name]
        while old or new:
            if old and new and old[0].raised_ms <= end(new[0]) and new[0].raised_ms <= end(old[0]):
                a, b = old.pop(0), new.pop(0)
                if (a.raised_ms, a.cleared_ms) != (b.raised_ms, b.cleared_ms):
                    out.append(Difference(name, a, b))
            elif not new or (old and old[0].raised_ms < new[0].raised_ms):
                out.append(Difference(name, old.pop(0), None))
            else:
                out.append(Difference(name, None, new.pop(0)))
    return sorted(out, key=lambda d: min(e.raised_ms for e in (d.before, d.after) if e is not None))
