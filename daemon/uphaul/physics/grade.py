"""Grade of the road, from barometric and satellite altitude over the distance driven.

Theory of operation. `GradeWindow` keeps the last seconds of distance and altitudes. The grade by one altitude is the
slope of its least-squares line over distance; the two are joined with weights of one over their variance, so the
barometer, steady from second to second, leads, and the satellite takes over when the barometer is lost. An altitude
that is unknown at a tick has no say there. An unknown speed or a gap breaks the distance: the window starts anew there.

Distance is whole micrometres (mm/s times ms), altitude whole millimetres, and all sums are int64, so a drive cut into
any blocks gives the same bits. Each tick keeps the sums over all ticks before it, so a window costs two of them however
long it is. The sums may wrap round: the two results taken from them do not depend on the origin and are far below
2**63, so they come out exact.

Weather moves the barometer by less than 0.1 m in the window. Warm air is stretched: 35 degC at sea level makes every
barometric metre 1.07 real ones, which `ambient_degc` corrects.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from uphaul.errors import UphaulError
from uphaul.physics.atmosphere import pressure_altitude_m, standard_degc
from uphaul.physics.basis import Bools, Floats, Ints, kelvin, within
from uphaul.physics.trail import Trail

__all__ = ["GradeWindow", "Grades"]

LONGEST_MS = 30_000
"""Up to this window the sums of a 1 kHz drive at 100 m/s stay exact."""

PIECE = 4096
"""Ticks that are worked on at once: what a processor's cache holds. Cuts change no bit."""


@dataclass(frozen=True, slots=True)
class Grades:
    """Grade (rise over run) and its standard uncertainty from the altitudes' noise, NaN where unknown."""

    grade: Floats
    uncertainty: Floats


class GradeWindow:
    """Grade over the last `window_ms`; unknown until the known altitudes are spread over `least_m` of road.

    `*_noise_m`: standard deviation of one independent reading of each altitude, `*_every_ms`: how often there is one.
    Defaults are our own starting points: 0.3 m (3.5 Pa) ten times a second for a barometer, 3 m once a second for a
    satellite receiver. Raises UphaulError for a window that is not 1..30,000 ms or a number that is not over 0.
    Source: least squares of a straight line; weights of one over the variance.
    """

    def __init__(
        self,
        window_ms: int = 10_000,
        *,
        least_m: float = 30.0,
        baro_noise_m: float = 0.3,
        baro_every_ms: int = 100,
        gps_noise_m: float = 3.0,
        gps_every_ms: int = 1000,
        gap_ms: int = 1000,
    ) -> None:
        if not 0 < window_ms <= LONGEST_MS:
            raise UphaulError(f"window_ms = {window_ms}: 1 to {LONGEST_MS}")
        for name, value in (("least_m", least_m), ("baro_noise_m", baro_noise_m), ("gps_noise_m", gps_noise_m)):
            if not 0.0 < value < np.inf:
                raise UphaulError(f"{name} = {value}: over 0")
        self._least_m = least_m
        self._noise_m = np.array([[baro_noise_m], [gps_noise_m]])
        self._every_ms = np.array([[baro_every_ms], [gps_every_ms]])
        self._gap_ms = gap_ms
        self._trail = Trail(rows=11, window_ms=window_ms)  # t_ms, five sums of each altitude before this tick
        self._last_ms: int | None = None
        self._driven_um = 0
        self._broken_ms = 0
        self._sums = np.zeros((10, 1), dtype=np.int64)

    def run(
        self,
        t_ms: Ints,
        speed_m_s: Floats,
        barometric_kpa: Floats,
        height_m: Floats,
        ambient_degc: Floats | None = None,
    ) -> Grades:
        """Grades at each tick (N,), N >= 1, times increasing over all calls.

        Any altitude may be unknown (NaN) throughout. `ambient_degc`: None where there is no such sensor, then the
        standard atmosphere's temperature is taken; where it is unknown, the barometer's grade is too.
        """
        parts = []
        for i in range(0, len(t_ms), PIECE):
            now = slice(i, i + PIECE)
            warmth = None if ambient_degc is None else ambient_degc[now]
            parts.append(self._run(t_ms[now], speed_m_s[now], barometric_kpa[now], height_m[now], warmth))
        if len(parts) == 1:
            return parts[0]
        return Grades(np.concatenate([p.grade for p in parts]), np.concatenate([p.uncertainty for p in parts]))

    def _run(
        self,
        t_ms: Ints,
        speed_m_s: Floats,
        barometric_kpa: Floats,
        height_m: Floats,
        ambient_degc: Floats | None,
    ) -> Grades:
        pressure_m = pressure_altitude_m(barometric_kpa)
        altitude_m = np.empty((2, len(t_ms)))
        altitude_m[0], altitude_m[1] = pressure_m, within(height_m, -2_000.0, 11_000.0)
        known = ~np.isnan(altitude_m)
        cm, broken = self._drive(t_ms, speed_m_s)
        mm = np.rint(np.where(known, altitude_m, 0.0) * 1000.0).astype(np.int64)
        here = known.astype(np.int64)
        x = cm * here
        own = np.concatenate((here, x, mm, x * x, x * mm))
        upto = self._sums + np.cumsum(own, axis=1)
        self._sums = upto[:, -1:]
        row = np.empty((11, len(t_ms)), dtype=np.int64)
        row[0], row[1:] = t_ms, upto - own
        every, first, _ = self._trail.join(row)
        # no window reaches back over a break
        breaks = np.maximum.accumulate(np.where(broken, t_ms, self._broken_ms))
        self._broken_ms = int(breaks[-1])
        first = np.maximum(first, np.searchsorted(every[0], breaks))

        slope, spread_m2, n = _lines((upto - every[1:, first]).reshape(5, 2, -1))
        stretch = np.ones_like(slope)
        if ambient_degc is not None:
            stretch[0] = kelvin(ambient_degc) / kelvin(standard_degc(pressure_m))
        elapsed = (t_ms - every[0, first]).astype(np.float64)
        # held readings are not independent: no more of them count than there were
        independent = np.minimum(n, elapsed / self._every_ms + 1.0)
        enough = (n >= 3) & (spread_m2 * 12.0 >= self._least_m * self._least_m) & known & ~np.isnan(stretch)
        weight = np.where(enough, spread_m2 * independent / np.square(self._noise_m * stretch), 0.0)
        whole = weight[0] + weight[1]
        whole = np.where(whole > 0.0, whole, np.nan)
        part = np.where(enough, slope * stretch * weight, 0.0)
        return Grades((part[0] + part[1]) / whole, 1.0 / np.sqrt(whole))

    def _drive(self, t_ms: Ints, speed_m_s: Floats) -> tuple[Ints, Bools]:
        """(distance since the first tick in cm, where it is broken)."""
        before = int(t_ms[0]) if self._last_ms is None else self._last_ms
        step_ms = np.empty_like(t_ms)
        step_ms[0], step_ms[1:] = t_ms[0] - before, t_ms[1:] - t_ms[:-1]
        speed = within(speed_m_s, 0.0, 100.0)
        broken = np.isnan(speed) | (step_ms > self._gap_ms)
        if self._last_ms is None:
            broken[0] = True
        mm_s = np.rint(np.where(broken, 0.0, speed) * 1000.0).astype(np.int64)
        driven_um = self._driven_um + np.cumsum(mm_s * step_ms)
        self._last_ms, self._driven_um = int(t_ms[-1]), int(driven_um[-1])
        return driven_um // 10_000, broken


def _lines(sums: Ints) -> tuple[Floats, Floats, Ints]:
    """(slope, variance of the distances in m2, number of known ticks) of both altitudes, (2, N) each.

    `sums` (5, 2, N): over the window's known ticks the number, distance (cm), altitude (mm), distance squared, and
    distance times altitude.
    """
    n, x, y, xx, xy = sums
    across, along = n * xy - x * y, n * xx - x * x
    safe = np.where(along > 0, along, 1)
    slope = np.where(along > 0, across / (safe * 10.0), np.nan)  # mm over cm
    return slope, along / np.square(np.maximum(n, 1) * 100.0), n
