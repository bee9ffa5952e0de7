"""What the entry of a formula holds, and whether units and constants given to it fit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from uphaul.derive.spec import Value
from uphaul.errors import UphaulError
from uphaul.physics.basis import Floats, Ints
from uphaul.physics.lookup import Grid
from uphaul.units import UNITS, compatible

__all__ = [
    "ANY",
    "CANONICAL",
    "Constant",
    "Constants",
    "Formula",
    "Inputs",
    "Run",
    "constant_faults",
    "setting",
    "unit_faults",
]

ANY = "any"
"""Kind of an input or result that is free, but the same for all of a formula's inputs that have it."""

Inputs = Mapping[str, Floats]
"""A formula's inputs by name, in canonical units, all of one length; an optional one that no signal feeds is absent.

The arrays are used again for the next ticks: a formula keeps what it remembers, never them.
"""

Constants = Mapping[str, Any]
"""A formula's constants by name, checked: `Value`, or whatever `Formula.prepare` made of it."""

Run = Callable[[Ints, Inputs], Floats]
"""Takes the next ticks of a drive (times in ms, inputs) and gives the result for each of them."""

CANONICAL: dict[str, str] = {
    u.kind: u.name for u in reversed(list(UNITS.values())) if u.factor == 1.0 and u.offset == 0.0
}
"""The unit of each kind that formulas take."""


@dataclass(frozen=True, slots=True)
class Constant:
    """A constant of a formula: its default (None: the owner must give it), unit, meaning and bounds.

    `choices`: it is one of these names. `several`: it is a list of numbers. `over`: a map over two inputs, given here
    in words, may stand in the place of the number. Bounds hold for every number in it.
    """

    name: str
    default: float | str | None
    unit: str
    meaning: str
    low: float = -np.inf
    high: float = np.inf
    choices: tuple[str, ...] = ()
    several: bool = False
    over: str = ""

    def words(self) -> str:
        """The constant as the reference tells it: ```least` (20 kPa): what it is``."""
        unit = "" if self.unit == "1" else f" {self.unit}"
        kind = "list" if self.several else "number or map" if self.over else "number"
        default = f"required{f', {kind}' if kind != 'number' else ''}{f', in{unit}' if unit else ''}"
        if isinstance(self.default, str):
            default = f'"{self.default}"'
        elif self.default is not None:
            default = f"{self.default:g}{unit}"
        more = f"; one of {', '.join(self.choices)}" if self.choices else ""
        more += f"; a map is over {self.over}" if self.over else ""
        return f"`{self.name}` ({default}): {self.meaning}{more}"

    def fault(self, given: Value) -> str:
        """What would be right in the place of `given`, empty when it is."""
        unit = "" if self.unit == "1" else f", in {self.unit}"
        bounds = f" of at least {self.low:g}" if self.low > -np.inf else ""
        bounds += f"{' and' if bounds else ' of'} at most {self.high:g}" if self.high < np.inf else ""
        if self.choices:
            return "" if given in self.choices else "must be one of " + ", ".join(self.choices)
        if self.several:
            good = isinstance(given, tuple) and len(given) > 0 and self._holds(given)
            return "" if good else f"must be a list of numbers{bounds}{unit}"
        if isinstance(given, Grid) and self.over:
            inside = self._holds([z for row in given.z for z in row])
            return "" if inside else f"must have a z of numbers{bounds}{unit}"
        if isinstance(given, float | int) and self._holds((float(given),)):
            return ""
        return f"must be a number{bounds}{unit}" + (f", or a map over {self.over}" if self.over else "")

    def _holds(self, numbers: Iterable[float]) -> bool:
        return all(self.low <= x <= self.high for x in numbers)


@dataclass(frozen=True, slots=True)
class Formula:
    """One formula. `inputs` and `optional` are (name, kind of unit) pairs.

    `compute` takes arrays and constants by their names and is elementwise. A formula that looks back in time has
    `begin` instead, which takes the constants and the longest step that is no gap (ms) and gives what runs along one
    drive. `optional` inputs may be left out; of those in `one_of` at least one must be fed, and they stand in for each
    other: one of them that is unknown does not make the result unknown. `spread`: the result is a distance between two
    values (a temperature difference has no zero point to move).

    `prepare` turns checked constants into what `compute` and `begin` take, and raises UphaulError where they do not fit
    each other. `steady` is what a formula with `begin` comes to while nothing changes, to carry uncertainties through;
    `own` the standard uncertainty that the method itself adds, in the result's canonical unit.
    """

    name: str
    inputs: tuple[tuple[str, str], ...]
    result: str
    doc: str
    source: str
    compute: Callable[[Inputs, Constants], Floats] | None = None
    constants: tuple[Constant, ...] = ()
    spread: bool = False
    optional: tuple[tuple[str, str], ...] = ()
    one_of: tuple[str, ...] = ()
    begin: Callable[[Constants, int], Run] | None = None
    prepare: Callable[[Constants], Constants] = lambda c: c
    steady: Callable[[Inputs, Constants], Floats] | None = None
    own: Callable[[Inputs, Constants], Floats] | None = None

    def row(self) -> str:
        """The row of the reference's table."""
        optional = {n: ", optional" for n, _ in self.optional if n not in self.one_of}
        inputs = ", ".join(f"`{n}` ({kind}{optional.get(n, '')})" for n, kind in self.all_inputs())
        if self.one_of:
            inputs += f"; one of {' and '.join(self.one_of)} is enough"
        constants = "; ".join(c.words() for c in self.constants) or "–"
        return f"| `{self.name}` | {inputs} | {self.result} | {constants} | {self.doc} |"

    def all_inputs(self) -> tuple[tuple[str, str], ...]:
        """Those that must be fed, then those that may be left out."""
        return self.inputs + self.optional


def constant_faults(formula: Formula, given: Mapping[str, Value]) -> dict[str, str]:
    """What is wrong with the constants given to a formula: {name, or "" for all together: what would be right}."""
    known = {c.name: c for c in formula.constants}
    faults = {}
    for name, value in given.items():
        if name not in known:
            words = f"which has {', '.join(known)}" if known else "which has none"
            faults[name] = f"is no constant of {formula.name}, {words}"
        elif fault := known[name].fault(value):
            faults[name] = fault
    for c in formula.constants:
        if c.default is None and c.name not in given:
            kind = f"one of {', '.join(c.choices)}" if c.choices else "a list of numbers" if c.several else "a number"
            unit = "" if c.unit == "1" else f" in {c.unit}"
            faults[c.name] = f"is required, {kind}{unit}: {c.meaning}"
    if not faults:
        try:
            ready = formula.prepare(_merged(formula, given))
            if formula.begin is not None:
                formula.begin(ready, 1000)
        except UphaulError as error:
            faults[""] = f"must fit each other: {error}"
    return faults


def setting(formula: Formula, given: Mapping[str, Value]) -> Constants:
    """All constants of a formula, ready to be used; `given` is free of faults."""
    return formula.prepare(_merged(formula, given))


def _merged(formula: Formula, given: Mapping[str, Value]) -> dict[str, Any]:
    return {c.name: given.get(c.name, c.default) for c in formula.constants}


def unit_faults(formula: Formula, units: Mapping[str, str | None], result: str | None) -> dict[str, str]:
    """What is wrong with the units of a formula's inputs and result: {input name, or "" for the result: what fits}.

    `units` maps input names to units, None where a unit is not known and so not judged; `result` likewise.
    """
    faults: dict[str, str] = {}
    free: str | None = None
    for name, kind in formula.all_inputs():
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
