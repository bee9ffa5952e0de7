"""The limits in force at a tick: of every signal those that are judged now, under the active tune."""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan, nan
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from uphaul.rules import Action, Kind, Rule, Setting, Share
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
        self._bounds: dict[int, list[tuple[int, int, Limit, Bound | None]]] = {}
        for tune in range(NO_TUNE, len(tunes)):
            names = [tunes[tune]] if tune >= 0 else [None, *tunes]
            self._bounds[tune] = [
                (rule, column[r.signal], *_limit(r, s, column))
                for rule, r in enumerate(rules)
                if r.kind is Kind.THRESHOLD and r.signal in column
                for s in (r.setting(name) for name in names)
                if not isinstance(s.limit, Share)
            ]
        self._rules = {tune: np.array([b[0] for b in bounds], dtype=np.intp) for tune, bounds in self._bounds.items()}

    def at(self, block: Block, applies: npt.NDArray[np.bool_]) -> list[list[Limit]]:
        """The limits of every signal at the block's last tick; of an unknown tune those of all tunes.

        `applies` (rules,) says which rules count: those whose further conditions hold. A limit on boost with cold oil
        must not stand beside the boost once the oil is warm.
        """
        rows = np.append(block.values[-1], nan).reshape(-1, 1)
        out: list[list[Limit]] = [[] for _ in range(self._count)]
        bounds = self._bounds[int(block.tune[-1])]
        which = self._rules[int(block.tune[-1])]
        for (_, i, plain, bound), counts in zip(bounds, applies[which].tolist(), strict=True):
            if not counts:
                continue
            limit = plain if bound is None else plain._replace(value=float(bound.limit(rows)[0]))
            if not isnan(limit.value):
                out[i].append(limit)
        return out


def _limit(rule: Rule, setting: Setting, column: dict[str, int]) -> tuple[Limit, Bound | None]:
    """The limit of a setting, and what to ask for its value where it is no plain number."""
    if isinstance(setting.limit, int | float):
        return Limit(float(setting.limit), rule.side, rule.action), None
    bound = Bound(setting.limit, setting.deadband, rule.side, column)
    return Limit(nan, rule.side, rule.action), bound
