"""How much of each part's rating a drive used: the peak and what was sustained, when and where, the weakest part first.

The ratings are those of the build sheet; rules and tunes play no part. A peak is a mean over 1 s: a single reading says
more of its sensor than of the part. Ratings that a part stands for minutes are judged by the mean over 60 s, all
others by the peak. The share of a temperature is that of its rise over 20 degC, and serves to put the weakest on top;
people are told how many K are left, as a percentage of degC says nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from uphaul.analysis.powers import (
    Agreement,
    Bench,
    Way,
    against_bench,
    agreement,
    air_kg_s,
    by_fuel,
    by_road,
    torque_nm,
)
from uphaul.analysis.spans import held, latched
from uphaul.analysis.sustained import sustained
from uphaul.analysis.whole import WholeDrive
from uphaul.physics import charge, flow, injection
from uphaul.physics.basis import Floats
from uphaul.signals import NO_TUNE
from uphaul.vehicle.model import Tune
from uphaul.vehicle.sheet import (
    Airbox,
    BuildSheet,
    ChargeCooler,
    Clutch,
    Cooling,
    Exhaust,
    Injectors,
    Part,
    Turbo,
)

__all__ = ["PEAK_S", "SUSTAINED_S", "WHERE", "Estimate", "Reading", "Use", "Used", "headroom"]

PEAK_S = 1.0
SUSTAINED_S = (10.0, 60.0)
"""Source of all three: our own choice: a pull lasts 10 s, manifold and housing warm through in about a minute."""

WHERE = ("rpm", "speed", "grade", "altitude")
"""Roles that tell where a reading was taken."""

COOLER_M_S, COOLER_KPA = (60.0 / 3.6, 52.0 / 3.6), (100.0, 80.0)
"""An intercooler is judged from 60 km/h and a boost of 100 kPa on, until it is below 52 km/h or 80 kPa: in a queue it
is heat soak, not dirt. Source: common practice for where it begins; where it ends is our own choice, so that a drive
that holds 60 km/h is judged as a whole. The sample's rule and its climb have the same limits."""

COLD_DEGC = 20.0
"""From which the rise of a temperature counts. Source: our own choice, the air of a usual day."""

NO_POWER = "needs the signal fuel, or mixture with map and charge, or speed, baro and ambient with the sheet's load"
NO_AIR = "needs the signals rpm, map and charge, or air"


@dataclass(frozen=True, slots=True)
class Reading:
    """A mean over `window_s`: in the rating's unit, as a share of it (of a temperature: see above), its middle in time,
    the tune (None: not known), and where it was: roles of `WHERE` with their means over the time, in canonical units.
    """

    window_s: float
    value: float
    share: float
    t_ms: int
    tune: str | None
    where: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Use:
    """The use of one rating. `judged` is the reading that its share is of; `doubt` one standard uncertainty, as a share
    of the value, None for a signal that is taken as it is. `at_least`: the part must do so much, so a low value is a
    high use.
    """

    part: str
    title: str
    rating: str
    unit: str
    rated: float
    source: str
    told_by: str
    readings: tuple[Reading, ...]
    judged: Reading
    doubt: float | None = None
    at_least: bool = False

    @property
    def past(self) -> bool:
        """Whether the drive used more than the rating. A part that does less than it is rated for is not past it."""
        return not self.at_least and self.judged.value > self.rated

    @property
    def words(self) -> str:
        """How much of it was used, for people: ``93 %``, ``5 K left``; of what a part must do: ``97 % reached``."""
        value = self.judged.value
        if self.unit == "degC":
            apart = abs(self.rated - value)
            return f"{apart:.{0 if apart >= 1.0 else 1}f} K {'past' if self.past else 'left'}"
        share = f"{100.0 * value / self.rated:.0f} %"
        return f"{share} reached" if self.at_least else share


@dataclass(frozen=True, slots=True)
class Estimate:
    """Most power and torque at the crankshaft by one way, sustained for 10 s, with one standard uncertainty each."""

    way: str
    made_of: str
    power: Reading | None
    power_doubt_kw: float
    torque: Reading | None
    torque_doubt_nm: float


@dataclass(frozen=True, slots=True)
class Used:
    """The headroom table of a drive. `missing` are ratings that it can't tell of: part, rating, and why."""

    uses: tuple[Use, ...]
    missing: tuple[tuple[str, str, str], ...]
    estimates: tuple[Estimate, ...]
    agreement: Agreement | None
    bench: tuple[Bench, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class _Row:
    rating: str
    unit: str
    rated: float
    values: Floats
    told_by: str
    without: str
    minutes: bool = False
    at_least: bool = False
    doubt: float | None = None


def headroom(drive: WholeDrive, sheet: BuildSheet, tunes: Sequence[Tune] = ()) -> Used:
    """The use of every rating of the sheet in the drive, the highest first; power against the runs of these `tunes`."""
    ways = _ways(drive, sheet)
    uses, missing = [], []
    for part in sheet.parts:
        for row in _rows(drive, sheet, part, ways[0] if ways else None):
            use = _use(drive, part, row)
            if use is None:
                missing.append((part.name, row.rating, row.without))
            else:
                uses.append(use)
    uses.sort(key=lambda u: -u.judged.share)
    both = agreement(drive, *ways) if len(ways) == 2 else None
    bench = tuple(b for tune in tunes for w in ways if (b := against_bench(drive, w, tune)) is not None)
    return Used(tuple(uses), tuple(missing), tuple(_estimate(drive, w) for w in ways), both, bench)


def _ways(drive: WholeDrive, sheet: BuildSheet) -> list[Way]:
    """The estimates of power that can be made, air and fuel first: it is the surer one."""
    fuel = by_fuel(drive, sheet.engine) if sheet.engine is not None else None
    road = (
        by_road(drive, sheet.load, sheet.driveline) if sheet.load is not None and sheet.driveline is not None else None
    )
    return [way for way in (fuel, road) if way is not None]


def _rows(drive: WholeDrive, sheet: BuildSheet, part: Part, way: Way | None) -> Iterator[_Row]:
    none = np.full(len(drive), np.nan)
    kw, doubt = (none, None) if way is None else (way.power_kw, _relative(way))
    made_of = "" if way is None else f"{way.name}: {way.made_of}"
    match part:
        case Turbo():
            boost, ratio = _boost(drive), _ratio(drive, sheet)
            yield _Row("boost", "kPa", part.boost_kpa, boost, "boost", "needs the signals map and baro, or boost")
            if part.pressure_ratio is not None:
                told = "map over baro, with what airbox and intercooler cost"
                yield _Row("pressure ratio", "1", part.pressure_ratio, ratio, told, "needs the signals map and baro")
            if part.speed_rpm is not None:
                spin = drive.read("turbo_speed")
                yield _Row("speed", "rpm", part.speed_rpm, spin, "turbo_speed", "needs the signal turbo_speed")
            if part.power_kw is not None:
                yield _Row("power", "kW", part.power_kw, kw, made_of, NO_POWER, doubt=doubt)
        case Injectors():
            yield _Row("power", "kW", part.power_kw, kw, made_of, NO_POWER, doubt=doubt)
            yield _Row("injection angle", "deg", part.angle_deg, *_angle(drive, sheet, part))
        case Clutch():
            yield _Row("torque", "N·m", part.torque_nm, torque_nm(drive, kw), made_of, NO_POWER, doubt=doubt)
        case Airbox() | ChargeCooler():
            if part.flow_kg_h is not None:
                drawn, told = _air_kg_h(drive, sheet)
                yield _Row("air flow", "kg/h", part.flow_kg_h, drawn, told, NO_AIR)
            if isinstance(part, ChargeCooler):
                values = _effectiveness(drive)
                when = f"at {3.6 * COOLER_M_S[0]:.0f} km/h or more with boost above {COOLER_KPA[0]:.0f} kPa"
                told = f"compressor_out, charge and ambient, {when}"
                without = f"needs the signals compressor_out, charge and ambient, and a minute of them on end {when}"
                yield _Row("effectiveness", "1", part.effectiveness, values, told, without, minutes=True, at_least=True)
        case Exhaust():
            role = "egt" if part.pre_turbine else "egt_post"
            gas, without = drive.read(role), f"needs the signal {role}"
            yield _Row("exhaust for minutes", "degC", part.egt_degc, gas, role, without, minutes=True)
            if part.egt_short_degc is not None:
                yield _Row("exhaust for seconds", "degC", part.egt_short_degc, gas, role, without)
        case Cooling():
            water, without = drive.read("coolant"), "needs the signal coolant"
            yield _Row("coolant for minutes", "degC", part.coolant_degc, water, "coolant", without, minutes=True)
            if part.coolant_short_degc is not None:
                yield _Row("coolant for seconds", "degC", part.coolant_short_degc, water, "coolant", without)


def _use(drive: WholeDrive, part: Part, row: _Row) -> Use | None:
    windows = (SUSTAINED_S[1],) if row.at_least else (PEAK_S, *SUSTAINED_S)
    found = [r for w in windows if (r := _reading(drive, row, w)) is not None]
    if not found:
        return None
    return Use(
        part=part.name,
        title=part.title,
        rating=row.rating,
        unit=row.unit,
        rated=row.rated,
        source=part.source,
        told_by=row.told_by,
        readings=tuple(found),
        judged=found[-1] if row.minutes else found[0],
        doubt=row.doubt,
        at_least=row.at_least,
    )


def _reading(drive: WholeDrive, row: _Row, window_s: float) -> Reading | None:
    """The highest mean over `window_s`, or the lowest where `at_least`; None where the drive has none so long."""
    means = sustained(drive, row.values, window_s)
    if np.isnan(means).all():
        return None
    end = int(np.nanargmin(means) if row.at_least else np.nanargmax(means))
    first = int(np.searchsorted(drive.t_ms, drive.t_ms[end] - round(window_s * 1000), side="right"))
    span, middle, value = slice(first, end + 1), (first + end) // 2, float(means[end])
    tune = int(drive.tune[middle])
    where = []
    for role in WHERE:
        x = drive.read(role)[span]
        if not np.isnan(x).all():
            where.append((role, float(np.nanmean(x))))
    return Reading(
        window_s=window_s,
        value=value,
        share=_share(row, value),
        t_ms=int(drive.t_ms[middle]),
        tune=None if tune == NO_TUNE or tune >= len(drive.tunes) else drive.tunes[tune],
        where=tuple(where),
    )


def _share(row: _Row, value: float) -> float:
    if row.at_least:
        return row.rated / value if value > 0.0 else float("inf")
    zero = COLD_DEGC if row.unit == "degC" else 0.0
    return (value - zero) / (row.rated - zero)


def _estimate(drive: WholeDrive, way: Way) -> Estimate:
    hold_s = SUSTAINED_S[0]
    power = _reading(drive, _Row("power", "kW", 1.0, way.power_kw, "", ""), hold_s)
    torque = _reading(drive, _Row("torque", "N·m", 1.0, torque_nm(drive, way.power_kw), "", ""), hold_s)

    def doubt(reading: Reading | None) -> float:
        if reading is None:
            return float("nan")
        at = int(np.searchsorted(drive.t_ms, reading.t_ms))
        return float(way.doubt_kw[at] / way.power_kw[at]) * reading.value

    return Estimate(way.name, way.made_of, power, doubt(power), torque, doubt(torque))


def _relative(way: Way) -> float:
    """One standard uncertainty as a share of the power, in the middle of what was under load."""
    strong = way.power_kw >= 0.5 * np.nanmax(way.power_kw)
    return float(np.nanmedian(way.doubt_kw[strong] / way.power_kw[strong]))


def _boost(drive: WholeDrive) -> Floats:
    if drive.has("boost"):
        return drive.read("boost")
    return charge.gauge_kpa(drive.read("map"), held(drive.read("baro"), drive.t_ms))


def _air_kg_h(drive: WholeDrive, sheet: BuildSheet) -> tuple[Floats, str]:
    if sheet.engine is not None:
        drawn, told = air_kg_s(drive, sheet.engine)
    else:
        drawn, told = drive.read("air"), "signal air"
    return drawn * 3600.0, told


def _ratio(drive: WholeDrive, sheet: BuildSheet) -> Floats:
    """Pressure ratio of the compressor itself: manifold and what the intercooler costs, over barometer less airbox."""
    drawn = np.nan_to_num(_air_kg_h(drive, sheet)[0])
    airbox, cooler = sheet.part(Airbox), sheet.part(ChargeCooler)
    before = airbox.drop_kpa * (drawn / airbox.flow_kg_h) ** 2 if airbox is not None else np.zeros(len(drive))
    behind = np.zeros(len(drive))
    if cooler is not None and cooler.flow_kg_h is not None:
        behind = cooler.drop_kpa * (drawn / cooler.flow_kg_h) ** 2
    manifold, baro = drive.read("map"), held(drive.read("baro"), drive.t_ms)
    return charge.quotient(manifold + behind, baro - before, 1.0)


def _angle(drive: WholeDrive, sheet: BuildSheet, part: Injectors) -> tuple[Floats, str, str]:
    """(angle in deg by the fuel told and the injectors' flow, what tells it, what is missing if it is unknown)."""
    without = "needs the signals fuel and rpm, and [engine]"
    if sheet.engine is None:
        return np.full(len(drive), np.nan), "", without
    rpm = drive.read("rpm")
    mg = flow.air_mg_stroke(drive.read("fuel"), rpm, cylinders=sheet.engine.cylinders)
    return injection.crank_deg(rpm, mg / part.flow_mg_ms / 1000.0), "fuel and the injectors' flow", without


def _effectiveness(drive: WholeDrive) -> Floats:
    """Effectiveness from where it moves and is under boost until one of them ends, unknown otherwise."""
    hot, cooled, ambient = (held(drive.read(r), drive.t_ms) for r in ("compressor_out", "charge", "ambient"))
    speed, boost = held(drive.read("speed"), drive.t_ms), _boost(drive)
    judged = latched(speed >= COOLER_M_S[0], ~(speed >= COOLER_M_S[1]))
    judged &= latched(boost > COOLER_KPA[0], ~(boost > COOLER_KPA[1]))
    return np.where(judged, charge.cooler_effectiveness(hot, cooled, ambient), np.nan)
