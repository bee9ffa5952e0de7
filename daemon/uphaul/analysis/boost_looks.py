"""Looks at boost, boost control and the turbine that no comparison cell by cell gives."""

from __future__ import annotations

import numpy as np

from uphaul.analysis.looks import UNKNOWN, Seen, longest
from uphaul.analysis.pair import Pair
from uphaul.analysis.pieces import Pieces
from uphaul.analysis.quantities import load_role, swallow
from uphaul.physics.basis import Bools, Floats

__all__ = ["actuator_opens", "actuator_reach", "over_boost", "swallow_shut"]


def over_boost(pair: Pair) -> Seen:
    """How much higher the highest boost was than in the reference, kPa, at loads that it met."""
    if pair.there is None:
        return UNKNOWN
    mine, theirs = pair.here.of("map"), pair.there.of("map")
    loaded = [np.isfinite(v) & (p.of("rpm") > 1500.0) for v, p in ((mine, pair.here), (theirs, pair.there))]
    load = load_role(pair.here, pair.there)
    if load and load != "boost":  # more load than the reference met may well mean more boost
        loaded[0] &= pair.here.of(load) <= 1.02 * np.nanquantile(pair.there.of(load)[loaded[1]], 0.99)
    if min(np.count_nonzero(v) for v in loaded) < 60:
        return UNKNOWN
    top, other = (float(np.sort(v[k])[-3]) for v, k in ((mine, loaded[0]), (theirs, loaded[1])))
    return max(top - other, 0.0), 4.0, longest(pair.here, mine > other + 4.0)


def actuator_reach(pair: Pair) -> Seen:
    """How much further the actuator closes at its furthest than in the reference, in % of its way."""
    return _actuator_end(pair, 0.997)


def actuator_opens(pair: Pair) -> Seen:
    """How much less far the actuator opens at its furthest than in the reference, in % of its way."""
    return _actuator_end(pair, 0.003)


def _actuator_end(pair: Pair, share: float) -> Seen:
    """By the tick, not by the piece: it may be there for moments only, as when the foot lifts."""
    if pair.there is None:
        return UNKNOWN
    ends = []
    for p in (pair.here, pair.there):
        closed = p.drive.read("boost_actuator")
        known = closed[np.isfinite(closed) & (p.drive.read("rpm") > 300.0)]
        if len(known) < 60:
            return UNKNOWN
        ends.append(float(np.quantile(known, share)))
    return 100.0 * (ends[0] - ends[1]), 2.0, longest(pair.here, pair.here.of("map") - pair.here.of("baro") > 50.0, 2)


def swallow_shut(pair: Pair) -> Seen:
    """How much more the turbine lets through, in %, where boost control has shut all that passes by it.

    Where that is, no signal has to tell: it is where the least goes through for its pressures.
    """
    if pair.there is None:
        return UNKNOWN
    ends = []
    for p in (pair.here, pair.there):
        found = _least_swallow(p)
        if found is None:
            return UNKNOWN
        ends.append(found)
    return ends[0][0] - ends[1][0], 4.0, longest(pair.here, ends[0][1], 2)


def _least_swallow(p: Pieces) -> tuple[float, Bools] | None:
    number: Floats = swallow(p)
    known = np.isfinite(number)
    if np.count_nonzero(known) < 60:
        return None
    least = float(np.quantile(number[known], 0.03))
    return least, number <= least
