"""The invented vehicle as a whole: moves engine, heat, driveline and driver in step and reads its sensors.

Theory of operation. `Model.step(t_s)` runs as many steps of 20 ms as fit before `t_s`, then reads the sensors. Each
step goes: weather and road -> driver -> engine -> clutch and road -> heat -> sensor lags. Chance comes from the
seed alone: gusts and the road's unevenness from a generator that is drawn once a step, sensor noise from a table
that is looked up by the number of the step. So the same scenario and seed give the same readings to the bit, however
often and at whatever times they are read, on one kind of processor and library of mathematics.

A model can't run backwards. A scenario can be driven beyond its duration: the road goes on.
"""

from __future__ import annotations

import math
import random

from uphaul.demo.channels import CHANNELS
from uphaul.demo.cooling import ChargeCooler, CoolingSystem, oil_pressure_kpa, thick_oil
from uphaul.demo.driveline import Driveline, rpm_at, torque_to_hold_nm
from uphaul.demo.driver import Driver
from uphaul.demo.engine import AFR_STOICHIOMETRIC, TUNES, Engine, pedal_for
from uphaul.demo.formulas import R_AIR, barometer_kpa
from uphaul.demo.scenario import Fault, Leg, Scenario

__all__ = ["STEP_S", "Model"]

STEP_S = 0.02
"""Internal step. Boost, the quickest state, moves in tenths of a second."""

_ZERO_C = 273.15
_SETTLE_S = 40.0  # a rolling start has been rolling for so long
_NOISE = 1 << 14
_LAPSE_K_M = 0.0065
_LAGGED = tuple(c.name for c in CHANNELS.values() if c.lag_s > 0.0)
_SHARES = tuple(STEP_S / (c.lag_s + STEP_S) for c in CHANNELS.values() if c.lag_s > 0.0)


class Model:
    """One vehicle on one drive.

    `seed` replaces the scenario's own. Raises ValueError when asked for a time before the last one.
    """

    def __init__(self, scenario: Scenario, seed: int | None = None) -> None:
        self.scenario = scenario
        chance = random.Random(scenario.seed if seed is None else seed)
        self._noise = [chance.gauss(0.0, 1.0) for _ in range(_NOISE)]
        self._strides = [(chance.randrange(_NOISE), 2 * chance.randrange(_NOISE // 2) + 1) for _ in CHANNELS]
        self._parts = [f for f in scenario.faults if not f.channel]
        self._gaps = [
            (f, _gaps(f, scenario, chance) if f.kind == "dropout" else [])
            for f in scenario.faults
            if f.channel and f.kind != "offset"
        ]
        self._offsets = [f for f in scenario.faults if f.kind == "offset"]
        self._chance = chance
        self._gust = 0.0
        self._ripple = 0.0
        self._flutter = 0.0
        self._steps = 0
        self._battery_v = 12.6
        self._running = scenario.rolling
        self._key = scenario.rolling
        self._cranking_s = 0.0
        self._leg = 0
        self._grade = 0.0
        self._oil_health = 1.0
        self.faulted: dict[str, str] = {}

        foot_m = scenario.altitude_m(0.0)
        baro = barometer_kpa(foot_m, scenario.sea_level_kpa)
        ambient = scenario.ambient_degc + _ZERO_C
        self._foot_m, self._ambient_k, self._baro = foot_m, ambient, baro
        speed = scenario.legs[0].speed_m_s if scenario.rolling else 0.0
        gear = 0
        if speed > 2.0:
            fit = [g for g in range(1, scenario.legs[0].top_gear + 1) if rpm_at(speed, g) > 1600.0]
            gear = fit[-1] if fit else 1
        self.engine = Engine(ambient, baro)
        self.cooler = ChargeCooler(ambient)
        warm = scenario.warm
        self.heat = CoolingSystem(*((360.65, 369.15) if warm else (ambient, ambient)))
        self.line = Driveline(speed, gear, rpm_at(speed, gear) if gear else 0.0)
        self.driver = Driver(speed)
        if scenario.rolling:
            self.engine.shaft_rad_s = 7500.0
            self.engine.map_kpa = baro + 50.0
            self.engine.manifold_k = 700.0
            self.line.distance_m = -speed * _SETTLE_S
            self._battery_v = 14.2
        elif warm:
            self.engine.manifold_k = 380.0
        self._lagged = list(self._truths())
        if scenario.rolling:
            for _ in range(round(_SETTLE_S / STEP_S)):
                self._advance(0.0)
            self.line.distance_m = 0.0

    @property
    def t_s(self) -> float:
        """Time of the drive, the start of the last whole step."""
        return self._steps * STEP_S

    def step(self, t_s: float) -> dict[str, float]:
        """The readings at `t_s` seconds of the drive by channel, in the units of `CHANNELS`.

        A reading that fails is NaN and `faulted` says why (``open-circuit`` or ``dropout``).
        """
        steps = math.floor(t_s / STEP_S + 1e-6)
        if steps < self._steps:
            raise ValueError(f"the vehicle is at {self.t_s:.2f} s already, {t_s:.2f} s is past")
        while self._steps < steps:
            self._advance(self._steps * STEP_S)
            self._steps += 1
        self._wires(self.t_s)
        return self._read()

    # -- one step ------------------------------------------------------------------------------------------------

    def _advance(self, t_s: float) -> None:
        scenario, line, engine, heat, dt = self.scenario, self.line, self.engine, self.heat, STEP_S
        size = self._sizes(t_s)
        self._keys(t_s)

        # Weather and road, with gusts of some seconds and unevenness of some hundred metres.
        gauss = self._chance.gauss
        self._gust += -self._gust * dt / 6.0 + scenario.gust_m_s * 0.0816 * gauss(0.0, 1.0)
        self._ripple += -self._ripple * dt / 9.0 + 0.0016 * 0.0667 * gauss(0.0, 1.0)
        self._flutter += -self._flutter * dt / 1.2 + 0.183 * gauss(0.0, 1.0)
        high, slope = scenario.road_at(line.distance_m)
        self._grade = slope + self._ripple * min(line.speed_m_s / 5.0, 1.0)
        self._baro = baro = barometer_kpa(high, scenario.sea_level_kpa)
        self._ambient_k = ambient = scenario.ambient_degc + _ZERO_C - _LAPSE_K_M * (high - self._foot_m)
        density = baro * 1000.0 / (R_AIR * ambient)
        air_m_s = line.speed_m_s + scenario.wind_m_s + size.get("headwind", 0.0) + self._gust

        leg = self._plan(t_s)
        tune = TUNES[scenario.tune_at(t_s)]
        # A driver feels the slope, not every gust.
        hold_nm = torque_to_hold_nm(max(line.gear, 1), line.speed_m_s, self._grade, density, line.speed_m_s)
        pedal = self.driver.step(
            dt,
            line,
            goal_m_s=leg.speed_m_s,
            top_gear=leg.top_gear,
            full_load_gear=leg.full_load_gear,
            running=self._running and line.rpm > 500.0,
            need=pedal_for(hold_nm + 25.0, line.rpm, tune) if line.gear else self.driver.felt,
        )
        engine.step(
            dt,
            rpm=max(line.rpm, 1.0),
            pedal=0.0 if line.changing else pedal,
            tune=tune,
            running=self._running,
            baro_kpa=baro,
            # a warm engine bay heats the intake; before a cold start it does not
            inlet_k=ambient + (4.0 + 6.0 / (1.0 + line.speed_m_s) if line.rpm > 0.0 else 0.0),
            charge_k=self.cooler.outlet_k,
            thick_oil=thick_oil(heat.oil_k),
            leak_mm2=size.get("boost-leak", 0.0),
            stuck=1.0 - size["overboost"] if "overboost" in size else None,
            intake_kpa=size.get("intake", 0.0),
        )
        # Alternator, vacuum and steering pumps 2.4 kW, and the compressor of the air conditioning on warm days.
        conditioning = 2600.0 if ambient > 297.0 and self._running else 0.0
        omega = max(line.rpm, 300.0) * math.pi / 30.0
        torque = engine.torque_nm - (2400.0 + conditioning + heat.fan_w) / omega
        if self._cranking_s > 0.0:
            torque = 210.0 - line.rpm  # the starter, 1 N·m for every rpm that is missing
        elif not self._running:
            torque = -60.0
        line.step(
            dt,
            torque_nm=torque,
            running=self._running,
            grade=self._grade,
            density_kg_m3=density,
            air_m_s=air_m_s,
            brake=self.driver.brake,
            hold=1.0 - size.get("clutch", 0.0),
            drag_n=size.get("trailer-brakes", 0.0),
        )
        self.cooler.step(
            dt,
            air_kg_s=engine.air_kg_s,
            inlet_k=engine.compressor_out_k,
            ambient_k=ambient,
            wind_kg_s=heat.wind_kg_s,
            bay_k=heat.coolant_k,
            work=1.0 - size.get("charge-cooler", 0.0),
        )
        heat.step(
            dt,
            rpm=line.rpm,
            fuel_kg_s=engine.fuel_kg_s,
            friction_nm=engine.friction_nm,
            air_m_s=abs(air_m_s),
            density_kg_m3=density,
            ambient_k=ambient,
            ahead_w=max(self.cooler.shed_w, 0.0) + 1.9 * conditioning,
            fan_work=1.0 - size.get("fan", 0.0),
            stuck_open=size.get("thermostat", 0.0),
        )
        volts = 12.6 if not self._running else 14.4 - 0.006 * (ambient - 288.0)
        volts = 10.1 if self._cranking_s > 0.0 else volts - (0.25 if self._key and not self._running else 0.0)
        self._battery_v += (volts - self._battery_v) * (dt / (0.08 if self._cranking_s > 0.0 else 1.5))
        self._oil_health = 1.0 - size.get("oil-pump", 0.0)
        self._lagged = [
            was + (now - was) * share for was, now, share in zip(self._lagged, self._truths(), _SHARES, strict=True)
        ]

    def _sizes(self, t_s: float) -> dict[str, float]:
        """Which parts are broken now and how badly."""
        return {f.kind: size for f in self._parts if (size := f.size(t_s)) > 0.0}

    def _wires(self, t_s: float) -> None:
        """Note the channels without a reading; an open wire outweighs a loose one."""
        self.faulted.clear()
        for fault, gaps in self._gaps:
            if fault.size(t_s) <= 0.0:
                continue
            if fault.kind == "open-circuit":
                self.faulted[fault.channel] = fault.kind
            elif any(start <= t_s < end for start, end in gaps):
                self.faulted.setdefault(fault.channel, fault.kind)

    def _keys(self, t_s: float) -> None:
        """Key and starter of a drive that begins standing."""
        scenario = self.scenario
        if scenario.rolling:
            return
        self._key = scenario.key_on_s <= t_s < scenario.key_off_s
        if not self._key:
            self._running, self._cranking_s = False, 0.0
        elif self._running and self.line.rpm < 150.0:
            self._running = False  # stalled
            self.line.change(0)
        elif not self._running and t_s >= scenario.crank_s:
            self._cranking_s += STEP_S
            if self._cranking_s > 0.9:
                self._running, self._cranking_s = True, 0.0

    def _plan(self, t_s: float) -> Leg:
        """The part of the plan in force: the last in the file that has begun."""
        legs = self.scenario.legs
        for i in range(len(legs) - 1, self._leg, -1):
            leg = legs[i]
            if t_s >= leg.from_s if leg.from_s is not None else self.line.distance_m >= (leg.from_m or 0.0):
                self._leg = i
                break
        return legs[self._leg]

    # -- sensors -------------------------------------------------------------------------------------------------

    def _truths(self) -> tuple[float, ...]:
        """What the channels with a lag would read without it and without noise, in `_LAGGED`'s order."""
        engine, line, heat = self.engine, self.line, self.heat
        return (
            engine.map_kpa,
            engine.egt_k - _ZERO_C + 2.2 * self._flutter * min(engine.fuel_mg / 60.0, 1.0),
            heat.coolant_k - _ZERO_C,
            heat.head_k - _ZERO_C,
            self.cooler.outlet_k - _ZERO_C,
            engine.compressor_out_k - _ZERO_C,
            self._ambient_k - _ZERO_C,
            line.speed_m_s * 3.6,
            min(engine.afr / AFR_STOICHIOMETRIC, 8.0),
            engine.fuel_kg_s * 3600.0,
            heat.oil_k - _ZERO_C,
            oil_pressure_kpa(line.rpm, heat.oil_k, self._oil_health),
            engine.exhaust_kpa,
            engine.air_kg_s * 3600.0,
        )

    def _read(self) -> dict[str, float]:
        engine, line = self.engine, self.line
        omega = line.rpm * math.pi / 30.0
        plain = {
            "rpm": line.rpm,
            "baro": self._baro,
            "pedal": 100.0 * self.driver.pedal,
            "battery": self._battery_v,
            "gear": float(line.gear),
            "altitude": self.scenario.altitude_m(line.distance_m),
            "turbo": engine.shaft_rad_s * 30.0 / math.pi,
            "tune": float(self.scenario.tune_at(self.t_s)),
            "key": 1.0 if self._key else 0.0,
            "afr": engine.afr,
            "torque": engine.torque_nm,
            "power": engine.torque_nm * omega / 1000.0,
            "grade": 100.0 * self._grade,
            "distance": line.distance_m,
            "fan": 100.0 * self.heat.fan,
        }
        step, noise, lagged = self._steps, self._noise, dict(zip(_LAGGED, self._lagged, strict=True))
        turn = step + (step >> 14) * 5233  # so that the table's end is no rhythm
        readings: dict[str, float] = {}
        for (name, channel), (offset, stride) in zip(CHANNELS.items(), self._strides, strict=True):
            value = lagged[name] if channel.lag_s > 0.0 else plain[name]
            if channel.noise > 0.0:
                value += channel.noise * noise[(turn * stride + offset) & (_NOISE - 1)]
            readings[name] = value
        readings["pedal"] = min(max(readings["pedal"], 0.0), 100.0)
        readings["fuel"] = max(readings["fuel"], 0.0)
        readings["oil_pressure"] = max(readings["oil_pressure"], 0.0)
        if line.rpm <= 0.0:
            readings["rpm"] = readings["air"] = 0.0
        readings["turbo"] = max(readings["turbo"], 0.0)
        for fault in self._offsets:
            readings[fault.channel] += fault.size(self.t_s)
        for name in self.faulted:
            readings[name] = math.nan
        return readings


def _gaps(fault: Fault, scenario: Scenario, chance: random.Random) -> list[tuple[float, float]]:
    """When a loose wire has no contact: gaps of some tenths to some seconds, in `amount` of the time on average."""
    end_s = min(fault.until_s, scenario.duration_s)
    gaps: list[tuple[float, float]] = []
    t_s = fault.from_s
    while t_s < end_s:
        gap_s = chance.uniform(0.3, 4.0)
        t_s += chance.expovariate(1.0) * 2.15 * (1.0 - fault.amount) / max(fault.amount, 0.01)
        gaps.append((t_s, min(t_s + gap_s, end_s)))
        t_s += gap_s
    return gaps
