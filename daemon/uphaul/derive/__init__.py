"""Computed signals: which formulas feed which signal. Pure."""

from uphaul.derive.formulas import ANY, FORMULAS, Constant, Deriver, Formula, in_order, unit_faults
from uphaul.derive.spec import Computed

__all__ = ["ANY", "FORMULAS", "Computed", "Constant", "Deriver", "Formula", "in_order", "unit_faults"]
