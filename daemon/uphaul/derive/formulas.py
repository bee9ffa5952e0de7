"""The formulas that a computed signal can name, and what fills in the computed columns of a block.

A formula sees arrays in the canonical unit of each kind (kPa, degC, rpm ...) and gives one in the canonical unit of its
own; `Deriver` converts on both sides and runs the formulas in an order in which each finds its inputs. Elementwise
arithmetic only: a tick alone and a whole drive must give the same bits.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from uphaul.derive.spec import Computed
from uphaul.errors import UphaulError
from uphaul.physics.charge import LEAST_SPREAD_K, cooler_effectiveness, gauge_kpa, quotient
from uphaul.signals import Signal, index_of, quantise
from uphaul.units import UNITS, Unit, compatible, convert

__all__ = ["ANY", "FORMULAS", "Constant", "Deriver", "Formula", "in_order", "unit_faults"]

Floats = npt.NDArray[np.float64]

ANY = "any"
"""Kind of an input or result that is free, but the same for all of a formula's inputs that have it."""


@dataclass(frozen=True, slots=True)
class Constant:
    """A constant of a formula, in canonical units: its default and what it is."""

    name: str
    default: float
    unit: str
    meaning: str
    low: float = -np.inf


@dataclass(frozen=True, slots=True)
class Formula:
    """One formula. `inputs` are (name, kind of unit) pairs; `compute` takes arrays and constants by those names.

    `spread`: the result is a distance between two values (a temperature difference has no zero point to move).
    """

    name: str
    inputs: tuple[tuple[str, str], ...]
    result: str
    compute: Callable[[Mapping[str, Floats], Mapping[str, float]], Floats]
    doc: str
    source: str
    constants: tuple[Constant, ...] = ()
    spread: bool = False


_ALL = (
    Formula(
        name="gauge-pressure",
        inputs=(("absolute", "pressure"), ("barometric", "pressure")),
        result="pressure",
        compute=lambda x, c: gauge_kpa(x["absolute"], x["barometric"]),
        doc="absolute - barometric: boost from manifold pressure",
        source="definition",
        spread=True,
    ),
    Formula(
        name="pressure-ratio",
        inputs=(("outlet", "pressure"), ("inlet", "pressure")),
        result="ratio",
        compute=lambda x, c: quotient(x["outlet"], x["inlet"], c["least"]),
        doc="outlet / inlet, both absolute: what a compressor works at",
        source="definition",
        constants=(
            Constant("least", 20.0, "kPa", "lowest inlet pressure that is believed (no road is so high)", low=0.001),
        ),
    ),
    Formula(
        name="ratio",
        inputs=(("numerator", ANY), ("denominator", ANY)),
        result="ratio",
        compute=lambda x, c: quotient(x["numerator"], x["denominator"], c["least"]),
        doc="numerator / denominator of one kind, in the kind's canonical unit",
        source="definition",
        constants=(
            Constant("least", 1e-6, "canonical unit of the inputs", "smaller denominators give no ratio", low=1e-9),
        ),
    ),
    Formula(
        name="difference",
        inputs=(("minuend", ANY), ("subtrahend", ANY)),
        result=ANY,
        compute=lambda x, c: x["minuend"] - x["subtrahend"],
        doc="minuend - subtrahend of one kind: how far two readings are apart",
        source="definition",
        spread=True,
    ),
    Formula(
        name="charge-cooler-effectiveness",
        inputs=(("hot", "temperature"), ("cooled", "temperature"), ("ambient", "temperature")),
        result="ratio",
        compute=lambda x, c: cooler_effectiveness(x["hot"], x["cooled"], x["ambient"], c["least"]),
        doc="(hot - cooled) / (hot - ambient): the share of the possible cooling that is done",
        source="definition of heat-exchanger effectiveness",
        constants=(
            Constant("least", LEAST_SPREAD_K, "K", "hot less far over ambient gives no effectiveness", low=0.1),
        ),
    ),
)

FORMULAS: dict[str, Formula] = {f.name: f for f in _ALL}
"""Every formula by name."""

CANONICAL: dict[str, str] = {
    u.kind: u.name for u in reversed(list(UNITS.values())) if u.factor == 1.0 and u.offset == 0.0
}
"""The unit of each kind that formulas take."""


def in_order(reads: Mapping[str, Sequence[str]]) -> tuple[list[str], list[str]]:
    """(names in an order in which each comes after all that it reads, names that wait for each other in a ring).

    `reads` maps a computed signal to the signals it reads; those that are not computed are there from the start.
    """
    order: list[str] = []
    left = dict(reads)
    while ready := [n for n, inputs in left.items() if not any(i in left for i in inputs)]:
        order += ready
        left = {n: inputs for n, inputs in left.items() if n not in ready}
    # what only hangs on a ring is no part of it: cut away whatever no one left reads
    while loose := [n for n in left if not any(n in inputs for inputs in left.values())]:
        left = {n: inputs for n, inputs in left.items() if n not in loose}
    return order, list(left)


def unit_faults(formula: Formula, units: Mapping[str, str | None], result: str | None) -> dict[str, str]:
    """What is wrong with the units of a formula's inputs and result: {input name, or "" for the result: what fits}.

    `units` maps input names to units, None where a unit is not known and so not judged; `result` likewise.
    """
    faults: dict[str, str] = {}
    free: str | None = None
    for name, kind in formula.inputs:
        unit = units.get(name)
        if unit is None:
            continue
        if kind == ANY:
            free = free or unit
            if not compatible(unit, free):
                faults[name] = f"a unit of {UNITS[free].kind}, as the formula's other input has"
        elif UNITS[unit].kind != kind:
            faults[name] = f"a unit of {kind}, such as {CANONICAL[kind]}"
    if result is not None:
        kind = formula.result
        if kind == ANY:
            if free is not None and not compatible(result, free):
                faults[""] = f"a unit of {UNITS[free].kind}, such as {free}"
        elif UNITS[result].kind != kind:
            faults[""] = f"a unit of {kind}, such as {CANONICAL[kind]}"
    return faults


@dataclass(frozen=True, slots=True)
class _Step:
    """One computed column."""

    column: int
    formula: Formula
    inputs: tuple[tuple[str, int, str, str], ...]  # name, column or -1, unit, canonical unit
    constants: dict[str, float]
    result: tuple[str, Unit]  # canonical unit, own unit
    per_unit: Floats
    low: float
    high: float


class Deriver:
    """Computes the columns of `computed` among `signals`; a formula whose input is not there gives unknown.

    Raises UphaulError for an unknown formula, units that do not fit, or computed signals that read each other.
    """

    def __init__(self, signals: tuple[Signal, ...], computed: Sequence[Computed]) -> None:
        column = index_of(signals)
        by_name = {c.signal.name: c for c in computed if c.signal.name in column}
        order, ring = in_order({n: [s for _, s in c.inputs] for n, c in by_name.items()})
        if ring:
            raise UphaulError(f"computed signals read each other: {', '.join(ring)}")
        self._steps = [_step(by_name[n], signals, column) for n in order]

    def run(self, values: Floats) -> None:
        """Fill the computed columns of `values` (N, S), in place; the other columns are read only."""
        for step in self._steps:
            inputs = {
                name: np.full(len(values), np.nan) if col < 0 else convert(values[:, col], unit, canonical)
                for name, col, unit, canonical in step.inputs
            }
            with np.errstate(all="ignore"):
                raw = step.formula.compute(inputs, step.constants)
                canonical, own = step.result
                if step.formula.spread:
                    raw = raw if canonical == own.name else raw / own.factor
                else:
                    raw = convert(raw, canonical, own.name)
                x = quantise(raw, step.per_unit)
                values[:, step.column] = np.where((x >= step.low) & (x <= step.high), x, np.nan)


def _step(computed: Computed, signals: tuple[Signal, ...], column: dict[str, int]) -> _Step:
    me = computed.signal
    formula = FORMULAS.get(computed.formula)
    if formula is None:
        raise UphaulError(f"computed signal {me.name}: there is no formula {computed.formula!r}")
    given = dict(computed.inputs)
    units = {n: signals[column[s]].unit for n, s in given.items() if s in column}
    faults = unit_faults(formula, units, me.unit)
    if faults:
        raise UphaulError(
            f"computed signal {me.name}: " + "; ".join(f"{n or 'unit'} needs {w}" for n, w in faults.items())
        )
    inputs = []
    for name, kind in formula.inputs:
        unit = units.get(name, me.unit if kind == ANY else CANONICAL.get(kind, "1"))
        inputs.append((name, column.get(given.get(name, ""), -1), unit, CANONICAL[UNITS[unit].kind]))
    constants = {c.name: c.default for c in formula.constants} | dict(computed.constants)
    own = UNITS[me.unit]
    return _Step(
        column=column[me.name],
        formula=formula,
        inputs=tuple(inputs),
        constants=constants,
        result=(CANONICAL[own.kind], own),
        per_unit=np.array([float(me.per_unit)]),
        low=me.low,
        high=me.high,
    )
