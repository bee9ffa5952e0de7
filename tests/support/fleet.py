"""The invented vehicle for many drives at once: the demo vehicle's laws on arrays, with build and laws varied.

Theory of operation. `Family` says how vehicles are built: ranges of parameters, and which `laws` (0 the demo vehicle's,
1 and 2 others) compressor, charge cooler, friction, breathing and exhaust heat follow. Findings were built while
looking at `BUILT_ON` and, when a first trial on other laws had shown what did not carry over, `LOOKED_AT`. They are
tested on `TESTED_ON`, whose laws, parameters, sensors, drivers and seeds are others again and were not looked at.
`drive_fleet` (`fleet_drive`) moves all vehicles of a list of `Trip`s in step (50 ms) and reads their sensors twice a
second. A trip is a vehicle, a road, a weather, and at most one fault.

All of it is invented: figures from it say how well findings read this vehicle, and nothing of real ones.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

__all__ = ["BUILT_ON", "GRID_M", "LOOKED_AT", "TESTED_ON", "Family", "Trip", "Vehicle", "trip", "vehicle"]

F = npt.NDArray[np.float64]
GRID_M = 50.0


@dataclass(frozen=True, slots=True)
class Family:
    """How vehicles and drives of a family come out: (low, high) of every parameter, laws by name, seeds from `seed`."""

    name: str
    seed: int
    laws: int
    displacement_l: tuple[float, float] = (3.1, 3.3)
    volumetric: tuple[float, float] = (0.86, 0.90)
    head: tuple[float, float] = (0.72, 0.76)
    choke: tuple[float, float] = (0.185, 0.195)
    efficiency: tuple[float, float] = (0.70, 0.73)
    turbine: tuple[float, float] = (0.0160, 0.0166)
    cooler: tuple[float, float] = (0.95, 1.05)
    radiator: tuple[float, float] = (0.97, 1.08)
    driveline: tuple[float, float] = (0.89, 0.91)
    work: tuple[float, float] = (0.430, 0.440)
    drag_m2: tuple[float, float] = (3.4, 3.8)
    rolling: tuple[float, float] = (0.0095, 0.0105)
    vehicle_kg: tuple[float, float] = (2500.0, 2800.0)
    trailer_kg: tuple[float, float] = (1800.0, 2900.0)
    control: tuple[float, float] = (0.9, 1.1)
    noise: tuple[float, float] = (0.9, 1.1)
    lag: tuple[float, float] = (0.9, 1.1)
    foot: tuple[float, float] = (0.9, 1.2)
    gust_m_s: tuple[float, float] = (0.4, 0.9)


BUILT_ON = Family("built-on", seed=1_000_000, laws=0)
LOOKED_AT = Family(
    "looked-at",
    seed=77_000_000,
    laws=1,
    displacement_l=(2.7, 3.7),
    volumetric=(0.83, 0.93),
    head=(0.66, 0.80),
    choke=(0.175, 0.21),
    efficiency=(0.67, 0.75),
    turbine=(0.0150, 0.0180),
    cooler=(0.85, 1.2),
    radiator=(0.95, 1.2),
    driveline=(0.86, 0.93),
    work=(0.415, 0.445),
    drag_m2=(3.0, 4.4),
    rolling=(0.0085, 0.012),
    vehicle_kg=(2300.0, 3100.0),
    trailer_kg=(1500.0, 3200.0),
    control=(0.6, 1.5),
    noise=(1.0, 1.8),
    lag=(0.8, 1.6),
    foot=(0.6, 1.6),
    gust_m_s=(0.3, 1.2),
)
TESTED_ON = Family(
    "tested-on",
    seed=19_009_000_000,
    laws=2,
    displacement_l=(2.6, 3.8),
    volumetric=(0.82, 0.92),
    head=(0.68, 0.82),
    choke=(0.175, 0.205),
    efficiency=(0.66, 0.76),
    turbine=(0.0152, 0.0178),
    cooler=(0.8, 1.25),
    radiator=(0.95, 1.25),
    driveline=(0.85, 0.94),
    work=(0.41, 0.45),
    drag_m2=(2.9, 4.5),
    rolling=(0.008, 0.0125),
    vehicle_kg=(2200.0, 3200.0),
    trailer_kg=(1400.0, 3200.0),
    control=(0.6, 1.6),
    noise=(0.9, 1.9),
    lag=(0.7, 1.7),
    foot=(0.7, 1.7),
    gust_m_s=(0.3, 1.3),
)


@dataclass(frozen=True, slots=True)
class Vehicle:
    """One vehicle: its parameters by the names of `Family`, and whether boost control tells where its actuator is."""

    of: dict[str, float]
    laws: int
    actuator_told: bool = True


@dataclass(frozen=True, slots=True)
class Trip:
    """One drive: vehicle, road on a grid of 50 m, weather, stated and true mass, faults by name with their size."""

    vehicle: Vehicle
    seed: int
    height_m: F
    goal_m_s: F
    stops_m: tuple[float, ...]
    ambient_degc: float
    sea_level_kpa: float
    wind_m_s: float
    mass_kg: float
    tune: int = 1
    told_tune: int = 1
    warm: bool = True
    queue_s: float = 0.0
    seconds: float = 1500.0
    faults: dict[str, float] = field(default_factory=dict)
    channel: str = ""


def vehicle(family: Family, number: int) -> Vehicle:
    """The vehicle of that number of a family."""
    chance = np.random.default_rng([family.seed, number])
    names = [f for f in Family.__dataclass_fields__ if f not in ("name", "seed", "laws")]
    of = {n: float(chance.uniform(*getattr(family, n))) for n in names}
    return Vehicle(of, family.laws, actuator_told=number % 3 != 2)  # two thirds of them


def trip(
    family: Family,
    number: int,
    part: int,
    *,
    seconds: float = 1500.0,
    faults: dict[str, float] | None = None,
    channel: str = "",
    tune: int = 1,
    told_tune: int | None = None,
    queue_s: float = 0.0,
    hot: bool = False,
    cold: bool = False,
    slow: bool = False,
) -> Trip:
    """Trip `part` of the vehicle of that number: 0 the handover drive, others later ones on other roads and days."""
    chance = np.random.default_rng([family.seed, number, part])
    of = vehicle(family, number)
    length = 800
    grade = np.zeros(length)
    goal = np.full(length, chance.uniform(21.0, 25.0))
    at = int(chance.uniform(50, 70))
    while at < length:
        run, kind = int(chance.uniform(50, 110)), chance.integers(0, 4)
        slope = (chance.uniform(0.045, 0.070), chance.uniform(0.030, 0.050), 0.0, chance.uniform(-0.05, -0.02))[kind]
        if at < 80:
            slope, run = (
                chance.uniform(0.050, 0.068) + 0.02 * slow,
                int(chance.uniform(90, 130)),
            )  # every trip has one long climb
        grade[at : at + run] = slope
        goal[at : at + run] = (
            (chance.uniform(12.5, 15.0) if slow else chance.uniform(19.0, 23.0))
            if slope > 0.02
            else chance.uniform(20.0, 25.0)
        )
        at += run
    grade = np.convolve(grade, np.ones(5) / 5, mode="same") + chance.normal(0, 0.002, length)
    height = chance.uniform(50.0, 1300.0) + np.concatenate([[0.0], np.cumsum(grade[:-1]) * GRID_M])
    stops = tuple(float(s) for s in np.sort(chance.uniform(1500.0, 24_000.0, 3)))
    told = tune if told_tune is None else told_tune
    return Trip(
        vehicle=of,
        seed=int(chance.integers(2**31)),
        height_m=height,
        goal_m_s=goal,
        stops_m=stops,
        ambient_degc=float(
            chance.uniform(*((37.0, 42.0) if slow else (28.0, 38.0) if hot else (-5.0, 12.0) if cold else (2.0, 34.0)))
        ),
        sea_level_kpa=float(chance.uniform(99.5, 103.0)),
        wind_m_s=float(chance.normal(0.0, 1.0)),
        mass_kg=of.of["vehicle_kg"] + of.of["trailer_kg"] * float(chance.uniform(0.75, 1.0)),
        tune=tune,
        told_tune=told,
        warm=bool(chance.random() < 0.6),
        queue_s=queue_s,
        seconds=seconds,
        faults=dict(faults or {}),
        channel=channel,
    )
