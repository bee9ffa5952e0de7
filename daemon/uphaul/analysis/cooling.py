"""How the coolant stands for the heat it has to give off: light, heavy, and with no wind, beside a reference drive.

Theory of operation. What a cooling system is asked for is heat over temperature difference: the fuel of the last
minutes (heat follows fuel by common practice, a quarter of it) over how far a coolant of 90 degC is above the outside
air. At the same demand a sound system has the same coolant temperature in any weather. The thermostat's band makes it
rise slowly with demand; beyond its end it rises fast: that end is the capacity.
"""

from __future__ import annotations

import numpy as np

from uphaul.analysis.pieces import PIECE_MS, Pieces
from uphaul.physics.atmosphere import SEA_LEVEL_K, SEA_LEVEL_KPA
from uphaul.physics.basis import ZERO_DEGC_K, Bools, Floats, Ints

__all__ = ["cold_when_warm", "coolant_beside", "demand", "hot_at_ease"]

HEAT_S = 150.0
"""Source: our own choice, about the time in which an engine's coolant settles."""

HISTORY_S, LEAST = 600.0, 0.15
"""For so long the heat has to have been at least that share of the reference's most. Source: our own choice."""

WARM_S = 900.0
"""Driving for so long is warm, whatever the gauge says. Source: common practice."""

WIND_M_S, WIND_S = 17.0, 90.0
"""From here on, and for so long, the wind of driving cools, fan or not: heavy demand is looked at there. Source: our
own choice."""

AIR_SIDE = 0.6
"""Power of the air's mass flow that a finned cooler's heat goes with. Source: common practice, 0.5 to 0.7."""

MIDDLE_DEGC = 90.0
BAND_DEGC = 91.0
"""Top of the thermostat's band. Source: common practice, opens at 82, wide open some 10 degrees later."""

LIGHT, HEAVY = 0.4, 0.6
"""Demand over the most that the reference met, up to and from which it is called so. Source: our own choice."""

EASE, EASE_S, EASE_M_S = 0.5, 300.0, 8.0
"""Less than that share of the reference's most demand, over minutes and with some wind, a cooler that has lost half of
what it can still holds. Source: our own judgement: a radiator short of more than that is seen from outside."""

WORK, HELD_DEGC = 0.35, 84.0
"""Share of a drive's usual fuel from which a sound engine stays warm; what a thermostat that opens at 82 holds. Source:
our own choice; common practice."""

HOT_DEGC = 102.0
"""Source: our own judgement: thermostat wide open by 92, and ten degrees more for what a climb before left behind."""

BINS = 10
BLOCK = 30
"""Pieces of a block, a minute: coolant moves slowly. Source: our own choice."""


def demand(p: Pieces) -> tuple[Floats, Bools]:
    """(heat asked for a kelvin, in kg of fuel a second and kelvin, and where the engine was warm), (P,) each."""
    over = np.maximum(MIDDLE_DEGC - p.of("ambient"), 20.0)
    if p.has("baro"):  # thin air carries less away
        thin = p.of("baro") / SEA_LEVEL_KPA * (SEA_LEVEL_K / (p.of("ambient") + ZERO_DEGC_K))
        over = over * np.where(np.isnan(thin), 1.0, np.power(np.where(np.isnan(thin), 1.0, thin), AIR_SIDE))
    running = p.of("rpm") > 300.0
    since = np.cumsum(p.of("speed") > 5.0) * (PIECE_MS / 1000.0)
    warm = (np.maximum.accumulate(np.nan_to_num(p.of("coolant"), nan=-99.0)) >= 80.0) | (since >= WARM_S)
    return p.eased(np.where(np.isnan(p.of("fuel")), np.nan, p.of("fuel")), HEAT_S) / over, warm & running


def cold_when_warm(p: Pieces, r: Pieces) -> tuple[float, float, tuple[tuple[int, int], ...]]:
    """(K that the coolant stays below what a thermostat holds, 0 or less, its uncertainty, where).

    After ten minutes of driving, where the engine has had work for minutes. NaN without enough of that.
    """
    middle: list[float] = []
    where: tuple[tuple[int, int], ...] = ()
    for q in (r, p):
        since = np.cumsum(q.of("speed") > 5.0) * (PIECE_MS / 1000.0)
        work = q.eased(np.nan_to_num(q.of("fuel")), EASE_S)
        if not (since > EASE_S).any():
            return float("nan"), float("nan"), ()
        usual = float(np.quantile(work[since > EASE_S], 0.9))
        take = (since > 2.0 * EASE_S) & (work > WORK * usual) & np.isfinite(q.of("coolant"))
        if take.sum() < 60:
            return float("nan"), float("nan"), ()
        middle.append(float(np.median(q.of("coolant")[take])))
        at = np.flatnonzero(take)
        where = ((int(q.first_ms[at[0]]), int(q.last_ms[at[-1]])),)
    return min(middle[1] - min(middle[0], HELD_DEGC), 0.0), 3.0, where


def hot_at_ease(p: Pieces, r: Pieces) -> tuple[float, float, tuple[tuple[int, int], ...]]:
    """(K over the hottest that a sound system gets, its uncertainty, where) at a demand that half a radiator holds.

    NaN without enough of it. A thermostat that opens too little lets hardly any heat out, at whatever load.
    """
    (ask, warm), (asked, was_warm) = demand(p), demand(r)
    theirs = was_warm & np.isfinite(asked)
    if theirs.sum() < 60:
        return float("nan"), float("nan"), ()
    most = float(np.quantile(asked[theirs], 0.98))
    long = p.eased(np.nan_to_num(ask), EASE_S)
    ease = warm & (np.maximum(np.nan_to_num(ask, nan=np.inf), long) <= EASE * most) & np.isfinite(p.of("coolant"))
    ease &= p.eased(p.of("speed"), 60.0) >= EASE_M_S
    if ease.sum() < 8:
        return float("nan"), float("nan"), ()
    met = float(np.nanquantile(r.of("coolant"), 0.99))
    over = float(np.quantile(p.of("coolant")[ease], 0.9)) - max(met, HOT_DEGC)
    at = np.flatnonzero(ease)
    return max(over, 0.0), 2.0, ((int(p.first_ms[at[0]]), int(p.last_ms[at[-1]])),)


def coolant_beside(p: Pieces, r: Pieces, heavy: bool) -> tuple[float, float, tuple[tuple[int, int], ...]]:
    """(K hotter than the reference at the same demand, its uncertainty of some 95 %, where), NaN when there is
    nothing to compare.

    Heavy demand beyond what the reference met counts from the reference's highest: more than a sound system would
    show is then told too late rather than too early, as a rise of the reference's own slope is allowed for.
    """
    (ask, warm), (asked, was_warm) = demand(p), demand(r)
    here, there = p.of("coolant"), r.of("coolant")
    usable, theirs = warm & np.isfinite(here + ask), was_warm & np.isfinite(there + asked)
    if heavy:
        usable, theirs = (m & (q.eased(q.of("speed"), WIND_S) >= WIND_M_S) for m, q in ((usable, p), (theirs, r)))
    if usable.sum() < 60 or theirs.sum() < 60:
        return float("nan"), float("nan"), ()
    most = float(np.quantile(asked[theirs], 0.98))
    if not heavy:
        # below that, and for long after, the coolant shows what was, not what the thermostat does
        long = [q.eased(np.where(np.isnan(a), 0.0, a), HISTORY_S) for q, a in ((p, ask), (r, asked))]
        usable &= (ask >= LEAST * most) & (long[0] >= LEAST * most)
        theirs &= (asked >= LEAST * most) & (long[1] >= LEAST * most)
    edges = np.linspace(0.0, most, BINS + 1)
    cell, cells = np.digitize(ask, edges) - 1, np.digitize(asked, edges) - 1
    cells = np.minimum(cells, BINS - 1)
    cell = np.where(ask <= 1.15 * most, np.minimum(cell, BINS - 1), BINS)
    wanted = cell >= round(HEAVY * BINS) if heavy else cell < round(LIGHT * BINS)
    # lighter load that only moves within the thermostat's band says little of the thermostat
    band = 0.0 if heavy else BAND_DEGC
    offs, blocks = [], []
    for b in range(BINS):
        mine, other = usable & wanted & (cell == b), theirs & (cells == b)
        if mine.sum() < 3 or other.sum() < 8:
            continue
        off = here[mine] - float(np.median(there[other]))
        offs.append(np.where(off > 0.0, np.minimum(off, np.maximum(here[mine] - band, 0.0)), off))
        blocks.append(p.number[mine] // BLOCK)
    if not offs:
        return float("nan"), float("nan"), ()
    off, block = np.concatenate(offs), np.concatenate(blocks)
    if len(off) < 20:
        return float("nan"), float("nan"), ()
    means = np.array([off[block == b].mean() for b in np.unique(block)])
    spread = float(np.median(np.abs(means - np.median(means)))) * 1.4826
    uncertainty = 2.0 * float(np.hypot(spread / np.sqrt(len(means)), 3.5))
    at: Ints = np.flatnonzero(usable & wanted)
    return float(np.median(off)), uncertainty, ((int(p.first_ms[at[0]]), int(p.last_ms[at[-1]])),)
