"""Units at the edge: which are compatible, how they convert, and how finely each is judged and logged.

A signal keeps its owner's unit from the configuration to the log, so that a limit written as 35 psi is judged
as 35 psi exactly. Formulas in `physics` take the canonical unit of each kind (kPa, degC, s, m/s, kg, N·m, kW,
rpm); `convert` stands between the two.

Source of the factors: NIST SP 811 (2008) appendix B; inHg, mmHg and inH2O are the conventional ones, hp is
550 ft·lbf/s, PS the metric horsepower of 75 kgf·m/s.
Resolutions (`per_unit`) are our own starting points: finer than the sensor, coarse enough to log small.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

__all__ = ["UNITS", "Unit", "canonical", "compatible", "convert", "default_per_unit", "find"]

Number = TypeVar("Number", float, npt.NDArray[np.float64])


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: canonical value = value * factor + offset. `per_unit` is the default counts per unit."""

    name: str
    kind: str
    factor: float
    offset: float
    per_unit: int
    aliases: tuple[str, ...] = ()


def _table() -> dict[str, Unit]:
    rows = [
        # name, kind, factor to canonical, offset, counts per unit, aliases
        Unit("kPa", "pressure", 1.0, 0.0, 10, ("kpa", "KPa")),
        Unit("Pa", "pressure", 0.001, 0.0, 1),
        Unit("hPa", "pressure", 0.1, 0.0, 10),
        Unit("mbar", "pressure", 0.1, 0.0, 10),
        Unit("bar", "pressure", 100.0, 0.0, 1000),
        Unit("MPa", "pressure", 1000.0, 0.0, 1000),
        Unit("psi", "pressure", 6.894757293168361, 0.0, 100),
        Unit("inHg", "pressure", 3.386389, 0.0, 100),
        Unit("mmHg", "pressure", 0.133322387415, 0.0, 10),
        Unit("inH2O", "pressure", 0.24908891, 0.0, 10),
        Unit("degC", "temperature", 1.0, 0.0, 4, ("°C", "C", "Celsius")),
        Unit("degF", "temperature", 5.0 / 9.0, -160.0 / 9.0, 4, ("°F", "F", "Fahrenheit")),
        Unit("K", "temperature", 1.0, -273.15, 4),
        Unit("K/s", "temperature rate", 1.0, 0.0, 100, ("degC/s", "°C/s")),
        Unit("K/min", "temperature rate", 1.0 / 60.0, 0.0, 10, ("degC/min", "°C/min")),
        Unit("rpm", "rotation", 1.0, 0.0, 4, ("1/min", "r/min", "RPM", "/min")),
        Unit("km/h", "speed", 1.0 / 3.6, 0.0, 100, ("kph", "kmh")),
        Unit("mph", "speed", 0.44704, 0.0, 100),
        Unit("m/s", "speed", 1.0, 0.0, 100),
        Unit("m/s2", "acceleration", 1.0, 0.0, 1000, ("m/s^2", "m/s²")),
        Unit("V", "voltage", 1.0, 0.0, 1000),
        Unit("mV", "voltage", 0.001, 0.0, 100),
        Unit("A", "current", 1.0, 0.0, 100),
        Unit("Hz", "frequency", 1.0, 0.0, 100),
        Unit("kHz", "frequency", 1000.0, 0.0, 1000),
        Unit("%", "ratio", 0.01, 0.0, 10, ("percent",)),
        Unit("1", "ratio", 1.0, 0.0, 1000, ("", "-", "ratio")),
        Unit("m", "length", 1.0, 0.0, 10),
        Unit("km", "length", 1000.0, 0.0, 1000),
        Unit("ft", "length", 0.3048, 0.0, 10),
        Unit("mi", "length", 1609.344, 0.0, 1000),
        Unit("s", "time", 1.0, 0.0, 1000),
        Unit("ms", "time", 0.001, 0.0, 100),
        Unit("min", "time", 60.0, 0.0, 1000),
        Unit("h", "time", 3600.0, 0.0, 1000),
        Unit("deg", "angle", 1.0, 0.0, 100, ("°",)),
        Unit("kg", "mass", 1.0, 0.0, 10),
        Unit("t", "mass", 1000.0, 0.0, 1000),
        Unit("lb", "mass", 0.45359237, 0.0, 10),
        Unit("kg/s", "mass flow", 1.0, 0.0, 10000),
        Unit("kg/h", "mass flow", 1.0 / 3600.0, 0.0, 10),
        Unit("g/s", "mass flow", 0.001, 0.0, 100),
        Unit("lb/min", "mass flow", 0.45359237 / 60.0, 0.0, 100),
        Unit("L/h", "volume flow", 1.0, 0.0, 100, ("l/h",)),
        Unit("L", "volume", 1.0, 0.0, 100, ("l",)),
        Unit("kg/m3", "density", 1.0, 0.0, 10000, ("kg/m^3", "kg/m³")),
        Unit("kW", "power", 1.0, 0.0, 10),
        Unit("hp", "power", 0.7456998715822702, 0.0, 10),
        Unit("PS", "power", 0.73549875, 0.0, 10, ("metric hp", "hp(metric)", "cv", "ch", "pk")),
        Unit("g/kWh", "specific consumption", 1.0, 0.0, 10),
        Unit("lb/(hp·h)", "specific consumption", 608.2773878417611, 0.0, 10000, ("lb/(hp*h)", "lb/hp/h", "lb/hph")),
        Unit("N·m", "torque", 1.0, 0.0, 10, ("Nm", "N.m")),
        Unit("lbf·ft", "torque", 1.3558179483314004, 0.0, 10, ("lb-ft", "lbft")),
        Unit("N", "force", 1.0, 0.0, 1),
        Unit("kJ", "energy", 1.0, 0.0, 10),
    ]
    return {name: u for u in rows for name in (u.name, *u.aliases)}


UNITS: dict[str, Unit] = _table()


def find(name: str) -> Unit | None:
    """The unit of that name or alias, or None."""
    return UNITS.get(name.strip())


def canonical(name: str) -> str:
    """The unit's one spelling (``°C`` -> ``degC``). Raises KeyError for an unknown unit."""
    return UNITS[name.strip()].name


def compatible(a: str, b: str) -> bool:
    """True when both are known units of one kind."""
    ua, ub = find(a), find(b)
    return ua is not None and ub is not None and ua.kind == ub.kind


def convert(value: Number, source: str, target: str) -> Number:
    """`value` in unit `source` expressed in unit `target`, unchanged to the bit when they are the same.

    Raises KeyError for an unknown unit and ValueError when the kinds differ.
    """
    a, b = UNITS[source.strip()], UNITS[target.strip()]
    if a.name == b.name:
        return value
    if a.kind != b.kind:
        raise ValueError(f"{a.name} is a {a.kind} and {b.name} a {b.kind}")
    return (value * a.factor + a.offset - b.offset) / b.factor


def default_per_unit(name: str) -> int:
    """Counts per unit that a signal of this unit gets when its owner names none."""
    return UNITS[name.strip()].per_unit
