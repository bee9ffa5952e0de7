"""From the tables of sensors to what the transfer functions are described by, and where their faults begin."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from uphaul.config import sensor_tables as t
from uphaul.config.amounts import Scope
from uphaul.signals.thermocouple import type_k_mv
from uphaul.signals.transfer import (
    FINE_UV_PER_K,
    NTC_CURVES,
    AnalogueAmplifier,
    Beside,
    Beta,
    Bias,
    Burnout,
    Curve,
    Linear,
    LinearisedConverter,
    NtcDivider,
    NtcTable,
    PlainVolts,
    ProbeGuard,
    Ratiometric,
    SteinhartHart,
    StraightLineConverter,
    Table,
    Transfer,
    TransferError,
    TypeK,
)
from uphaul.units import UNITS, find

__all__ = ["Sensor", "build_sensors", "highest_v"]

REJOIN_S = 1.0
"""A broken probe is believed again after so long steady, unless the configuration says otherwise. Our own choice: far
longer than a loose contact takes from one break to the next."""

Pairs = Iterable[list[float]]


@dataclass(frozen=True, slots=True)
class Sensor:
    """A sensor as it is wired up: its description, and the watch over a probe whose wire may break."""

    transfer: Transfer
    guard: ProbeGuard | None = None


def build_sensors(scope: Scope, tables: Mapping[str, t.SensorTable]) -> dict[str, Sensor | None]:
    """Every sensor by its name, None for one at fault."""
    return {name: _build(scope, f"sensor.{name}", table) for name, table in tables.items()}


def _build(scope: Scope, key: str, table: t.SensorTable) -> Sensor | None:
    unit = getattr(table, "unit", None)
    if unit is not None and find(unit) is None:
        scope.wrong(f"{key}.unit", unit, "must be a unit that is known", known=UNITS)
        return None
    try:
        transfer = _transfer(scope, key, table)
        guard = _guard(table) if isinstance(table, t.ProbeTable) else None
    except TransferError as error:
        within = {"steinhart-hart": "steinhart_hart.", "beta": "beta."}.get(error.kind, "")
        scope.wrong(f"{key}.{within}{error.key}", _plain(error.value), error.allowed)
        return None
    return None if transfer is None else Sensor(transfer, guard)


def _plain(value: object) -> object:
    return list(value) if isinstance(value, tuple) else value


def _pair(values: list[float]) -> tuple[float, float]:
    return values[0], values[1]


def _points(pairs: Pairs) -> tuple[tuple[float, float], ...]:
    return tuple(_pair(p) for p in pairs)


def _transfer(scope: Scope, key: str, table: t.SensorTable) -> Transfer | None:
    """The description, or None with the problem noted. Raises TransferError for what it finds wrong itself."""
    match table:
        case t.VoltsTable():
            return PlainVolts(table.fault_below_v, table.fault_above_v, Bias(table.bias))
        case t.LinearTable():
            return Linear(
                table.low_v, table.low_value, table.high_v, table.high_value, UNITS[table.unit].name,
                table.fault_below_v, table.fault_above_v, Bias(table.bias), table.rail_v, table.tolerance_v,
            )  # fmt: skip
        case t.RatiometricTable():
            return Ratiometric(
                table.low_share, table.low_value, table.high_share, table.high_value, UNITS[table.unit].name,
                table.fault_below_share, table.fault_above_share, Bias(table.bias), _pair(table.supply_range_v),
                table.tolerance_share,
            )  # fmt: skip
        case t.PointsTable():
            return Table(
                _points(table.points), UNITS[table.unit].name, table.fault_below, table.fault_above,
                table.ratiometric, Bias(table.bias), table.rail_v, _pair(table.supply_range_v),
            )  # fmt: skip
        case t.NtcSensorTable():
            curve = _curve(scope, key, table)
            if curve is None:
                return None
            return NtcDivider(curve, table.fixed_ohm, table.pull_up, table.rail_margin, _pair(table.supply_range_v))
        case t.ThermocoupleTable():
            return TypeK(_pair(table.range_degc), Burnout(table.burnout), _pair(table.cold_range_degc))
        case t.AmplifierTable():
            return AnalogueAmplifier(
                table.reference_v, table.supply_v, table.headroom_v, table.ground_v, _pair(table.range_degc)
            )
        case t.ConverterTable(straight_line=True):
            return StraightLineConverter(table.uv_per_k or FINE_UV_PER_K, _pair(table.range_degc))
        case t.ConverterTable():
            if table.uv_per_k is not None:
                scope.wrong(f"{key}.uv_per_k", table.uv_per_k, "must be left out unless straight_line = true")
                return None
            return LinearisedConverter(_pair(table.range_degc))


def _curve(scope: Scope, key: str, table: t.NtcSensorTable) -> Curve | None:
    ways = {
        "curve": table.curve, "steinhart_hart": table.steinhart_hart, "beta": table.beta, "points": table.points
    }  # fmt: skip
    given = [way for way, value in ways.items() if value is not None]
    if len(given) != 1:
        scope.wrong(key, None, "needs exactly one of curve, steinhart_hart, beta and points")
        return None
    if table.curve is not None:
        curve = NTC_CURVES.get(table.curve)
        if curve is None:
            allowed = "must be one of " + ", ".join(NTC_CURVES)
            scope.wrong(f"{key}.curve", table.curve, allowed, known=NTC_CURVES)
        return curve
    if table.steinhart_hart is not None:
        s = table.steinhart_hart
        return SteinhartHart(s.a, s.b, s.c, _pair(s.range_degc), s.square, s.ohm)
    if table.beta is not None:
        b = table.beta
        return Beta(b.ohm, b.at_degc, b.beta_k, _pair(b.range_degc))
    return NtcTable(_points(table.points or ()))


def _guard(table: t.ProbeTable) -> ProbeGuard:
    """The watch over a probe's wire. An amplifier and a converter show an open circuit, a bare one by its current."""
    shows = not isinstance(table, t.ThermocoupleTable) or table.burnout != "none"
    rejoin_s = table.rejoin_s if table.rejoin_s is not None or not shows else REJOIN_S
    return ProbeGuard.of(table.time_constant_s, finds_slow_break=shows, rejoin_s=rejoin_s)


def highest_v(sensor: Transfer) -> float | None:
    """Volts at the wire above which a reading is a fault, at the highest supply; None if no high voltage is one.

    A converter that can't read beyond it would take a short or an open circuit for the highest value.
    """
    match sensor:
        case PlainVolts() | Linear():
            return sensor.fault_above_v
        case Ratiometric():
            return sensor.faults[1] * sensor.supply_range_v[1]
        case Table():
            return sensor.fault_above * (sensor.supply_range_v[1] if sensor.beside is Beside.SUPPLY_V else 1.0)
        case NtcDivider():
            short, open_ = (ohm / (ohm + sensor.fixed_ohm) for ohm in sensor.limits_ohm)
            return (open_ if sensor.pull_up else 1.0 - short) * sensor.supply_range_v[1]
        case AnalogueAmplifier():
            return sensor.supply_v - sensor.headroom_v
        case TypeK():
            # the coldest terminals make the voltage of the range's top the highest
            ends = type_k_mv(np.array([sensor.range_degc[1], sensor.cold_range_degc[0]]))
            return float(ends[0] - ends[1]) / 1000.0
        case _:
            return None
