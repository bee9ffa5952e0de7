"""Mass of vehicle and trailer from the power that moves them, over minutes of load.

Theory of operation. What the wheels give beyond the air is mass times what the road asks of each kilogram. Over the
ticks under load of the last minutes the mass is the straight line through zero of one over the other, by least
squares. Sums are of integer counts, so any cutting of a drive gives the same bits.
"""

from __future__ import annotations

from math import isnan

import numpy as np

from uphaul.physics.basis import GRAVITY_M_S2, Floats, Ints, positive
from uphaul.physics.trail import Totals

__all__ = ["MassWindow", "pull_n", "resistance_m_s2"]

_FORCE_N, _ASK = 1, 10_000  # counts a newton, and a m/s2


def resistance_m_s2(acceleration_m_s2: Floats, grade: Floats, *, rolling_coefficient: float, rotating: float) -> Floats:
    """What moving a kilogram takes (m/s2, or N/kg) of acceleration (m/s2), slope (rise over run) and rolling.

    Source: 40 CFR 1066.210(d)(3), divided by the mass.
    """
    cosine = 1.0 / np.sqrt(1.0 + grade * grade)
    return rotating * acceleration_m_s2 + GRAVITY_M_S2 * (rolling_coefficient + grade) * cosine


def pull_n(
    power_kw: Floats, speed_m_s: Floats, density_kg_m3: Floats, *, efficiency: float, drag_area_m2: float
) -> Floats:
    """Force (N) that is left of the crankshaft's power (kW) at the wheels beyond the air (kg/m3).

    Source: definition of power and efficiency, 40 CFR 1066.210(d)(3).
    """
    speed = positive(speed_m_s)
    return 1000.0 * power_kw * efficiency / speed - 0.5 * positive(density_kg_m3) * drag_area_m2 * speed * speed


class MassWindow:
    """Mass (kg) over the ticks under load within the last `window_ms`; NaN until there are `least_ticks` of them."""

    def __init__(self, window_ms: int, least_ticks: int) -> None:
        self._totals = Totals(3, window_ms)  # loaded, force * ask, ask * ask
        self._least_ticks = least_ticks

    def run(self, t_ms: Ints, force_n: Floats, ask_m_s2: Floats, loaded: Floats) -> Floats:
        """Mass at each tick (N,), N >= 1, of those where `loaded` is 1; unknown where one of the three is."""
        if len(t_ms) == 1:  # the same integers for less
            return np.array([self._one(int(t_ms[0]), float(force_n[0]), float(ask_m_s2[0]), float(loaded[0]))])
        known = ~np.isnan(force_n + ask_m_s2 + loaded)
        use = (loaded == 1.0) & (force_n >= 0.0) & (force_n < 1e6) & (ask_m_s2 >= 0.0) & (ask_m_s2 < 20.0)
        f = np.rint(np.where(use, force_n, 0.0) * _FORCE_N).astype(np.int64)
        d = np.rint(np.where(use, ask_m_s2, 0.0) * _ASK).astype(np.int64)
        _, n, fd, dd = self._totals.run(t_ms, np.stack((use, f * d, d * d)))
        mass = fd / positive(dd.astype(np.float64)) * (_ASK / _FORCE_N)
        return np.where(known & (n >= self._least_ticks), mass, np.nan)

    def _one(self, t_ms: int, force: float, ask: float, loaded: float) -> float:
        use = loaded == 1.0 and 0.0 <= force < 1e6 and 0.0 <= ask < 20.0
        f, d = (round(force * _FORCE_N), round(ask * _ASK)) if use else (0, 0)
        _, n, fd, dd = self._totals.one(t_ms, int(use), f * d, d * d)
        if isnan(force + ask + loaded) or n < self._least_ticks or dd == 0:
            return float("nan")
        return float(fd) / float(dd) * (_ASK / _FORCE_N)
