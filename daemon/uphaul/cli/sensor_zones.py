"""The table of ``uphaul sensors --zones``: what each signal's sensor reads, tells apart and can't."""

from __future__ import annotations

import json
from math import isfinite
from typing import TYPE_CHECKING

import click

from uphaul.cli import text

if TYPE_CHECKING:
    from uphaul.config.spec import Config, Input, SourceSpec, Wiring
    from uphaul.signals import Signal
    from uphaul.signals.transfer import Transfer
    from uphaul.signals.zones import Zone

__all__ = ["show_zones"]

Row = dict[str, object]

SWEEPS = {"V": (0.0, 0.0), "mV": (-78.0, 78.0), "degC": (-300.0, 2000.0)}
"""Readings that are looked at, by what a sensor reads: the ends of what converters for thermocouples have. Volts go to
a tenth over what the sensor calls a fault."""
SUPPLY_V, COLD_DEGC = 5.0, 25.0
MOST_V = 20.0


def show_zones(config: Config, *, as_json: bool) -> None:
    """Print for each measured signal what is measured, what is a fault, and how finely it can be told."""
    rows = [_row(config, signal) for signal in config.signals if not signal.computed]
    if as_json:
        click.echo(json.dumps({"signals": rows}, ensure_ascii=False, indent=1))
        return
    cells = [[str(row["signal"]), _place(row), str(row["sensor"] or "–"), _reach(row), _finely(row)] for row in rows]
    text.table(["signal", "from", "sensor", "values", "finely"], cells)
    for row in rows:
        lines = _wiring(row)
        if lines:
            click.echo(f"\n{row['signal']}: sensor {row['sensor']} at {_place(row)}")
            for line in lines:
                click.echo(f"  {line}")


# ------------------------------------------------------------------------------------------------------- rows


def _row(config: Config, signal: Signal) -> Row:
    origin = next((i for i in config.inputs if i.signal == signal.name), None)
    source = next((s for s in config.sources if origin is not None and s.name == origin.source), None)
    row: Row = {
        "signal": signal.name,
        "meaning": signal.meaning,
        "unit": signal.unit,
        "step": 1.0 / signal.per_unit,
        "range": [signal.low, signal.high] if isfinite(signal.low) and isfinite(signal.high) else None,
        "max_age_s": signal.max_age_ms / 1000.0,
        "source": None if origin is None else origin.source,
        "channel": None if origin is None else ".".join(filter(None, (origin.message, origin.field))),
        "sensor": None,
    }
    if origin is not None and origin.wiring is not None:
        row |= _sensor(origin, origin.wiring, source)
    return row


def _sensor(origin: Input, wiring: Wiring, source: SourceSpec | None) -> Row:
    from uphaul.config.spec import AdcSpec
    from uphaul.signals import Quality
    from uphaul.signals.zones import steepness, zones

    sensor = wiring.sensor
    low, high, beside = _sweep(sensor)
    found = zones(sensor, low, high, beside)
    good = next((z for z in found if z.quality is Quality.GOOD), None)
    slopes = steepness(sensor, good.low, good.high, beside) if good is not None else None
    row: Row = {
        "sensor": wiring.name,
        "reads": sensor.reads,
        "beside": {"channel": wiring.beside, "what": sensor.beside.value, "assumed": beside} if wiring.beside else None,
        "zones": [_zone(z, origin) for z in found],
        # volts by the millivolt, all else by one of what is read
        "per": {"V": "mV"}.get(sensor.reads, sensor.reads),
        "finely": None if slopes is None else [s * abs(origin.factor) * _per(sensor) for s in slopes],
    }
    if wiring.guard is not None and isinstance(source, AdcSpec):
        interval_s = wiring.every / source.rate_hz
        row["broken_wire"] = {
            "step_k": wiring.guard.one_sample_k(interval_s),
            "within_s": interval_s,
            "slow_drift_shows": wiring.guard.finds_slow_break,
            "believed_again_after_s": wiring.guard.rejoin_s,
        }
    return row


def _per(sensor: Transfer) -> float:
    return 0.001 if sensor.reads == "V" else 1.0


def _sweep(sensor: Transfer) -> tuple[float, float, float]:
    """(lowest reading, highest reading, what is measured beside)."""
    from uphaul.config.sensors import highest_v
    from uphaul.signals.transfer import Beside

    low, high = SWEEPS[sensor.reads]
    if sensor.reads == "V":
        high = min(1.1 * (highest_v(sensor) or MOST_V), MOST_V)
    supply = sum(getattr(sensor, "supply_range_v", (SUPPLY_V, SUPPLY_V))) / 2.0
    return low, high, {Beside.SUPPLY_V: supply, Beside.COLD_DEGC: COLD_DEGC}.get(sensor.beside, 0.0)


def _zone(zone: Zone, origin: Input) -> Row:
    values = None if zone.values is None else [v * origin.factor + origin.offset for v in zone.values]
    return {"from": zone.low, "to": zone.high, "quality": zone.quality.words, "values": values}


# ------------------------------------------------------------------------------------------------------- words


def _place(row: Row) -> str:
    return f"{row['source']} {row['channel']}" if row["source"] else "the drive file"


def _reach(row: Row) -> str:
    """Values that can be told from a fault: the sensor's, and within them what the signal's range allows."""
    found = row.get("zones")
    ends = [v for z in found for v in z["values"] or ()] if isinstance(found, list) else []
    limits = row["range"] if isinstance(row["range"], list) else []
    low, high = (min(ends), max(ends)) if ends else (-float("inf"), float("inf"))
    if limits:
        low, high = max(low, limits[0]), min(high, limits[1])
    if not isfinite(low) or not isfinite(high):
        return f"any {row['unit']}"
    return f"{text.number(low)} to {text.number(high, str(row['unit']))}"


def _finely(row: Row) -> str:
    step = f"judged by {text.number(_float(row['step']), str(row['unit']))}"
    slopes = row.get("finely")
    if not isinstance(slopes, list):
        return step
    least, most = (text.number(s) for s in slopes)
    span = least if least == most else f"{least} to {most}"
    return f"{span} {row['unit']} per {row['per']}, {step}"


def _wiring(row: Row) -> list[str]:
    found = row.get("zones")
    if not isinstance(found, list):
        return []
    lines = []
    beside = row["beside"]
    if isinstance(beside, dict):
        unit = "V" if beside["what"] == "supply" else "degC"
        lines.append(f"with {text.number(beside['assumed'], unit)} at {beside['channel']}, its {beside['what']}:")
    for zone in found:
        span = f"{text.number(zone['from'])} to {text.number(zone['to'], str(row['reads']))}"
        values = zone["values"]
        words = zone["quality"]
        if values is not None:
            first, last = (text.number(v) for v in values)
            told = first if first == last else f"{first} to {last}"
            words = f"{told} {row['unit']}" + ("" if words == "good" else f", {words}: at that end or beyond")
        lines.append(f"{span}: {words}")
    guard = row.get("broken_wire")
    if isinstance(guard, dict):
        lines.append(
            f"a step of more than {text.number(guard['step_k'], 'K')} in {text.number(guard['within_s'], 's')} "
            "is a broken wire" + ("" if guard["slow_drift_shows"] else "; one that drifts more slowly can't be told")
        )
    return lines


def _float(value: object) -> float:
    assert isinstance(value, float)
    return value
