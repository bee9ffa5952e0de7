"""Value and slope of a noisy signal by local polynomials, with what noise and window do to them.

At each tick a polynomial is fitted by least squares to the readings of a window around it; at the ends the window stays
inside. On even ticks this is the filter of Savitzky and Golay (Analytical Chemistry 36, 1964, 1627); it needs no even
ticks. What only repeats the reading before, faster than readings usually come, is none: the log holds the last one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from uphaul.physics.basis import Bools, Floats, Ints

__all__ = ["METHOD", "LocalFit", "local_fit"]

METHOD = "local polynomial of degree 2 by least squares (Savitzky and Golay 1964)"

LEAST_SPARE = 2
"""Readings beyond those that fix the polynomial, or nothing is told. Source: our own choice."""


@dataclass(frozen=True, slots=True, eq=False)
class LocalFit:
    """(N,) value and slope (a second); `gain`: standard deviation of the slope for one of the readings, in 1/s.

    `noise` is the standard deviation of the readings by what the polynomials leave, NaN where that is nothing to go by;
    `readings` those of the window in the middle of the drive's part.
    """

    value: Floats
    slope: Floats
    gain: Floats
    noise: float
    readings: int


def local_fit(t_ms: Ints, x: Floats, window_ms: int, *, degree: int = 2) -> LocalFit:
    """Fit `x` (N,) at increasing `t_ms` over `window_ms`; unknown where a window holds too few readings.

    Over a polynomial of up to `degree` it is exact. Beyond, the slope of degree 2 is off by the third derivative times
    the square of half the window over 10. Source: Taylor's theorem and the moments of an even window.
    """
    n = len(t_ms)
    unknown = np.full(n, np.nan)
    taken = np.flatnonzero(_fresh(x))
    if len(taken) <= degree + LEAST_SPARE or t_ms[-1] - t_ms[0] < window_ms:
        return LocalFit(unknown, unknown, unknown, float("nan"), 0)
    at, y = t_ms[taken], x[taken]
    begin = np.clip(t_ms - window_ms // 2, t_ms[0], t_ms[-1] - window_ms)
    low = np.searchsorted(at, begin)
    count = np.searchsorted(at, begin + window_ms, side="right") - low
    wide = np.arange(int(count.max()))
    places, inside = np.minimum(low[:, np.newaxis] + wide, len(at) - 1), wide < count[:, np.newaxis]
    unit_s, offset = window_ms / 2000.0, float(y.mean())
    apart = (at[places] - t_ms[:, np.newaxis]) / (1000.0 * unit_s)
    near = np.where(inside, y[places] - offset, 0.0)
    moments, sums, power = [], [], inside * 1.0
    for order in range(2 * degree + 1):
        moments.append(power.sum(axis=1))
        if order <= degree:
            sums.append((power * near).sum(axis=1))
        power = power * apart
    enough = count > degree + LEAST_SPARE
    squares = np.stack([np.stack(moments[i : i + degree + 1], axis=1) for i in range(degree + 1)], axis=1)
    squares[~enough] = np.eye(degree + 1)
    inverse, sides = np.linalg.inv(squares), np.stack(sums, axis=1)
    of = (inverse @ sides[..., np.newaxis])[..., 0]
    left = np.maximum((near * near).sum(axis=1) - (of * sides).sum(axis=1), 0.0)
    spare = np.where(enough, count - degree - 1, 0)
    noise = float(np.sqrt(left[enough].sum() / spare.sum())) if enough.any() else float("nan")
    return LocalFit(
        value=np.where(enough, of[:, 0] + offset, np.nan),
        slope=np.where(enough, of[:, 1] / unit_s, np.nan),
        gain=np.where(enough, np.sqrt(np.maximum(inverse[:, 1, 1], 0.0)) / unit_s, np.nan),
        noise=noise,
        readings=int(count[n // 2]),
    )


def _fresh(x: Floats) -> Bools:
    """Where a reading came in: known, and not the one before; where it stays, as often as it usually comes."""
    known = ~np.isnan(x)
    new = known.copy()
    new[1:] &= x[1:] != x[:-1]
    changes = np.flatnonzero(new)
    if len(changes) < 2:
        return known
    pace = max(int(np.median(np.diff(changes))), 1)
    ticks = np.arange(len(x))
    since = ticks - np.maximum.accumulate(np.where(new, ticks, 0))
    fresh: Bools = known & (since % pace == 0)
    return fresh
