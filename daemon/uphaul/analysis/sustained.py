"""Means over a time: what was sustained in a drive, not what a single reading said."""

from __future__ import annotations

import numpy as np

from uphaul.analysis.whole import WholeDrive
from uphaul.physics.basis import Floats

__all__ = ["LEAST_KNOWN", "sustained"]

LEAST_KNOWN = 0.9
"""Share of the time that must be known. Source: our own choice."""


def sustained(drive: WholeDrive, x: Floats, window_s: float) -> Floats:
    """(N,) the mean of `x` (N,) over the last `window_s`, weighted by time.

    Unknown where less than nine tenths of that time is known: at the beginning, and behind a gap.
    """
    known = ~np.isnan(x)
    dt_s = np.where(known, drive.dt_s, 0.0)

    def sums(y: Floats) -> Floats:
        total = np.concatenate(([0.0], np.cumsum(y)))
        first = np.searchsorted(drive.t_ms, drive.t_ms - round(window_s * 1000), side="right")
        return np.asarray(total[1:] - total[first])

    time_s = sums(dt_s)
    enough = time_s >= LEAST_KNOWN * window_s
    offset = float(np.mean(x[known])) if known.any() else 0.0  # so that long drives lose no digits
    whole = sums(np.where(known, x - offset, 0.0) * dt_s)
    return np.where(enough, offset + whole / np.where(enough, time_s, 1.0), np.nan)
