"""Grade of the road, from barometric and satellite altitude over the distance driven.

Theory of operation. `GradeWindow` keeps the last seconds of distance and altitudes. The grade by one altitude is the
slope of its least-squares line over distance; the two are joined with weights of one over their variance, so the
barometer, steady from second to second, leads, and the satellite takes over when the barometer is lost. An altitude
that is unknown at a tick has no say there. An unknown speed or a gap breaks the distance: the window starts anew there.

Distance is whole micrometres (mm/s times ms), altitude whole millimetres, and all sums are int64, so a drive cut into
any blocks gives the same bits. The sums may wrap round: the two results taken from them do not depend on the origin and
are far below 2**63, so they come out exact. A tick alone goes through the same integers as plain numbers.

Weather moves the barometer by less than 0.1 m in the window. Warm air is stretched: 35 degC at sea level makes every
barometric metre 1.07 real ones, which `ambient_degc` corrects.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan, sqrt

import numpy as np

from uphaul.errors import UphaulError
from uphaul.physics.atmosphere import pressure_altitude_m, standard_degc
from uphaul.physics.basis import Bools, Floats, Ints, kelvin, within
from uphaul.physics.trail import Totals

__all__ = ["GradeWindow", "Grades"]

LONGEST_MS = 30_000
"""Up to this window the sums of a 1 kHz drive at 100 m/s stay exact."""

FASTEST_M_S = 100.0
HEIGHTS_M = (-2_000.0, 11_000.0)
"""Beyond these a speed or a height is none. Source: our own choice, to keep the sums exact; the layer of ISO 2533."""

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
        self._noise_m = (baro_noise_m, gps_noise_m)
        self._every_ms = (baro_every_ms, gps_every_ms)
        self._gap_ms = gap_ms
        self._totals = Totals(10, window_ms)  # of both altitudes: known, cm, mm, cm * cm, cm * mm
        self._last_ms: int | None = None
        self._driven_um = 0
        self._since_ms = 0

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
            run = self._run if len(t_ms[now]) > 1 else self._one
            parts.append(run(t_ms[now], speed_m_s[now], barometric_kpa[now], height_m[now], warmth))
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
        altitude_m = np.stack((pressure_m, within(height_m, *HEIGHTS_M)))
        known = ~np.isnan(altitude_m)
        cm, broken = self._drive(t_ms, speed_m_s)
        mm = np.rint(np.where(known, altitude_m, 0.0) * 1000.0).astype(np.int64)
        here = known.astype(np.int64)
        x = cm * here
        # no window reaches back over a break
        since = np.maximum.accumulate(np.where(broken, t_ms, self._since_ms))
        self._since_ms = int(since[-1])
        elapsed, *sums = self._totals.run(t_ms, np.concatenate((here, x, mm, x * x, x * mm)), since)
        slope, spread_m2, n = _lines(np.array(sums).reshape(5, 2, -1))
        stretch = np.ones_like(slope)
        if ambient_degc is not None:
            stretch[0] = _stretch(ambient_degc, pressure_m)
        # held readings are not independent: no more of them count than there were
        independent = np.minimum(n, elapsed / np.array(self._every_ms)[:, np.newaxis] + 1.0)
        noise_m = np.array(self._noise_m)[:, np.newaxis] * stretch
        enough = (n >= 3) & (spread_m2 * 12.0 >= self._least_m * self._least_m) & known & ~np.isnan(stretch)
        weight = np.where(enough, spread_m2 * independent / np.square(noise_m), 0.0)
        whole = weight[0] + weight[1]
        whole = np.where(whole > 0.0, whole, np.nan)
        part = np.where(enough, slope * stretch * weight, 0.0)
        return Grades((part[0] + part[1]) / whole, 1.0 / np.sqrt(whole))

    def _one(
        self,
        t_ms: Ints,
        speed_m_s: Floats,
        barometric_kpa: Floats,
        height_m: Floats,
        ambient_degc: Floats | None,
    ) -> Grades:
        """The same at one tick."""
        now, speed, pressure_m = int(t_ms[0]), float(speed_m_s[0]), pressure_altitude_m(barometric_kpa)
        if self._last_ms is None or now - self._last_ms > self._gap_ms or not 0.0 <= speed <= FASTEST_M_S:
            self._since_ms = now
        else:
            self._driven_um += round(speed * 1000.0) * (now - self._last_ms)
        self._last_ms = now
        altitudes_m = float(pressure_m[0]), float(within(height_m, *HEIGHTS_M)[0])
        known = [not isnan(a) for a in altitudes_m]
        x, x2 = [self._driven_um // 10_000 if k else 0 for k in known]
        y, y2 = [round(a * 1000.0) if k else 0 for a, k in zip(altitudes_m, known, strict=True)]
        counts = (*known, x, x2, y, y2, x * x, x2 * x2, x * y, x2 * y2)
        elapsed, *sums = self._totals.one(now, *counts, since=self._since_ms)
        warm = 1.0 if ambient_degc is None else float(_stretch(ambient_degc, pressure_m)[0])
        whole = part = 0.0
        for k, stretch in enumerate((warm, 1.0)):
            n, sx, sy, sxx, sxy = sums[k::2]
            along, size = _wrapped(n * sxx - sx * sx), max(n, 1) * 100.0
            spread_m2 = along / (size * size)
            if not known[k] or n < 3 or spread_m2 * 12.0 < self._least_m * self._least_m or isnan(stretch):
                continue
            slope, noise_m = _wrapped(n * sxy - sx * sy) / (along * 10.0), self._noise_m[k] * stretch
            weight = spread_m2 * min(n, elapsed / self._every_ms[k] + 1.0) / (noise_m * noise_m)
            whole += weight
            part += slope * stretch * weight
        if not whole > 0.0:
            return Grades(np.array([np.nan]), np.array([np.nan]))
        return Grades(np.array([part / whole]), np.array([1.0 / sqrt(whole)]))

    def _drive(self, t_ms: Ints, speed_m_s: Floats) -> tuple[Ints, Bools]:
        """(distance since the first tick in cm, where it is broken)."""
        before = int(t_ms[0]) if self._last_ms is None else self._last_ms
        step_ms = np.empty_like(t_ms)
        step_ms[0], step_ms[1:] = t_ms[0] - before, t_ms[1:] - t_ms[:-1]
        speed = within(speed_m_s, 0.0, FASTEST_M_S)
        broken = np.isnan(speed) | (step_ms > self._gap_ms)
        if self._last_ms is None:
            broken[0] = True
        mm_s = np.rint(np.where(broken, 0.0, speed) * 1000.0).astype(np.int64)
        driven_um = self._driven_um + np.cumsum(mm_s * step_ms)
        self._last_ms, self._driven_um = int(t_ms[-1]), int(driven_um[-1])
        return driven_um // 10_000, broken


def _stretch(ambient_degc: Floats, pressure_m: Floats) -> Floats:
    """Metres of warm air for one of the standard atmosphere. Source: ideal-gas law and hydrostatics."""
    return kelvin(ambient_degc) / kelvin(standard_degc(pressure_m))


def _wrapped(number: int) -> int:
    """`number` as int64 would hold it: what is left where sums wrapped round."""
    return (number + 2**63) % 2**64 - 2**63


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
