"""What vehicles of one package do in a pull: the band in which the next one is expected, and where it lies.

Theory of operation. Each vehicle counts once, with the middle of its handover pulls. Over engine speed the middle of
the package is the median of its vehicles and the band is the median and so many robust standard deviations (median
absolute deviation) either way, so one odd vehicle hardly moves it. How many was found by simulation, so that of new
vehicles that scatter normally like the others 95 in 100 lie inside: few vehicles make a wide band.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from math import isnan

import numpy as np

from uphaul.analysis.pull_spread import COURSES, NORMAL, spread
from uphaul.analysis.pulls import Pull
from uphaul.physics.basis import Floats
from uphaul.vehicle.sheet import Airbox, BuildSheet, ChargeCooler, Exhaust, Injectors, Part, Turbo

__all__ = [
    "COMPARED",
    "HOW",
    "LEAST_VEHICLES",
    "WORDS",
    "Band",
    "Package",
    "Placement",
    "Sweep",
    "VehicleSummary",
    "package_bands",
    "package_summary",
    "parts_key",
    "placed",
]

LEAST_VEHICLES = 4
"""Fewer make no band: with one odd among three, nobody knows which. Source: our own choice."""

COMPARED = (
    "displacement, cylinders and governed speed of the engine; turbo, injectors, airbox, intercooler and exhaust by "
    "their makers' ratings; gears and final drive; the tune by its name"
)
"""What must be the same in vehicles of one package, in words."""

HOW = (
    "The band is the median of the vehicles and so many robust standard deviations (1.4826 times the median absolute "
    "deviation) either way that 95 in 100 new vehicles would lie inside if they scatter as the others do."
)

PARTS: dict[type[Part], str] = {
    Turbo: "turbo",
    Injectors: "injectors",
    Airbox: "airbox",
    ChargeCooler: "intercooler",
    Exhaust: "exhaust",
}
"""Parts that matter in a pull, in words."""

UNITS = {
    "_kpa": "kPa", "_kw": "kW", "_rpm": "rpm", "_mg_ms": "mg/ms", "_deg": "deg", "_kg_h": "kg/h", "_degc": "degC",
}  # fmt: skip
"""Units by the ends of the names of ratings."""

WHO = ("name", "title", "source")
"""Fields of a part that rate nothing."""

REACH = {
    4: 6.59, 5: 5.99, 6: 4.23, 7: 4.05, 8: 3.42, 9: 3.36, 10: 3.04, 11: 3.02, 12: 2.82, 16: 2.56, 20: 2.44, 30: 2.27,
}  # fmt: skip
"""Half width of the band in robust standard deviations by the number of vehicles; between two, straight over one part
in n; towards 1.96. Source: simulation with normal scatter (400,000 draws), done again in the tests."""

FLOOR = {"power_kw": 0.01, "torque_nm": 0.01, "boost_kpa": 1.0, "egt_degc": 5.0, "mixture": 0.01, "charge_degc": 1.0}
"""Least robust standard deviation, of power and torque as a share: vehicles that are alike by chance make no band
that is narrower than sensors repeat. Source: our own judgement."""

WORDS = {
    "power_kw": "power at the wheels",
    "torque_nm": "torque",
    "boost_kpa": "boost",
    "egt_degc": "exhaust temperature",
    "mixture": "mixture (lambda)",
    "charge_degc": "charge temperature",
}


@dataclass(frozen=True, slots=True)
class Sweep:
    """The middle of a vehicle's pulls in one tune and gear: `courses` by quantity (`COURSES`), each over `rpm`."""

    tune: str
    gear: int
    pulls: int
    rpm: tuple[float, ...]
    courses: tuple[tuple[str, tuple[float, ...]], ...]

    def of(self, quantity: str) -> Floats:
        """(N,) of a quantity, NaN where it was not known."""
        return np.array(dict(self.courses).get(quantity, (np.nan,) * len(self.rpm)), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class VehicleSummary:
    """One vehicle as it was handed over: a name for people, what it is made of (`parts_key`), its sweeps."""

    vehicle: str
    parts: tuple[str, ...]
    sweeps: tuple[Sweep, ...]


@dataclass(frozen=True, slots=True)
class Band:
    """Where a quantity is expected over `rpm` (N,) in a new vehicle: NaN where fewer than four vehicles tell."""

    tune: str
    gear: int
    quantity: str
    unit: str
    rpm: tuple[float, ...]
    middle: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    vehicles: tuple[int, ...]

    @property
    def title(self) -> str:
        """The quantity, for people."""
        return WORDS[self.quantity]


@dataclass(frozen=True, slots=True)
class Package:
    """The bands of vehicles with the same `parts`; `told` are sentences: who was left out, what has too few of them."""

    parts: tuple[str, ...]
    vehicles: int
    bands: tuple[Band, ...]
    told: tuple[str, ...]

    def band(self, tune: str | None, gear: int | None, quantity: str) -> Band | None:
        """The band of a quantity, None where there is none."""
        wanted = (tune, gear, quantity)
        return next((b for b in self.bands if (b.tune, b.gear, b.quantity) == wanted), None)


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a pull lies in a band: at each `rpm` "in", "above", "below" or "" (not known); `worst` is the distance from
    the middle in half widths of the band where that is largest, negative below.
    """

    quantity: str
    unit: str
    rpm: tuple[float, ...]
    place: tuple[str, ...]
    worst: float | None
    worst_rpm: float | None
    words: str

    @property
    def fits(self) -> bool | None:
        """Whether nothing lies outside; None where nothing could be compared."""
        return None if self.worst is None else not {"above", "below"} & set(self.place)


def parts_key(sheet: BuildSheet) -> tuple[str, ...]:
    """What must be the same for two vehicles to be of one package (`COMPARED`), as sorted words."""
    said = []
    if (engine := sheet.engine) is not None:
        said.append(f"engine {engine.displacement_l:g} L, {engine.cylinders} cylinders, {engine.governed_rpm:g} rpm")
    if (line := sheet.driveline) is not None:
        said.append(f"gears {', '.join(f'{g:g}' for g in line.gears)} by {line.final_drive:g}")
    for part in sheet.parts:
        if (kind := PARTS.get(type(part))) is not None:
            ratings = [(f.name, getattr(part, f.name)) for f in fields(part) if f.name not in WHO]
            said.append(f"{kind}: {', '.join(_rating(n, v) for n, v in sorted(ratings) if v is not None)}")
    return tuple(sorted(said))


def _rating(name: str, value: float | bool) -> str:
    """A rating by the name of its field, whose end is its unit."""
    if isinstance(value, bool):
        return f"{name.replace('_', ' ')} {'yes' if value else 'no'}"
    for end, unit in UNITS.items():
        if name.endswith(end):
            return f"{name.removesuffix(end).replace('_', ' ')} {value:g} {unit}"
    return f"{name.replace('_', ' ')} {value:g}"


def package_summary(vehicle: str, sheet: BuildSheet, pulls: Sequence[Pull]) -> VehicleSummary:
    """What is kept of a vehicle's handover pulls; those without a known tune or gear are left out."""
    sweeps = [
        Sweep(s.tune, s.gear, s.pulls, s.rpm, tuple((c.quantity, c.middle) for c in s.courses))
        for s in spread(pulls)
        if s.tune is not None and s.gear is not None
    ]
    return VehicleSummary(vehicle, parts_key(sheet), tuple(sweeps))


def package_bands(vehicles: Sequence[VehicleSummary], parts: tuple[str, ...] | None = None) -> Package:
    """The bands of the vehicles with these `parts`; by default with the commonest ones, the first of equals."""
    told: list[str] = []
    if parts is None:
        keys = [v.parts for v in vehicles]
        parts = max(dict.fromkeys(keys), key=keys.count, default=())
    alike = [v for v in vehicles if v.parts == parts]
    for v in vehicles:
        if v.parts != parts:
            others = sorted(set(v.parts) ^ set(parts))
            told.append(f"{v.vehicle}: other parts, left out ({others[0] if others else 'another order'})")
    bands: list[Band] = []
    keys_of = list(dict.fromkeys((s.tune, s.gear) for v in alike for s in v.sweeps))
    for tune, gear in keys_of:
        sweeps = [s for v in alike for s in v.sweeps if (s.tune, s.gear) == (tune, gear)]
        made = [b for q in COURSES if (b := _band(tune, gear, q, sweeps)) is not None]
        bands += made
        if not made:
            told.append(f"tune {tune}, gear {gear}: {_few(len(sweeps))}")
    if not keys_of:
        told.append(_few(0))
    return Package(parts, len(alike), tuple(bands), tuple(told))


def _few(count: int) -> str:
    return f"too few vehicles ({count} of at least {LEAST_VEHICLES}): no band"


def _band(tune: str, gear: int, quantity: str, sweeps: Sequence[Sweep]) -> Band | None:
    rpm = sorted({r for s in sweeps for r in s.rpm})
    table = np.full((len(sweeps), len(rpm)), np.nan)
    for row, sweep in zip(table, sweeps, strict=True):
        row[np.searchsorted(rpm, sweep.rpm)] = sweep.of(quantity)
    count = (~np.isnan(table)).sum(axis=0)
    enough = count >= LEAST_VEHICLES
    if not enough.any():
        return None
    middle, half = np.full((2, len(rpm)), np.nan)
    for i in np.flatnonzero(enough):
        x = table[~np.isnan(table[:, i]), i]
        middle[i] = np.median(x)
        floor = FLOOR[quantity] * (abs(middle[i]) if quantity in ("power_kw", "torque_nm") else 1.0)
        half[i] = _reach(len(x)) * max(NORMAL * float(np.median(np.abs(x - middle[i]))), floor)
    low, high = middle - half, middle + half
    return Band(
        tune, gear, quantity, COURSES[quantity],
        *(tuple(x.tolist()) for x in (np.array(rpm), middle, low, high, count)),
    )  # fmt: skip


def _reach(count: int) -> float:
    """Half width for so many vehicles, in robust standard deviations."""
    known = list(REACH)
    inverse = np.array([0.0, *(1.0 / n for n in reversed(known))])
    return float(np.interp(1.0 / count, inverse, [1.96, *(REACH[n] for n in reversed(known))]))


def placed(pull: Pull, band: Band) -> Placement:
    """Where a pull's course lies in the band; the pull is of the band's tune and gear, or nothing is compared."""

    def nothing(why: str) -> Placement:
        return Placement(band.quantity, band.unit, (), (), None, None, f"{band.title}: not compared: {why}")

    if pull.curve is None or (pull.tune, pull.gear) != (band.tune, band.gear):
        return nothing("the pull has no curve, or is of another tune or gear")
    own = dict(zip(pull.curve.rpm, getattr(pull.curve, band.quantity), strict=True))
    place, far = [], []
    for rpm, middle, low, high in zip(band.rpm, band.middle, band.low, band.high, strict=True):
        value = own.get(rpm, float("nan"))
        known = not isnan(value + middle)
        place.append("" if not known else "above" if value > high else "below" if value < low else "in")
        far.append((value - middle) / (high - middle) if known else 0.0)
    known_at = [i for i, p in enumerate(place) if p]
    if not known_at:
        return nothing("no engine speed that both know")
    worst = max(known_at, key=lambda i: abs(far[i]))
    outside = [i for i in known_at if place[i] != "in"]
    value, vehicles = own[band.rpm[worst]], band.vehicles[worst]
    unit = "" if band.unit == "1" else f" {band.unit}"
    digits = 2 if band.unit == "1" else 0
    expected = f"{band.low[worst]:.{digits}f} to {band.high[worst]:.{digits}f}{unit}"
    if outside:
        words = (
            f"{band.title}: {place[worst]} the band at {len(outside)} of {len(known_at)} speeds, worst at "
            f"{band.rpm[worst]:.0f} rpm: {value:.{digits}f}{unit}, expected {expected} ({vehicles} vehicles)"
        )
    else:
        words = (
            f"{band.title}: in the band at all {len(known_at)} speeds, nearest to its edge at "
            f"{band.rpm[worst]:.0f} rpm: {value:.{digits}f}{unit}, expected {expected} ({vehicles} vehicles)"
        )
    return Placement(band.quantity, band.unit, band.rpm, tuple(place), far[worst], band.rpm[worst], words)
