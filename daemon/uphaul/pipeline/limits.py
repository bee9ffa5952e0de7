"""The limits in force at a tick: for every signal the nearest one above and below, under the active tune."""

from __future__ import annotations

from math import isnan, nan

import numpy as np
import numpy.typing as npt

from uphaul.rules import ABOVE, Kind, Rule, Share
from uphaul.rules.levels import Bound
from uphaul.signals import NO_TUNE, Block, Signal, index_of

__all__ = ["LimitsInForce"]


class LimitsInForce:
    """Finds the limits of the threshold rules that are judged at a tick."""

    def __init__(self, rules: tuple[Rule, ...], signals: tuple[Signal, ...], tunes: tuple[str, ...]) -> None:
        column = index_of(signals)
        self._count = len(signals)
        self._bounds: dict[int, list[tuple[int, int, int, Bound]]] = {}
        for tune in range(NO_TUNE, len(tunes)):
            names = [tunes[tune]] if tune >= 0 else [None, *tunes]
            self._bounds[tune] = [
                (rule, column[r.signal], r.side, Bound(s.limit, s.deadband, r.side, column))
                for rule, r in enumerate(rules)
                if r.kind is Kind.THRESHOLD and r.signal in column
                for s in (r.setting(name) for name in names)
                if not isinstance(s.limit, Share)
            ]

    def at(self, block: Block, applies: npt.NDArray[np.bool_]) -> list[tuple[float, float]]:
        """(below, above) per signal at the block's last tick, in the signal's unit, NaN where there is no limit.

        `applies` (rules,) says which rules count: those whose further conditions hold. A limit on boost with cold oil
        must not stand beside the boost once the oil is warm.
        """
        rows = np.append(block.values[-1], nan).reshape(-1, 1)
        out = [(nan, nan)] * self._count
        for rule, i, side, bound in self._bounds[int(block.tune[-1])]:
            if not applies[rule]:
                continue
            limit = float(bound.limit(rows)[0])
            low, high = out[i]
            if isnan(limit):
                continue
            if side == ABOVE:
                out[i] = low, limit if isnan(high) else min(high, limit)
            else:
                out[i] = limit if isnan(low) else max(low, limit), high
        return out
