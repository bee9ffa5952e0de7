"""Power and torque at the wheels over engine speed of one pull in one gear, with what each doubt adds.

Theory of operation. `motion` gives speed and acceleration, the road load the force, force times speed the power. Half a
window at each end is left out.

Each doubt is carried through by itself and told as its share; together they are the root of the squares, and a half
width is twice that, some 95 %. Source: JCGM 100:2008 (GUM), 5.1.2 and 6.3.3.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from uphaul.analysis.pull_motion import NOTICED_LATE_S, Motion, Smoothing, motion
from uphaul.analysis.route import road_grade, steps_m
from uphaul.analysis.smoothing import local_fit
from uphaul.analysis.spans import held
from uphaul.analysis.whole import WholeDrive
from uphaul.physics import air, gearing, power, road
from uphaul.physics.basis import Floats
from uphaul.physics.uncertainty import contributions
from uphaul.vehicle.sheet import BuildSheet, Load

__all__ = ["QUANTITIES", "SHARES", "STILL_ROAD", "Doubts", "PullCurve", "Smoothing", "pull_curve", "wheel_power"]

GRID_RPM = 100.0
WINDOW_MS = 1000
"""Window of the local polynomial. Source: our own choice: over half of it a pull's acceleration is nearly straight."""

QUANTITIES = {"boost": "kPa", "egt": "degC", "mixture": "1", "charge": "degC", "clutch_slip": "1", "fuel": "kg/s"}
"""Roles that a curve has beside power and torque."""

SHARES = {
    "mass": "weight",
    "grade": "slope",
    "rolling": "rolling resistance",
    "drag": "drag and air",
    "wind": "wind",
    "turning": "turning parts",
    "scale": "tyre and speed",
    "noise": "noise of the signal",
    "window": "smoothing",
}
"""What the doubt of the power is made of, in words for people."""

COVERAGE = 2.0
"""Half widths are so many standard uncertainties: some 95 %. Source: JCGM 100:2008 (GUM), 6.3.3."""

HUMIDITY, USUAL_DENSITY = 0.5, 1.17
"""Where no signal tells: half of what air can hold; kg/m3 as a coastdown's reference. Source: 40 CFR 1066.310."""


@dataclass(frozen=True, slots=True)
class Doubts:
    """Standard uncertainties of what a pull's power is made of: shares, but for grade (rise over run) and wind.

    For a vehicle that was weighed, on a day without much wind. Source: our own judgement; of the wind, a light breeze.
    `unknown_grade` and `unknown_air` are for a drive that tells no height, or no weather; `tyre` where only the sheet
    says how far a turn of the wheel goes, `speed` where a speed signal does.
    """

    mass: float = 0.03
    grade: float = 0.005
    rolling: float = 0.20
    drag: float = 0.10
    wind_m_s: float = 2.5
    rotating: float = 0.02
    speed: float = 0.005
    tyre: float = 0.02
    air: float = 0.01
    unknown_grade: float = 0.015
    unknown_air: float = 0.05


STILL_ROAD = Doubts()


@dataclass(frozen=True, slots=True)
class PullCurve:
    """(N,) over rising `rpm`: what reached the wheels in kW, and that over the engine's speed as N·m, NaN if unknown.

    `torque_nm` times the gear's overall ratio is the torque at the wheels. Doubts are half widths (some 95 %) in the
    same units; `shares` are those of the power by what they come from. `assumed` is what nothing told.
    """

    rpm: tuple[float, ...]
    power_kw: tuple[float, ...]
    power_doubt_kw: tuple[float, ...]
    torque_nm: tuple[float, ...]
    torque_doubt_nm: tuple[float, ...]
    boost_kpa: tuple[float, ...]
    egt_degc: tuple[float, ...]
    mixture: tuple[float, ...]
    charge_degc: tuple[float, ...]
    slip: tuple[float, ...]
    fuel_kg_s: tuple[float, ...]
    shares: tuple[tuple[str, tuple[float, ...]], ...] = ()
    smoothing: Smoothing | None = None
    assumed: tuple[str, ...] = ()
    without_power: str = ""

    def of(self, quantity: str) -> Floats:
        """(N,) of a field by its name."""
        return np.array(getattr(self, quantity), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class WheelPower:
    """(N,) power at the wheels in kW at each tick, its doubt (half width) and that by source; how it was smoothed."""

    power_kw: Floats
    doubt_kw: Floats
    shares: dict[str, Floats]
    smoothing: Smoothing
    assumed: tuple[str, ...]


def pull_curve(
    drive: WholeDrive,
    sheet: BuildSheet,
    *,
    gear: int | None,
    inside: tuple[int, int] | None = None,
    window_ms: int = WINDOW_MS,
    doubts: Doubts = STILL_ROAD,
) -> PullCurve | None:
    """The curve of the ticks `inside` (all of them by default), which are a pull in one gear; None without a span.

    Where power can't be told, it is NaN and `without_power` says why. Height is looked at beyond `inside`.
    """
    start, stop = inside if inside is not None else (0, len(drive))
    t_ms = drive.t_ms[start:stop]
    turning = local_fit(t_ms, drive.read("rpm")[start:stop], window_ms)
    found = wheel_power(drive, sheet, gear=gear, inside=(start, stop), window_ms=window_ms, doubts=doubts)
    kept = (t_ms >= t_ms[0] + window_ms // 2) & (t_ms <= t_ms[-1] - window_ms // 2) & ~np.isnan(turning.value)
    if not kept.any():
        return None
    rpm = np.maximum.accumulate(turning.value[kept])
    grid = np.arange(np.ceil(rpm[0] / GRID_RPM), np.floor(rpm[-1] / GRID_RPM) + 1.0) * GRID_RPM
    if len(grid) < 2:
        return None
    unknown = (float("nan"),) * len(grid)
    kw = doubt = unknown
    shares: tuple[tuple[str, tuple[float, ...]], ...] = ()
    if isinstance(found, WheelPower):
        kw, doubt = _over(grid, rpm, found.power_kw[kept]), _over(grid, rpm, found.doubt_kw[kept])
        shares = tuple((name, _over(grid, rpm, x[kept])) for name, x in found.shares.items())
    late = isinstance(found, WheelPower) and found.smoothing.late_s >= NOTICED_LATE_S
    others = {
        role: _means(grid, rpm, _read(drive, sheet, role, None if late else gear)[start:stop][kept])
        for role in QUANTITIES
    }
    return PullCurve(
        rpm=tuple(grid.tolist()),
        power_kw=kw,
        power_doubt_kw=doubt,
        torque_nm=tuple(power.torque_nm(np.array(kw), grid).tolist()),
        torque_doubt_nm=tuple(power.torque_nm(np.array(doubt), grid).tolist()),
        boost_kpa=others["boost"],
        egt_degc=others["egt"],
        mixture=others["mixture"],
        charge_degc=others["charge"],
        slip=others["clutch_slip"],
        fuel_kg_s=others["fuel"],
        shares=shares,
        smoothing=found.smoothing if isinstance(found, WheelPower) else None,
        assumed=found.assumed if isinstance(found, WheelPower) else (),
        without_power="" if isinstance(found, WheelPower) else found,
    )


def wheel_power(
    drive: WholeDrive,
    sheet: BuildSheet,
    *,
    gear: int | None,
    inside: tuple[int, int],
    window_ms: int = WINDOW_MS,
    doubts: Doubts = STILL_ROAD,
) -> WheelPower | str:
    """Power at the wheels at each tick `inside`, or why it can't be told: a sentence.

    Source: road load as in 40 CFR 1066.210(d)(3).
    """
    if sheet.load is None:
        return "the build sheet has no [load]: mass, drag and rolling are needed"
    part = slice(*inside)
    moved = motion(
        drive,
        sheet.driveline,
        gear,
        part=part,
        window_ms=window_ms,
        speed_doubt=doubts.speed,
        tyre_doubt=doubts.tyre,
    )
    if isinstance(moved, str):
        return moved
    assumed = []
    grade = road_grade(drive, steps_m(drive))[part]
    grade_doubt = np.full(len(grade), doubts.grade)
    if (lost := np.isnan(grade)).any():
        middle = 0.0 if lost.all() else float(np.nanmean(grade))
        grade, grade_doubt = np.where(lost, middle, grade), np.where(lost, doubts.unknown_grade, grade_doubt)
        assumed.append("no grade is known: taken as level" if lost.all() else "grade partly unknown: its mean is taken")
    baro, ambient = (held(drive.read(r), drive.t_ms)[part] for r in ("baro", "ambient"))
    density = air.density_kg_m3(baro, ambient, np.full(len(grade), HUMIDITY))
    thick = np.full(len(grade), doubts.air)
    if (lost := np.isnan(density)).any():
        density, thick = np.where(lost, USUAL_DENSITY, density), np.where(lost, doubts.unknown_air, thick)
        assumed.append(f"pressure or temperature of the air unknown: {USUAL_DENSITY:g} kg/m3 is taken")
    mass = np.full(len(grade), sheet.load.vehicle_kg + sheet.load.trailer_kg)
    if drive.has("plug"):
        plug = held(drive.read("plug"), drive.t_ms)[part]
        alone, trailer = np.full(len(grade), sheet.load.vehicle_kg), np.full(len(grade), sheet.load.trailer_kg)
        mass = road.combined_kg(alone, trailer, plug)
    if np.isnan(mass).all():
        return "whether the trailer is hitched is not known: the signal plug tells nothing in the pull"
    return _carried(sheet.load, moved, _Road(mass, grade, grade_doubt, density, thick, tuple(assumed)), doubts)


@dataclass(frozen=True, slots=True, eq=False)
class _Road:
    """(N,) mass in kg, grade and air in kg/m3, with the doubts of the last two (of the air as a share)."""

    mass: Floats
    grade: Floats
    grade_doubt: Floats
    density: Floats
    thick: Floats
    assumed: tuple[str, ...]


def _carried(load: Load, moved: Motion, on: _Road, doubts: Doubts) -> WheelPower:
    n, mass = len(on.mass), on.mass
    one, none, fit = np.ones(n), np.zeros(n), moved.fit

    def kw(
        *, mass: Floats, grade: Floats, rolling: Floats, drag: Floats, wind: Floats, turning: Floats,
        scale: Floats, noise: Floats, window: Floats,
    ) -> Floats:  # fmt: skip
        v = fit.value * scale
        force = (
            road.climb_n(mass, grade)
            + road.inertia_n(mass, (fit.slope + noise + window) * scale) * (load.rotating + turning)
            + road.rolling_n(mass, grade, rolling_coefficient=load.rolling) * rolling
            + road.drag_n(np.maximum(v + wind, 0.0), on.density, drag_area_m2=load.drag_area_m2) * drag
        )
        return road.wheel_kw(force, v)

    inputs = {
        "mass": mass, "grade": on.grade, "rolling": one, "drag": one, "wind": none, "turning": none, "scale": one,
        "noise": none, "window": none,
    }  # fmt: skip
    parts = contributions(
        kw,
        inputs,
        {
            "mass": mass * doubts.mass,
            "grade": on.grade_doubt,
            "rolling": doubts.rolling,
            "drag": np.hypot(doubts.drag, on.thick),
            "wind": doubts.wind_m_s,
            "turning": doubts.rotating,
            "scale": moved.scale,
            "noise": np.nan_to_num(fit.noise * fit.gain),
            "window": moved.bias,
        },
    )
    shares = {name: COVERAGE * x for name, x in parts.items()}
    total = np.sqrt(np.sum([x * x for x in shares.values()], axis=0))
    return WheelPower(kw(**inputs), total, shares, moved.smoothing, on.assumed)


def _read(drive: WholeDrive, sheet: BuildSheet, role: str, gear: int | None) -> Floats:
    """A role's values; where no signal tells the slip, that by the gear. A road speed that is late looks like slip: no
    gear is given then.
    """
    if role == "clutch_slip" and not drive.has(role) and drive.has("speed"):
        line = sheet.driveline
        if line is not None and gear is not None and gear <= len(line.overall):
            at = np.full(len(drive), float(gear))
            rpm, speed = (held(drive.read(r), drive.t_ms) for r in ("rpm", "speed"))
            return gearing.clutch_slip(rpm, speed, at, overall_ratios=line.overall, rolling_radius_m=line.tyre_radius_m)
    return held(drive.read(role), drive.t_ms)


def _over(grid: Floats, rpm: Floats, x: Floats) -> tuple[float, ...]:
    known = ~np.isnan(x)
    if not known.any():
        return (float("nan"),) * len(grid)
    out: Floats = np.interp(grid, rpm[known], x[known], left=np.nan, right=np.nan)
    return tuple(out.tolist())


def _means(grid: Floats, rpm: Floats, x: Floats) -> tuple[float, ...]:
    """The mean of the ticks nearer to each point of the grid than to the next; between ticks the line from one to the
    other.
    """
    known = ~np.isnan(x)
    place = np.rint((rpm[known] - grid[0]) / GRID_RPM).astype(np.int64)
    use = (place >= 0) & (place < len(grid))
    count = np.bincount(place[use], minlength=len(grid))
    total = np.bincount(place[use], weights=x[known][use], minlength=len(grid))
    between = np.array(_over(grid, rpm, x))
    return tuple(np.where(count > 0, total / np.maximum(count, 1), between).tolist())
