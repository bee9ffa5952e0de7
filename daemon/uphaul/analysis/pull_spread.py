"""Pulls of one tune and gear together: their middle and how far they lie apart; and correction to standard air."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from uphaul.analysis.pulls import Pull, PullCurve
from uphaul.errors import UphaulError
from uphaul.physics import air, flow, mixture
from uphaul.physics.basis import Floats
from uphaul.physics.correction import Charging, Edition, correction
from uphaul.vehicle.sheet import Engine

__all__ = ["COURSES", "Corrected", "Course", "Spread", "corrected", "robust", "spread"]

COURSES = {
    "power_kw": "kW",
    "torque_nm": "N·m",
    "boost_kpa": "kPa",
    "egt_degc": "degC",
    "mixture": "1",
    "charge_degc": "degC",
}
"""Quantities that pulls and vehicles are compared by: fields of `PullCurve` and their units."""

NORMAL = 1.4826
"""A standard deviation of normal scatter for one median absolute deviation. Source: 1 / 0.6745, the normal quartile."""

FEW = {2: 1.196, 3: 1.495, 4: 1.363, 5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}
"""What makes up for few values, above 9 of them n / (n - 0.8). Source: Croux and Rousseeuw 1992, from memory; proven by
simulation in the tests."""

OPPOSITE_DEG = 30.0
"""Headings that differ from a half turn by no more are opposite. Source: our own choice."""


@dataclass(frozen=True, slots=True)
class Course:
    """One quantity over rpm (N,): the middle, its robust standard deviation from pull to pull (NaN for one pull), and
    the number of pulls that reach each speed.
    """

    quantity: str
    unit: str
    middle: tuple[float, ...]
    spread: tuple[float, ...]
    pulls: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Spread:
    """What `pulls` pulls of one tune and gear say together over `rpm`; `both_ways`: opposite directions were averaged,
    which takes a steady slope and most of a steady wind out of the power.
    """

    tune: str | None
    gear: int | None
    pulls: int
    rpm: tuple[float, ...]
    courses: tuple[Course, ...]
    both_ways: bool

    def of(self, quantity: str) -> Course | None:
        """The course of a quantity, None where no pull knew it."""
        return next((c for c in self.courses if c.quantity == quantity), None)


@dataclass(frozen=True, slots=True)
class Corrected:
    """A curve with power and torque corrected by `edition`; where the text doesn't allow it they are NaN, and `notes`
    say so. `factor` over the curve's rpm, whether allowed or not.
    """

    curve: PullCurve
    edition: str
    factor: tuple[float, ...]
    notes: tuple[str, ...]


def robust(values: Floats) -> Floats:
    """Robust standard deviation down the first axis (K, N) -> (N,) of what is known; NaN for fewer than two.

    Source: 1.4826 times the median absolute deviation, with a factor for few values (see `FEW`).
    """
    out = np.full(values.shape[1], np.nan)
    for i, column in enumerate(values.T):
        x = column[~np.isnan(column)]
        if len(x) >= 2:
            few = FEW.get(len(x), len(x) / (len(x) - 0.8))
            out[i] = NORMAL * few * float(np.median(np.abs(x - np.median(x))))
    return out


def spread(pulls: Sequence[Pull]) -> tuple[Spread, ...]:
    """Pulls by tune and gear, in the order in which each came first; those without a curve or gear are left out."""
    groups: dict[tuple[str | None, int | None], list[Pull]] = {}
    for pull in pulls:
        if pull.curve is not None and pull.gear is not None:
            groups.setdefault((pull.tune, pull.gear), []).append(pull)
    return tuple(_together(tune, gear, group) for (tune, gear), group in groups.items())


def _together(tune: str | None, gear: int | None, pulls: Sequence[Pull]) -> Spread:
    curves = [p.curve for p in pulls if p.curve is not None]
    rpm = sorted({r for c in curves for r in c.rpm})
    ways = _ways(pulls)
    courses = []
    for quantity, unit in COURSES.items():
        table = np.full((len(curves), len(rpm)), np.nan)
        for row, curve in zip(table, curves, strict=True):
            row[np.searchsorted(rpm, curve.rpm)] = curve.of(quantity)
        known = ~np.isnan(table)
        if not known.any():
            continue
        middle, left = _medians(table), table - _medians(table)
        if ways is not None:
            there, back = _medians(table[ways]), _medians(table[~ways])
            both = ~np.isnan(there) & ~np.isnan(back)
            left = np.where(both, table - np.where(ways[:, np.newaxis], there, back), left)
            middle = np.where(both, (there + back) / 2.0, middle)
        courses.append(
            Course(
                quantity,
                unit,
                tuple(middle.tolist()),
                tuple(robust(left).tolist()),
                tuple(known.sum(axis=0).tolist()),
            )
        )
    return Spread(tune, gear, len(curves), tuple(rpm), tuple(courses), ways is not None)


def _medians(table: Floats) -> Floats:
    """Medians of the known values down the first axis, NaN where there is none."""
    out = np.full(table.shape[1], np.nan)
    some = ~np.isnan(table).all(axis=0)
    if some.any():
        out[some] = np.nanmedian(table[:, some], axis=0)
    return out


def _ways(pulls: Sequence[Pull]) -> np.ndarray[tuple[int], np.dtype[np.bool_]] | None:
    """Which pulls go the first one's way; None unless all headings are known, of one road, and both ways driven."""
    headings = [p.heading_deg for p in pulls if p.heading_deg is not None]
    if len(headings) < len(pulls):
        return None
    turned = np.abs((np.array(headings) - headings[0] + 180.0) % 360.0 - 180.0)
    there, back = turned <= OPPOSITE_DEG, turned >= 180.0 - OPPOSITE_DEG
    return there if bool((there | back).all() and back.any()) else None


def corrected(
    pull: Pull, engine: Engine, edition: Edition, *, charging: Charging = Charging.TURBO, humidity: float = 0.5
) -> Corrected:
    """The pull's curve with power and torque corrected to standard air for a compression-ignition engine.

    The factor is of the engine's power; at the wheels it holds as far as losses follow the power. Fuel is what is told,
    else by air (speed and density) and mixture. Only where the text allows: factor 0.9..1.1, 283..313 K, 80..110 kPa.
    Raises UphaulError for a pull without a curve or without pressure and temperature of the air. Source: see
    `physics.correction`.
    """
    curve, name = pull.curve, edition.value[0]
    if curve is None or pull.baro_kpa is None or pull.ambient_degc is None:
        lacks = "a curve" if curve is None else "pressure and temperature of the air"
        raise UphaulError(f"a correction by {name} needs {lacks}")
    n = len(curve.rpm)
    rpm, baro, degc = np.array(curve.rpm), np.full(n, pull.baro_kpa), np.full(n, pull.ambient_degc)
    manifold = baro + curve.of("boost_kpa")
    drawn = flow.air_kg_s(
        rpm, manifold, curve.of("charge_degc"), np.full(n, engine.filling), displacement_l=engine.displacement_l
    )
    by_air = mixture.fuel_kg_s(drawn, mixture.afr_from_lambda(curve.of("mixture")))
    told = curve.of("fuel_kg_s")
    found = correction(
        air.dry_kpa(baro, degc, np.full(n, humidity)),
        degc,
        np.where(np.isnan(told), by_air, told),
        rpm,
        manifold / baro,
        displacement_l=engine.displacement_l,
        charging=charging,
        edition=edition,
    )
    factor = np.where(found.valid, found.factor, np.nan)
    notes = [f"Corrected by {name}, for {humidity:.0%} humidity, which no signal tells."]
    if np.isnan(found.factor).all():
        notes.append("Not corrected: fuel and boost are needed (fuel told, or mixture and charge temperature).")
    elif not found.valid.all():
        low, high = float(np.nanmin(found.factor)), float(np.nanmax(found.factor))
        notes.append(
            f"Refused at {int((~found.valid).sum())} of {n} speeds: the text holds for factors of 0.9 to 1.1, 10 to "
            f"40 degC and 80 to 110 kPa of dry air; the factors here are {low:.3f} to {high:.3f}."
        )

    def times(x: tuple[float, ...]) -> tuple[float, ...]:
        return tuple((np.array(x) * factor).tolist())

    made = replace(
        curve,
        power_kw=times(curve.power_kw),
        power_doubt_kw=times(curve.power_doubt_kw),
        torque_nm=times(curve.torque_nm),
        torque_doubt_nm=times(curve.torque_doubt_nm),
        shares=tuple((source, times(x)) for source, x in curve.shares),
    )
    return Corrected(made, name, tuple(found.factor.tolist()), tuple(notes))
