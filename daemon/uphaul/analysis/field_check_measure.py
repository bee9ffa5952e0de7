"""What the measures of a field check make of the ticks of a step, and the bounds that each is held against."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from uphaul.analysis.field_check import (
    EXPECTED,
    Amount,
    Band,
    FieldCheck,
    Measure,
    Measured,
    OfSheet,
    Step,
    Take,
    Verdict,
)
from uphaul.physics.basis import Bools, Floats, Ints
from uphaul.rules import Curve
from uphaul.signals import Signal, index_of
from uphaul.units import convert
from uphaul.vehicle import Vehicle
from uphaul.vehicle.sheet import Airbox, ChargeCooler, Clutch, Cooling, Exhaust, Injectors, Part, Turbo

__all__ = ["KNOWN_LEAST", "SHEET", "Measuring", "rating", "unit_of", "verdict_of"]

KNOWN_LEAST = 0.9
"""Share of a step's ticks at which a signal must be known for a measure of it to be told."""

RATE_MS = 1000

PEAK_MS = 300
"""Highest and lowest are means over so long, as those of a pull are (`pulls.py`): a single reading says more of its
sensor, and a clutch that grips and slips by turns must not vanish in the mean. Source: our own choice."""

_PARTS: dict[str, tuple[type[Part], str, str]] = {
    "turbo.boost": (Turbo, "boost_kpa", "kPa"),
    "turbo.pressure_ratio": (Turbo, "pressure_ratio", "1"),
    "turbo.speed": (Turbo, "speed_rpm", "rpm"),
    "turbo.power": (Turbo, "power_kw", "kW"),
    "injectors.power": (Injectors, "power_kw", "kW"),
    "clutch.torque": (Clutch, "torque_nm", "N·m"),
    "airbox.drop": (Airbox, "drop_kpa", "kPa"),
    "charge-cooler.effectiveness": (ChargeCooler, "effectiveness", "1"),
    "exhaust.egt": (Exhaust, "egt_degc", "degC"),
    "exhaust.egt_short": (Exhaust, "egt_short_degc", "degC"),
    "cooling.coolant": (Cooling, "coolant_degc", "degC"),
    "cooling.coolant_short": (Cooling, "coolant_short_degc", "degC"),
}
_ENGINE = {"engine.idle": "idle_rpm", "engine.governed": "governed_rpm"}
_TUNE = {"tune.power": ("power_kw", "kW"), "tune.torque": ("torque_nm", "N·m"), "tune.mixture": ("mixture", "1")}

SHEET: dict[str, str] = {
    **{name: unit for name, (_, _, unit) in _PARTS.items()},
    **dict.fromkeys(_ENGINE, "rpm"),
    **{name: unit for name, (_, unit) in _TUNE.items()},
}
"""What a band may be a share of, and its unit: ``kind.key`` of a part, ``engine.key``, or ``tune.key`` of the tune."""


def rating(vehicle: Vehicle, name: str, tune: str = "") -> float | None:
    """What the build sheet says, in the unit of `SHEET`; None when it doesn't. Raises KeyError for another name."""
    sheet = vehicle.sheet
    if name in _PARTS:
        kind, key, _ = _PARTS[name]
        part = sheet.part(kind)
        return None if part is None else _number(getattr(part, key))
    if name in _ENGINE:
        return None if sheet.engine is None else _number(getattr(sheet.engine, _ENGINE[name]))
    key, _ = _TUNE[name]
    found = next((t for t in vehicle.tunes if t.name == tune), None)
    return None if found is None else _number(getattr(found.targets, key))


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, float | int) else None


def unit_of(measure: Measure, signal_unit: str) -> str:
    """The unit of what a measure yields: of differences in degC it is K."""
    apart = measure.against or measure.take in (Take.SPREAD, Take.SLOPE, Take.LARGEST_RATE)
    if apart and signal_unit == "degC":
        signal_unit = "K"
    match measure.take:
        case Take.TIME_TO:
            return "s"
        case Take.SLOPE:
            return f"{signal_unit}/min"
        case Take.LARGEST_RATE:
            return f"{signal_unit}/s"
        case _:
            return signal_unit


@dataclass(frozen=True, slots=True, eq=False)
class _Ticks:
    """The ticks of a step: in which tune, `kept` (N,) those that count, and how a signal is read (N,)."""

    tune: str
    t_ms: Ints
    kept: Bools
    read: Callable[[str], Floats]


class Measuring:
    """Of one check on blocks with these `signals`, on a vehicle: `columns` by step are those that its measures read."""

    def __init__(
        self, check: FieldCheck, signals: tuple[Signal, ...], tunes: tuple[str, ...], vehicle: Vehicle
    ) -> None:
        self._signals, self._place = signals, index_of(signals)
        self._steps, self._vehicle = check.steps, vehicle
        self._expected = {(t.name, e.signal): Curve(e.over, e.x, e.y) for t in vehicle.tunes for e in t.expected}
        self.columns = [self._columns(step) for step in check.steps]

    def _columns(self, step: Step) -> Ints:
        names = ["rpm"]
        for m in step.measures:
            amounts: list[Amount | None] = [m.reach]
            for band in (m.band, *(b for _, b in m.tunes)):
                amounts += [] if band is None else [band.low, band.high]
            names += [m.signal, m.against, *(a.over for a in amounts if isinstance(a, Curve))]
            names += [c.over for (_, signal), c in self._expected.items() if signal == m.signal]
        names += [w.signal for w in step.waits_for]
        return np.array([self._place[n] for n in dict.fromkeys(names) if n in self._place], dtype=np.int64)

    def bridged(self, place: int, values: Floats) -> tuple[tuple[str, float], ...]:
        """Signals that the step in that place waits for and that were unknown, each with the share of the ticks.

        `values` (N, columns of the step).
        """
        names = [self._signals[c].name for c in self.columns[place].tolist()]
        waits = {w.signal for w in self._steps[place].waits_for}
        shares = np.isnan(values).mean(axis=0).tolist()
        return tuple((n, x) for n, x in zip(names, shares, strict=True) if n in waits and x > 0.0)

    def measure(self, place: int, tune: str, t_ms: Ints, values: Floats) -> tuple[Measured, ...]:
        """What the measures of the step in that place make of ticks `t_ms` (N,), from where it began to hold.

        `values` (N, columns of the step). `tune` is empty where unknown.
        """
        step = self._steps[place]
        column = {self._signals[c].name: i for i, c in enumerate(self.columns[place].tolist())}

        def read(name: str) -> Floats:
            return values[:, column[name]] if name in column else np.full(len(t_ms), np.nan)

        kept = t_ms >= t_ms[0] + step.settle_ms
        if not kept.any():
            kept[-1] = True
        ticks = _Ticks(tune, t_ms, kept, read)
        return tuple(self._one(m, ticks) for m in step.measures)

    def _one(self, m: Measure, given: _Ticks) -> Measured:
        signal = next((s for s in self._signals if s.name == m.signal), None)
        unit = unit_of(m, signal.unit if signal else "")
        x = given.read(m.signal)
        if signal is None:
            return Measured(m.name, np.nan, unit, why=f"there is no signal {m.signal}")
        if m.against == EXPECTED:
            curve = self._expected.get((given.tune, m.signal))
            if curve is None:
                told = f"tune {given.tune}" if given.tune else "an unknown tune"
                return Measured(m.name, np.nan, unit, why=f"nothing is expected of {m.signal} in {told}")
            x = x - _on(curve, given.read)
        elif m.against:
            x = x - given.read(m.against)
        ticks = np.ones(len(x), dtype=bool) if m.take is Take.TIME_TO else given.kept
        known = ticks & ~np.isnan(x)
        unknown = float(1.0 - known.sum() / ticks.sum())
        if known.sum() < KNOWN_LEAST * ticks.sum() or not known.any():
            what = m.signal if not m.against or m.against == EXPECTED else f"{m.signal} or {m.against}"
            why = f"{what} was unknown for {100.0 * unknown:.0f} % of the time"
            return Measured(m.name, np.nan, unit, why=why, unknown=unknown)
        value, at, why = self._take(m, given, x, known)
        low, high, missing = self._bounds(m, given, at, known)
        return Measured(
            m.name,
            np.nan if missing else value,
            unit,
            None if at is None else int(given.t_ms[at]),
            low,
            high,
            np.nan if at is None else float(given.read("rpm")[at]),
            why or missing,
            unknown,
        )

    def _take(self, m: Measure, given: _Ticks, x: Floats, known: Bools) -> tuple[float, int | None, str]:
        """(value, tick that decides or None, why there is none)."""
        where = np.flatnonzero(known)
        y, t = x[where], given.t_ms[where]
        match m.take:
            case Take.LAST:
                return float(y[-1]), int(where[-1]), ""
            case Take.MAXIMUM | Take.MINIMUM:
                means, ends = _steadied(given, x, known)
                at = int(np.argmax(means) if m.take is Take.MAXIMUM else np.argmin(means))
                return float(means[at]), int(ends[at]), ""
            case Take.MEAN:
                return float(y.mean()), None, ""
            case Take.SPREAD:
                return (float(y.std(ddof=1)), None, "") if len(y) > 1 else (np.nan, None, "one reading has no spread")
            case Take.SLOPE:
                minutes = (t - t[0]) / 60_000.0
                if len(y) < 2:
                    return np.nan, None, "one reading has no slope"
                off = minutes - minutes.mean()
                return float((off * (y - y.mean())).sum() / (off**2).sum()), None, ""
            case Take.LARGEST_RATE:
                return _steepest(t, y, where)
            case Take.TIME_TO:
                return self._time_to(m, given, x, known)

    def _time_to(self, m: Measure, given: _Ticks, x: Floats, known: Bools) -> tuple[float, int | None, str]:
        """Never is infinite."""
        assert m.reach is not None
        reach, why = self._amount(m.reach, m, given)
        if why:
            return np.nan, None, why
        there = np.flatnonzero(known & (x <= reach if m.falling else x >= reach))
        if not len(there):
            most = x[known].min() if m.falling else x[known].max()
            unit = unit_of(replace(m, take=Take.LAST), self._signals[self._place[m.signal]].unit)
            word = "at least" if m.falling else "at most"
            return np.inf, None, f"not reached: {word} {most:.4g}" + (f" {unit}" if unit != "1" else "")
        return float(given.t_ms[there[0]] - given.t_ms[0]) / 1000.0, int(there[0]), ""

    def _bounds(
        self, m: Measure, given: _Ticks, at: int | None, known: Bools
    ) -> tuple[float | None, float | None, str]:
        """(lowest, highest that is accepted, why that cannot be told)."""
        band = dict(m.tunes).get(given.tune, m.band) or Band()
        out: list[float | None] = []
        for amount in (band.low, band.high):
            if amount is None:
                out.append(None)
                continue
            bound, why = self._amount(amount, m, given)
            if why:
                return None, None, why
            ruled = at is None and isinstance(amount, Curve)
            out.append(float(np.nanmean(bound[known])) if ruled else float(bound[at or 0]))
        return out[0], out[1], ""

    def _amount(self, amount: Amount, m: Measure, given: _Ticks) -> tuple[Floats, str]:
        """(the amount at every tick, why there is none)."""
        ticks = len(given.t_ms)
        if isinstance(amount, Curve):
            return _on(amount, given.read), ""
        if isinstance(amount, OfSheet):
            found = rating(self._vehicle, amount.of, given.tune)
            if found is None:
                return np.full(ticks, np.nan), f"the build sheet does not tell {amount.of}"
            unit = self._signals[self._place[m.signal]].unit
            return np.full(ticks, convert(amount.share * found, SHEET[amount.of], unit)), ""
        return np.full(ticks, float(amount)), ""


def _steadied(given: _Ticks, x: Floats, known: Bools) -> tuple[Floats, Ints]:
    """Means of the known readings over `PEAK_MS`, and the ticks (of `known`) that each ends with.

    A mean may reach back before what counts, never before the step; what is shorter than one is one mean.
    """
    t_ms, there = given.t_ms, ~np.isnan(x)
    ends = np.flatnonzero(known & (t_ms - t_ms[0] >= PEAK_MS))
    if not len(ends):
        return np.round([x[known].mean()], 9), np.flatnonzero(known)[-1:]
    first = np.searchsorted(t_ms, t_ms[ends] - PEAK_MS, side="right")
    sums = np.concatenate(([0.0], np.cumsum(np.where(there, x, 0.0))))
    counts = np.concatenate(([0], np.cumsum(there)))
    means = (sums[ends + 1] - sums[first]) / (counts[ends + 1] - counts[first])
    return np.round(means, 9), ends  # what is steady at a bound stays there, whatever the sums lost


def _on(curve: Curve, read: Callable[[str], Floats]) -> Floats:
    """A curve at every tick; unknown where what it goes over is."""
    over = read(curve.over)
    out: Floats = np.interp(over, curve.x, curve.y)
    out[np.isnan(over)] = np.nan
    return out


def _steepest(t_ms: Ints, y: Floats, where: Ints) -> tuple[float, int | None, str]:
    """The steepest rise per second between a tick and the last one at least a second before."""
    before = np.searchsorted(t_ms, t_ms - RATE_MS, side="right") - 1
    there = before >= 0
    if not there.any():
        return np.nan, None, "less than a second was measured"
    rate = (y[there] - y[before[there]]) / ((t_ms[there] - t_ms[before[there]]) / 1000.0)
    at = int(np.argmax(rate))
    return float(rate[at]), int(where[np.flatnonzero(there)[at]]), ""


def verdict_of(step: Step, measured: Sequence[Measured]) -> tuple[Verdict, str]:
    """What came of an attempt by its measures, and why where it did not pass."""
    titles = {m.name: m.title for m in step.measures}
    failed = [titles[m.name] for m in measured if m.ok is False]
    if failed:
        return Verdict.FAILED, "outside its band: " + ", ".join(failed)
    banded = [m for m in measured if m.why and _has_band(step, m.name)]
    if banded:
        return Verdict.UNKNOWN, "; ".join(f"{titles[m.name]}: {m.why}" for m in banded)
    return Verdict.PASSED, ""


def _has_band(step: Step, name: str) -> bool:
    measure = next(m for m in step.measures if m.name == name)
    return measure.band is not None or bool(measure.tunes)
