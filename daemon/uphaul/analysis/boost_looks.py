"""Looks at boost, boost control and the turbine that no comparison cell by cell gives."""

from __future__ import annotations

import numpy as np

from uphaul.analysis.looks import UNKNOWN, Seen, longest
from uphaul.analysis.pair import Pair
from uphaul.analysis.pieces import Pieces
from uphaul.analysis.quantities import load_role, swallow
from uphaul.physics.basis import Bools, Floats

__all__ = ["actuator_opens", "actuator_reach", "over_boost", "swallow_shut"]


LEAST_PIECES = 20
"""Of two seconds, that one tune needs to tell of its highest boost: it holds a pull. Source: our own choice."""


def over_boost(pair: Pair) -> Seen:
    """How much higher the highest boost was than in the reference, kPa, at loads and in tunes that it met."""
    if pair.there is None:
        return UNKNOWN
    mine, theirs = pair.here.of("map"), pair.there.of("map")
    loaded = [
        np.isfinite(p.of("map")) & (p.of("rpm") > 1500.0) & _also_driven(p, other)
        for p, other in ((pair.here, pair.there), (pair.there, pair.here))
    ]
    if min(np.count_nonzero(v) for v in loaded) < LEAST_PIECES:
        return UNKNOWN
    load = load_role(pair.here, pair.there)
    if load and load != "boost":  # more load than the reference met may well mean more boost
        met = _known(pair.there.of(load)[loaded[1]])
        loaded[0] &= pair.here.of(load) <= (1.02 * np.quantile(met, 0.99) if len(met) else -np.inf)
    if np.count_nonzero(loaded[0]) < LEAST_PIECES:
        return UNKNOWN
    # a reference may have been up there for moments only: its highest; the drive has to stay
    top, other = float(np.sort(mine[loaded[0]])[-3]), float(theirs[loaded[1]].max())
    # nobody tells whether boost control had anything to hold in the reference: if not, thin air kept it lower there
    baro = [_known(p.of("baro")[k]) for p, k in zip((pair.here, pair.there), loaded, strict=True)]
    air = [float(np.median(x)) if len(x) else float("nan") for x in baro]
    thin = max(other * (air[0] / air[1] - 1.0), 0.0) if air[0] > air[1] else 0.0
    return max(top - other, 0.0), float(np.hypot(4.0, thin)), longest(pair.here, mine > other + 4.0)


def _known(x: Floats) -> Floats:
    return x[np.isfinite(x)]


def _also_driven(p: Pieces, other: Pieces) -> Bools:
    """(P,) where a tune was told that the other drive was driven in for long enough; none told goes with anything."""
    numbers, counts = np.unique(other.tune, return_counts=True)
    names = {
        other.drive.tunes[n]
        for n, count in zip(numbers.tolist(), counts.tolist(), strict=True)
        if 0 <= n < len(other.drive.tunes) and count >= LEAST_PIECES
    }
    told = [p.drive.tunes[n] if 0 <= n < len(p.drive.tunes) else "" for n in range(-1, len(p.drive.tunes))]
    goes = np.array([not name or not names or name in names for name in told])
    at: Bools = goes[np.clip(p.tune, -1, len(p.drive.tunes) - 1) + 1]
    return at


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
