"""Pulls of a drive beside those of its reference, in the same tune and gear at the same engine speeds.

Theory of operation. What a fault does at full load may not be met in steady driving. A pull goes through it in
seconds, so each is a course over engine speed (`GRID_RPM`), and only pulls of one tune in one gear meet: they have
the same road speed at the same engine speed. Their first seconds (`SETTLE_S`) are left out, in which the turbo spools
up from wherever it was. Each quantity is the number of `quantities`, freed of weather and height, as for steady
driving.

A pull counts as one observation: what lies in it goes together. How far pulls of one drive lie apart says what one is
worth; there are few, so their variance is pooled with what is usual (`Usual.run`), which counts for `USUAL_RUNS`
observations. To that come how a sound vehicle repeats from one day to the next (`Usual.day`) and a share of the
correction made. Nothing is drawn by lot.

Source: sum of squares of independent contributions and the factor 2 for some 95 %: GUM (JCGM 100:2008), 5.1.2, 6.3.3.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isnan

import numpy as np

from uphaul.analysis.comparison import COVERAGE, SAME_TOP_KPA, UNHELD
from uphaul.analysis.pieces import Readings
from uphaul.analysis.pulls import Sweep, sweeps
from uphaul.analysis.quantities import QUANTITIES, Made
from uphaul.analysis.spans import held
from uphaul.analysis.whole import WholeDrive
from uphaul.physics.basis import Bools, Floats
from uphaul.vehicle.sheet import BuildSheet

__all__ = ["USUAL", "Beside", "Course", "Usual", "beside", "courses"]

GRID_RPM = 100.0
LEAST_POINTS = 4
"""Source of both: our own choice."""

SETTLE_S, SLOW_SETTLE_S = 2.0, 3.0
"""Source: our own choice: boost is up within some two seconds, a sheathed probe lags three."""

GRIP = 0.04
"""Share by which road speed over engine speed may lie from the reference's pulls. Source: our own choice, over what a
speed that is told late makes of two pulls, under what a slipping clutch does."""

USUAL_RUNS = 4.0
"""Source: our own choice, about the pulls of a field check."""


@dataclass(frozen=True, slots=True)
class Usual:
    """A quantity in words and its unit, and how far a sound vehicle's mean over a pull lies from its usual one.

    One standard deviation in the unit: from pull to pull (`run`), and from day to day (`day`). `doubt`: share of the
    correction that may be wrong.
    `pace`: what a pull that takes e times as long would read otherwise, as iron and pipes warm in it. `slow`: follows
    the load by seconds. `unheld`: as in `quantities.Quantity`.

    Source: our own judgement, from what sensors of vehicles repeat to, wider than in steady driving as nothing settles;
    of power, two days' slope by half a percent, wind by 2.5 m/s and weight by 3 %, as in `pull_curve.STILL_ROAD`.
    """

    words: str
    unit: str
    run: float
    day: float
    doubt: float = 0.2
    pace: float = 0.0
    slow: bool = False
    unheld: bool = False


USUAL = {
    "boost": Usual("manifold pressure", "kPa", 3.0, 2.5, pace=4.0, unheld=True),
    "turbo_speed": Usual("turbo speed for the work", "rpm", 900.0, 1400.0, doubt=0.25),
    "compressor_out": Usual("air leaving the turbo, for the ratio", "K", 3.5, 3.5, pace=8.0, slow=True),
    "drive_pressure": Usual("pressure before the turbine, for the work", "kPa", 3.5, 5.0, doubt=0.3),
    "turbine_balance": Usual(
        "work of the compressor for what the turbine is given", "%", 2.5, 3.0, pace=4.0, slow=True
    ),
    "mixture": Usual("mixture (lambda) for the air and fuel told", "%", 1.0, 1.5),
    "egt": Usual("exhaust temperature, for air and fuel", "K", 12.0, 10.0, pace=50.0, slow=True),
    "egt_for_mixture": Usual("exhaust temperature for the mixture", "K", 12.0, 10.0, pace=50.0, slow=True),
    "cooler": Usual("intercooler effectiveness", "%", 3.0, 3.5, pace=4.0, slow=True),
    "charge_over_ambient": Usual("charge air over the outside air, for the ratio", "K", 3.5, 3.5, pace=8.0, slow=True),
    "wheel_power": Usual("power at the wheels by the road load", "kW", 3.0, 8.0),
}
"""What is told of pulls, by quantity."""


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """One pull over `rpm` (N,): its tune and gear, when it was, and any role over it (`of`), NaN where unknown or in
    its first seconds (`since_s` (N,) counts them).
    """

    tune: str | None
    gear: int
    t_ms: tuple[int, int]
    rpm: Floats
    since_s: Floats
    near: WholeDrive
    ticks: slice
    order: Floats

    def of(self, role: str) -> Floats:
        """(N,) a role in its canonical unit, straight between the ticks."""
        if role == "rpm":
            return self.rpm
        x = held(self.near.read(role), self.near.t_ms)[self.ticks]
        known = ~np.isnan(x)
        if np.count_nonzero(known) < 2:
            return np.full(len(self.rpm), np.nan)
        return np.interp(self.rpm, self.order[known], x[known], left=np.nan, right=np.nan)


@dataclass(frozen=True, slots=True)
class Beside:
    """One quantity in pulls, drive less reference, in its unit: the mean over all pulls with a like one, and its
    uncertainty (some 95 %, half width). `pulls` of the drive and of the reference that met, `rpm` where, `moments_ms`
    the drive's.
    """

    value: float
    uncertainty: float
    pulls: tuple[int, int]
    rpm: tuple[float, float]
    moments_ms: tuple[tuple[int, int], ...]


def courses(drive: WholeDrive) -> tuple[Course, ...]:
    """The pulls of a drive over engine speed, those whose gear is known."""
    return tuple(c for s in sweeps(drive, BuildSheet()) if (c := _course(s)) is not None)


def _course(sweep: Sweep) -> Course | None:
    ticks = slice(sweep.start, sweep.stop)
    rpm = held(sweep.near.read("rpm"), sweep.near.t_ms)[ticks]
    if sweep.gear is None or np.isnan(rpm).any():
        return None
    order = np.maximum.accumulate(rpm)
    grid = np.arange(np.ceil(order[0] / GRID_RPM), np.floor(order[-1] / GRID_RPM) + 1.0) * GRID_RPM
    since = (sweep.near.t_ms[ticks] - sweep.near.t_ms[sweep.start]) / 1000.0
    return Course(sweep.tune, sweep.gear, sweep.t_ms, grid, np.interp(grid, order, since), sweep.near, ticks, order)


def beside(name: str, here: Sequence[Course], there: Sequence[Course]) -> Beside | None:
    """What the drive's pulls have of a quantity of `USUAL` beyond the reference's; None where none of them met."""
    usual = USUAL[name]
    groups = []
    for key in dict.fromkeys((c.tune, c.gear) for c in here):
        mine, theirs = ([c for c in side if (c.tune, c.gear) == key] for side in (here, there))
        if theirs and (group := _group(name, mine, theirs)) is not None:
            groups.append(group)
    if not groups:
        return None
    off = np.concatenate([g.off for g in groups])
    free = sum(len(g.values) + g.references - 2 for g in groups)
    run2 = (USUAL_RUNS * usual.run**2 + float((off * off).sum())) / (USUAL_RUNS + free)
    worth = np.array([1.0 / len(g.values) + 1.0 / g.references for g in groups])
    share = (1.0 / worth) / (1.0 / worth).sum()
    corrected = float((share * [g.corrected for g in groups]).sum())
    thin = float((share * [g.thin for g in groups]).sum()) if usual.unheld else 0.0
    paced = usual.pace * float((share * [g.longer for g in groups]).sum())
    variance = run2 * float((share * share * worth).sum()) + usual.day**2
    variance += (usual.doubt * corrected) ** 2 + thin**2 + paced**2
    return Beside(
        value=float((share * [g.values.mean() for g in groups]).sum()),
        uncertainty=COVERAGE * float(np.sqrt(variance)),
        pulls=(sum(len(g.values) for g in groups), sum(g.references for g in groups)),
        rpm=(min(g.rpm[0] for g in groups), max(g.rpm[1] for g in groups)),
        moments_ms=tuple(sorted(m for g in groups for m in g.moments_ms)),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """Pulls of one tune and gear: the difference of each of the drive's that met a reference's (K,), how far each pull
    of both lies from its drive's own (`off`), what was put down to weather, and what thin air may do to a pressure that
    nothing holds (`thin`), and the logarithm of how much longer the drive's took (`longer`)."""

    values: Floats
    references: int
    off: Floats
    corrected: float
    thin: float
    longer: float
    rpm: tuple[float, float]
    moments_ms: tuple[tuple[int, int], ...]


def _group(name: str, mine: Sequence[Course], theirs: Sequence[Course]) -> _Group | None:
    grid = np.unique(np.concatenate([c.rpm for c in (*mine, *theirs)]))
    reading, number, gain = _tables(name, (*mine, *theirs), grid)
    number[_slipping((*mine, *theirs), len(mine), grid)] = np.nan
    ours, their = slice(0, len(mine)), slice(len(mine), None)
    middle, plain = (_mean(x[their], axis=0) for x in (number, reading))
    scale = _mean(gain[ours], axis=0)
    apart = (number - middle) * scale
    enough = (~np.isnan(apart)).sum(axis=1) >= LEAST_POINTS
    met = np.flatnonzero(enough[ours])
    reached = np.flatnonzero(enough[their]) + len(mine)
    if not len(met) or not len(reached):
        return None
    values = _mean(apart[met], axis=1)
    raw = _mean(np.where(np.isnan(apart[met]), np.nan, reading[met] - plain), axis=1)
    over = _mean(apart[reached], axis=1)
    where = grid[~np.isnan(apart[met]).all(axis=0)]
    return _Group(
        values=values,
        references=len(reached),
        off=np.concatenate((values - values.mean(), over - over.mean())),
        corrected=float((raw - values).mean()),
        thin=_thin(plain, reading[met], [c.of("baro") for c in mine], [c.of("baro") for c in theirs]),
        longer=_pace([mine[i] for i in met.tolist()], where) - _pace(theirs, where),
        rpm=(float(where[0]), float(where[-1])),
        moments_ms=tuple(mine[i].t_ms for i in met.tolist()),
    )


def _slipping(pulls: Sequence[Course], mine: int, grid: Floats) -> Bools:
    """(K, N) where road speed doesn't go with the engine's as in the reference's pulls: the clutch slips."""
    way = np.full((len(pulls), len(grid)), np.nan)
    for row, pull in enumerate(pulls):
        way[row, np.searchsorted(grid, pull.rpm)] = pull.of("speed") / pull.rpm
    usual = _mean(way[mine:].reshape(-1), axis=0)
    with np.errstate(invalid="ignore"):
        return np.abs(way / usual - 1.0) > GRIP


def _pace(pulls: Sequence[Course], rpm: Floats) -> float:
    """The logarithm of the seconds that a pull took up to these engine speeds, their mean."""
    since = [np.log(c.since_s[np.isin(c.rpm, rpm) & (c.since_s >= SETTLE_S)]) for c in pulls]
    return float(np.concatenate(since).mean()) if any(len(x) for x in since) else 0.0


def _thin(theirs: Floats, mine: Floats, *baros: Sequence[Floats]) -> float:
    """What half of the barometer's difference would do to a pressure, where boost control may have nothing to hold."""
    here, there = (float(_mean(np.concatenate(b), axis=0)) for b in baros)
    if isnan(here) or isnan(there):
        return 0.0
    same_top = abs(float(np.nanmax(mine)) - float(np.nanmax(theirs))) <= SAME_TOP_KPA
    free = (theirs < UNHELD * np.nanmax(theirs)) | (not same_top)
    known = ~np.isnan(theirs)
    return 0.5 * float(np.where(free, theirs, 0.0)[known].mean()) * (here / there - 1.0)


def _tables(name: str, pulls: Sequence[Course], grid: Floats) -> tuple[Floats, Floats, Floats]:
    """(K, N) reading, number and gain of each pull over the grid, NaN where it wasn't or was new."""
    reading, number, gain = (np.full((len(pulls), len(grid)), np.nan) for _ in range(3))
    settle = SLOW_SETTLE_S if USUAL[name].slow else SETTLE_S
    for row, pull in enumerate(pulls):
        at = np.searchsorted(grid, pull.rpm)
        with np.errstate(all="ignore"):
            made = _MAKE[name](pull)
        for table, values in zip((reading, number, gain), made, strict=True):
            table[row, at] = np.where(pull.since_s >= settle, values, np.nan)
    return reading, number, gain


def _mean(x: Floats, axis: int) -> Floats:
    """The mean of what is known, NaN where nothing is."""
    known = ~np.isnan(x)
    count = known.sum(axis=axis)
    return np.where(count > 0, np.where(known, x, 0.0).sum(axis=axis) / np.maximum(count, 1), np.nan)


def _cooler(p: Readings) -> Made:
    hot, ambient = p.of("compressor_out"), p.of("ambient")
    spread = np.where(hot - ambient >= 30.0, hot - ambient, np.nan)
    reading = 100.0 * (hot - p.of("charge")) / spread
    return reading, reading, np.ones(len(reading))


def _charge_over_ambient(p: Readings) -> Made:
    _, _, gain = _MAKE["compressor_out"](p)  # the ideal work: what heats the air, whatever it then loses
    reading = p.of("charge")
    return reading, (reading - p.of("ambient")) / gain, gain


def _wheel_power(p: Readings) -> Made:
    reading = p.of("wheel_power")
    return reading, reading, np.ones(len(reading))


_MAKE: dict[str, Callable[[Readings], Made]] = {
    **{q.name: q.make for q in QUANTITIES if q.name in USUAL},
    "cooler": _cooler,
    "charge_over_ambient": _charge_over_ambient,
    "wheel_power": _wheel_power,
}
