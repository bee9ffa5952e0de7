"""Figures of the parts of a drive: of each signal its extremes, mean and spread, of each rule how near it came."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.physics.basis import Floats, Ints
from uphaul.rules import Rule
from uphaul.rules.judge import Judge
from uphaul.signals import Block
from uphaul.units import find

__all__ = ["RoleFigures", "RuleHeadroom", "figures_by_role", "headroom_by_rule"]

PLACES = frozenset({"latitude", "longitude"})
"""Roles of which a mean says nothing."""

PIECE = 2048
"""Ticks that are worked on at once: what a processor's cache holds. Changes no figure but by rounding."""


class RoleFigures(NamedTuple):
    """A role over a segment, in its canonical unit (`ROLES`). `known` is the share of ticks with a value.

    `spread` is the standard deviation of the values (of all of them, not an estimate). `low_ms` and `high_ms` are the
    first ticks at which the extremes stood. A named tuple because a day in town makes 80,000 of them.
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
    sums = [_sums(drive.values[a:b, take]) for a, b in zip(begins.tolist(), ends.tolist(), strict=True)]
    count, mean, square, low, high, low_at, high_at = np.array(sums).transpose(1, 0, 2)
    parts = np.searchsorted(begins, starts)
    pieces = np.diff(np.append(parts, len(begins)))
    known = np.add.reduceat(count, parts)
    safe = np.maximum(known, 1.0)
    middle = np.add.reduceat(count * mean, parts) / safe
    apart = mean - np.repeat(middle, pieces, axis=0)
    spread = np.sqrt(np.add.reduceat(square + count * apart * apart, parts) / safe)

    def first_ms(each: Floats, extreme: Floats, at: Floats) -> Ints:
        """When the extreme of a part stood first: in the first of its pieces that has it."""
        here = each == np.repeat(extreme, pieces, axis=0)
        piece = np.minimum.reduceat(np.where(here, np.arange(len(begins))[:, np.newaxis], len(begins) - 1), parts)
        out: Ints = drive.t_ms[begins[piece] + np.take_along_axis(at, piece, axis=0).astype(np.int64)]
        return out

    lows, highs = np.fmin.reduceat(low, parts), np.fmax.reduceat(high, parts)
    lows_ms, highs_ms = first_ms(low, lows, low_at), first_ms(high, highs, high_at)
    units = [unit for c in columns.values() if (unit := find(drive.signals[c].unit)) is not None]
    factor, offset = np.array([u.factor for u in units]), np.array([u.offset for u in units])
    share = known / np.diff([*starts, len(drive)])[:, np.newaxis]
    table = (
        share,
        middle * factor + offset,
        spread * factor,
        lows * factor + offset,
        lows_ms,
        highs * factor + offset,
        highs_ms,
    )
    rows = zip(*(figure.tolist() for figure in table), strict=True)
    roles = tuple(columns)
    return [tuple(f for f in map(RoleFigures, roles, *row) if f.known) for row in rows]


def _sums(x: Floats) -> list[Floats]:
    """Of each column: number of known values, mean, squared distances from it, lowest, highest, and where those are."""
    x = np.ascontiguousarray(x.T)
    line = np.arange(len(x))
    count = np.full(len(x), float(x.shape[1]))
    mean = x.mean(axis=1)
    low_at, high_at = x.argmin(axis=1), x.argmax(axis=1)
    off = x - mean[:, np.newaxis]
    gone = np.isnan(mean)
    if gone.any():
        some = x[gone]
        known = ~np.isnan(some)
        count[gone] = known.sum(axis=1)
        mean[gone] = np.where(known, some, 0.0).sum(axis=1) / np.maximum(count[gone], 1.0)
        low_at[gone] = np.where(known, some, np.inf).argmin(axis=1)
        high_at[gone] = np.where(known, some, -np.inf).argmax(axis=1)
        off[gone] = np.where(known, some - mean[gone, np.newaxis], 0.0)
    np.multiply(off, off, out=off)
    return [count, mean, off.sum(axis=1), x[line, low_at], x[line, high_at], low_at, high_at]


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
