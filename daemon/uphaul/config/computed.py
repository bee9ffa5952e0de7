"""Checks the table of a computed signal: formula, inputs, units and constants."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from uphaul.config.amounts import Scope
from uphaul.config.computed_tables import ComputedTable, MapTable
from uphaul.config.problems import nearest
from uphaul.config.spec import Accuracy
from uphaul.derive import FORMULAS, Computed, Formula, Value, constant_faults, unit_faults
from uphaul.errors import UphaulError
from uphaul.physics.lookup import Grid
from uphaul.signals import Signal

__all__ = ["accuracy", "build_computed"]


def build_computed(scope: Scope, signal: Signal, table: ComputedTable) -> Computed:
    """The computed signal; everything about it that can't be is a problem."""
    key = f"computed.{signal.name}"
    formula = FORMULAS.get(table.formula)
    if formula is None:
        allowed = "must be one of " + ", ".join(FORMULAS)
        scope.wrong(f"{key}.formula", table.formula, allowed, known=FORMULAS)
        return Computed(signal, table.formula, tuple(table.inputs.items()))
    _check_inputs(scope, key, signal, table, formula)
    constants = _constants(scope, key, table, formula)
    return Computed(signal, table.formula, tuple(table.inputs.items()), tuple(constants.items()))


class _Accurate(Protocol):
    uncertainty: float | None
    typical: float | None
    usual: float | None


def accuracy(scope: Scope, key: str, signal: Signal, t: _Accurate) -> Accuracy:
    """How good a signal is and what it reads under load and on a level road; what is outside its range is a problem."""
    for name, value in (("typical", t.typical), ("usual", t.usual)):
        if value is not None and not signal.low <= value <= signal.high:
            allowed = f"must be within the signal's range, {signal.low:g} to {signal.high:g} {signal.unit}"
            scope.wrong(f"{key}.{name}", value, allowed)
    return Accuracy(signal.name, t.uncertainty, t.typical, t.usual)


def _check_inputs(scope: Scope, key: str, signal: Signal, table: ComputedTable, formula: Formula) -> None:
    wanted = [name for name, _ in formula.all_inputs()]
    for name, _ in formula.inputs:
        if name not in table.inputs:
            scope.wrong(f"{key}.inputs.{name}", None, f"is required: an input of {formula.name}")
    if formula.one_of and not any(name in table.inputs for name in formula.one_of):
        scope.wrong(f"{key}.inputs", None, f"must have {' or '.join(formula.one_of)}, or both, for {formula.name}")
    units: dict[str, str | None] = {}
    for name, source in table.inputs.items():
        if name not in wanted:
            allowed = f"is no input of {formula.name}, which takes {', '.join(wanted)}"
            scope.problems.add(scope.file, f"{key}.inputs.{name}", source, allowed, hint=nearest(name, wanted))
        other = scope.named(source, f"{key}.inputs.{name}")
        units[name] = other.unit if other else None
    for name, fits in unit_faults(formula, units, signal.unit).items():
        place = f"{key}.inputs.{name}" if name else f"{key}.unit"
        value = f"{table.inputs[name]} in {units[name]}" if name else signal.unit
        scope.wrong(place, value, f"must have {fits}")


def _constants(scope: Scope, key: str, table: ComputedTable, formula: Formula) -> Mapping[str, Value]:
    """The constants, checked; a map that can't be is a problem and left out."""
    out: dict[str, Value] = {}
    broken = False
    for name, given in table.constants.items():
        if isinstance(given, MapTable):
            try:
                out[name] = Grid(name, tuple(given.x), tuple(given.y), tuple(tuple(row) for row in given.z))
            except UphaulError as error:
                scope.wrong(f"{key}.constants.{name}", None, f"must be a map whose parts fit: {error}")
                broken = True
        else:
            out[name] = tuple(given) if isinstance(given, list) else given
    known = [c.name for c in formula.constants]
    for name, allowed in ({} if broken else constant_faults(formula, out)).items():
        wrong = table.constants.get(name)
        shown = None if isinstance(wrong, MapTable) else wrong
        place = f"{key}.constants.{name}" if name else f"{key}.constants"
        scope.problems.add(scope.file, place, shown, allowed, hint=nearest(name, known) if name not in known else None)
    return out
