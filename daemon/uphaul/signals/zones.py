"""What a sensor's electrical readings mean from one end to the other: where it is a value and where it is which fault.

Found by asking the transfer function itself, so that what is told to the person who wires it up is what is judged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from uphaul.signals.model import Quality
from uphaul.signals.reading import Floats
from uphaul.signals.transfer import Transfer

__all__ = ["Zone", "steepness", "zones"]

POINTS = 4001
HALVINGS = 40


@dataclass(frozen=True, slots=True)
class Zone:
    """Readings from `low` to `high`, in what the sensor reads, have `quality`.

    `values` are those of the two ends, None where the zone is a fault.
    """

    low: float
    high: float
    quality: Quality
    values: tuple[float, float] | None


def zones(sensor: Transfer, low: float, high: float, beside: float) -> tuple[Zone, ...]:
    """The zones between the readings `low` and `high`, with `beside` measured beside the sensor all the way."""
    at = np.linspace(low, high, POINTS)
    quality = sensor.read(at, np.full(POINTS, beside)).quality
    edges = np.flatnonzero(np.diff(quality))
    found, start = [], low
    for i in edges:
        under, over = _edge(sensor, float(at[i]), float(at[i + 1]), beside)
        found.append(_zone(sensor, start, under, beside))
        start = over
    return (*found, _zone(sensor, start, high, beside))


def _edge(sensor: Transfer, under: float, over: float, beside: float) -> tuple[float, float]:
    """The last reading of the one quality and the first of the other, by halving what lies between."""
    first = sensor.read([under], [beside]).quality[0]
    for _ in range(HALVINGS):
        middle = (under + over) / 2.0
        if sensor.read([middle], [beside]).quality[0] == first:
            under = middle
        else:
            over = middle
    return under, over


def _zone(sensor: Transfer, low: float, high: float, beside: float) -> Zone:
    ends = sensor.read([low, high], [beside, beside])
    quality = Quality(int(ends.quality[0]))
    return Zone(low, high, quality, (float(ends.values[0]), float(ends.values[1])) if quality.known else None)


def steepness(sensor: Transfer, low: float, high: float, beside: float) -> tuple[float, float]:
    """(least, most) change of the value for one unit of the reading, between two good readings: how finely it tells."""
    at = np.linspace(low, high, POINTS)
    slope: Floats = np.abs(np.diff(sensor.read(at, np.full(POINTS, beside)).values) / np.diff(at))
    return float(np.nanmin(slope)), float(np.nanmax(slope))
