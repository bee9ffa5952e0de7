"""Every formula that a computed signal can name."""

from __future__ import annotations

from uphaul.derive.air import AIR
from uphaul.derive.formula import Formula
from uphaul.derive.fuel import FUEL
from uphaul.derive.guards import GUARDS
from uphaul.derive.heat import HEAT
from uphaul.derive.road import ROAD

__all__ = ["FORMULAS"]

FORMULAS: dict[str, Formula] = {f.name: f for f in (*AIR, *FUEL, *ROAD, *HEAT, *GUARDS)}
"""By name, in the order of the reference."""
