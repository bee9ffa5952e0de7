"""What a configuration that is in order leaves to be said: how good its computed signals are, and what they are by."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import numpy as np

from uphaul.config.spec import Config
from uphaul.derive import Deriver
from uphaul.derive.fuel import CORRECTED, OFF
from uphaul.physics.basis import Floats
from uphaul.physics.correction import WHY_OFF

__all__ = ["Typical", "correction_notes", "typical", "usual_readings"]


@dataclass(frozen=True, slots=True)
class Typical:
    """A computed signal at typical values: its value there and its standard uncertainty, None where unknown."""

    signal: str
    unit: str
    formula: str
    value: float | None
    uncertainty: float | None


def usual_readings(config: Config) -> dict[str, float]:
    """The usual reading of each signal that has one, in its unit, the typical one where only that is written.

    Of computed signals that have neither, it is from those of their inputs.
    """
    written = {a.signal: a.typical for a in config.accuracies if a.typical is not None}
    usual = {a.signal: a.usual for a in config.accuracies if a.usual is not None}
    deriver = Deriver(config.signals, config.computed, gap_ms=config.gap_ms)
    values = _row(config, deriver, {**written, **usual})[0].tolist()
    found = {s.name: x for s, x in zip(config.signals, values, strict=True) if isfinite(x)}
    return {**found, **usual}


def typical(config: Config) -> list[Typical]:
    """Every computed signal, in the order of the file. Measured signals without a typical value are unknown."""
    given = {a.signal: a.uncertainty for a in config.accuracies if a.uncertainty is not None}
    deriver = Deriver(config.signals, config.computed, gap_ms=config.gap_ms)
    values = _typical_row(config, deriver)
    found = deriver.uncertainty(values, given)
    column = {s.name: k for k, s in enumerate(config.signals)}
    return [
        Typical(
            c.signal.name,
            c.signal.unit,
            c.formula,
            _number(values[0, column[c.signal.name]]),
            _number(found[c.signal.name][0]),
        )
        for c in config.computed
    ]


def _typical_row(config: Config, deriver: Deriver) -> Floats:
    return _row(config, deriver, {a.signal: a.typical for a in config.accuracies if a.typical is not None})


def _row(config: Config, deriver: Deriver, written: dict[str, float]) -> Floats:
    values = np.array([[written.get(s.name, np.nan) for s in config.signals]])
    deriver.steady(values)
    return values


def correction_notes(config: Config) -> list[str]:
    """For every corrected power: by which text, or why it is not corrected."""
    notes = []
    for c in config.computed:
        if c.formula == CORRECTED:
            edition = str(dict(c.constants).get("edition", OFF))
            notes.append(f"{c.signal.name}: " + (WHY_OFF if edition == OFF else f"corrected by {edition}"))
    return notes


def _number(x: float) -> float | None:
    return float(x) if np.isfinite(x) else None
