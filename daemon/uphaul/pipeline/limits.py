"""The limits in force at a tick: of every signal those that are judged now, under the active tune."""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan, nan
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from uphaul.rules import ABOVE, BELOW, Action, Kind, Rule, Share
from uphaul.rules.levels import Bound
from uphaul.signals import NO_TUNE, Block, Signal, index_of

__all__ = ["Limit", "LimitsInForce", "next_limit"]


class Limit(NamedTuple):
    """A limit in its signal's unit, on its side, and what is asked of the driver beyond it."""

    value: float
    side: int
    action: Action


def next_limit(limits: Sequence[Limit], value: float, side: int) -> Limit | None:
    """The one on that side that `value` meets next: the nearest it has not passed, else the last it has.

    The nearest to a usual reading when the value is unknown. None where no limit is.
    """
    mine = sorted((x for x in limits if x.side == side), key=lambda x: (x.value * side, x.action))
    ahead = [x for x in mine if not x.value * side < value * side]  # all of them when it is unknown
    return ahead[0] if ahead else mine[-1] if mine else None


class LimitsInForce:
    """Finds the limits of the threshold rules that are judged at a tick."""

    def __init__(self, rules: tuple[Rule, ...], signals: tuple[Signal, ...], tunes: tuple[str, ...]) -> None:
        column = index_of(signals)
        self._count = len(signals)
        self._bounds: dict[int, list[tuple[int, int, int, Action, Bound]]] = {}
        for tune in range(NO_TUNE, len(tunes)):
            names = [tunes[tune]] if tune >= 0 else [None, *tunes]
            self._bounds[tune] = [
                (rule, column[r.signal], r.side, r.action, Bound(s.limit, s.deadband, r.side, column))
                for rule, r in enumerate(rules)
                if r.kind is Kind.THRESHOLD and r.signal in column
                for s in (r.setting(name) for name in names)
                if not isinstance(s.limit, Share)
            ]

    def at(self, block: Block, applies: npt.NDArray[np.bool_]) -> list[list[Limit]]:
        """The limits of every signal at the block's last tick; of an unknown tune those of all tunes.

        `applies` (rules,) says which rules count: those whose further conditions hold. A limit on boost with cold oil
        must not stand beside the boost once the oil is warm.
        """
        rows = np.append(block.values[-1], nan).reshape(-1, 1)
        out: list[list[Limit]] = [[] for _ in range(self._count)]
        for rule, i, side, action, bound in self._bounds[int(block.tune[-1])]:
            if not applies[rule]:
                continue
            limit = float(bound.limit(rows)[0])
            if not isnan(limit):
                out[i].append(Limit(limit, ABOVE if side == ABOVE else BELOW, action))
        return out
