"""An invented drive for the log's tests and figures: signals that drift, jitter or stand still, as sensors do."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from uphaul.config.spec import Config
from uphaul.log.record import TickRecord
from uphaul.signals import Signal
from uphaul.vehicle import Tune, Vehicle

# name, unit, counts per unit, start, slow wander and quick noise (both in units, per tick), lowest, highest
_CHANNELS = [
    ("rpm", "rpm", 4, 1800.0, 6.0, 3.0, 700.0, 4200.0),
    ("boost", "kPa", 10, 190.0, 0.8, 0.5, 95.0, 330.0),
    ("egt", "degC", 4, 520.0, 0.9, 0.5, 150.0, 850.0),
    ("coolant", "degC", 4, 88.0, 0.02, 0.05, 20.0, 118.0),
    ("oil_temp", "degC", 4, 97.0, 0.015, 0.05, 20.0, 135.0),
    ("oil_pressure", "kPa", 10, 380.0, 0.7, 0.8, 60.0, 620.0),
    ("charge_temp", "degC", 4, 46.0, 0.05, 0.08, 10.0, 95.0),
    ("ambient", "degC", 4, 31.0, 0.001, 0.0, -10.0, 45.0),
    ("speed", "km/h", 100, 78.0, 0.05, 0.02, 0.0, 120.0),
    ("pedal", "%", 10, 55.0, 0.8, 0.3, 0.0, 100.0),
    ("fuel_rate", "L/h", 100, 19.0, 0.2, 0.1, 0.8, 45.0),
    ("baro", "kPa", 10, 98.0, 0.002, 0.0, 70.0, 103.0),
    ("gear", "1", 1, 5.0, 0.002, 0.0, 0.0, 6.0),
    ("fan", "%", 10, 30.0, 0.0, 0.0, 0.0, 100.0),
    ("battery", "V", 1000, 14.1, 0.001, 0.004, 11.0, 15.0),
    ("charge_effect", "1", 1000, 0.82, 0.001, 0.002, 0.0, 1.0),
]


def signals(number: int = 16) -> tuple[Signal, ...]:
    """That many signals; beyond the sixteenth the same kinds again under other names."""
    found = []
    for i in range(number):
        name, unit, per_unit, _, _, _, low, high = _CHANNELS[i % len(_CHANNELS)]
        title = name if i < len(_CHANNELS) else f"{name}_{i}"
        found.append(Signal(title, unit, per_unit, low=low, high=high, meaning="invented"))
    return tuple(found)


def counts(ticks: int, number: int = 16, seed: int = 1) -> npt.NDArray[np.int64]:
    """Counts (ticks, number): a bounded random walk and noise on top, rounded to the signal's grid."""
    rng = np.random.default_rng(seed)
    out = np.empty((ticks, number), np.int64)
    for i in range(number):
        _, _, per_unit, start, wander, noise, low, high = _CHANNELS[i % len(_CHANNELS)]
        walk = start + np.cumsum(rng.normal(0.0, wander, ticks)) if wander else np.full(ticks, start)
        span = high - low
        folded = low + np.abs((walk - low + span) % (2 * span) - span)  # reflected at the bounds
        value = folded + (rng.normal(0.0, noise, ticks) if noise else 0.0)
        out[:, i] = np.rint(np.clip(value, low, high) * per_unit)
    return out


def config(columns: tuple[Signal, ...] | None = None, *, text: str = "invented", tick_hz: int = 20) -> Config:
    """A configuration with these signals, two tunes and no rules; `text` is that of its only file."""
    return Config(
        tick_hz=tick_hz,
        gap_ms=1000,
        sources=(),
        signals=signals() if columns is None else columns,
        inputs=(),
        computed=(),
        rules=(),
        vehicle=Vehicle("invented", (Tune("stock"), Tune("tow"))),
        files=(("signals.toml", text),),
    )


def records(
    rows: npt.NDArray[np.int64], *, first_t_ms: int = 0, tick_ms: int = 50, tune: int = 1
) -> Iterator[TickRecord]:
    """One record a row, nothing but values."""
    for i, row in enumerate(rows.tolist()):
        yield TickRecord(first_t_ms + i * tick_ms, tune, row)
