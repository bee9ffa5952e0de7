"""Heat: what the coolant has to carry away, and how long a hot turbo should idle before the engine stops.

Theory of operation. `SoakWindow` is the one thing here with state: a turbo's housing follows the exhaust gas slowly, so
what it has soaked up is taken as the mean gas temperature over the last minutes. Sums are integers, so a drive cut into
any blocks gives the same bits; ticks older than the window leave it; unknown ticks do not count; nothing else moves it.
"""

from __future__ import annotations

from math import isnan

import numpy as np

from uphaul.physics.basis import Floats, Ints, not_negative, positive, within
from uphaul.physics.power import DIESEL_LHV_MJ_KG, fuel_power_kw
from uphaul.physics.trail import Totals

__all__ = ["SoakWindow", "coolant_from_flow_kw", "coolant_from_fuel_kw", "cooldown_s", "warming_kw"]

COOLANT_SHARE = 0.25
"""Share of the fuel's heat that goes to the coolant at load. Source: common practice for turbo diesels, 0.20..0.30 with
the oil's heat; Heywood's energy balance tables have 16..35 % for diesels, from memory."""

GLYCOL_KJ_L_K = 3.66
"""Heat capacity of a litre of half ethylene glycol, half water by volume at 90 degC. Source: CoolProp's fit of the
ASHRAE Handbook's data (3.661)."""

TURBO_TIME_S = 60.0
"""Time constant of a turbo's housing cooling at idle. Source: our own starting point, made so that full soak needs 2 to
3 min, which is common practice."""


def coolant_from_fuel_kw(
    fuel_kg_s: Floats, *, share: float = COOLANT_SHARE, lhv_mj_kg: float = DIESEL_LHV_MJ_KG
) -> Floats:
    """Heat (kW) that the coolant takes up, as a share of the fuel's; good to about a quarter. Source: see the share."""
    return fuel_power_kw(fuel_kg_s, lhv_mj_kg=lhv_mj_kg) * share


def coolant_from_flow_kw(
    flow_l_h: Floats, hot_degc: Floats, cooled_degc: Floats, *, capacity_kj_l_k: float = GLYCOL_KJ_L_K
) -> Floats:
    """Heat (kW) that the radiator gives off, from coolant flow (L/h) and temperatures at its inlet and outlet.

    Negative when it is being warmed. Source: steady-flow energy equation.
    """
    hot, cooled = within(hot_degc, -60.0, 300.0), within(cooled_degc, -60.0, 300.0)
    return not_negative(flow_l_h) * (capacity_kj_l_k / 3600.0) * (hot - cooled)


def warming_kw(slope_k_s: Floats, *, capacity_kj_k: float) -> Floats:
    """Heat (kW) by which the load exceeds what is given off, from the coolant's slope (K/s).

    `capacity_kj_k`: coolant and the metal that warms with it; 100..200 kJ/K for 3 to 4 litres of engine is a guess that
    the owner replaces by a measured warm-up. Source: energy balance of a well-stirred mass.
    """
    return slope_k_s * capacity_kj_k


def cooldown_s(
    soak_degc: Floats,
    *,
    target_degc: float = 200.0,
    idle_degc: float = 150.0,
    time_s: float = TURBO_TIME_S,
    most_s: float = 180.0,
) -> Floats:
    """Seconds to idle until a turbo soaked at `soak_degc` has cooled to `target_degc`; 0 when it has, `most_s` at most.

    `idle_degc` is the gas temperature at idle, below the target. Source: exponential approach to `idle_degc`; target
    and bound are common practice (below 200 degC, 1 to 3 min).
    """
    above = within(soak_degc, -273.15, 2000.0) - idle_degc
    ratio = np.maximum(above / (target_degc - idle_degc), 1.0)
    return np.minimum(time_s * np.log(ratio), most_s)


class SoakWindow:
    """What a turbo's housing has soaked up: mean gas temperature (degC) of the known ticks of the last `window_ms`.

    Unknown where the tick's own value is. A window of twice the housing's time constant weighs about like it. After
    the start it is the mean since then.
    """

    PER_DEGC = 16
    """Counts a degree: sums are exact in these. Source: our own choice, finer than any exhaust probe."""

    def __init__(self, window_ms: int = 120_000) -> None:
        self._totals = Totals(2, window_ms)  # known, count

    def run(self, t_ms: Ints, gas_degc: Floats) -> Floats:
        """Soak temperature (degC) at each tick (N,), N >= 1, times increasing over all calls."""
        gas = within(gas_degc, -273.15, 2000.0)
        if len(t_ms) == 1:  # the same integers for less
            return np.array([self._one(int(t_ms[0]), float(gas[0]))])
        known = ~np.isnan(gas)
        counts = np.rint(np.where(known, gas, 0.0) * self.PER_DEGC).astype(np.int64)
        _, n, total = self._totals.run(t_ms, np.stack((known, counts)))
        return np.where(known, total / (positive(n.astype(np.float64)) * self.PER_DEGC), np.nan)

    def _one(self, t_ms: int, gas_degc: float) -> float:
        if isnan(gas_degc):
            self._totals.one(t_ms, 0, 0)
            return gas_degc
        _, n, total = self._totals.one(t_ms, 1, round(gas_degc * self.PER_DEGC))
        return total / (n * self.PER_DEGC)
