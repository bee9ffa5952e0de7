"""Engine and turbocharger of the invented vehicle: air, fuel, torque, exhaust heat, from 50 small steps a second.

Theory of operation. Three states move: the kinetic energy of the turbocharger's shaft (what makes boost lag the
pedal), the pressure in the intake (filling) and the heat of the exhaust manifold's iron (why the exhaust gas goes on
getting hotter after the mixture has settled). Each step goes once round the loop:

    shaft speed, flow -> pressure ratio -> intake pressure -> air -> smoke limit -> fuel -> torque and heat
    -> exhaust pressure (Stodola's ellipse) -> turbine power less compressor power -> shaft speed

The controller opens the wastegate when the intake pressure passes its target, which is absolute: at altitude the same
target is a higher pressure ratio. Nothing here knows about alerts. A leak takes air after the compressor, so the
controller makes the turbo work harder and hides it until the wastegate is shut; a sticking wastegate overboosts.

Sizes and coefficients are our own, chosen so that the parts agree with each other and with common practice
(brake-specific consumption near 222 g/kWh, turbine and compressor efficiency near 0.7).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from uphaul.demo.formulas import compressor_outlet_k, engine_air_kg_s, leak_kg_s, turbine_drop_k

__all__ = ["AFR_STOICHIOMETRIC", "TUNES", "Calibration", "Engine", "pedal_for"]

AFR_STOICHIOMETRIC = 14.5
"""Source: Heywood, Internal Combustion Engine Fundamentals, appendix D, light diesel (from memory)."""
LHV_J_KG = 42.8e6
"""Source: US DOE GREET, 128,450 Btu/gal and 3167 g/gal."""

DISPLACEMENT_M3 = 0.0032
VOLUMETRIC_EFFICIENCY = 0.88
CP_AIR = 1005.0
CP_EXHAUST = 1150.0  # J/(kg K), common practice for lean diesel exhaust
IDLE_RPM = 750.0
IMPELLER_M = 0.060
SHAFT_KG_M2 = 9.0e-5
TURBINE_AREA = 0.0163  # kg/s * sqrt(K) / kPa, in Stodola's ellipse
WASTEGATE_AREA = 0.011
AFR_MOST = 8.0 * AFR_STOICHIOMETRIC

_FULL_LOAD = ((0.0, 0.5), (900.0, 0.5), (1300.0, 0.74), (1700.0, 0.95), (2000.0, 1.0), (2900.0, 1.0), (3500.0, 0.88))
_RATED_RPM = 3700.0
_TOP_RPM = 4100.0


@dataclass(frozen=True, slots=True)
class Calibration:
    """One tune: most fuel a stroke, most intake pressure, and the mixture below which fuel is held back (smoke)."""

    name: str
    fuel_mg: float
    map_kpa: float
    least_afr: float


TUNES = (
    Calibration("stock", 74.0, 215.0, 20.0),
    Calibration("tow", 96.0, 249.0, 18.0),
    Calibration("tow-max", 107.0, 266.0, 17.0),
)
"""The calibrations by number."""


def full_load_share(rpm: float) -> float:
    """Share of the tune's most fuel that is allowed at this speed; falls to nothing at the top speed."""
    if rpm >= _RATED_RPM:
        return max(0.0, 0.84 * (_TOP_RPM - rpm) / (_TOP_RPM - _RATED_RPM))
    low_rpm, low = _FULL_LOAD[0]
    for high_rpm, high in (*_FULL_LOAD[1:], (_RATED_RPM, 0.84)):
        if rpm < high_rpm:
            return low + (high - low) * (rpm - low_rpm) / (high_rpm - low_rpm)
        low_rpm, low = high_rpm, high
    return low


def pedal_for(torque_nm: float, rpm: float, tune: Calibration) -> float:
    """Roughly the pedal that gives this torque in steady running, as a driver's foot knows it."""
    work_nm = (torque_nm + 65.0) / (tune.fuel_mg * full_load_share(rpm) * 1e-6 * LHV_J_KG * 0.436 / math.pi + 1.0)
    return min(max(work_nm, 0.0), 1.0)


class Engine:
    """State of engine and turbocharger; `step` moves it by `dt_s`, the attributes are what came of it."""

    __slots__ = (
        "afr",
        "air_kg_s",
        "boost_target_kpa",
        "compressor_out_k",
        "egt_k",
        "exhaust_kpa",
        "friction_nm",
        "fuel_kg_s",
        "fuel_mg",
        "idle_mg",
        "manifold_k",
        "map_kpa",
        "shaft_rad_s",
        "torque_nm",
        "wastegate",
        "wastegate_sum",
    )

    def __init__(self, ambient_k: float, baro_kpa: float) -> None:
        self.map_kpa = baro_kpa
        self.exhaust_kpa = baro_kpa
        self.shaft_rad_s = 2.0
        self.manifold_k = ambient_k
        self.egt_k = ambient_k
        self.compressor_out_k = ambient_k
        self.air_kg_s = 0.0
        self.fuel_kg_s = 0.0
        self.fuel_mg = 0.0
        self.idle_mg = 10.0
        self.afr = AFR_MOST
        self.torque_nm = 0.0
        self.friction_nm = 0.0
        self.wastegate = 0.0
        self.wastegate_sum = 0.0
        self.boost_target_kpa = baro_kpa

    def step(
        self,
        dt_s: float,
        *,
        rpm: float,
        pedal: float,
        tune: Calibration,
        running: bool,
        baro_kpa: float,
        inlet_k: float,
        charge_k: float,
        thick_oil: float,
        leak_mm2: float,
        stuck: float | None,
        intake_kpa: float = 0.0,
    ) -> None:
        """Move on by `dt_s`.

        `pedal` 0 to 1, `inlet_k` the air at the compressor and `charge_k` after the cooler, `thick_oil` the
        friction of cold oil over hot (1 when warm), `leak_mm2` an open hole after the compressor, `stuck` a share
        of opening (0 shut) at which the wastegate sticks, or None, `intake_kpa` what a clogged filter costs beyond
        the usual at 0.2 kg/s (with the square of the flow, as any restriction).
        """
        air = engine_air_kg_s(VOLUMETRIC_EFFICIENCY, DISPLACEMENT_M3, rpm, self.map_kpa, charge_k)
        flow = air + leak_kg_s(leak_mm2, self.map_kpa, charge_k, baro_kpa)

        # Compressor: head by tip speed, falling towards choke; efficiency best in the middle of the map.
        inlet_kpa = max(baro_kpa - (100.0 + 25.0 * intake_kpa) * flow * flow, 0.5 * baro_kpa)
        tip_m_s = 0.5 * IMPELLER_M * self.shaft_rad_s
        coefficient = flow / (inlet_kpa * 1000.0 / (287.05 * inlet_k) * tip_m_s * IMPELLER_M * IMPELLER_M)
        head = max(0.74 * (1.0 - (coefficient / 0.19) ** 3), 0.01)
        efficiency = max(0.72 - 22.0 * (coefficient - 0.085) ** 2, 0.30)
        work_j_kg = head * tip_m_s * tip_m_s
        ratio = math.pow(1.0 + work_j_kg / (CP_AIR * inlet_k), 3.5)
        outlet_k = compressor_outlet_k(inlet_k, ratio, efficiency)
        self.compressor_out_k = outlet_k
        settled_kpa = inlet_kpa * ratio - 320.0 * flow * flow
        self.map_kpa += (settled_kpa - self.map_kpa) * dt_s / (0.10 + dt_s)

        # Fuel: what the pedal asks for, held back by the air there is, idle governor underneath.
        most_mg = tune.fuel_mg * full_load_share(rpm)
        asked_mg = most_mg * pedal if running else 0.0
        strokes_s = rpm / 30.0
        wanted_mg = asked_mg
        if running:
            if pedal < 0.02 and rpm > IDLE_RPM + 350.0:
                self.idle_mg = 6.0
                wanted_mg = 0.0
            else:
                error = IDLE_RPM - rpm
                self.idle_mg = min(max(self.idle_mg + 0.05 * error * dt_s, 0.0), 30.0)
                governed = min(max(self.idle_mg + 0.06 * error, 0.0), 45.0)
                wanted_mg = max(asked_mg, governed)
            wanted_mg = min(wanted_mg, air / tune.least_afr / max(strokes_s, 1.0) * 1e6)
        self.fuel_mg = wanted_mg
        fuel = wanted_mg * 1e-6 * strokes_s
        self.fuel_kg_s = fuel
        self.air_kg_s = air
        self.afr = min(air / fuel, AFR_MOST) if fuel > 1e-9 else AFR_MOST

        # Torque: heat that becomes work, less friction and gas exchange.
        krpm = rpm / 1000.0
        rich = max(1.45 - self.afr / AFR_STOICHIOMETRIC, 0.0)
        gas_exchange_kpa = max(self.exhaust_kpa - self.map_kpa, -30.0)
        friction_kpa = (140.0 + 25.0 * krpm + 6.0 * krpm * krpm) * thick_oil + 0.75 * gas_exchange_kpa
        self.friction_nm = friction_kpa * 1000.0 * DISPLACEMENT_M3 / (4.0 * math.pi)
        omega = max(rpm, 60.0) * math.pi / 30.0
        self.torque_nm = fuel * LHV_J_KG * (0.436 - 0.3 * rich * rich) / omega - self.friction_nm

        # Exhaust: the share of the fuel's heat that leaves with it grows with speed and load, and with late burning.
        share = 0.2420 + 0.0275 * krpm + 0.00040 * wanted_mg + 0.06 * rich * rich
        exhaust = air + fuel
        hot_k = charge_k + share * LHV_J_KG / CP_EXHAUST * fuel / exhaust
        hot_k += 50.0 * min(rpm / IDLE_RPM, 1.0) / (1.0 + wanted_mg / 4.0)  # compression and warm walls, on the overrun
        contact = 0.50 / (1.0 + 6.0 * exhaust)
        self.egt_k = hot_k - contact * (hot_k - self.manifold_k)
        self.manifold_k += (
            (20.0 + 400.0 * exhaust) * (hot_k - self.manifold_k) - 6.0 * (self.manifold_k - inlet_k)
        ) * (dt_s / 3600.0)

        # Turbine: the wastegate gives the exhaust a second way out.
        behind_kpa = baro_kpa + 430.0 * exhaust * exhaust
        area = TURBINE_AREA + WASTEGATE_AREA * self.wastegate
        self.exhaust_kpa = math.sqrt(behind_kpa * behind_kpa + self.egt_k * (exhaust / area) ** 2)
        drop_k = turbine_drop_k(self.egt_k, self.exhaust_kpa / behind_kpa, 0.70)
        turbine_w = exhaust * (TURBINE_AREA / area) * CP_EXHAUST * drop_k * 0.96
        bearing_w = 2.0e-6 * self.shaft_rad_s * self.shaft_rad_s
        energy_j = 0.5 * SHAFT_KG_M2 * self.shaft_rad_s * self.shaft_rad_s
        energy_j += (turbine_w - flow * work_j_kg / efficiency - bearing_w) * dt_s
        self.shaft_rad_s = math.sqrt(max(energy_j, 1e-4) * 2.0 / SHAFT_KG_M2)

        # Boost control on absolute pressure, wastegate shut until the target is near.
        target = min(88.0 + 1.95 * asked_mg, tune.map_kpa, 3.2 * inlet_kpa)
        self.boost_target_kpa = target
        over = self.map_kpa - target
        self.wastegate_sum = min(max(self.wastegate_sum + 0.02 * over * dt_s, 0.0), 1.0)
        position = min(max(self.wastegate_sum + 0.03 * over, 0.0), 1.0)
        if stuck is not None:
            position = min(position, stuck)
        self.wastegate += (position - self.wastegate) * dt_s / (0.15 + dt_s)
