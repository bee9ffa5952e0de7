"""Whether the drag of a drive is there at low speed too: brakes hold on at any speed, wind fades.

Theory of operation. Pulling away, several gears are gone through, so the wheels' force is told by the engine's torque
and the ratio: torque by fuel a revolution and friction, times the ratio, less what speeds up the engine itself. The
reference gives the constants; what the road load of the drive falls short of that is its drag, at low speed and at
speed. Of a wind w the force goes with v w + w^2 / 2, so that some two fifths at most are
left at 6 m/s of what it is at 22, with w up to 9 m/s.
"""

from __future__ import annotations

import numpy as np

from uphaul.analysis.pieces import PIECE_MS, Pieces
from uphaul.physics.basis import Bools, Floats

__all__ = ["drag_at_low_speed"]

SLOW_M_S, LEAST_M_S, FAST_M_S = 9.0, 3.0, 17.0
MOST_M_S2 = 1.2
LEAST = 8
"""Source of all: our own choice; a trailer pulls away at some 0.5 m/s^2."""

ERROR_N = 120.0
"""What the fit is wrong by at low speed, one standard deviation. Source: our own judgement from sound drives."""


def drag_at_low_speed(p: Pieces, r: Pieces) -> tuple[float, float, tuple[tuple[int, int], ...]]:
    """(drag at low speed as a share of that at speed, its uncertainty of some 95 %, where), NaN without enough."""
    (mine, gained), (theirs, gained_there) = _pulling(p), _pulling(r)
    unknown = float("nan"), float("nan"), ()
    if mine.sum() < 60 or theirs.sum() < 60:
        return unknown
    x, y = _terms(r, theirs, gained_there), _force(r, theirs)
    keep = np.ones(len(y), dtype=bool)
    for _ in range(2):  # once more without what lies far off
        of = np.linalg.lstsq(x[keep], y[keep], rcond=1e-8)[0]
        off = np.abs(y - x @ of)
        keep = off <= 4.0 * 1.4826 * float(np.median(off)) + 1e-9
    lost = _terms(p, mine, gained) @ of - _force(p, mine)
    speed, at = p.of("speed")[mine], np.flatnonzero(mine)
    slow, fast = speed < SLOW_M_S, speed >= FAST_M_S
    if slow.sum() < LEAST or fast.sum() < LEAST:
        return unknown
    low, high = float(np.median(lost[slow])), float(np.median(lost[fast]))
    if high <= ERROR_N:
        return unknown
    spread = 1.4826 * float(np.median(np.abs(lost[slow] - low))) / np.sqrt(slow.sum() / 3.0)
    where = tuple((int(p.first_ms[i]), int(p.last_ms[i])) for i in at[slow][:: max(int(slow.sum()) // 3, 1)][:3])
    return low / high, 2.0 * float(np.hypot(spread, ERROR_N)) / high, where


def _pulling(p: Pieces) -> tuple[Bools, Floats]:
    """(in gear and under power, the clutch closed and not shifting; the gain of speed in m/s^2)."""
    gear = p.of("gear") if p.has("gear") else p.of("gear_by_ratio")
    before = np.concatenate((gear[:1], gear[:-1]))
    gained = np.gradient(p.of("speed"), p.number * (PIECE_MS / 1000.0)) if len(p) > 1 else np.zeros(len(p))
    out: Bools = (gear >= 1.0) & (gear == before) & (p.of("fuel") > 1e-3) & (p.of("speed") > LEAST_M_S)
    out &= (np.abs(gained) < MOST_M_S2) & (p.of("rpm") > 300.0)
    if p.has("pedal"):
        out &= p.of("pedal") > 0.1
    if p.has("clutch_slip"):
        out &= np.abs(np.nan_to_num(p.of("clutch_slip"))) < 0.03
    out &= np.isfinite(p.of("wheel_power"))
    return out, gained


def _force(p: Pieces, take: Bools) -> Floats:
    force: Floats = p.of("wheel_power")[take] * 1000.0 / p.of("speed")[take]
    return force


def _terms(p: Pieces, take: Bools, gained: Floats) -> Floats:
    rev = p.of("rpm")[take] / 1000.0
    fuel = p.of("fuel")[take] * 1000.0 / rev
    ratio = rev / p.of("speed")[take] * 10.0
    torque = np.stack((np.ones(len(rev)), fuel, fuel * fuel, rev, rev * fuel), axis=1)
    return np.column_stack((torque * ratio[:, np.newaxis], gained[take] * ratio * ratio))
