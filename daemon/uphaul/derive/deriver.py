"""Fills in the computed columns of a block, and says how good they are.

Theory of operation. Steps stand in an order in which each finds its inputs. A step converts its inputs into canonical
units, runs its formula, converts back, rounds to the signal's counts and drops what is outside its range; steps that do
not read each other do all but the formula together, in arrays that the next block of this length uses again. Formulas
that look back in time keep their state here, one drive an object, so blocks must come in the order of time; any cutting
gives the same bits. That a result is unknown wherever an input is, is the formula's to see to; a test holds every one
to it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from uphaul.derive.formula import ANY, CANONICAL, Constants, Formula, Inputs, Run, constant_faults, setting, unit_faults
from uphaul.derive.formulas import FORMULAS
from uphaul.derive.spec import Computed
from uphaul.errors import UphaulError
from uphaul.physics.basis import Floats, Ints
from uphaul.physics.uncertainty import uncertainty
from uphaul.signals import Signal, index_of, quantise
from uphaul.units import UNITS, Unit

__all__ = ["Deriver", "in_order"]

_UNKNOWN = np.array(np.nan)

PIECE = 4096
"""Ticks that are worked on at once: what a processor's cache and the windows' integers hold. Cuts change no bit."""


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


@dataclass(frozen=True, slots=True)
class _Input:
    """One input of a step: its column (-1: there is none) and how to get its canonical value from the signal's."""

    name: str
    column: int
    unit: str
    factor: float
    offset: float

    def read(self, values: Floats) -> Floats:
        """The canonical value, the same number as `uphaul.units.convert` gives."""
        if self.column < 0:
            return np.full(len(values), np.nan)
        return values[:, self.column] * self.factor + self.offset


@dataclass(frozen=True, slots=True)
class _Step:
    """One computed column; `unit` is its signal's."""

    column: int
    signal: Signal
    formula: Formula
    inputs: tuple[_Input, ...]
    constants: Constants
    unit: Unit
    run: Run

    def read(self, values: Floats) -> dict[str, Floats]:
        """The inputs in canonical units."""
        return {i.name: i.read(values) for i in self.inputs}

    def own(self, raw: Floats) -> Floats:
        """A result of the formula in the signal's unit."""
        return (raw - self.offset) / self.unit.factor

    @property
    def offset(self) -> float:
        """Where the signal's unit has its zero; a distance between two values has none."""
        return 0.0 if self.formula.spread else self.unit.offset


class _Desk:
    """What a level works on: every input once, in canonical units, and the results of its steps; a row of ticks each.

    `inputs` are views into `read`, step by step.
    """

    def __init__(self, named: Sequence[Mapping[str, int]], rows: int, ticks: int) -> None:
        self.ticks = ticks
        self.read = np.empty((rows, ticks))
        self.found = np.empty((len(named), ticks))
        self.inputs = [{name: self.read[row] for name, row in each.items()} for each in named]


class _Level:
    """Steps that do not read each other: converted, rounded and bounded together."""

    def __init__(self, steps: Sequence[_Step]) -> None:
        self._runs = tuple(s.run for s in steps)
        inputs = {(i.column, i.unit): i for s in steps for i in s.inputs}
        row = {key: k for k, key in enumerate(inputs)}
        self._named = [{i.name: row[i.column, i.unit] for i in s.inputs} for s in steps]
        # a column that is not there becomes unknown by its factor
        self._reads = np.array([max(i.column, 0) for i in inputs.values()], dtype=np.intp)
        self._factor = _upright(i.factor if i.column >= 0 else np.nan for i in inputs.values())
        self._offset = _upright(i.offset for i in inputs.values())
        self._writes = np.array([s.column for s in steps], dtype=np.intp)
        self._own_factor = _upright(s.unit.factor for s in steps)
        self._own_offset = _upright(s.offset for s in steps)
        self._per_unit = _upright(float(s.signal.per_unit) for s in steps)
        self._low = _upright(s.signal.low for s in steps)
        self._high = _upright(s.signal.high for s in steps)
        self._desk = _Desk(self._named, len(inputs), 1)

    def run(self, t_ms: Ints, values: Floats) -> None:
        """Fill in the columns of these steps."""
        across = values.T
        if self._desk.ticks != len(values):
            self._desk = _Desk(self._named, len(self._reads), len(values))
        desk = self._desk
        np.multiply(across[self._reads], self._factor, out=desk.read)
        np.add(desk.read, self._offset, out=desk.read)
        found = desk.found
        for k, (run, inputs) in enumerate(zip(self._runs, desk.inputs, strict=True)):
            found[k] = run(t_ms, inputs)
        if len(values) == 1:
            self._finish(found, slice(None))
        else:  # a row at a time, which stays in a processor's cache
            for k in range(len(found)):
                self._finish(found[k : k + 1], slice(k, k + 1))
        across[self._writes] = found

    def _finish(self, found: Floats, steps: slice) -> None:
        """Turn results of formulas in place into what the signals of these steps hold."""
        np.subtract(found, self._own_offset[steps], out=found)
        np.divide(found, self._own_factor[steps], out=found)
        x = quantise(found, self._per_unit[steps])
        np.copyto(x, _UNKNOWN, where=~((x >= self._low[steps]) & (x <= self._high[steps])))
        found[:] = x


def _upright(numbers: Iterable[float]) -> Floats:
    """As a column, one number a row."""
    return np.array(list(numbers), dtype=np.float64).reshape(-1, 1)


class Deriver:
    """Computes the columns of `computed` among `signals`; a formula whose input is not there gives unknown.

    One object a drive. `gap_ms`: a longer step between ticks is a gap. Raises UphaulError for an unknown formula, units
    or constants that do not fit, or computed signals that read each other.
    """

    def __init__(self, signals: tuple[Signal, ...], computed: Sequence[Computed], *, gap_ms: int = 1000) -> None:
        column = index_of(signals)
        by_name = {c.signal.name: c for c in computed if c.signal.name in column}
        reads = {n: [s for _, s in c.inputs] for n, c in by_name.items()}
        order, ring = in_order(reads)
        if ring:
            raise UphaulError(f"computed signals read each other: {', '.join(ring)}")
        self._signals = signals
        self._steps = [_step(by_name[n], signals, column, gap_ms) for n in order]
        depth: dict[str, int] = {}
        for n in order:
            depth[n] = 1 + max((depth[i] for i in reads[n] if i in depth), default=-1)
        self._levels = [
            _Level([s for s in self._steps if depth[s.signal.name] == d]) for d in sorted(set(depth.values()))
        ]

    def run(self, t_ms: Ints, values: Floats) -> None:
        """Fill the computed columns of `values` (N, S) in place; the other columns are read only.

        `t_ms` (N,) increase, over all calls too.
        """
        with np.errstate(all="ignore"):
            for i in range(0, len(values), PIECE):
                for level in self._levels:
                    level.run(t_ms[i : i + PIECE], values[i : i + PIECE])

    def steady(self, values: Floats) -> None:
        """Fill the computed columns of `values` (N, S) in place with what they come to while nothing changes.

        A value that is there already stays. Where a formula has no steady state the column stays unknown.
        """
        with np.errstate(all="ignore"):
            for step in self._steps:
                mine = values[:, step.column]
                found = quantise(_steady(step, values, values), np.array([float(step.signal.per_unit)]))
                values[:, step.column] = np.where(np.isnan(mine), found, mine)

    def uncertainty(self, values: Floats, given: Mapping[str, float]) -> dict[str, Floats]:
        """Standard uncertainty (N,) of every computed signal in its unit, for rows `values` (N, S); NaN where unknown.

        `given` holds the standard uncertainties that are known, by signal; a computed signal's stands for all that it
        is made of. Inputs that go into a signal by several ways count once, with what they do together. Of formulas
        that look back in time it is told for a steady state, and not at all where there is none. Rounding and ranges
        have no part in it; nothing of the drive's state is touched.
        """
        out = {}
        for step in self._steps:
            me = step.signal.name
            if me in given:
                out[me] = np.full(len(values), given[me])
                continue
            with np.errstate(all="ignore"):
                out[me] = self._uncertainty(step, values, given)
        return out

    def _uncertainty(self, step: _Step, values: Floats, given: Mapping[str, float]) -> Floats:
        by_column = {s.column: s for s in self._steps}
        leaves: dict[str, int] = {}
        inner: list[_Step] = []

        def walk(at: _Step) -> None:
            # a method that only tells its own uncertainty has that of its inputs in it
            for i in at.inputs if _function(at.formula) else ():
                if i.column < 0:
                    continue
                below = by_column.get(i.column)
                name = self._signals[i.column].name
                if below is None or name in given:
                    leaves[name] = i.column
                else:
                    walk(below)
            if at not in inner:
                inner.append(at)

        walk(step)
        if any(not _has_steady(s) for s in inner) or any(n not in given for n in leaves):
            return np.full(len(values), np.nan)

        def chain(**columns: Floats) -> Floats:
            rows = values.copy()
            for name, col in leaves.items():
                rows[:, col] = columns[name]
            for each in inner:
                rows[:, each.column] = _steady(each, rows, values)
            return rows[:, step.column]

        at = {name: values[:, col] for name, col in leaves.items()}
        squares = np.square(uncertainty(chain, at, {n: given[n] for n in leaves}))
        for each in inner:
            if each.formula.own is not None:
                squares = squares + np.square(self._of_own(each, step, inner, values))
        return np.sqrt(squares)

    @staticmethod
    def _of_own(source: _Step, result: _Step, inner: Sequence[_Step], values: Floats) -> Floats:
        """What the uncertainty that the method of `source` adds does to `result`."""
        assert source.formula.own is not None
        mine = source.formula.own(source.read(values), source.constants) / source.unit.factor

        def chain(x: Floats) -> Floats:
            rows = values.copy()
            for each in inner:
                rows[:, each.column] = x if each is source else _steady(each, rows, values)
            return rows[:, result.column]

        return uncertainty(chain, {"x": _steady(source, values, values)}, {"x": mine})


def _has_steady(step: _Step) -> bool:
    return _function(step.formula) is not None or step.formula.own is not None


def _function(formula: Formula) -> Callable[[Inputs, Constants], Floats] | None:
    return formula.compute or formula.steady


def _steady(step: _Step, rows: Floats, values: Floats) -> Floats:
    """The step's result with all inputs held; of a formula that only tells its own uncertainty, the value as it is."""
    formula = step.formula
    function = _function(formula)
    if function is None:
        return values[:, step.column]
    return step.own(function(step.read(rows), step.constants))


def _step(computed: Computed, signals: tuple[Signal, ...], column: dict[str, int], gap_ms: int) -> _Step:
    me = computed.signal
    formula = FORMULAS.get(computed.formula)
    if formula is None:
        raise UphaulError(f"computed signal {me.name}: there is no formula {computed.formula!r}")
    given = dict(computed.inputs)
    units = {n: signals[column[s]].unit for n, s in given.items() if s in column}
    faults = {n or "unit": f"needs {w}" for n, w in unit_faults(formula, units, me.unit).items()}
    constants = dict(computed.constants)
    faults |= {n or "constants": w for n, w in constant_faults(formula, constants).items()}
    if faults:
        raise UphaulError(f"computed signal {me.name}: " + "; ".join(f"{n} {w}" for n, w in faults.items()))
    inputs = []
    for name, kind in formula.all_inputs():
        if name not in given and (name, kind) in formula.optional:
            continue
        unit = units.get(name, me.unit if kind == ANY and formula.result == ANY else CANONICAL.get(kind, "1"))
        of = UNITS[unit]
        inputs.append(_Input(name, column.get(given.get(name, ""), -1), of.name, of.factor, of.offset))
    ready = setting(formula, constants)
    return _Step(
        column=column[me.name],
        signal=me,
        formula=formula,
        inputs=tuple(inputs),
        constants=ready,
        unit=UNITS[me.unit],
        run=_runner(formula, ready, gap_ms),
    )


def _runner(formula: Formula, constants: Constants, gap_ms: int) -> Run:
    if formula.begin is not None:
        return formula.begin(constants, gap_ms)
    compute = formula.compute
    assert compute is not None
    return lambda _, inputs: compute(inputs, constants)
