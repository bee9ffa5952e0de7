"""Heat of the invented vehicle: charge cooler, coolant with thermostat and fan, oil and its pressure.

Theory of operation. Five lumps of heat move: pipes between compressor and cooler, core of the charge cooler, the
air in front of the radiators (which soaks up heat when the vehicle stands), engine with its coolant, and oil. Air comes
through by the wind of driving and by the fan, whose viscous clutch closes slowly as the coolant gets hot. The charge
cooler stands in front, so what it sheds is what the radiator breathes.

Sizes are our own; the thermostat's range is common practice (opens at 82, fully open 10 degrees later).
"""

from __future__ import annotations

import math

from uphaul.demo.engine import CP_AIR, LHV_J_KG

__all__ = ["ChargeCooler", "CoolingSystem", "oil_pressure_kpa", "thick_oil"]


class ChargeCooler:
    """Air-to-air cooler: two resistances with the heat of the core between them."""

    __slots__ = ("core_k", "outlet_k", "pipe_k", "shed_w", "soak_k")

    def __init__(self, ambient_k: float) -> None:
        self.core_k = ambient_k
        self.pipe_k = ambient_k
        self.outlet_k = ambient_k
        self.soak_k = 2.0
        self.shed_w = 0.0

    def step(
        self,
        dt_s: float,
        *,
        air_kg_s: float,
        inlet_k: float,
        ambient_k: float,
        wind_kg_s: float,
        bay_k: float,
        work: float,
    ) -> None:
        """Move on by `dt_s`; `wind_kg_s` is the cooling air, `bay_k` the engine bay's heat, `work` 1 when sound."""
        capacity = max(air_kg_s, 0.002) * CP_AIR
        # Iron and aluminium on the way delay the heat of the compressor.
        self.pipe_k += (inlet_k - self.pipe_k) * dt_s * (0.005 + 0.10 * air_kg_s)
        entry_k = 0.5 * (inlet_k + self.pipe_k)
        # Standing, air goes round and round past the hot engine.
        still = 1.0 / (1.0 + 3.0 * wind_kg_s)
        self.soak_k += (0.75 * still * (bay_k - ambient_k) - self.soak_k) * dt_s / (70.0 if wind_kg_s < 0.8 else 25.0)
        inside = 232.0 * math.pow(max(air_kg_s, 0.002) / 0.153, 0.8) * work
        outside = 1350.0 * math.pow(wind_kg_s / 2.2, 0.6) * work + 15.0
        passed = math.exp(-inside / capacity)
        taken_w = capacity * (1.0 - passed) * (entry_k - self.core_k)
        self.shed_w = outside * (self.core_k - ambient_k - self.soak_k)
        self.core_k += (taken_w - self.shed_w) * dt_s / 15_000.0
        self.outlet_k = self.core_k + (entry_k - self.core_k) * passed


def thick_oil(oil_k: float) -> float:
    """Friction with oil of this temperature over friction with hot oil."""
    return 1.0 + 1.3 * math.exp(-(oil_k - 273.15) / 32.0) - 1.3 * math.exp(-95.0 / 32.0)


def oil_pressure_kpa(rpm: float, oil_k: float, health: float) -> float:
    """Gauge pressure in the gallery: pump by speed and thickness of the oil, held by a relief valve."""
    thickness = math.exp(-(oil_k - 273.15 - 90.0) / 70.0)
    pumped = 0.155 * rpm * health * (0.35 + 0.65 * thickness)
    return 470.0 * pumped / math.pow(pumped**4 + 470.0**4, 0.25)


class CoolingSystem:
    """The cylinder head with its coolant, the oil, the thermostat and the fan."""

    __slots__ = ("coolant_k", "fan", "fan_w", "head_k", "oil_k", "open", "wind_kg_s")

    def __init__(self, engine_k: float, oil_k: float) -> None:
        self.coolant_k = engine_k
        self.head_k = engine_k
        self.oil_k = oil_k
        self.fan = 0.08
        self.fan_w = 0.0
        self.open = min(max((engine_k - 354.15) / 9.0, 0.0), 1.0)
        self.wind_kg_s = 0.0

    def step(
        self,
        dt_s: float,
        *,
        rpm: float,
        fuel_kg_s: float,
        friction_nm: float,
        air_m_s: float,
        density_kg_m3: float,
        ambient_k: float,
        ahead_w: float,
        fan_work: float,
        stuck_open: float = 0.0,
    ) -> None:
        """Move on by `dt_s`; `ahead_w` is heat shed in front of the radiator, `fan_work` 1 when the fan is sound.

        `stuck_open` is how far the thermostat is open at least.
        """
        krpm = rpm / 1000.0
        # Fan: viscous clutch, never quite open.
        wanted = min(max((self.coolant_k - 364.15) / 9.0, 0.08), 1.0) * fan_work
        self.fan += (wanted - self.fan) * dt_s / 12.0
        self.fan_w = 230.0 * self.fan * krpm * krpm * krpm
        ram = 0.095 * density_kg_m3 * max(air_m_s, 0.0)
        blown = 1.10 * self.fan * krpm
        self.wind_kg_s = math.sqrt(ram * ram + blown * blown) + 0.02

        heat_w = fuel_kg_s * LHV_J_KG
        to_coolant_w = heat_w * max(0.242 - 0.026 * krpm, 0.12)
        oil_flow = min(0.25 + 0.3 * krpm, 1.0)
        to_oil_w = 0.04 * heat_w + 0.55 * max(friction_nm, 0.0) * rpm * math.pi / 30.0
        oil_cooler_w = 1000.0 * oil_flow * (self.oil_k - self.coolant_k)
        sump_w = (12.0 + 4.0 * max(air_m_s, 0.0)) * (self.oil_k - ambient_k)
        self.oil_k += (to_oil_w - oil_cooler_w - sump_w) * dt_s / 26_000.0

        # Wax takes its time.
        settled = min(max((self.coolant_k - 354.15) / 9.0, stuck_open), 1.0)
        self.open += (settled - self.open) * dt_s / 8.0
        breathed_k = ambient_k + min(ahead_w / (self.wind_kg_s * CP_AIR), 45.0)
        radiator = 500.0 * math.pow(self.wind_kg_s, 0.6) * (0.01 + 0.99 * self.open) * min(0.5 + 0.25 * krpm, 1.0)
        shed_w = radiator * max(self.coolant_k - breathed_k, 0.0) + 18.0 * (self.coolant_k - ambient_k)
        self.coolant_k += (to_coolant_w + oil_cooler_w - shed_w) * dt_s / 340_000.0
        self.head_k += (self.coolant_k + 7.5e-5 * to_coolant_w - self.head_k) * dt_s / 6.0
