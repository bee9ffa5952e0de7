"""What heat the cooling system carries off for each kelvin, hot in the wind and cold, beside a reference drive.

Theory of operation. What the fuel puts into the coolant either warms it or is carried off, and that goes with how far
the coolant is above the outside air and with a power of the wind's mass flow. So fuel, warming, temperatures and speed
give the system's conductance at any moment, steady or not, in any weather. Well above the thermostat's band a sound
system gives all that it has: what it then gives less than in the reference is lost. A thermostat that opens too little
loses nearly all of it, a radiator that has lost as much would be seen from outside. Below the band a sound thermostat
lets hardly any heat out. The fan is left out by looking where the wind of driving is enough; at low speed it gives more
than that wind accounts for, if it works.
"""

from __future__ import annotations

import numpy as np

from uphaul.analysis.pieces import PIECE_MS, Pieces
from uphaul.analysis.spans import runs
from uphaul.physics.atmosphere import SEA_LEVEL_K, SEA_LEVEL_KPA
from uphaul.physics.basis import ZERO_DEGC_K, Bools, Floats

__all__ = ["lets_out_cold", "share_at_low_speed", "share_when_hot"]

Told = tuple[float, float, tuple[tuple[int, int], ...]]
"""(figure, its uncertainty of some 95 %, where); NaN when there is nothing to tell it by."""

AROUND, NEAR = 7, 2
"""Pieces to either side over which all is taken together, 30 s, and the coolant at either end. Source: our own choice:
longer than sensors lag, shorter than hills."""

WARMS_S_K = 4.7
"""So many seconds of full fuel warm the engine and its coolant by a kelvin when nothing is carried off. Source: common
practice, from memory: iron and water take some 0.1 MJ/K a litre, a fifth to a quarter of the fuel's heat goes there."""

AIR_SIDE = 0.6
"""Power of the air's mass flow that a finned cooler's heat goes with. Source: common practice, 0.5 to 0.7."""

WIND_M_S, SLOW_M_S, CREEP_M_S = 14.0, 13.0, 3.0
"""From the first on the wind of driving (in air as dense as at sea level) cools with or without a fan; between the
others a fan has to. Source: our own choice."""

OPENS_DEGC, WIDE_DEGC = 82.0, 92.0
"""A thermostat's band. Source: common practice."""

MARGIN_K = 2.0
"""Beyond the band by that much, either way. Source: our own choice, what gauges differ by."""

LEAST_OPEN = 0.8
"""Where the reference was not hot enough for more, its thermostat is taken to be open that far at least. Source: our
own judgement: less would make a sound reference of a colder thermostat look better than it is."""

STEADY, WARMING = 0.15, 0.5
"""Warming may be that share of full fuel's where cold, and that share of the fuel's at the time where hot. Source: our
own choice, so that what is not known of the engine's mass hardly counts."""

REFERENCE, LEAST = 90, 15
"""Pieces of the reference's hottest that tell what it has, and the least to tell anything by. Source: our own choice,
three minutes and half a minute."""

DOUBT = 0.2
"""What two sound drives differ by, some 95 %: fan, wind on the day, pump speed, thermostat. Source: our own
judgement."""


class _Heat:
    """A drive's heat, smoothed: `fuel` and `warms` in kg/s (of the reference's `full`), `over` in K times the wind."""

    def __init__(self, p: Pieces, full: float = float("nan")) -> None:
        ambient = p.of("ambient")
        speed = p.of("speed")
        if p.has("baro"):
            thin = p.of("baro") / SEA_LEVEL_KPA * (SEA_LEVEL_K / (ambient + ZERO_DEGC_K))
            speed = speed * np.where(np.isnan(thin), 1.0, thin)
        self.fuel, self.wind, self.coolant = (_mean(x, AROUND) for x in (p.of("fuel"), speed, p.of("coolant")))
        known = p.of("rpm") > 300.0
        self.full = float(np.nanquantile(self.fuel[known], 0.98)) if np.isfinite(self.fuel[known]).any() else full
        self.full = self.full if np.isnan(full) else full
        gained = np.full(len(p), np.nan)
        if len(p) > 2 * AROUND:
            ends = _mean(p.of("coolant"), NEAR)
            over_s = (p.number[2 * AROUND :] - p.number[: -2 * AROUND]) * (PIECE_MS / 1000.0)
            gained[AROUND:-AROUND] = np.where(
                over_s <= 2 * AROUND * PIECE_MS / 1000.0, (ends[2 * AROUND :] - ends[: -2 * AROUND]) / over_s, np.nan
            )
        self.warms = WARMS_S_K * self.full * gained
        self.over = _mean(p.of("coolant") - ambient, AROUND) * np.power(np.maximum(self.wind, 1.0), AIR_SIDE)
        self.known: Bools = known & np.isfinite(self.over + self.warms + self.fuel)
        self.pieces = p

    def conductance(self, take: Bools, opened: Floats | None = None) -> tuple[float, float]:
        """(heat carried off a kelvin in some wind, in fuel, its uncertainty), by blocks. NaN with too little."""
        if take.sum() < LEAST:
            return float("nan"), float("nan")
        over = self.over[take] * (1.0 if opened is None else opened[take])
        off = self.fuel[take] - self.warms[take]
        value = float(over @ off / (over @ over))
        names, group = np.unique(self.pieces.block[take], return_inverse=True)
        scores = np.zeros(len(names))
        np.add.at(scores, group, over * (off - value * over))
        more = len(names) / max(len(names) - 1, 1)
        return value, 2.0 * float(np.sqrt(more * (scores @ scores)) / (over @ over))

    def where(self, take: Bools) -> tuple[tuple[int, int], ...]:
        """The longest stretches, in order of time."""
        best = sorted(runs(take), key=lambda s: s[0] - s[1])[:4]
        return tuple(sorted((int(self.pieces.first_ms[a]), int(self.pieces.last_ms[b - 1])) for a, b in best))


def share_when_hot(p: Pieces, r: Pieces) -> Told:
    """What the system carries off for each kelvin in the wind where the coolant is beyond the thermostat's band, over
    all that the reference's had: 1 sound, a half short of capacity, a fifth a thermostat that hardly opens.

    Infinite where the coolant was not hot in the wind, though there was wind: nothing is short.
    """
    has = _all_that_it_had(r)
    if has is None:
        return float("nan"), float("nan"), ()
    (whole, whole_u), full = has
    here = _Heat(p, full)
    windy = here.known & (here.wind >= WIND_M_S)
    return _share(here, windy, whole, whole_u)


def share_at_low_speed(p: Pieces, r: Pieces) -> Told:
    """The same at low speed, by the law of the wind: 1 when nothing but the wind of driving helps, more with a fan."""
    has = _all_that_it_had(r)
    if has is None:
        return float("nan"), float("nan"), ()
    (whole, whole_u), full = has
    here = _Heat(p, full)
    return _share(here, here.known & (here.wind < SLOW_M_S) & (here.wind > CREEP_M_S), whole, whole_u)


def _share(here: _Heat, there: Bools, whole: float, whole_u: float) -> Told:
    hot = there & (here.coolant > WIDE_DEGC + MARGIN_K)
    hot &= np.abs(here.warms) < WARMING * np.maximum(here.fuel, 0.25 * here.full)
    gives, gives_u = here.conductance(hot)
    if np.isnan(gives):
        return (float("inf"), 0.0, ()) if there.sum() >= REFERENCE else (float("nan"), float("nan"), ())
    share = max(gives, 0.0) / whole  # none at all where it is rolled along hot with the fuel shut off
    u = float(np.hypot(gives_u / whole, share * np.hypot(whole_u / whole, DOUBT)))
    return share, u, here.where(hot)


def lets_out_cold(p: Pieces, r: Pieces) -> Told:
    """The share of all that the reference's system had which is carried off where a sound thermostat is shut; 0 where
    the coolant was not that cold for long, though the engine worked."""
    has = _all_that_it_had(r)
    if has is None:
        return float("nan"), float("nan"), ()
    (whole, whole_u), full = has
    here = _Heat(p, full)
    works = here.known & (here.fuel > 0.1 * full)
    if works.sum() < REFERENCE:
        return float("nan"), float("nan"), ()
    cold = works & (here.coolant < OPENS_DEGC - MARGIN_K) & (np.abs(here.warms) < STEADY * full)
    gives, gives_u = here.conductance(cold)
    if np.isnan(gives):
        return 0.0, 0.0, ()
    share = max(gives, 0.0) / whole
    return share, float(np.hypot(gives_u / whole, share * np.hypot(whole_u / whole, DOUBT))), here.where(cold)


def _all_that_it_had(r: Pieces) -> tuple[tuple[float, float], float] | None:
    """((the reference's conductance with its thermostat wide open, its uncertainty), its full fuel), by its hottest in
    the wind; None without enough of that."""
    there = _Heat(r)
    windy = there.known & (there.wind >= WIND_M_S)
    if windy.sum() < REFERENCE:
        return None
    hottest = float(np.sort(there.coolant[windy])[-REFERENCE])
    opened = np.clip((there.coolant - OPENS_DEGC) / (WIDE_DEGC - OPENS_DEGC), LEAST_OPEN, 1.0)
    found = there.conductance(windy & (there.coolant >= min(hottest, WIDE_DEGC)), opened)
    return (found, there.full) if found[0] > 0.0 else None


def _mean(x: Floats, around: int) -> Floats:
    """The mean of so many pieces to either side, of those that are known; NaN where less than a half is."""
    known = np.isfinite(x)
    ones = np.ones(2 * around + 1)
    count = np.convolve(known, ones, mode="same") if len(x) > 2 * around else np.zeros(len(x))
    if not count.any():
        return np.full(len(x), np.nan)
    total = np.convolve(np.where(known, x, 0.0), ones, mode="same")
    return np.where(count > around, total / np.maximum(count, 1.0), np.nan)
