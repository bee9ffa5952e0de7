"""Headroom: how much room a signal has to the limit that asks the driver to act, how it moves, and its least so far.

Theory of operation. `run` takes the blocks of one drive in order. The extremes of every signal are gathered at each
tick; at the first tick at or after every `LOOK_MS` they are held against the limits in force, and what is shown is
renewed. So a short peak counts, against limits at most that old. Once a second of the drive the values go into a ring
that the trend is taken from. A gap empties the ring.

The room is to the first limit that asks the driver to act, and stays so when it is passed: then it is negative, and a
further limit ahead is told beside it. It is told in the signal's unit, and as a share of the distance from a usual
reading to the limit: 1 as usual, 0 at the limit. The share is what signals of different kinds are compared by. Common
practice; the choice is ours.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite, isnan, nan

import numpy as np
import numpy.typing as npt

from uphaul.pipeline.limits import Limit, LimitsInForce, next_limit
from uphaul.rules import ABOVE, BELOW, Action, Kind, Rule
from uphaul.signals import Block, Signal

__all__ = ["Headroom", "Room", "Worst"]

LOOK_MS = 250
RING = 26
"""Seconds that the trend looks back, and one."""
ENDS = 5
"""Readings that are averaged at either end of the ring, so that noise makes no trend. A judgement of our own."""
GAP_MS = 3000
LONGEST_LEFT_S = 1800.0
MOST_SHARE = 9.99


@dataclass(frozen=True, slots=True)
class Worst:
    """The least share of room of a drive: the reading, the limit it was held against, when (the drive's time)."""

    share: float
    value: float
    limit: float
    t_ms: int


@dataclass(frozen=True, slots=True)
class Room:
    """The room of a signal at the last look, in its unit, negative past `limit`. `trend` is per minute, None while
    unknown. `ahead` is the limit that is met next where `limit` is passed and another one is there.

    `left_s` is how long it takes at that trend to the limit that is met next: only for signals that a rule of kind
    reach watches, as only there a time makes sense, and only towards the limit.
    """

    limit: Limit
    left: float
    share: float
    trend: float | None
    left_s: float | None
    worst: Worst | None
    ahead: Limit | None = None


class Headroom:
    """Follows one drive. `usual` has a usual reading of signals, by name, in their unit."""

    def __init__(
        self,
        rules: tuple[Rule, ...],
        signals: tuple[Signal, ...],
        tunes: tuple[str, ...],
        usual: Mapping[str, float],
    ) -> None:
        self._in_force = LimitsInForce(rules, signals, tunes)
        self._signals = signals
        self._usual = [usual.get(s.name, float("nan")) for s in signals]
        reached = {r.signal for r in rules if r.kind is Kind.REACH}
        self._reached = [s.name in reached for s in signals]
        self.limits: list[list[Limit]] = [[] for _ in signals]
        self.rooms: list[Room | None] = [None] * len(signals)
        self._worst: list[Worst | None] = [None] * len(signals)
        self._nothing = np.full(len(signals), np.nan)
        self._low, self._high = self._nothing, self._nothing
        self._ring = np.full((RING, len(signals)), np.nan)
        self._looked_ms = self._second = self._last_ms = -(1 << 40)

    def run(self, block: Block, applies: npt.NDArray[np.bool_]) -> bool:
        """Take in the next ticks; `applies` (rules,) as in `LimitsInForce.at`. Whether what is shown was renewed."""
        if not len(block):
            return False
        values = block.values
        self._low = np.fmin(self._low, values[0] if len(values) == 1 else np.fmin.reduce(values))
        self._high = np.fmax(self._high, values[0] if len(values) == 1 else np.fmax.reduce(values))
        self._remember(block)
        now = int(block.t_ms[-1])
        if now - self._looked_ms < LOOK_MS:
            return False
        self._looked_ms = now
        self._look(block, applies, now)
        self._low, self._high = self._nothing, self._nothing
        return True

    def _remember(self, block: Block) -> None:
        for i, t_ms in enumerate(block.t_ms.tolist()):
            gap, self._last_ms = t_ms - self._last_ms > GAP_MS, t_ms
            if t_ms // 1000 == self._second:
                continue
            self._second = t_ms // 1000
            if gap:
                self._ring[:] = np.nan
            self._ring = np.concatenate((self._ring[1:], block.values[i : i + 1]))

    def _look(self, block: Block, applies: npt.NDArray[np.bool_], now: int) -> None:
        self.limits = self._in_force.at(block, applies)
        trends = (self._ring[-ENDS:].mean(axis=0) - self._ring[:ENDS].mean(axis=0)) * (60.0 / (RING - ENDS))
        values, low, high, moves = (x.tolist() for x in (block.values[-1], self._low, self._high, trends))
        for i, limits in enumerate(self.limits):
            if not limits:
                self.rooms[i] = None
                continue
            for value in {low[i], high[i]}:
                self._note_worst(i, limits, value, now)
            self.rooms[i] = self._room(i, limits, values[i], moves[i])

    def _note_worst(self, i: int, limits: list[Limit], value: float, now: int) -> None:
        room = self._least(i, limits, value)
        before = self._worst[i]
        if room is not None and (before is None or room[1] < before.share):
            self._worst[i] = Worst(room[1], value, room[0].value, now)

    def _room(self, i: int, limits: list[Limit], value: float, trend: float) -> Room | None:
        least = self._least(i, limits, value)
        if least is None:
            return None
        limit, share = least
        left = (limit.value - value) * limit.side
        ahead = None
        if left < 0:
            beyond = next_limit(_acting(limits), value, limit.side)
            ahead = beyond if beyond is not None and (beyond.value - value) * limit.side >= 0 else None
        to = ahead or limit
        left_s = None
        if self._reached[i] and trend * to.side > 0 and (to.value - value) * to.side > 0:
            left_s = (to.value - value) / trend * 60.0
            left_s = left_s if left_s <= LONGEST_LEFT_S else None
        return Room(limit, left, share, None if isnan(trend) else trend, left_s, self._worst[i], ahead)

    def _least(self, i: int, limits: list[Limit], value: float) -> tuple[Limit, float] | None:
        """The limit with the least share of room left: of either side the first that asks the driver to act."""
        if isnan(value):
            return None
        acting = _acting(limits)
        found = [x for side in (ABOVE, BELOW) if (x := next_limit(acting, nan, side)) is not None]
        return min(((x, self._share(i, x, value)) for x in found), key=lambda pair: pair[1])

    def _share(self, i: int, limit: Limit, value: float) -> float:
        usual = self._usual[i]
        if not (limit.value - usual) * limit.side > 0:  # unknown, or beyond the limit: from what is believable at most
            signal = self._signals[i]
            bound = signal.low if limit.side == ABOVE else signal.high
            usual = 0.0 if limit.side == ABOVE and bound < 0 < limit.value else bound
        span = (limit.value - usual) * limit.side
        left = (limit.value - value) * limit.side
        if not isfinite(span) or span <= 0:
            span = max(abs(limit.value), 1.0)
        return max(min(left / span, MOST_SHARE), -MOST_SHARE)


def _acting(limits: list[Limit]) -> list[Limit]:
    """Those that ask the driver to act; all of them where none does."""
    return [x for x in limits if x.action > Action.NOTE] or limits
