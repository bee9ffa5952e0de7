"""Computed signals: which formulas feed which signal. Pure."""

from uphaul.derive.deriver import Deriver, in_order
from uphaul.derive.formula import ANY, Constant, Formula, constant_faults, unit_faults
from uphaul.derive.formulas import FORMULAS
from uphaul.derive.spec import Computed, Value

__all__ = [
    "ANY",
    "FORMULAS",
    "Computed",
    "Constant",
    "Deriver",
    "Formula",
    "Value",
    "constant_faults",
    "in_order",
    "unit_faults",
]
