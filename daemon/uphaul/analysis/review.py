"""What the rules said over a drive: when each condition was true, how often, how long, and how near it came."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from uphaul.alerts import Carried, State, Transition
from uphaul.alerts.table import SET_ASIDE
from uphaul.rules import Condition, Rule
from uphaul.rules.judge import Approach

__all__ = ["Difference", "Episode", "RuleSummary", "compare", "cut_off", "episodes", "heard", "summarise"]


@dataclass(frozen=True, slots=True)
class Episode:
    """One stretch of time during which a rule's condition was true; `cleared_ms` None: still so at the end.

    `value`, `limit` (NaN when unknown) and `tune` (-1 unknown) are those at the raise. `cut` says why the judging ended
    before the drive did, with the condition still true; `cleared_ms` is then the last tick before. `quiet` says why
    the alert never asked for attention; empty when it did. `cause` is the fault behind a lost signal (`with_causes`).
    """

    rule: str
    raised_ms: int
    cleared_ms: int | None
    value: float
    limit: float
    tune: int
    cut: str = ""
    quiet: str = ""
    cause: str = ""


@dataclass(frozen=True, slots=True)
class RuleSummary:
    """One rule over a drive. `active_ms` counts to the drive's last tick where a condition was still true.

    Without an `approach`, `measured` tells whether the rule's measure was known at some tick: then its further
    conditions never held.
    """

    rule: Rule
    raises: int
    active_ms: int
    approach: Approach | None
    measured: bool = True

    @property
    def too_short(self) -> bool:
        """Beyond its limit at some tick, but never for as long as it takes to be raised."""
        return not self.raises and self.approach is not None and self.approach.excess > 0


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
            found[at] = (t, rule, replace(e, cleared_ms=c.t_ms))
    return [e for _, _, e in sorted(found, key=lambda f: f[:2])]


def cut_off(found: Sequence[Episode], last_ms: int, why: str) -> list[Episode]:
    """The episodes of a part of a drive whose judging ended at `last_ms`, those that were still open ended there."""
    return [e if e.cleared_ms is not None else replace(e, cleared_ms=max(last_ms, e.raised_ms), cut=why) for e in found]


def heard(
    found: Sequence[Episode], steps: Sequence[Transition], rules: Sequence[Rule], carried: Sequence[Carried] = ()
) -> list[Episode]:
    """The episodes with the reason where the alert was never unacknowledged while its condition was true.

    `steps` are those of the same judging as `found`, in order of time; `carried` is what the alerts began with.
    """
    began = {c.rule: c.state for c in carried}
    suppressors = {r.name: r.suppressed_by for r in rules}
    by_rule: dict[str, list[Transition]] = {}
    for step in steps:
        by_rule.setdefault(step.rule, []).append(step)

    def meets(a: Episode, b: Episode) -> bool:
        return (b.cleared_ms is None or a.raised_ms < b.cleared_ms) and (
            a.cleared_ms is None or b.raised_ms < a.cleared_ms
        )

    def reason(e: Episode) -> str:
        own = [t for t in by_rule.get(e.rule, ()) if e.cleared_ms is None or t.t_ms <= e.cleared_ms]
        if any(t.target is State.UNACKNOWLEDGED and t.t_ms >= e.raised_ms for t in own):
            return ""
        state = next((t.target for t in reversed(own) if t.t_ms <= e.raised_ms), began.get(e.rule, State.NORMAL))
        if state is not State.SUPPRESSED:
            return state.value.replace("-", " ") if state in SET_ASIDE else ""
        by = [n for n in suppressors.get(e.rule, ()) if any(o.rule == n and meets(e, o) for o in found)]
        return f"suppressed by {', '.join(by)}" if by else "suppressed"

    return [replace(e, quiet=reason(e)) for e in found]


def summarise(
    rules: Sequence[Rule],
    found: Sequence[Episode],
    approaches: Sequence[Approach | None],
    last_ms: int,
    unmeasured: Sequence[str] = (),
) -> list[RuleSummary]:
    """One summary a rule, in the order of the rules. `last_ms` is the drive's last tick.

    `unmeasured` names the rules whose measure was unknown throughout.
    """
    out = []
    for i, rule in enumerate(rules):
        own = [e for e in found if e.rule == rule.name]
        active = sum((last_ms if e.cleared_ms is None else e.cleared_ms) - e.raised_ms for e in own)
        near = approaches[i] if i < len(approaches) else None
        out.append(RuleSummary(rule, len(own), active, near, rule.name not in unmeasured))
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
