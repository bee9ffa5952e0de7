"""What the road took beyond what it should: the reference's power for the fuel asked for, less the road load's.

Theory of operation. Over the reference a surface (engine speed, fuel) tells what the wheels get. On the drive in
question that power over the speed is the force that the wheels gave; the road load (stated mass, grade, acceleration,
still air) is the force they should have needed. What is left is drag: the same at any speed and load for dragging
brakes; growing with speed against wind; growing with the force itself for more mass than stated, or for an engine
that gives less.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from uphaul.analysis.pieces import PIECE_MS, Pieces
from uphaul.physics.basis import Bools, Floats, Ints

__all__ = ["Drag", "drag"]

MOST_M_S2 = 0.25
"""Faster changes of speed say more of the parts that turn than of the road. Source: our own choice."""

LEAST = 60
"""Pieces that each drive needs. Source: our own choice, two minutes of pulling in gear."""


@dataclass(frozen=True, slots=True)
class Drag:
    """Force in N, each with its uncertainty (some 95 %): the mean, and by how much more it is at the 90th percentile of
    speed (or of force) than at the 10th. `moments_ms` is where it was looked at."""

    mean_n: float
    mean_u: float
    by_speed_n: float
    by_speed_u: float
    by_force_n: float
    by_force_u: float
    moments_ms: tuple[tuple[int, int], ...]


def drag(p: Pieces, r: Pieces) -> Drag | None:
    """The drag of a drive beside a reference, None where there is too little of pulling in gear."""
    mine, theirs = _pulling(p), _pulling(r)
    if mine.sum() < LEAST or theirs.sum() < LEAST:
        return None
    x, y = _terms(r, theirs), r.of("wheel_power")[theirs]
    surface = np.linalg.lstsq(x, y, rcond=1e-6)[0]
    off = np.abs(y - x @ surface)
    keep = off <= 5.0 * 1.4826 * float(np.median(off))
    surface = np.linalg.lstsq(x[keep], y[keep], rcond=1e-6)[0]
    inside = mine.copy()
    for role in ("rpm", "fuel"):
        low, high = np.quantile(r.of(role)[theirs], (0.01, 0.99))
        span = float(high - low)
        inside &= (p.of(role) >= low - 0.1 * span) & (p.of(role) <= high + 0.1 * span)
    if inside.sum() < LEAST:
        return None
    speed = p.of("speed")[inside]
    given_n = _terms(p, inside) @ surface / speed * 1000.0
    lost_n = given_n - p.of("wheel_power")[inside] / speed * 1000.0
    off = np.abs(lost_n - np.median(lost_n))
    keep = off <= 4.0 * 1.4826 * float(np.median(off))
    lost_n, given_n, speed, block = lost_n[keep], given_n[keep], speed[keep], p.block[inside][keep]
    square = np.square(speed)
    middle = np.stack((np.ones(len(speed)), square - square.mean(), given_n - given_n.mean()), axis=1)
    of, covariance = _by_block(middle, lost_n, block)
    spans = np.array([1.0, *(float(np.subtract(*np.quantile(v, (0.9, 0.1)))) for v in (square, given_n))])
    size, u = of * spans, 2.0 * np.sqrt(np.diag(covariance)) * spans
    # the reference's surface has its own error, and either drive had wind: judgement, some 2 m/s
    u = np.hypot(u, (280.0, 250.0, 250.0))
    at = np.flatnonzero(inside)
    (mean, by_speed, by_force), (mean_u, by_speed_u, by_force_u) = size.tolist(), u.tolist()
    where = ((int(p.first_ms[at[0]]), int(p.last_ms[at[-1]])),)
    return Drag(mean, mean_u, by_speed, by_speed_u, by_force, by_force_u, where)


def _pulling(p: Pieces) -> Bools:
    """In gear, under power, the clutch closed, neither shifting nor just after."""
    gear = p.of("gear") if p.has("gear") else p.of("gear_by_ratio")
    out: Bools = (gear >= 1.0) & (gear == np.round(gear)) & (p.of("fuel") > 1e-3) & (p.of("speed") > 5.0)
    before = np.concatenate((gear[:1], gear[:-1]))
    speed = p.of("speed")
    gained = np.abs(np.concatenate(([np.inf], np.diff(speed))) / np.maximum(np.diff(p.number, prepend=0), 1))
    out &= gained < MOST_M_S2 * PIECE_MS / 1000.0
    out &= (gear == before) & (p.of("pedal") > 0.1 if p.has("pedal") else True)
    if p.has("clutch_slip"):
        out &= np.abs(np.nan_to_num(p.of("clutch_slip"))) < 0.03
    out &= np.isfinite(p.of("wheel_power")) & np.isfinite(p.of("rpm"))
    return out


def _terms(p: Pieces, take: Bools) -> Floats:
    x, y = p.of("rpm")[take] / 1000.0, p.of("fuel")[take] * 100.0
    return np.stack((np.ones(len(x)), x, y, x * y, y * y, x * x), axis=1)


def _by_block(x: Floats, y: Floats, block: Ints) -> tuple[Floats, Floats]:
    """Least squares, and its covariance with blocks as observations (the sandwich of clustered errors).

    Source: Liang and Zeger 1986, from memory.
    """
    inverse = np.linalg.pinv(x.T @ x)
    of = inverse @ x.T @ y
    rest = y - x @ of
    names, group = np.unique(block, return_inverse=True)
    scores = np.zeros((len(names), x.shape[1]))
    np.add.at(scores, group, x * rest[:, np.newaxis])
    more = len(names) / max(len(names) - x.shape[1], 1)
    return of, more * inverse @ (scores.T @ scores) @ inverse
