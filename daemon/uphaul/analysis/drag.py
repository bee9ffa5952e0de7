"""What the road took beyond what it should: what the wheels gave for the fuel, less what the road load asks for.

Theory of operation. Torque by fuel a revolution and friction, times the gear's ratio, less what speeds up the engine
itself, is the force that the wheels give; the reference gives the constants. The road load (stated mass, grade,
acceleration, still air) is the force that they should have needed. What is left over is told apart by what it goes
with: what each kilogram is asked for by slope, rolling and acceleration (more mass than stated), speed through the air
(wind: of a wind w the force goes with v w + w^2 / 2, so mostly with v), or nothing (brakes). Slope and acceleration
stand on both sides, and so does their noise: the part of mass is therefore found with the force by fuel as instrument,
which knows nothing of that noise. An engine that turns less of its fuel into work looks like more mass; other signs
have to tell these two apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from uphaul.analysis.pieces import PIECE_MS, Pieces
from uphaul.physics.atmosphere import SEA_LEVEL_K, SEA_LEVEL_KPA
from uphaul.physics.basis import GRAVITY_M_S2, ZERO_DEGC_K, Bools, Floats, Ints

__all__ = ["LEAST_DRAG_N", "Drag", "drag"]

LEAST_DRAG_N = 350.0
"""Source: our own judgement: three times the rolling resistance of a slack tyre, some 2.5 m/s of wind that the two
drives had otherwise."""

LEAST = 60
"""Pieces that each drive needs. Source: our own choice, two minutes of pulling in gear."""

LEAST_M_S, MOST_M_S2, MOST_GRADE = 3.0, 1.2, 0.004
"""Slower there is no ratio; faster changes of speed are no pulling; where the grade changes by more from piece to
piece, it is told late. Source of the three: our own choice; a trailer pulls away at some 0.5 m/s^2."""

WARM_DEGC = 60.0
"""Colder oil takes much more of the torque. Source: common practice."""

ROLLING, ROTATING = 0.01, 1.035
"""Of what each kilogram is asked for. Source: common practice, 0.008 to 0.015 and 1.03 to 1.05."""

NOISE_N, NOISE_RATIO = 150.0, 60.0
"""How far a piece lies off: at any speed, and for each revolution of the engine a metre. Source: our own judgement."""

WIND_N, POWER_SHARE = 280.0, 0.045
"""What two sound drives differ by, some 95 %: by wind (2 m/s), and by the force that an engine gives for its fuel.
Source: our own judgement."""

TORQUE_NM = 6.0
"""One standard deviation of what the engine spends on itself from one day to the next: air conditioning, fan, oil.
Source: our own judgement; a compressor takes some 2 kW. In low gears it is much force."""

MOST_KG = 800.0
"""A mass that is less sure than that is not told, and may be a half of it for all that is known. Source: our own
choice, the load of a small trailer."""


@dataclass(frozen=True, slots=True)
class Drag:
    """Drag in N at the drive's usual speed, beside the part that goes with mass; the mass beyond what is stated, in kg;
    and the share of the drag that is there at any speed (1 brakes, about 0.2 wind).

    Each with its uncertainty (some 95 %). Mass is NaN where no grade is told or all was driven at one force, the share
    where there is no drag to speak of. `moments_ms` is where it was looked at.
    """

    mean_n: float
    mean_u: float
    mass_kg: float
    mass_u: float
    share: float
    share_u: float
    moments_ms: tuple[tuple[int, int], ...]


def drag(p: Pieces, r: Pieces) -> Drag | None:
    """The drag of a drive beside a reference, None where there is too little of pulling in gear."""
    (mine, gain), (theirs, gained) = _pulling(p), _pulling(r)
    if mine.sum() < LEAST or theirs.sum() < LEAST:
        return None
    for role in ("rpm", "fuel"):
        low, high = np.quantile(r.of(role)[theirs], (0.01, 0.99))
        beyond = 0.1 * float(high - low)
        mine &= (p.of(role) >= low - beyond) & (p.of(role) <= high + beyond)
    if mine.sum() < LEAST:
        return None
    lost = _Lost((p, mine, gain), (r, theirs, gained))
    wind = p.of("speed")[mine] * _density(p)[mine]
    columns = [np.ones(len(wind))]
    of, covariance = lost.by(columns)
    mean, mean_u = float(of[0]), 2.0 * float(np.sqrt(covariance[0, 0]))
    mass = mass_u = share = share_u = float("nan")
    if p.has("grade"):
        each = GRAVITY_M_S2 * (p.of("grade")[mine] + ROLLING) + ROTATING * gain[mine]
        of, covariance = lost.by(columns, each)
        sure = 2.0 * float(np.sqrt(covariance[1, 1]))
        if sure < MOST_KG:
            stated = float(np.cov(lost.given, each)[0, 1]) / float(each.var())
            mass, mass_u = float(of[1]), float(np.hypot(sure, POWER_SHARE * stated))
            mean, mean_u = float(of[0]), 2.0 * float(np.sqrt(covariance[0, 0]))
        else:
            mean_u = float(np.hypot(mean_u, 0.5 * MOST_KG * each.mean()))
    if mean >= LEAST_DRAG_N:
        # what is no more than the doubt is taken for none: slopes are slow, and mass would stand in for wind
        of, covariance = lost.by([*columns, wind / wind.mean()], each if abs(mass) >= mass_u else None)
        whole = float(of[0] + of[1])
        share = float(of[0]) / whole
        slope = np.array([1.0 - share, -share]) / whole
        share_u = float(np.hypot(2.0 * np.sqrt(slope @ covariance[:2, :2] @ slope), WIND_N / whole))
    at = np.flatnonzero(mine)
    where = ((int(p.first_ms[at[0]]), int(p.last_ms[at[-1]])),)
    return Drag(mean, float(np.hypot(mean_u, WIND_N)), mass, mass_u, share, share_u, where)


_Pulling = tuple[Pieces, Bools, Floats]
"""A drive, its pieces in question, and the gain of speed in every piece, m/s^2."""


class _Lost:
    """The force that the wheels gave by fuel (`given`), less what the road load asks for, and what it goes with."""

    def __init__(self, here: _Pulling, there: _Pulling) -> None:
        (p, mine, _), (r, theirs, _) = here, there
        x = _terms(*there)
        scale = np.sqrt(np.mean(np.square(x), axis=0))
        of, self._engine, _, _ = _fit(x / scale, x / scale, _force(r, theirs), _noise(r, theirs), r.block[theirs])
        self._terms = _terms(*here) / scale
        self.given: Floats = self._terms @ of
        self._lost: Floats = self.given - _force(p, mine)
        self._noise, self._ratio, self._block = _noise(p, mine), _ratio(p, mine), p.block[mine]

    def by(self, columns: list[Floats], each: Floats | None = None) -> tuple[Floats, Floats]:
        """(what is lost by each column and by `each` kilogram, its covariance, the reference's own doubt included)."""
        known = asked = np.stack(columns, axis=1)
        if each is not None:
            asked = np.column_stack((asked, each))
            known = np.column_stack((known, (self.given - self.given.mean()) / max(float(self.given.std()), 1.0)))
        of, covariance, inverse, keep = _fit(known, asked, self._lost, self._noise, self._block)
        by_force = inverse @ (known / np.square(self._noise)[:, np.newaxis])[keep].T
        engine, spent = by_force @ self._terms[keep], by_force @ (TORQUE_NM * 2.0 * np.pi * self._ratio[keep])
        return of, covariance + engine @ self._engine @ engine.T + np.outer(spent, spent)


def _pulling(p: Pieces) -> tuple[Bools, Floats]:
    """(in gear and under power, warm, the clutch closed, not shifting; the gain of speed in m/s^2)."""
    gear = p.of("gear") if p.has("gear") else p.of("gear_by_ratio")
    before, after = np.concatenate((gear[:1], gear[:-1])), np.concatenate((gear[1:], gear[-1:]))
    when_s = p.number * (PIECE_MS / 1000.0)
    gain = np.gradient(p.of("speed"), when_s) if len(p) > 1 else np.zeros(len(p))
    out: Bools = (gear >= 1.0) & (gear == before) & (gear == after) & (np.abs(gain) < MOST_M_S2)
    out &= (p.of("fuel") > 1e-3) & (p.of("speed") > LEAST_M_S) & (p.of("rpm") > 300.0)
    if p.has("pedal"):
        out &= p.of("pedal") > 0.1
    if p.has("clutch_slip"):
        out &= np.abs(np.nan_to_num(p.of("clutch_slip"))) < 0.03
    if p.has("grade") and len(p) > 1:
        out &= np.abs(np.gradient(p.of("grade"))) < MOST_GRADE
    if p.has("oil_temp"):
        out &= p.of("oil_temp") > WARM_DEGC
    return out & np.isfinite(p.of("wheel_power")), gain


def _terms(p: Pieces, take: Bools, gain: Floats) -> Floats:
    """What the wheels' force is made of: the engine's torque by fuel and speed, times the ratio; its own inertia."""
    rev, ratio = p.of("rpm")[take] / 1000.0, _ratio(p, take)
    fuel = p.of("fuel")[take] * 1000.0 / rev
    torque = np.stack((np.ones(len(rev)), fuel, fuel * fuel, rev, rev * fuel), axis=1)
    return np.column_stack((torque * ratio[:, np.newaxis], gain[take] * ratio * ratio))


def _ratio(p: Pieces, take: Bools) -> Floats:
    ratio: Floats = p.of("rpm")[take] / p.of("speed")[take] / 60.0
    return ratio


def _force(p: Pieces, take: Bools) -> Floats:
    force: Floats = p.of("wheel_power")[take] * 1000.0 / p.of("speed")[take]
    return force


def _noise(p: Pieces, take: Bools) -> Floats:
    return np.hypot(NOISE_N, NOISE_RATIO * _ratio(p, take))


def _density(p: Pieces) -> Floats:
    """The air's density over that at sea level, 1 where nothing tells it."""
    if not p.has("baro", "ambient"):
        return np.ones(len(p))
    thin = p.of("baro") / SEA_LEVEL_KPA * (SEA_LEVEL_K / (p.of("ambient") + ZERO_DEGC_K))
    return np.where(np.isnan(thin), 1.0, thin)


def _fit(known: Floats, asked: Floats, y: Floats, noise: Floats, block: Ints) -> tuple[Floats, Floats, Floats, Bools]:
    """(what `y` takes of each column of `asked`, its covariance, the inverse, the pieces kept): least squares with
    `known` as instruments (`asked` itself: plain ones), weighed by `noise`, twice more without what lies far off.

    The covariance is that of leaving out one block after the other (the jackknife), as a few blocks of pulling away may
    carry it all. Source: Tukey 1958; instruments: Wald 1940; both from memory.
    """
    x, z, y = asked / noise[:, np.newaxis], known / noise[:, np.newaxis], y / noise
    keep: Bools = np.ones(len(y), dtype=bool)
    for again in (True, True, False):
        inverse: Floats = np.asarray(np.linalg.pinv(z[keep].T @ x[keep]), dtype=np.float64)
        of = inverse @ z[keep].T @ y[keep]
        if again:
            off = np.abs(y - x @ of)
            keep = off <= 4.0 * 1.4826 * float(np.median(off[keep])) + 1e-9
    names, group = np.unique(block[keep], return_inverse=True)
    across, along = np.zeros((len(names), x.shape[1], x.shape[1])), np.zeros((len(names), x.shape[1]))
    np.add.at(across, group, z[keep][:, :, np.newaxis] * x[keep][:, np.newaxis, :])
    np.add.at(along, group, z[keep] * y[keep][:, np.newaxis])
    others = np.linalg.pinv(across.sum(axis=0) - across)
    without = (others @ (along.sum(axis=0) - along)[:, :, np.newaxis])[:, :, 0] - of
    covariance: Floats = without.T @ without * ((len(names) - 1) / len(names))
    return of, covariance, inverse, keep
