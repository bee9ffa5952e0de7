"""Drives of the invented vehicle as columns, each made once, and the climb that a practitioner believes."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from uphaul.config.scenario import load_scenario
from uphaul.demo import CHANNELS, Model, Scenario

__all__ = ["BANDS", "CLIMB", "COLUMNS", "Drive", "climb_rows", "drive", "drive_of", "foot_s"]

Columns = npt.NDArray[np.float64]

COLUMNS = ("altitude", "speed", "gear", "rpm", "boost", "egt", "coolant", "charge", "afr", "power")

# Source: common practice. Calculated for 3.2 L, 2.7 t with a 2.7 t trailer, 6.5 %, 35 degC at the foot, with CdA
# 3.6 m2, Crr 0.010, driveline 90 %, VE 0.88 and 222 g/kWh; no published measurement. Minutes from the foot, then:
# m, km/h, gear, rpm, kPa gauge, degC, degC, degC, 1, kW at the crankshaft.
CLIMB = {
    0.0: (300, 85, 5, 2045, 70, 475, 88, 56, 26.0, 48),
    0.5: (320, 80, 4, 2730, 141, 655, 89, 67, 19.7, 128),
    1.0: (400, 78, 4, 2660, 152, 668, 90, 73, 20.3, 125),
    4.0: (660, 78, 4, 2660, 151, 678, 97, 75, 20.0, 124),
    8.0: (1000, 75, 4, 2560, 160, 690, 101, 78, 19.7, 122),
    10.0: (1160, 75, 4, 2560, 159, 694, 102, 77, 19.6, 122),
}

# How far the model may be off, each way: our own choice, about what separates two vehicles of one build.
BANDS = dict(zip(COLUMNS, (45, 3, 0, 90, 12, 25, 4, 8, 1.7, 5), strict=True))


@dataclass(frozen=True, slots=True)
class Drive:
    """A drive in columns: `t_s` (N,), each channel (N,) by name, and which channels were faulted when."""

    t_s: Columns
    of: dict[str, Columns]
    faulted: dict[str, npt.NDArray[np.bool_]]

    def __getitem__(self, name: str) -> Columns:
        return self.of[name]

    @property
    def boost(self) -> Columns:
        """Intake pressure above barometric, kPa."""
        return self.of["map"] - self.of["baro"]

    def between(self, start_s: float, stop_s: float) -> npt.NDArray[np.bool_]:
        """Mask of the readings in that time."""
        return (self.t_s >= start_s) & (self.t_s < stop_s)


def drive_of(scenario: Scenario, *, seed: int | None = None, hz: float = 5.0, seconds: float | None = None) -> Drive:
    """The scenario driven to its end (or for `seconds`), read at `hz`."""
    model = Model(scenario, seed)
    times = np.arange(0.0, scenario.duration_s if seconds is None else seconds, 1.0 / hz)
    rows, faults = [], []
    for t_s in times.tolist():
        rows.append(list(model.step(t_s).values()))
        faults.append([name in model.faulted for name in CHANNELS])
    values, broken = np.array(rows), np.array(faults)
    return Drive(
        times,
        {name: values[:, i] for i, name in enumerate(CHANNELS)},
        {name: broken[:, i] for i, name in enumerate(CHANNELS)},
    )


@functools.cache
def drive(name: str, seed: int | None = None, healthy: bool = False) -> Drive:
    """The scenario of that name; `healthy` leaves its faults out."""
    scenario = load_scenario(name)
    return drive_of(replace(scenario, faults=()) if healthy else scenario, seed=seed)


def foot_s(climb: Drive) -> float:
    """When the climb begins: the scenario ``climb-heat`` has 1.5 km of flat road before it."""
    return float(climb.t_s[np.argmax(climb["distance"] >= 1500.0)])


def climb_rows(climb: Drive) -> dict[float, tuple[float, ...]]:
    """The model's figures at the minutes of `CLIMB`: means over 20 s, 8 s where things move."""
    rows: dict[float, tuple[float, ...]] = {}
    for minute in CLIMB:
        around_s = 4.0 if minute == 0.5 else 10.0
        at_s = foot_s(climb) + 60.0 * minute - (around_s if minute == 0.0 else 0.0)
        mask = climb.between(at_s - around_s, at_s + around_s)
        columns = {**climb.of, "boost": climb.boost}
        rows[minute] = tuple(float(columns[name][mask].mean()) for name in COLUMNS)
    return rows
