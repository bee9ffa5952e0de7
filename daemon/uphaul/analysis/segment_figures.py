"""Figures of the parts of a drive: of each signal its extremes, mean and spread, of each rule how near it came."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.physics.basis import Floats, Ints
from uphaul.rules import Rule
from uphaul.rules.judge import Judge
from uphaul.signals import Block

__all__ = ["RoleFigures", "RuleHeadroom", "figures_by_role", "headroom_by_rule"]

PLACES = frozenset({"latitude", "longitude"})
"""Roles of which a mean says nothing."""


@dataclass(frozen=True, slots=True)
class RoleFigures:
    """A role over a segment, in its canonical unit (`ROLES`). `known` is the share of ticks with a value.

    `spread` is the standard deviation of the values (of all of them, not an estimate). `low_ms` and `high_ms` are the
    first ticks at which the extremes stood.
    """

    role: str
    known: float
    mean: float
    spread: float
    low: float
    low_ms: int
    high: float
    high_ms: int


@dataclass(frozen=True, slots=True)
class RuleHeadroom:
    """How near a rule came to its limit in a segment while its further conditions held.

    `left` is the measure's distance to the limit in the rule's own unit, negative where it was beyond; `value`,
    `limit`, `t_ms` and `tune` (-1 unknown) are those of that tick.
    """

    rule: str
    left: float
    value: float
    limit: float
    t_ms: int
    tune: int


def figures_by_role(drive: WholeDrive, starts: Sequence[int]) -> list[tuple[RoleFigures, ...]]:
    """The figures of each part of a drive; part i goes from tick ``starts[i]`` to the next one's. Starts increase."""
    parts = np.array(starts), np.diff([*starts, len(drive)])
    out: list[list[RoleFigures]] = [[] for _ in starts]
    for role in ROLES:
        if role in PLACES or not drive.has(role):
            continue
        x = np.ascontiguousarray(drive.read(role))
        for i, figures in enumerate(_figures(role, x, drive.t_ms, *parts)):
            out[i] += [figures] if figures is not None else []
    return [tuple(each) for each in out]


def _figures(role: str, x: Floats, t_ms: Ints, starts: Ints, lengths: Ints) -> Iterator[RoleFigures | None]:
    known = ~np.isnan(x)
    whole = bool(known.all())
    count = lengths if whole else np.add.reduceat(known, starts, dtype=np.int64)
    safe = np.maximum(count, 1)
    mean = np.add.reduceat(x if whole else np.where(known, x, 0.0), starts) / safe
    off = x - np.repeat(mean, lengths)
    off = off if whole else np.where(known, off, 0.0)
    spread = np.sqrt(np.add.reduceat(off * off, starts) / safe)
    low, high = np.fmin.reduceat(x, starts), np.fmax.reduceat(x, starts)
    low_ms, high_ms = t_ms[_first(x, low, starts, lengths)], t_ms[_first(x, high, starts, lengths)]
    for i in range(len(starts)):
        yield (
            RoleFigures(
                role,
                known=float(count[i] / lengths[i]),
                mean=float(mean[i]),
                spread=float(spread[i]),
                low=float(low[i]),
                low_ms=int(low_ms[i]),
                high=float(high[i]),
                high_ms=int(high_ms[i]),
            )
            if count[i]
            else None
        )


def _first(x: Floats, extreme: Floats, starts: Ints, lengths: Ints) -> Ints:
    """The first tick of each part with that value, its first tick where there is none."""
    here = np.flatnonzero(x == np.repeat(extreme, lengths))
    if not len(here):
        return starts
    found = here[np.minimum(np.searchsorted(here, starts), len(here) - 1)]
    return np.where((found >= starts) & (found < starts + lengths), found, starts)


def headroom_by_rule(
    drive: WholeDrive, bounds: Sequence[tuple[int, int]], rules: Sequence[Rule]
) -> list[tuple[RuleHeadroom, ...]]:
    """How near each of the rules came in each of the consecutive parts `bounds` of the drive, in one judging.

    Rules are in the drive's own units; their tunes are found by name. Rules that were not measured in a part, or ruled
    out by their further conditions throughout, are left out of it.
    """
    names = (*drive.tunes, *(n for r in rules for n, _ in (*r.tunes, *r.expected)))
    judge = Judge(tuple(rules), drive.signals, tuple(dict.fromkeys(names)), gap_ms=drive.gap_ms, approaches=True)
    out = []
    for start, stop in bounds:
        judge.approaches = [None] * len(rules)
        judge.run(Block(drive.signals, drive.t_ms[start:stop], drive.values[start:stop], drive.tune[start:stop]))
        out.append(
            tuple(
                RuleHeadroom(rule.name, -near.excess, near.value, near.limit, near.t_ms, near.tune)
                for rule, near in zip(rules, judge.approaches, strict=True)
                if near is not None
            )
        )
    return out
