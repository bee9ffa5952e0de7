"""Figures of the parts of a drive: of each signal its extremes, mean and spread, of each rule how near it came."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.physics.basis import Floats
from uphaul.rules import Rule
from uphaul.rules.judge import Judge
from uphaul.signals import Block
from uphaul.units import find

__all__ = ["RoleFigures", "RuleHeadroom", "figures_by_role", "headroom_by_rule"]

PLACES = frozenset({"latitude", "longitude"})
"""Roles of which a mean says nothing."""

PIECE = 2048
"""Ticks that are worked on at once: what a processor's cache holds. Changes no figure but by rounding."""


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
    """The figures of each part of a drive; part i goes from tick ``starts[i]`` to the next one's. Starts increase.

    The drive is gone through once, all signals of a few thousand ticks together, as much as a processor's cache holds.
    """
    columns = {r: c for r in ROLES if r not in PLACES and (c := drive.column(r)) is not None}
    if not columns:
        return [()] * len(starts)
    take = np.array(list(columns.values()))
    begins = np.unique(np.concatenate((starts, np.arange(0, len(drive), PIECE))))
    ends = np.append(begins[1:], len(drive))
    count, mean, square, low, high = np.array(
        [_sums(drive.values[a:b, take]) for a, b in zip(begins.tolist(), ends.tolist(), strict=True)]
    ).transpose(1, 0, 2)
    parts = np.searchsorted(begins, starts)
    known = np.add.reduceat(count, parts)
    safe = np.maximum(known, 1.0)
    middle = np.add.reduceat(count * mean, parts) / safe
    lengths = np.diff(np.append(parts, len(begins)))
    apart = mean - np.repeat(middle, lengths, axis=0)
    spread = np.sqrt(np.add.reduceat(square + count * apart * apart, parts) / safe)
    lows, highs = np.fmin.reduceat(low, parts), np.fmax.reduceat(high, parts)
    stops = np.append(starts[1:], len(drive)).tolist()
    out = []
    for i, start in enumerate(starts):
        mine = slice(int(parts[i]), int(parts[i] + lengths[i]))
        part = []
        for c, (role, column) in enumerate(columns.items()):
            if not known[i, c]:
                continue
            at = []
            for pieces, extreme in ((low, lows[i, c]), (high, highs[i, c])):
                piece = mine.start + int(np.argmax(pieces[mine, c] == extreme))
                here = drive.values[begins[piece] : ends[piece], column] == extreme
                at.append(int(drive.t_ms[begins[piece] + int(np.argmax(here))]))
            unit = find(drive.signals[column].unit)
            assert unit is not None
            part.append(
                RoleFigures(
                    role,
                    known=float(known[i, c]) / (stops[i] - start),
                    mean=float(middle[i, c]) * unit.factor + unit.offset,
                    spread=float(spread[i, c]) * unit.factor,
                    low=float(lows[i, c]) * unit.factor + unit.offset,
                    low_ms=at[0],
                    high=float(highs[i, c]) * unit.factor + unit.offset,
                    high_ms=at[1],
                )
            )
        out.append(tuple(part))
    return out


def _sums(x: Floats) -> list[Floats]:
    """Of each column: the number of known values, their mean, squared distances from it, lowest and highest."""
    count = np.full(x.shape[1], float(len(x)))
    mean, low, high = x.mean(axis=0), x.min(axis=0), x.max(axis=0)
    gone = np.isnan(mean)
    off = x - mean
    if gone.any():
        some = x[:, gone]
        known = ~np.isnan(some)
        count[gone] = known.sum(axis=0)
        mean[gone] = np.where(known, some, 0.0).sum(axis=0) / np.maximum(count[gone], 1.0)
        low[gone], high[gone] = np.fmin.reduce(some), np.fmax.reduce(some)
        off[:, gone] = np.where(known, some - mean[gone], 0.0)
    np.multiply(off, off, out=off)
    return [count, mean, off.sum(axis=0), low, high]


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
