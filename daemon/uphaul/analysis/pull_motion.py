"""Road speed and acceleration in a pull: from the engine's speed where the gear is known, else from the road speed.

Theory of operation. In one gear engine and road speed are one motion. The engine's is read finer and at once; the
road's says how far a turn of the wheel goes, but a receiver tells it late, and in a pull that looks like a smaller
wheel. So scale and delay are found together: those with which the engine's speed, so much earlier, fits the road's
best. Where they don't fit (a slipping clutch, a converter), the road speed is taken as it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from uphaul.analysis.smoothing import METHOD, LocalFit, local_fit
from uphaul.analysis.whole import WholeDrive
from uphaul.physics.basis import Floats, Ints
from uphaul.vehicle.sheet import Driveline

__all__ = ["NOTICED_LATE_S", "Motion", "Smoothing", "motion"]

MOST_LATE_S = 1.2
"""Longest delay of a road speed that is looked for. Source: common practice: receivers take up to about a second."""

NOTICED_LATE_S = 0.15
"""Shorter delays are not worth a word: a reading held between two others makes as much. Source: our own choice."""

FITS = 0.02
"""Engine and road speed fit where nine tenths of the ticks are off by no more of the speed. Source: our own choice:
tyres and a locked clutch stay within 1 %."""

LEAST = 10
"""Ticks with both speeds, or no scale is told. Source: our own choice."""


@dataclass(frozen=True, slots=True)
class Smoothing:
    """How the acceleration came about: method, signal ("rpm" or "speed"), window in s and readings in it; how late the
    road speed is told, in s, 0 where that is not known.
    """

    method: str
    signal: str
    window_s: float
    readings: int
    late_s: float = 0.0

    @property
    def words(self) -> str:
        """The same as a sentence for a table or a report."""
        said = f"Acceleration from {self.signal}: {self.method}, window {self.window_s:g} s ({self.readings} readings)."
        if self.late_s >= NOTICED_LATE_S:
            said += f" The road speed is told {self.late_s:.1f} s late, which is made up for."
        return said


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """Speed in m/s with its slope; (N,) how much the slope may be off by the window, as a standard uncertainty in m/s2;
    the scale's as a share.
    """

    fit: LocalFit
    bias: Floats
    scale: float
    smoothing: Smoothing


def motion(
    drive: WholeDrive,
    driveline: Driveline | None,
    gear: int | None,
    *,
    part: slice,
    window_ms: int,
    speed_doubt: float,
    tyre_doubt: float,
) -> Motion | str:
    """The motion of the ticks `part`, or why it can't be told.

    `speed_doubt`: standard uncertainty of the road speed's scale, `tyre_doubt` of the sheet's rolling radius; shares.
    """
    t_ms, speed, rpm = drive.t_ms[part], drive.read("speed")[part], drive.read("rpm")[part]
    told = ~np.isnan(speed)
    if driveline is None or gear is None or gear > len(driveline.overall):
        if told.sum() < 3:
            return "no road speed, and no gear with a driveline in the build sheet to tell it from the engine's"
        return _from("speed", t_ms, speed, window_ms, speed_doubt)
    turned = rpm * (np.pi / 30.0 * driveline.tyre_radius_m / driveline.overall[gear - 1])
    fit = local_fit(t_ms, turned, window_ms)
    both = told & ~np.isnan(fit.slope)
    if both.sum() < LEAST:
        if told.sum() >= LEAST:
            return _from("speed", t_ms, speed, window_ms, speed_doubt)
        return _from("rpm", t_ms, turned, window_ms, tyre_doubt)
    scale, doubt, late_s = _scale(t_ms / 1000.0, speed, fit, both)
    if np.isnan(scale):
        return _from("speed", t_ms, speed, window_ms, speed_doubt)
    doubt = float(np.hypot(doubt, speed_doubt))
    if doubt > tyre_doubt:  # the sheet knows better
        scale, doubt = 1.0, tyre_doubt
    moved = LocalFit(fit.value * scale, fit.slope * scale, fit.gain, fit.noise * scale, fit.readings)
    smoothing = Smoothing(METHOD, "rpm", window_ms / 1000.0, fit.readings, late_s)
    return Motion(moved, _bias(t_ms, turned * scale, moved, window_ms), doubt, smoothing)


def _from(signal: str, t_ms: Ints, x: Floats, window_ms: int, scale: float) -> Motion | str:
    fit = local_fit(t_ms, x, window_ms)
    if np.isnan(fit.slope).all():
        return f"{signal} is read too seldom for a window of {window_ms / 1000:g} s, or the pull is shorter"
    smoothing = Smoothing(METHOD, signal, window_ms / 1000.0, fit.readings)
    return Motion(fit, _bias(t_ms, x, fit, window_ms), scale, smoothing)


def _scale(t_s: Floats, speed: Floats, fit: LocalFit, both: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> tuple[
    float, float, float
]:  # fmt: skip
    """(road speed over the turned one, its standard uncertainty, s that the road speed is late); NaN if nothing fits.

    Source: least squares for both, the delay by Gauss and Newton's steps.
    """
    known = ~np.isnan(fit.slope)
    at, value, slope = t_s[known], fit.value[known], fit.slope[known]
    late, scale, variance = 0.0, float("nan"), float("nan")
    nothing = float("nan"), float("nan"), 0.0
    for _ in range(5):
        use = both & (t_s - late >= at[0])
        if use.sum() < LEAST:
            return nothing
        x = np.interp(t_s[use] - late, at, value)
        design = np.stack((x, -np.interp(t_s[use] - late, at, slope)), axis=1)
        squares = design.T @ design
        if np.linalg.cond(squares) > 1e10:  # a steady speed: no delay shows
            late = 0.0
            scale = float(x @ speed[use] / (x @ x))
            variance = 1.0 / float(x @ x)
            break
        inverse = np.linalg.inv(squares)
        found = inverse @ (design.T @ speed[use])
        scale, far = float(found[0]), float(found[1])
        variance = float(inverse[0, 0])
        if scale <= 0.0:
            return nothing
        late = min(max(late + far / scale, 0.0), MOST_LATE_S)
    use = both & (t_s - late >= at[0])
    left = speed[use] - scale * np.interp(t_s[use] - late, at, value)
    if len(left) < LEAST or np.quantile(np.abs(left) / np.maximum(speed[use], 1.0), 0.9) > FITS:
        return nothing
    readings = max(int(np.count_nonzero(np.diff(speed[use]))), 1)  # a tick that only holds one is none
    held = len(left) / readings
    return scale, float(np.sqrt(np.mean(left * left) * variance * held)) / scale, late


def _bias(t_ms: Ints, x: Floats, fit: LocalFit, window_ms: int) -> Floats:
    """(N,) how far the window bends the slope, in standard uncertainties.

    Twice the window is off by four times as much where the third derivative is steady, so a third of the difference
    is what the single one is off by. Source: Taylor's theorem (Richardson's step).
    """
    if t_ms[-1] - t_ms[0] <= 3 * window_ms:
        return np.zeros(len(t_ms))
    bias = np.nan_to_num(np.abs(local_fit(t_ms, x, 2 * window_ms).slope - fit.slope) / 3.0)
    # nearer to an end the wider window is not around its tick: what holds a window further in is taken
    low, high = np.searchsorted(t_ms, (t_ms[0] + window_ms, t_ms[-1] - window_ms))
    bias[:low], bias[high:] = bias[low], bias[high]
    return bias
