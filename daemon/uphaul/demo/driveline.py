"""Clutch, gearbox and road of the invented vehicle: from crankshaft torque to speed.

Theory of operation. The clutch is locked, slipping or open.

- *locked*: engine and wheels turn together. More torque than the clutch can hold makes it slip.
- *slipping* (also while setting off): engine and wheels move apart under the torque that the clutch passes, which
  rises a little with slip; equal speeds lock it again. Slip heats the plate and heat weakens it.
- *open* (gear 0, and for half a second in a change): the engine is brought to the speed of the new gear, then it locks.
  A driver who knows the vehicle matches the speeds, so an ordinary change slips nothing.

Sizes are our own: 2.7 t vehicle with a 2.7 t trailer, CdA 3.6 m2, rolling resistance 0.010, driveline 90 %.
"""

from __future__ import annotations

import math

from uphaul.demo.engine import IDLE_RPM
from uphaul.demo.formulas import road_force_n

__all__ = ["GEARS", "Driveline", "rpm_at", "torque_to_hold_nm"]

GEARS = (4.38, 2.39, 1.46, 1.00, 0.705)
FINAL_DRIVE = 4.885
TYRE_M = 0.380
MASS_KG = 5400.0
CRR = 0.010
CDA_M2 = 3.6
EFFICIENCY = 0.90
CLUTCH_NM = 800.0
ENGINE_KG_M2 = 0.45
MOST_BRAKE_N = 30_000.0

_RAD_PER_M = FINAL_DRIVE / TYRE_M
_PER_RPM = math.pi / 30.0


def torque_to_hold_nm(gear: int, speed_m_s: float, grade: float, density_kg_m3: float, air_m_s: float) -> float:
    """Torque at the clutch that holds this speed on this slope."""
    force = road_force_n(
        mass_kg=MASS_KG,
        crr=CRR,
        cda_m2=CDA_M2,
        density_kg_m3=density_kg_m3,
        grade=grade,
        speed_m_s=speed_m_s,
        air_m_s=air_m_s,
    )
    return force / (GEARS[gear - 1] * _RAD_PER_M * EFFICIENCY)


def rpm_at(speed_m_s: float, gear: int) -> float:
    """Engine speed with the clutch locked in `gear` (1 to 5)."""
    return speed_m_s * _RAD_PER_M * GEARS[gear - 1] / _PER_RPM


class Driveline:
    """State of clutch, gear and speed; `torque_nm` given to `step` is the engine's, less the accessories."""

    __slots__ = (
        "change_left_s",
        "clutch",
        "distance_m",
        "gear",
        "locked",
        "next_gear",
        "plate_k",
        "rpm",
        "slip",
        "speed_m_s",
    )

    def __init__(self, speed_m_s: float, gear: int, rpm: float) -> None:
        self.speed_m_s = speed_m_s
        self.gear = gear
        self.next_gear = gear
        self.locked = gear > 0
        self.clutch = 1.0 if gear > 0 else 0.0
        self.rpm = rpm
        self.distance_m = 0.0
        self.change_left_s = 0.0
        self.slip = 0.0
        self.plate_k = 60.0  # above its surroundings

    def change(self, gear: int) -> None:
        """Begin a change into `gear` (0 for neutral), half a second long."""
        if gear in (self.next_gear, self.gear) and self.change_left_s <= 0.0:
            return
        self.next_gear = gear
        self.gear = 0
        self.locked = False
        self.change_left_s = 0.5

    @property
    def changing(self) -> bool:
        """True while the clutch is open for a change."""
        return self.change_left_s > 0.0

    def step(
        self,
        dt_s: float,
        *,
        torque_nm: float,
        running: bool,
        grade: float,
        density_kg_m3: float,
        air_m_s: float,
        brake: float,
        hold: float,
        drag_n: float = 0.0,
    ) -> None:
        """Move on by `dt_s`; `brake` 0 to 1, `hold` the share of its torque that the clutch still holds, `drag_n` what
        the trailer's brakes drag with while it moves.
        """
        speed = self.speed_m_s
        road_n = road_force_n(
            mass_kg=MASS_KG,
            crr=CRR,
            cda_m2=CDA_M2,
            density_kg_m3=density_kg_m3,
            grade=grade,
            speed_m_s=speed,
            air_m_s=air_m_s,
        )
        road_n += drag_n * min(speed / 0.5, 1.0)
        mass = MASS_KG * 1.035
        drive_n = 0.0
        self.slip = 0.0
        if self.change_left_s > 0.0:
            self._change(dt_s, running)
        elif self.gear == 0:
            self.rpm = max(self.rpm + torque_nm / ENGINE_KG_M2 / _PER_RPM * dt_s, 0.0)
        else:
            ratio = GEARS[self.gear - 1] * _RAD_PER_M
            matched_rpm = speed * ratio / _PER_RPM
            passed_nm = torque_nm
            capacity = CLUTCH_NM * hold * self.clutch * (1.0 - min(max(self.plate_k - 180.0, 0.0) / 800.0, 0.5))
            if self.locked:
                self.rpm = matched_rpm
                mass += ENGINE_KG_M2 * ratio * ratio
                self.locked = abs(torque_nm) <= capacity
            if not self.locked:
                apart = (self.rpm - matched_rpm) / max(matched_rpm, 400.0)
                limit = capacity * (1.0 + 0.9 * min(abs(apart), 0.5))
                # Within a sliver of equal speeds the friction only reaches what the engine gives.
                passed_nm = limit * min(max(apart / 0.004, -1.0), 1.0)
                mass = MASS_KG * 1.035
                before = self.rpm - matched_rpm
                self.rpm += (torque_nm - passed_nm) / ENGINE_KG_M2 / _PER_RPM * dt_s
                self.slip = max(apart, 0.0)
                heat_w = abs(passed_nm * (self.rpm - matched_rpm) * _PER_RPM)
                self.plate_k += heat_w * dt_s / 7000.0
                after = self.rpm - matched_rpm
                if (before * after <= 0.0 or abs(after) < 6.0) and abs(torque_nm) < capacity:
                    self.locked = True
                    self.rpm = matched_rpm
            drive_n = passed_nm * ratio * (EFFICIENCY if passed_nm > 0.0 else 1.0 / EFFICIENCY)
        self.plate_k += (60.0 - self.plate_k) * dt_s / 150.0
        force = drive_n - road_n
        if speed > 0.02 or force > 0.0:
            force -= brake * MOST_BRAKE_N
        elif grade * MASS_KG > 0.0:
            force = max(force, 0.0)  # the brakes hold a standing vehicle
        self.speed_m_s = max(speed + force / mass * dt_s, 0.0)
        self.distance_m += 0.5 * (speed + self.speed_m_s) * dt_s

    def _change(self, dt_s: float, running: bool) -> None:
        """Bring the engine to the speed of the next gear; the change ends when it is there."""
        target = max(rpm_at(self.speed_m_s, self.next_gear), IDLE_RPM) if self.next_gear else IDLE_RPM
        if running:
            most = 2600.0 * dt_s
            self.rpm += min(max(target - self.rpm, -most), most)
        self.change_left_s -= dt_s
        if self.change_left_s > 0.0:
            return
        if self.next_gear and abs(self.rpm - target) > 8.0 and target > IDLE_RPM:
            self.change_left_s = dt_s
            return
        self.change_left_s = 0.0
        self.gear = self.next_gear
        self.locked = self.gear > 0 and target > IDLE_RPM
        self.clutch = 1.0 if self.locked else 0.0
