"""Gears: which one is in, from engine and road speed, and how much the clutch slips.

Ratios are pure, without memory: a gear change, a pressed clutch or an unlocked converter reads as no gear or as slip,
and the rule that judges them has the delays. Only the heat of setting off is summed over a window.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import isnan

import numpy as np

from uphaul.errors import UphaulError
from uphaul.physics.basis import Floats, Ints, positive, within
from uphaul.physics.trail import Totals

__all__ = ["HeatWindow", "clutch_heat_kw", "clutch_slip", "gear", "launch_heat_kw", "overall_ratio"]

LEAST_RPM = 300.0
"""Below this no diesel runs by itself. Source: our own choice (cranking is 150..250)."""

LEAST_M_S = 1.5
"""Below this road speed tells no ratio. Source: our own choice: half of a first gear at idle."""


def overall_ratio(
    rpm: Floats,
    speed_m_s: Floats,
    *,
    rolling_radius_m: float,
    least_rpm: float = LEAST_RPM,
    least_m_s: float = LEAST_M_S,
) -> Floats:
    """Turns of the engine for one of the wheels; NaN when either is too slow to tell. Source: definition."""
    engine = within(rpm, least_rpm, 1e5)
    road = within(speed_m_s, least_m_s, 1e3)
    return engine * (np.pi / 30.0 * rolling_radius_m) / road


def gear(
    rpm: Floats,
    speed_m_s: Floats,
    *,
    overall_ratios: Sequence[float],
    rolling_radius_m: float,
    under: float = 0.04,
    over: float = 0.04,
    least_rpm: float = LEAST_RPM,
    least_m_s: float = LEAST_M_S,
) -> Floats:
    """Number of the gear that is in, 1 the first of `overall_ratios`; 0 for none of them; NaN when too slow to tell.

    `overall_ratios`: gear times final drive, strictly falling. A gear is in when the measured ratio is at most the
    share `under` below its own or `over` above it. Worn or warm tyres take 2..3 %; a larger `over` keeps the gear
    told while the clutch slips. Source: definition of the ratio; the defaults are our own starting points.
    Raises UphaulError when the ratios do not fall or two gears' bands touch.
    """
    below, high = _bands(tuple(overall_ratios), under, over)
    measured = overall_ratio(
        rpm, speed_m_s, rolling_radius_m=rolling_radius_m, least_rpm=least_rpm, least_m_s=least_m_s
    )
    # the bands do not touch: counted from the top, the first whose lower end is not over the measured ratio is the one
    n = np.searchsorted(below, -measured)
    fits = measured <= high[np.minimum(n, len(below))]
    return np.where(np.isnan(measured), np.nan, np.where(fits, n + 1.0, 0.0))


@lru_cache(maxsize=32)
def _bands(ratios: tuple[float, ...], under: float, over: float) -> tuple[Floats, Floats]:
    """(lower ends, negative; upper ends and one below all) of the gears' bands, which every tick asks for alike."""
    own = np.array(ratios, dtype=np.float64)
    if len(own) == 0 or not np.all(own > 0.0) or not np.all(np.diff(own) < 0.0):
        raise UphaulError(f"overall_ratios = {ratios}: numbers over 0, each below the one before")
    low, high = own * (1.0 - under), own * (1.0 + over)
    if np.any(high[1:] >= low[:-1]):
        raise UphaulError(f"under = {under}, over = {over}: two gears of {ratios} would both fit")
    return -low, np.append(high, -np.inf)


def clutch_slip(
    rpm: Floats,
    speed_m_s: Floats,
    gear: Floats,
    *,
    overall_ratios: Sequence[float],
    rolling_radius_m: float,
    least_rpm: float = LEAST_RPM,
    least_m_s: float = LEAST_M_S,
) -> Floats:
    """Share of the engine's speed that is lost in the clutch: 1 - input shaft over engine; negative on overrun.

    `gear` is its number (from a switch, or from the function `gear` with an `over` as large as the slip to be seen);
    NaN out of gear. Source: definition.
    """
    measured = overall_ratio(
        rpm, speed_m_s, rolling_radius_m=rolling_radius_m, least_rpm=least_rpm, least_m_s=least_m_s
    )
    return 1.0 - _own(gear, overall_ratios) / measured


def _own(gear: Floats, overall_ratios: Sequence[float]) -> Floats:
    """Overall ratio of the gear with this number; NaN out of gear."""
    if gear.size == 1:  # a tick alone, for less
        number = float(gear.item())
        in_gear = 1.0 <= number <= len(overall_ratios) and number.is_integer()
        return np.full(gear.shape, overall_ratios[int(number) - 1] if in_gear else np.nan)
    own = np.full(gear.shape, np.nan)
    for n, ratio in enumerate(overall_ratios, start=1):
        own[gear == n] = ratio
    return own


def clutch_heat_kw(torque_nm: Floats, rpm: Floats, slip: Floats) -> Floats:
    """Heat (kW) that a slipping clutch takes up; never below 0. Source: torque times the difference of speeds."""
    return np.abs(torque_nm * positive(rpm) * slip) * (np.pi / 30_000.0)


def launch_heat_kw(
    power_kw: Floats,
    rpm: Floats,
    speed_m_s: Floats,
    gear: Floats,
    *,
    overall_ratios: Sequence[float],
    rolling_radius_m: float,
    most_m_s: float,
    least_slip: float,
    least_rpm: float = LEAST_RPM,
) -> Floats:
    """Heat (kW) that the clutch takes up of the engine's power (kW) while setting off; 0 otherwise, and out of gear.

    Setting off is in gear, slower than `most_m_s`, with more than `least_slip` lost: what a tyre's radius is off must
    not count as heat. Source: torque times the difference of speeds, which is power times slip.
    """
    known = ~np.isnan(power_kw + rpm + speed_m_s + gear)
    if not (known & (gear > 0.0) & (speed_m_s < most_m_s)).any():  # what most ticks of a drive are
        return np.where(known, 0.0, np.nan)
    own = _own(gear, overall_ratios)
    shaft = np.maximum(speed_m_s, 0.0) * own / (np.pi / 30.0 * rolling_radius_m)
    slip = 1.0 - shaft / np.where(rpm >= least_rpm, rpm, np.nan)
    sets_off = (speed_m_s < most_m_s) & (slip > least_slip)  # neither out of gear, where the slip is unknown
    return np.where(known, np.where(sets_off, np.maximum(power_kw, 0.0) * slip, 0.0), np.nan)


class HeatWindow:
    """Heat (kJ) taken up within the last `window_ms`: power of each tick over the step that ends with it.

    In whole millijoules, so any cutting of a drive gives the same bits. Unknown steps and gaps count nothing.
    """

    def __init__(self, window_ms: int, gap_ms: int) -> None:
        self._totals = Totals(1, window_ms)  # mJ
        self._gap_ms = gap_ms
        self._last_ms: int | None = None

    def run(self, t_ms: Ints, power_kw: Floats) -> Floats:
        """Heat at each tick (N,), N >= 1, times increasing over all calls; unknown where the power is."""
        before = int(t_ms[0]) if self._last_ms is None else self._last_ms
        self._last_ms = int(t_ms[-1])
        if len(t_ms) == 1:  # the same integers for less
            now, kw = self._last_ms, float(power_kw[0])
            unknown, near = isnan(kw), now - before <= self._gap_ms
            watts_now = 0 if unknown or not near else round(min(max(kw, 0.0), 1e5) * 1000.0)
            total_now = self._totals.one(now, watts_now * (now - before))[1]
            return np.array([kw if unknown else total_now / 1e6])
        step = np.diff(t_ms, prepend=before)
        watts = np.rint(np.where(np.isnan(power_kw), 0.0, np.clip(power_kw, 0.0, 1e5)) * 1000.0).astype(np.int64)
        _, total = self._totals.run(t_ms, np.where(step <= self._gap_ms, watts * step, 0)[np.newaxis])
        return np.where(np.isnan(power_kw), np.nan, total / 1e6)
