"""Single looks at a drive and its reference, each of which gives one figure, how sure it is, and where it was seen."""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite, isnan

import numpy as np

from uphaul.analysis.cooling import lets_out_cold, share_at_low_speed, share_when_hot
from uphaul.analysis.pair import Pair
from uphaul.analysis.pieces import PIECE_MS, Pieces
from uphaul.analysis.spans import runs
from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.physics.basis import Bools, Ints

__all__ = [
    "UNKNOWN",
    "Seen",
    "Span",
    "charge_light",
    "compared",
    "coolant_cold",
    "coolant_slow",
    "cooling",
    "cooling_shut",
    "cooling_slow",
    "cuts",
    "drag",
    "drag_slow",
    "fan_works",
    "full_load_lean",
    "longest",
    "missing",
    "rest_pressure",
    "slip",
    "soak",
    "told_tune",
    "weight",
]

Span = tuple[int, int]
Seen = tuple[float, float, tuple[Span, ...]]
"""(figure, its uncertainty, moments); a figure of NaN is not known."""

CREEP_M_S, SLOW_M_S, SLOW_MS = 3.5, 15.5, 120_000
SOAKED_K = 10.0
BAND_DEGC = 94.0
"""Source of the five: our own choice, near common practice (thermostat wide open and fan at work by then)."""

FAN, HELPED = 1.15, 1.12
"""What a fan at work makes at low speed of what the wind of driving does alone, at least. Source: our own judgement."""

SHUT, MUCH_LOST = 0.38, 0.8
"""Source of both: our own judgement. A radiator, pump or coolant that has lost more than some three fifths of what it
can is seen from outside; a thermostat that hardly opens lets less out than that."""

UNKNOWN: Seen = (float("nan"), float("nan"), ())


def compared(name: str, top: bool = False) -> Callable[[Pair], Seen]:
    """The overall difference of a quantity; with `top` over the cells near the highest reading, where there are any."""

    def see(pair: Pair) -> Seen:
        if pair.comparison is None:
            return UNKNOWN
        d = pair.difference(name)
        if d is None:
            return UNKNOWN
        if top:
            value, uncertainty = d.over(d.reference >= 0.9 * np.nanmax(d.reference))
            return value, uncertainty, d.moments_ms
        return d.overall, d.overall_uncertainty, d.moments_ms

    return see


def longest(p: Pieces, where: Bools, most: int = 4) -> tuple[Span, ...]:
    """The longest stretches of pieces, in order of time."""
    best = sorted(runs(where), key=lambda s: s[0] - s[1])[:most]
    return tuple(sorted((int(p.first_ms[a]), int(p.last_ms[b - 1])) for a, b in best))


def full_load_lean(pair: Pair) -> Seen:
    if pair.there is None or not pair.there.has("fuel"):
        return UNKNOWN
    shares = []
    for p in (pair.here, pair.there):
        loaded = (p.of("pedal") >= 0.75) & (p.of("fuel") > 0.75 * np.nanquantile(p.of("fuel"), 0.995))
        with np.errstate(all="ignore"):
            share = np.log(p.of("mixture") * p.of("fuel") * (p.of("charge") + 273.15) / (p.of("rpm") * p.of("map")))
        shares.append((share, loaded & np.isfinite(share), p.block))
    (a, ours, blocks), (b, theirs, _) = shares
    if ours.sum() < 6 or theirs.sum() < 4:
        return UNKNOWN
    always, _, _ = compared("mixture")(pair)  # what is so at any load is another sign
    value = 100.0 * float(np.median(a[ours]) - np.median(b[theirs])) - (0.0 if isnan(always) else always)
    means = np.array([a[ours & (blocks == k)].mean() for k in np.unique(blocks[ours])])
    u = 200.0 * float(means.std() / np.sqrt(len(means))) if len(means) > 1 else 5.0
    return value, float(np.hypot(u, 3.0)), longest(pair.here, ours)


def cuts(pair: Pair) -> Seen:
    """Times at which the fuel told stayed high at full pedal, while the mixture went lean at once and came back."""
    d = pair.here.drive
    if len(d) < 2:
        return UNKNOWN
    pedal, fuel, t = d.read("pedal"), d.read("fuel"), d.t_ms
    with np.errstate(all="ignore"):
        share = d.read("mixture") * fuel * (d.read("charge") + 273.15) / (d.read("rpm") * d.read("map"))
    step_ms = float(np.median(np.diff(t)))
    reach = max(round(1000.0 / step_ms), 1)
    asked = (pedal >= 0.7) & (fuel > 0.6 * np.nanquantile(fuel, 0.99))
    held = asked.copy()
    for back in range(1, 2 * reach + 1):  # asked for two seconds already
        held[back:] &= asked[:-back]
        held[:back] = False
    share = np.where(held, share, np.nan)
    if np.count_nonzero(np.isfinite(share)) < 20 * reach:
        return UNKNOWN
    usual = float(np.nanquantile(share, 0.25))
    lean = share > 1.18 * usual
    count, where = 0, np.zeros(len(t), dtype=bool)
    for start, stop in runs(lean):
        lasts_ms = t[stop - 1] - t[start]
        before, after = share[max(start - 2 * reach, 0) : start], share[stop : stop + 2 * reach]
        sharp = (before < 1.08 * usual).any() and (after < 1.08 * usual).any()
        if 1000 <= lasts_ms <= 10_000 and sharp:
            count += 1
            where[start:stop] = True
    spans = tuple((int(t[a]), int(t[b - 1])) for a, b in runs(where))[:4]
    return float(count), 0.0, spans


def slip(pair: Pair) -> Seen:
    p = pair.here
    gear = p.of("gear") if p.has("gear") else p.of("gear_by_ratio")
    before, after = np.concatenate((gear[:1], gear[:-1])), np.concatenate((gear[1:], gear[-1:]))
    told = (gear >= 2.0) & (gear == before) & (gear == after) & (p.of("speed") > 5.0)
    if p.has("pedal"):
        told &= p.of("pedal") > 0.4
    slip = np.where(told, p.of("clutch_slip"), np.nan) * 100.0
    known = slip[np.isfinite(slip)]
    if len(known) < 20:
        return UNKNOWN
    return float(np.sort(known)[-3]), 0.0, longest(p, np.nan_to_num(slip) > 2.5)


def missing(pair: Pair) -> Seen:
    """The largest share of time without a reading of a sensor that was there, while engine and log ran."""
    p = pair.here
    running = p.of("rpm") > 300.0 if p.has("rpm") else np.ones(len(p), dtype=bool)
    if np.count_nonzero(running) < 30:
        return UNKNOWN
    worst, where = 0.0, np.zeros(len(p), dtype=bool)
    resumed = _resumed(p.drive)
    for role in _MEASURED:
        if p.has(role):
            lost = np.isnan(p.drive.read(role))
            gone = p.share(lost & ~_beside_gap(lost, resumed, p.drive.t_ms)) * running
            share = float(gone.sum() / running.sum())
            if share > worst:
                worst, where = share, gone > 0.4
    return 100.0 * worst, 0.0, longest(p, where)


GAP_STEPS, BESIDE_GAP_MS = 1.5, 10_000
"""A step between ticks that is longer than so many usual ones is a gap. What is missing for no longer than this up to a
gap, or from it on, may be the log's lack: what was not read in the gap is stale after it, and a source that begins anew
takes its time. Source of both: our own choice; an adapter of diagnosis needs some seconds."""


def _resumed(drive: WholeDrive) -> Ints:
    """The ticks at which the log began or went on after a gap."""
    step = np.diff(drive.t_ms)
    return np.concatenate(([0], np.flatnonzero(step > GAP_STEPS * np.median(step)) + 1))


def _beside_gap(lost: Bools, resumed: Ints, t_ms: Ints) -> Bools:
    """Of the ticks without a reading those that hang together with a gap and lie near it."""
    out = np.zeros(len(lost), dtype=bool)
    for start, stop in runs(lost):
        first, last = np.searchsorted(resumed, start), np.searchsorted(resumed, stop, side="right")
        for at in resumed[first:last].tolist():
            before_ms, after_ms = t_ms[max(at - 1, 0)] - BESIDE_GAP_MS, t_ms[min(at, stop - 1)] + BESIDE_GAP_MS
            near = np.searchsorted(t_ms, (before_ms, after_ms))
            out[max(start, int(near[0])) : min(stop, int(near[1]) + 1)] = True
    return out


_MEASURED = tuple(
    r for r in ROLES
    if r not in ("gear_by_ratio", "boost", "drive_pressure", "drive_ratio", "pressure_ratio", "air", "wheel_power",
                 "crank_power", "clutch_slip", "cooler_effectiveness", "grade", "mass", "latitude", "longitude", "plug")
)  # fmt: skip
"""Roles that come from a sensor: a computed one is unknown for good reasons too."""


def rest_pressure(pair: Pair) -> Seen:
    out = []
    for p in (pair.here, pair.there):
        if p is None:
            continue
        off = (p.of("rpm") < 50.0) & np.isfinite(p.of("map") - p.of("baro"))
        settled = off & np.concatenate(([False], off[:-1]))
        out.append((p.of("map") - p.of("baro"))[settled])
    if not len(out[0]):
        return UNKNOWN
    # the first seconds may still see the last of the air move
    was = float(np.median(out[1])) if len(out) > 1 and len(out[1]) else 0.0
    return float(np.median(out[0])) - was, 2.0, longest(pair.here, pair.here.of("rpm") < 50.0, 1)


def charge_light(pair: Pair) -> Seen:
    """Charge air over ambient where the turbo hardly works and the wind blows."""
    if pair.there is None:
        return UNKNOWN
    sides = []
    for p in (pair.here, pair.there):
        boost = p.of("map") - p.of("baro")
        calm = p.eased(boost, 40.0) < 25.0
        light = (boost < 20.0) & calm & (p.of("speed") > 10.0)
        over = p.of("charge") - p.of("ambient")
        light &= np.isfinite(over)
        sides.append((over[light], p.block[light], light))
    if min(len(s[0]) for s in sides) < 8:
        return UNKNOWN
    middle = [float(np.median(s[0])) for s in sides]
    spread = [max(float(s[0].std()), 1.0) / np.sqrt(len(np.unique(s[1]))) for s in sides]
    return middle[0] - middle[1], 2.0 * float(np.hypot(np.hypot(*spread), 2.0)), longest(pair.here, sides[0][2])


def soak(pair: Pair) -> Seen:
    """How far over `SOAKED_K` above ambient the charge air got while creeping for minutes."""
    p = pair.here
    over = p.of("charge") - p.of("ambient")
    slow = _slow(p, CREEP_M_S) & np.isfinite(over)
    if slow.sum() * PIECE_MS < SLOW_MS:
        return 0.0, 0.0, ()
    return max(float(np.quantile(over[slow], 0.9)) - SOAKED_K, 0.0), 3.0, longest(p, slow, 2)


def coolant_slow(pair: Pair) -> Seen:
    """How far over the top of a sound thermostat's and fan's band the coolant got in minutes of little wind."""
    p = pair.here
    slow = _slow(p, SLOW_M_S) & np.isfinite(p.of("coolant"))
    if slow.sum() * PIECE_MS < SLOW_MS:
        return UNKNOWN
    met = 0.0
    if pair.there is not None and pair.there.has("coolant"):
        met = float(np.nanquantile(pair.there.of("coolant"), 0.99))
    top = float(np.quantile(p.of("coolant")[slow], 0.95))
    return max(top - max(met, BAND_DEGC), 0.0), 2.0, longest(p, slow, 2)


def _slow(p: Pieces, most_m_s: float) -> Bools:
    """Little wind: the mean speed of the last minute or so below `most_m_s`, engine running."""
    return (p.eased(p.of("speed"), 45.0) < most_m_s) & (p.of("rpm") > 300.0)


def told_tune(pair: Pair) -> Seen:
    """Share of the drive under load in a tune that the reference was not driven in, %."""
    if pair.there is None:
        return UNKNOWN
    used = []
    for p in (pair.here, pair.there):
        loaded = p.of("rpm") > 1200.0
        names = [p.drive.tunes[i] if 0 <= i < len(p.drive.tunes) else "" for i in p.tune[loaded].tolist()]
        used.append(names)
    known = [n for n in used[0] if n]
    met = {n for n in used[1] if n}
    if not known or not met:
        return UNKNOWN
    other = np.array([n not in met for n in known])
    return 100.0 * float(other.mean()), 0.0, ()


def cooling(pair: Pair) -> Seen:
    """How much less of its heat the system carries off for each kelvin when hot, %."""
    share, uncertainty, moments = _beside(pair, share_when_hot)
    # more than the reference is a day of more wind or a reference that was never hot: no fault
    return _short(1.0, share), 100.0 * uncertainty, moments


def cooling_slow(pair: Pair) -> Seen:
    """The same at low speed, of what it would be with a fan at work, %."""
    share, uncertainty, moments = _beside(pair, share_at_low_speed)
    return _short(FAN, share), 100.0 * uncertainty, moments


def cooling_shut(pair: Pair) -> Seen:
    """By how much, in %, the share of its heat that still gets out falls short of `SHUT`, where it is short at all."""
    share, uncertainty, moments = _beside(pair, share_when_hot)
    if isnan(share) or share > MUCH_LOST:
        return UNKNOWN
    return 100.0 * (SHUT - share), 50.0 * uncertainty, moments  # a half of 95 %: of two answers one is right


def fan_works(pair: Pair) -> Seen:
    """By how much, in %, what is carried off at low speed over that in the wind is beyond what the wind does alone."""
    (wind, wind_u, _), (slow, slow_u, moments) = (_beside(pair, f) for f in (share_when_hot, share_at_low_speed))
    if not (isfinite(wind) and isfinite(slow)) or wind <= 0.0:
        return UNKNOWN
    # the doubt of either is that of the reference for the most part, which both have
    return 100.0 * (slow / wind - HELPED), 25.0 * slow / wind * (wind_u / wind + slow_u / slow), moments


def coolant_cold(pair: Pair) -> Seen:
    """The share of all its heat that the system carries off where a sound thermostat would be shut, %."""
    share, uncertainty, moments = _beside(pair, lets_out_cold)
    return 100.0 * share, 100.0 * uncertainty, moments


def _beside(pair: Pair, look: Callable[[Pieces, Pieces], Seen]) -> Seen:
    if pair.there is None or not pair.there.has("coolant", "fuel", "ambient", "speed"):
        return UNKNOWN
    return look(pair.here, pair.there)


def _short(of: float, share: float) -> float:
    return share if isnan(share) else 100.0 * max(of - share, 0.0)


def drag(pair: Pair) -> Seen:
    d = pair.drag
    # less than none is a tail wind, or the reference met a head wind: no fault
    return UNKNOWN if d is None else (max(d.mean_n, 0.0), d.mean_u, d.moments_ms)


def weight(pair: Pair) -> Seen:
    d = pair.drag
    # less is a load left at home, or an engine that gives more: no fault
    return UNKNOWN if d is None or isnan(d.mass_kg) else (max(d.mass_kg, 0.0), d.mass_u, d.moments_ms)


def drag_slow(pair: Pair) -> Seen:
    """By how much, in %, the share of the drag that is there at any speed is beyond a half."""
    d = pair.drag
    if d is None or isnan(d.share):
        return UNKNOWN
    return 100.0 * (d.share - 0.5), 50.0 * d.share_u, d.moments_ms  # a half of 95 %: of two answers one is right
