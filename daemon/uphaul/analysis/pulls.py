"""The pulls of a drive: full-load sweeps in one gear, with their curve and the figures that a check asks for.

A pull is what `segments` calls so, cut where the gear changes. What a drive can't tell is None, and `Pull.missing` says
why.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import atan2, cos, degrees, isnan, radians
from typing import Any

import numpy as np

from uphaul.analysis.pull_curve import STILL_ROAD, WINDOW_MS, Doubts, PullCurve, Smoothing, pull_curve
from uphaul.analysis.route import road_grade, steps_m
from uphaul.analysis.segments import PEDAL_OFF, PEDAL_ON, PULL_LEAST_S, PULL_RISE_RPM, pulling
from uphaul.analysis.smoothing import local_fit
from uphaul.analysis.spans import held, latched, runs
from uphaul.analysis.sustained import sustained
from uphaul.analysis.whole import WholeDrive
from uphaul.physics import gearing
from uphaul.physics.basis import Bools, Floats
from uphaul.units import convert
from uphaul.vehicle.model import Expected, Tune
from uphaul.vehicle.sheet import BuildSheet

__all__ = [
    "PEAK_S",
    "RATE_REACH_MS",
    "STILL_ROAD",
    "WHAT_A_ROAD_CANT_KNOW",
    "Doubts",
    "Pull",
    "PullCurve",
    "Smoothing",
    "Sweep",
    "find_pulls",
    "pull_curve",
    "sweeps",
]

WHAT_A_ROAD_CANT_KNOW = (
    "Wind: none is measured. A headwind reads as less power at the wheels than there is, a tail wind as more.",
    "Slope: half a percent that is not seen is some 5 kW at 75 km/h with five tonnes.",
    "Weight: power follows the stated mass nearly one to one. Fuel, people and luggage count.",
    "Losses between engine and wheels: power at the wheels is told, and nothing of what was lost on the way. A "
    "dynamometer's own losses differ from the road's.",
    "Tyres: they slip a little under load, grow with speed and roll harder when cold. None of that is measured.",
    "Temperature of gearbox, axle and engine: cold oil takes power, and a pull lasts seconds. A dynamometer can hold "
    "a speed until all is steady.",
    "Turning parts: in a pull part of the power spins up engine, wheels and gears. The sheet's share stands for them.",
    "Smoothing: acceleration is a slope over a window. What changes faster than that is flattened.",
    "Air: a road's air moves. Boost, charge and exhaust temperatures differ from those before a dynamometer's fan.",
)
"""Plain sentences for every report that shows a road estimate. Source: common practice."""

ROAD_BEFORE_MS, ROAD_AFTER_MS = 45_000, 30_000
"""Of the drive around a pull, for the grade of its road. Source: our own choice."""

LATE_OVER = 0.12
"""Share over a gear's ratio at which it is still in: a road speed that is told late makes that much in a pull, a gear
change some 0.4. Source: our own choice."""

SPOOLED = 0.90
"""Share of the expected boost that ends the time to boost. Source: our own choice."""

PEAK_S = 0.3
"""Peaks are means over so long, as those of a field check are: a single reading says more of its sensor. Source: our
own choice, less than an overshoot of boost lasts."""

RATE_MS, RATE_REACH_MS = 2000, 3000
"""Window of the exhaust temperature's rate, and how long after the pull its peak counts (a sheathed probe lags 2 to
4 s). Source: our own choice, common practice for the lag."""

LEAST_M = 50.0
"""Way below which two places tell no heading. Source: our own choice, ten times a receiver's error."""


EARTH_M = 6.371e6
"""Mean radius of the earth. Source: IUGG, from memory."""


@dataclass(frozen=True, slots=True)
class Pull:
    """One full-load sweep in one gear: ticks `start` to `stop` (not counted), `t_ms` those of its first and last.

    `gear` 1 is the first, None where nothing tells it; `gear_by` says what did. `rpm` first and last. `boost_s`: from
    the pedal at 90 % until boost was at 90 % of the tune's expected one. `overshoot_kpa`: most over the expected boost,
    0 for none. `egt_rate_k_s` is the steepest rise over 2 s; it and `egt_most_degc` look 3 s beyond the pull.
    Highest and lowest are of means over 0.3 s. `slip_most` is a share. `grade` (rise over run) is the mean, `grade_by`
    its source. `heading_deg`: 0 north, 90 east. `humidity` is None: no signal tells it. Fields are None where
    `missing`, by field, says why.
    """

    start: int
    stop: int
    t_ms: tuple[int, int]
    seconds: float
    tune: str | None
    gear: int | None
    gear_by: str
    rpm: tuple[float, float]
    curve: PullCurve | None
    boost_peak_kpa: float | None = None
    boost_peak_rpm: float | None = None
    boost_s: float | None = None
    overshoot_kpa: float | None = None
    egt_most_degc: float | None = None
    egt_rate_k_s: float | None = None
    mixture_least: float | None = None
    charge_most_degc: float | None = None
    slip_most: float | None = None
    ambient_degc: float | None = None
    baro_kpa: float | None = None
    humidity: float | None = None
    grade: float | None = None
    grade_by: str = ""
    heading_deg: float | None = None
    missing: tuple[tuple[str, str], ...] = ()

    def why(self, name: str) -> str:
        """Why a field is None; empty for one that is known."""
        return dict(self.missing).get(name, "")


def find_pulls(
    drive: WholeDrive,
    sheet: BuildSheet,
    tunes: Sequence[Tune] = (),
    *,
    window_ms: int = WINDOW_MS,
    doubts: Doubts = STILL_ROAD,
) -> tuple[Pull, ...]:
    """The pulls of a drive in order. `tunes` give the expected boost, in the units of the drive's signals."""
    if not len(drive):
        return ()
    pedal = held(drive.read("pedal"), drive.t_ms)
    down = latched(pedal >= PEDAL_ON, ~(pedal >= PEDAL_OFF))
    found = []
    for sweep in sweeps(drive, sheet):
        near, start, stop, low = sweep.near, sweep.start, sweep.stop, sweep.low
        pull = Pull(
            start=start + low,
            stop=stop + low,
            t_ms=sweep.t_ms,
            seconds=float(sweep.t_ms[1] - sweep.t_ms[0]) / 1000.0,
            tune=sweep.tune,
            gear=sweep.gear,
            gear_by=sweep.gear_by,
            rpm=(_edge(near, start, stop), _edge(near, stop - 1, start - 1, -1)),
            curve=pull_curve(near, sheet, gear=sweep.gear, inside=(start, stop), window_ms=window_ms, doubts=doubts),
        )
        begun = bool(down[start + low]) and sweep.first
        figures = _Figures(near, start, stop, down[low : low + len(near)] if begun else None)
        found.append(figures.put_on(pull, tunes, sheet))
    return tuple(found)


@dataclass(frozen=True, slots=True, eq=False)
class Sweep:
    """One full-load sweep in one gear, without figures: ticks `start` to `stop` (not counted) of `near`, which is the
    drive from tick `low` on, a while around it. `first`: no other gear came before it in the same pull.
    """

    near: WholeDrive
    low: int
    start: int
    stop: int
    gear: int | None
    gear_by: str
    first: bool

    @property
    def t_ms(self) -> tuple[int, int]:
        """Its first and last tick."""
        return int(self.near.t_ms[self.start]), int(self.near.t_ms[self.stop - 1])

    @property
    def tune(self) -> str | None:
        """The tune that held all through."""
        return _tune(self.near, self.start, self.stop)


def sweeps(drive: WholeDrive, sheet: BuildSheet) -> Iterator[Sweep]:
    """The pulls of a drive in order, without figures."""
    if not len(drive):
        return
    for first, last in runs(pulling(drive)):
        low = int(np.searchsorted(drive.t_ms, drive.t_ms[first] - ROAD_BEFORE_MS))
        high = int(np.searchsorted(drive.t_ms, drive.t_ms[last - 1] + ROAD_AFTER_MS, side="right"))
        near = _cut(drive, low, high)
        gear, by = _gears(near, sheet)
        for start, stop in _sweeps(near, gear, first - low, last - low):
            number = None if isnan(gear[start]) else int(gear[start])
            yield Sweep(near, low, start, stop, number, by if number is not None else "", start == first - low)


def _cut(drive: WholeDrive, low: int, high: int) -> WholeDrive:
    """Some ticks of a drive."""
    return replace(
        drive,
        t_ms=drive.t_ms[low:high],
        values=drive.values[low:high],
        tune=drive.tune[low:high],
        events=(),
        quality=(),
    )


def _gears(drive: WholeDrive, sheet: BuildSheet) -> tuple[Floats, str]:
    """((N,) number of the gear, NaN for none or unknown; what tells it)."""
    line = sheet.driveline
    if not drive.has("gear") and line is not None and drive.has("speed"):
        rpm, speed = (held(drive.read(r), drive.t_ms) for r in ("rpm", "speed"))
        steps = [a / b for a, b in pairwise(line.overall)]
        over = min(LATE_OVER, (min(steps, default=2.0) - 1.0) / 2.0)
        seen = gearing.gear(rpm, speed, overall_ratios=line.overall, rolling_radius_m=line.tyre_radius_m, over=over)
        return np.where(seen >= 1.0, seen, np.nan), "ratio of engine and road speed"
    for role in ("gear", "gear_by_ratio"):
        if drive.has(role):
            told = held(drive.read(role), drive.t_ms)
            return np.where(told >= 1.0, np.rint(told), np.nan), f"signal {role}"
    return np.full(len(drive), np.nan), ""


def _sweeps(drive: WholeDrive, gear: Floats, first: int, last: int) -> list[tuple[int, int]]:
    """The stretches of one gear within a pull that are a pull by themselves; all of it where no gear is known."""
    mine = np.nan_to_num(gear[first:last], nan=-1.0)
    edges = [0, *(np.flatnonzero(mine[1:] != mine[:-1]) + 1).tolist(), last - first]
    whole = bool((mine == -1.0).all())
    rpm = held(drive.read("rpm"), drive.t_ms)
    out = []
    for a, b in pairwise(edges):
        start, stop = first + a, first + b
        if mine[a] == -1.0 and not whole:
            continue
        part = rpm[start:stop]
        took_ms = int(drive.t_ms[stop - 1] - drive.t_ms[start])
        if took_ms < PULL_LEAST_S * 1000 or np.isnan(part).all():
            continue
        if float(np.nanmax(part) - np.nanmin(part)) >= PULL_RISE_RPM:
            out.append((start, stop))
    return out


def _tune(drive: WholeDrive, start: int, stop: int) -> str | None:
    """The tune that held all through."""
    number = int(drive.tune[start])
    if number < 0 or number >= len(drive.tunes) or (drive.tune[start:stop] != number).any():
        return None
    return drive.tunes[number]


def _edge(drive: WholeDrive, start: int, stop: int, step: int = 1) -> float:
    rpm = drive.read("rpm")[start : None if stop < 0 else stop : step]
    known = rpm[~np.isnan(rpm)]
    return float(known[0]) if len(known) else float("nan")


class _Figures:
    """The figures of one pull, and why some are unknown. `pressed` (N,): pedal down; None: before this gear was in."""

    def __init__(self, drive: WholeDrive, start: int, stop: int, pressed: Bools | None) -> None:
        self._drive, self._start, self._stop, self._pressed = drive, start, stop, pressed
        self._missing: list[tuple[str, str]] = [("humidity", "no signal tells it")]

    def put_on(self, pull: Pull, tunes: Sequence[Tune], sheet: BuildSheet) -> Pull:
        """The pull with all of them."""
        drive, start, stop = self._drive, self._start, self._stop
        rpm, boost = held(drive.read("rpm"), drive.t_ms), self._steadied("boost")
        after = int(np.searchsorted(drive.t_ms, drive.t_ms[stop - 1] + RATE_REACH_MS, side="right"))
        peak = self._known("boost", "boost_peak_kpa", np.nanmax)
        expected, why = _expected(drive, tunes, pull.tune, rpm)
        peak_rpm = boost_s = overshoot = None
        if peak is None or expected is None:
            why = why if peak is not None else "no boost is known"
            self._missing += [("boost_s", why), ("overshoot_kpa", why)]
        else:
            boost_s, overshoot = self._time_to_boost(boost, expected), self._overshoot(boost, expected)
        if peak is not None:
            at = start + int(np.nanargmax(boost[start:stop]))
            peak_rpm = None if isnan(rpm[at]) else float(rpm[at])
        for name, there, why in (
            ("tune", pull.tune, "the tune is not known, or changed in the pull"),
            ("gear", pull.gear, "no signal gear, and no road speed with the gears of the build sheet"),
            ("curve", pull.curve, "engine speed is not known, or the pull is shorter than two windows"),
        ):
            if there is None:
                self._missing.append((name, why))
        if peak_rpm is None:
            self._missing.append(("boost_peak_rpm", "boost or engine speed is not known there"))
        grade = road_grade(drive, steps_m(drive))[start:stop]
        by = "signal grade" if drive.has("grade") else "altitude" if drive.has("altitude") else "barometer"
        if level := bool(np.isnan(grade).all()):
            self._missing.append(("grade", "no grade, height or barometer with speed"))
        return replace(
            pull,
            boost_peak_kpa=peak,
            boost_peak_rpm=peak_rpm,
            boost_s=boost_s,
            overshoot_kpa=overshoot,
            egt_most_degc=self._known("egt", "egt_most_degc", np.nanmax, after),
            egt_rate_k_s=self._rate(after),
            mixture_least=self._known("mixture", "mixture_least", np.nanmin),
            charge_most_degc=self._known("charge", "charge_most_degc", np.nanmax),
            slip_most=self._slip(pull, sheet),
            ambient_degc=self._known("ambient", "ambient_degc", np.nanmean),
            baro_kpa=self._known("baro", "baro_kpa", np.nanmean),
            grade=None if level else float(np.nanmean(grade)),
            grade_by="" if level else by,
            heading_deg=self._heading(),
            missing=tuple(self._missing),
        )

    def _known(
        self, role: str, field: str, of: Callable[[Floats], np.floating[Any]], until: int | None = None
    ) -> float | None:
        x = self._steadied(role)[self._start : self._stop if until is None else until]
        if np.isnan(x).all():
            self._missing.append((field, f"no signal {role}, or nothing known of it in the pull"))
            return None
        return float(of(x))

    def _steadied(self, role: str) -> Floats:
        return sustained(self._drive, held(self._drive.read(role), self._drive.t_ms), PEAK_S)

    def _overshoot(self, boost: Floats, expected: Floats) -> float | None:
        over = (boost - expected)[self._start : self._stop]
        if np.isnan(over).all():
            self._missing.append(("overshoot_kpa", "the expected boost is not known at these engine speeds"))
            return None
        return max(0.0, float(np.nanmax(over)))

    def _time_to_boost(self, boost: Floats, expected: Floats) -> float | None:
        """From the pedal down until boost was there, in s."""
        if self._pressed is None:
            self._missing.append(("boost_s", "the pedal was down before this gear was in"))
            return None
        begin, t_ms = self._start, self._drive.t_ms
        while begin > 0 and self._pressed[begin - 1]:
            begin -= 1
        there = np.flatnonzero(boost[begin : self._stop] >= SPOOLED * expected[begin : self._stop])
        if not len(there):
            self._missing.append(("boost_s", f"boost never reached {SPOOLED:.0%} of what is expected"))
            return None
        return float(t_ms[begin + int(there[0])] - t_ms[begin]) / 1000.0

    def _rate(self, until: int) -> float | None:
        part = slice(self._start, until)
        slope = local_fit(self._drive.t_ms[part], self._drive.read("egt")[part], RATE_MS, degree=1).slope
        if np.isnan(slope).all():
            self._missing.append(("egt_rate_k_s", "no signal egt, or too few readings of it"))
            return None
        return float(np.nanmax(slope))

    def _slip(self, pull: Pull, sheet: BuildSheet) -> float | None:
        x = np.full(1, np.nan)
        if self._drive.has("clutch_slip"):
            x = self._steadied("clutch_slip")[self._start : self._stop]
        elif pull.curve is not None and pull.gear_by == "signal gear" and sheet.driveline is not None:
            x = pull.curve.of("slip")
        if np.isnan(x).all():
            self._missing.append(("slip_most", "no signal clutch_slip, and no told gear with a speed that is not late"))
            return None
        return float(np.nanmax(x))

    def _heading(self) -> float | None:
        """From the first place to the last. Source: plane geometry: a few hundred metres are flat."""
        part = slice(self._start, self._stop)
        north, east = self._drive.read("latitude")[part], self._drive.read("longitude")[part]
        known = np.flatnonzero(~np.isnan(north + east))
        if len(known) >= 2:
            a, b = known[0], known[-1]
            up = radians(float(north[b] - north[a])) * EARTH_M
            right = radians(float(east[b] - east[a])) * EARTH_M * cos(radians(float(north[a])))
            if np.hypot(up, right) >= LEAST_M:
                return degrees(atan2(right, up)) % 360.0
        self._missing.append(("heading_deg", "no latitude and longitude, or too short a way"))
        return None


def _expected(drive: WholeDrive, tunes: Sequence[Tune], name: str | None, rpm: Floats) -> tuple[Floats | None, str]:
    """((N,) the tune's expected boost in kPa, NaN outside its knots; why there is none)."""
    tune = next((t for t in tunes if t.name == name), None)
    if tune is None:
        return None, "the tune is not known, or changed in the pull"
    curve: Expected | None = next((c for c in tune.expected if c.signal == "boost" and c.over == "rpm"), None)
    column, over = drive.column("boost"), drive.column("rpm")
    if curve is None or column is None or over is None:
        return None, f"the tune {name} has no expected boost over rpm"
    x = [convert(value, drive.signals[over].unit, "rpm") for value in curve.x]
    y = [convert(value, drive.signals[column].unit, "kPa") for value in curve.y]
    return np.where(rpm >= x[0], np.interp(rpm, x, y), np.nan), ""
