"""Moves the vehicles of the fleet in step and reads their sensors: the laws of the demo vehicle, on arrays."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from support.fleet import GRID_M, Trip
from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.signals import Signal

__all__ = ["FAULTS", "Truth", "drive_fleet", "drive_true"]

F = npt.NDArray[np.float64]
Truth = dict[str, F]
"""What was, twice a second, without sensors: by the names in `drive_true`."""
DT, EVERY = 0.05, 10
LHV, CP_AIR, CP_EX, R_AIR, G = 42.8e6, 1005.0, 1150.0, 287.05, 9.80665
ZERO = 273.15
TUNES = ("stock", "tow", "tow-max")
MOST_MG, MOST_MAP, LEAST_AFR = (
    np.array([74.0, 96.0, 107.0]),
    np.array([215.0, 249.0, 266.0]),
    np.array([20.0, 18.0, 17.0]),
)
FULL_RPM, FULL = (
    np.array([0.0, 900, 1300, 1700, 2000, 2900, 3500, 3700, 4100]),
    np.array([0.5, 0.5, 0.74, 0.95, 1, 1, 0.88, 0.84, 0]),
)

NOISE = {
    "rpm": 4.0, "map": 0.6, "baro": 0.05, "egt": 0.8, "coolant": 0.12, "head": 0.15, "charge": 0.3,
    "compressor_out": 0.4,
    "ambient": 0.08, "speed": 0.022, "pedal": 0.0015, "mixture": 0.006, "fuel": 1.1e-5, "oil_temp": 0.12,
    "oil_pressure": 2.5, "battery": 0.02, "altitude": 0.6, "exhaust_pressure": 1.2, "turbo_speed": 120.0,
    "grade": 0.003, "boost_actuator": 0.008,
}  # fmt: skip
LAG_S = {
    "map": 0.03, "egt": 3.0, "coolant": 4.0, "head": 2.0, "charge": 1.5, "compressor_out": 2.5, "ambient": 10.0,
    "speed": 0.1, "mixture": 0.3, "fuel": 0.1, "oil_temp": 4.0, "oil_pressure": 0.1, "exhaust_pressure": 0.1,
    "grade": 2.0, "boost_actuator": 0.05,
}  # fmt: skip


FAULTS = (
    "brakes",
    "clutch",
    "cooler",
    "cut",
    "egr",
    "exhaust",
    "fan",
    "gate_open",
    "gate_shut",
    "intake",
    "late",
    "leak",
    "manifold_leak",
    "oil_pump",
    "overfuel",
    "radiator",
    "starved",
    "stat_open",
    "stat_shut",
    "sticky",
    "worn_wheel",
)
"""Faults of parts; `weight` and `headwind` are the road's, `drift`, `scale` and `dropout` the channel's."""


GEARS = np.array([4.38, 2.39, 1.46, 1.00, 0.705])
RAD_M = 4.885 / 0.380


def drive_fleet(trips: Sequence[Trip]) -> list[WholeDrive]:
    """Every trip driven (all of them for as long as the first), as the log would give it back."""
    return drive_true(trips)[0]


def drive_true(trips: Sequence[Trip]) -> tuple[list[WholeDrive], list[Truth]]:
    """The same, and what was: before lag, noise and drift of the sensors.

    Trips of one seed in one call meet the same gusts, bumps and flutter: a drive and its twin without the fault.
    """
    n = len(trips)
    p = {k: np.array([t.vehicle.of[k] for t in trips]) for k in trips[0].vehicle.of}
    laws = trips[0].vehicle.laws
    if any(t.vehicle.laws != laws for t in trips):
        raise ValueError("one family at a time")

    def fault(name: str, default: float = 0.0) -> F:
        return np.array([t.faults.get(name, default) for t in trips])

    chance = np.random.default_rng(sum(t.seed for t in trips) % 2**32)
    seeds, same = np.unique([t.seed for t in trips], return_inverse=True)
    steps = round(trips[0].seconds / DT)
    kept: dict[str, F] = {}
    was_so: dict[str, F] = {}
    height = np.stack([t.height_m for t in trips])
    goals = np.stack([t.goal_m_s for t in trips])
    stops = np.array([[*t.stops_m, np.inf] for t in trips])
    row = np.arange(n)
    tune = np.array([t.tune for t in trips])
    most_mg, most_map, least_afr = MOST_MG[tune] * p["displacement_l"] / 3.2, MOST_MAP[tune], LEAST_AFR[tune]
    stated_kg = np.array([t.mass_kg for t in trips])
    mass = stated_kg + fault("weight")
    sea, foot_k = np.array([t.sea_level_kpa for t in trips]), np.array([t.ambient_degc for t in trips]) + ZERO
    wind = np.array([t.wind_m_s for t in trips]) + fault("headwind")
    warm = np.array([t.warm for t in trips])
    queue_s = np.array([t.queue_s for t in trips])
    disp = p["displacement_l"] / 1000.0
    size = p["displacement_l"] / 3.2
    bite = np.where(warm, 355.0, foot_k)

    rpm, speed, far, pedal, gear = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n), np.ones(n, dtype=int)
    map_kpa, p3, shaft = np.full(n, 100.0), np.full(n, 100.0), np.full(n, 10.0)
    iron, egt = np.where(warm, 380.0, foot_k), np.where(warm, 380.0, foot_k)
    core, pipe, charge, soak = foot_k + 2, foot_k + 2, foot_k + 2, np.full(n, 2.0)
    coolant, head, oil = bite + 0.0, bite + 0.0, bite + 0.0
    fan, opened, fan_w, wind_kg = np.full(n, 0.08), np.zeros(n), np.zeros(n), np.full(n, 0.02)
    gate, gate_sum, idle_mg, t2 = np.zeros(n), np.zeros(n), np.full(n, 10.0), foot_k + 0.0
    gust, ripple, flutter, felt, steady = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    settled, hard, easy, change = np.full(n, 10.0), np.zeros(n), np.zeros(n), np.zeros(n)
    stood, served, wanted, hard_pull = np.zeros(n), np.zeros(n, dtype=int), np.zeros(n), np.ones(n)
    cut_left, load_for, thirst, torque = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    stuck_gate, racing, was_down = np.zeros(n), np.zeros(n), np.zeros(n, dtype=bool)
    lag = {k: np.full(n, np.nan) for k in LAG_S}
    sheds = np.zeros(n)
    bad = {name: fault(name) for name in FAULTS}
    for step in range(steps):
        t_s = step * DT
        running = t_s >= 14.0
        z = chance.standard_normal((4, len(seeds)))[:, same]
        gust += -gust * DT / 6.0 + p["gust_m_s"] * 0.129 * z[0]
        ripple += -ripple * DT / 9.0 + 0.0016 * 0.105 * z[1]
        flutter += -flutter * DT / 1.2 + 0.289 * z[2]
        cell = np.minimum(far / GRID_M, height.shape[1] - 2.001)
        i = cell.astype(int)
        high = height[row, i] + (height[row, i + 1] - height[row, i]) * (cell - i)
        grade = (height[row, i + 1] - height[row, i]) / GRID_M + ripple * np.minimum(speed / 5.0, 1.0)
        baro = sea * np.power(1.0 - 0.0065 * high / 288.15, 5.255876)
        ambient = foot_k - 0.0065 * (high - height[:, 0])
        density = baro * 1000.0 / (R_AIR * ambient)
        air_m_s = speed + wind + gust

        # driver
        goal = goals[row, i]
        due = far >= stops[row, np.minimum(served, stops.shape[1] - 1)]
        crawl = (served == 1) & (stood < queue_s) & (queue_s > 0.0)
        stop_for = np.where(served == 0, np.maximum(queue_s, 25.0), 25.0)
        goal = np.where(due, np.where(queue_s > 0.0, np.where((t_s % 40.0) < 12.0, 2.5, 0.0), 0.0), goal)
        stood = np.where(due & (speed < 3.2), stood + DT, stood)
        done = due & (stood > stop_for)
        hard_pull = np.where(done, chance.random(len(seeds))[same] < 0.6, hard_pull)
        served, stood = served + done, np.where(done, 0.0, stood)
        goal = np.where((t_s < 40.0) | crawl, 0.0, goal)
        pace = np.where(speed > 8.0, np.where(hard_pull > 0, 0.9, 0.45), 0.8)
        wanted = wanted + np.clip(goal - wanted, -0.9 * DT, pace * DT)
        wanted = np.minimum(wanted, speed + 3.0)
        error = wanted - speed
        settled += DT
        matched = speed * RAD_M * GEARS[gear - 1] * 30.0 / np.pi
        full = np.interp(rpm, FULL_RPM, FULL)
        force = mass * G * (p["rolling"] + grade) + 0.5 * density * p["drag_m2"] * speed * speed
        need_nm = force / (GEARS[gear - 1] * RAD_M * 0.9) + 25.0
        need = np.clip((need_nm + 65.0) / (most_mg * np.maximum(full, 0.1) * 1e-6 * LHV * 0.436 / np.pi + 1.0), 0, 1)
        felt += (need - felt) * DT
        foot = felt + steady + 0.11 * p["foot"] * error
        inside = ((foot < 1.0) | (error < 0.0)) & ((foot > 0.0) | (error > 0.0)) & (speed > 3.0)
        steady = np.where(inside, np.clip(steady + 0.02 * p["foot"] * error * DT, -0.3, 0.3), steady)
        setting = (gear == 1) & (matched < 1200.0)
        foot = np.where((gear == 1) & (wanted > 0.3), np.maximum(foot, 0.5), foot)
        foot = np.where(setting & (wanted > 0.3), np.clip(0.5 + (1150.0 - rpm) / 250.0, 0.5, 1.0), foot)
        foot = np.where(change > 0.0, 0.05, np.where((wanted < 0.3) | (not running), 0.0, foot))
        racing = np.where((rpm > matched * 1.03) & ~setting, racing + DT, np.maximum(racing - DT, 0.0))
        foot = np.where(racing > 3.0, np.minimum(foot, 0.45), foot)
        racing = np.where(racing > 8.0, 0.0, racing)
        pedal = np.clip(pedal + np.clip(foot - pedal, -1.6 * DT, 0.7 * DT), 0.0, 1.0)
        brake = np.where((wanted < 0.3) & (speed < 1.0), 0.4, np.clip(-0.09 * (error + 0.9), 0.0, 0.6) * (pedal < 0.02))
        next_rpm = speed * RAD_M * GEARS[np.minimum(gear, 4)] * 30.0 / np.pi
        down_rpm = speed * RAD_M * GEARS[np.maximum(gear - 2, 0)] * 30.0 / np.pi
        falling = speed < np.minimum(wanted, goal) - 0.4
        labours = (matched < 1250.0) & (gear > 1)
        hard = np.where(((pedal > 0.86) & falling & (matched < 2600.0)) | labours, hard + DT, 0.0)
        share = GEARS[gear - 1] / GEARS[np.minimum(gear, 4)]
        rushing = (rpm > 2900.0) & (np.maximum(felt, pedal) * share < 0.85) | (rpm > 3500.0)
        up = (gear < 5) & (((next_rpm > 1750.0) & (pedal * share < 0.78)) | (rushing & (next_rpm > 1500.0)))
        up &= (pedal > 0.1) & (change <= 0.0) & ~setting
        easy = np.where(up, easy + DT, 0.0)
        go_down = (gear > 1) & (down_rpm < 3300.0) & (settled > 2.0) & ((hard > 1.2) | (labours & (settled > 1.0)))
        go_up = (
            ~go_down
            & (easy > np.where(rushing, 0.6, 2.5))
            & (settled > np.where(rushing, 1.5, np.where(was_down, 30.0, 6.0)))
        )
        gear = np.clip(gear + go_up - go_down, 1, 5)
        gear = np.where((speed < 2.0) & (wanted < 0.5), 1, gear)
        moved = go_up | go_down
        was_down = np.where(moved, go_down & ~labours | (go_down & (pedal > 0.8)), was_down)
        change, settled = np.where(moved, 0.6, np.maximum(change - DT, 0.0)), np.where(moved, 0.0, settled)
        hard, easy = np.where(moved, 0.0, hard), np.where(moved, 0.0, easy)

        # engine
        inlet = ambient + 4.0 + 6.0 / (1.0 + speed)
        egr = np.minimum(bad["egr"], 0.4) * np.clip(p3 / map_kpa, 0.5, 1.5)
        mix_k = charge * (1 - egr) + egr * 430.0
        ve = p["volumetric"] * _breathing(rpm, laws)
        drawn = ve * disp * np.maximum(rpm, 1.0) / 120.0 * map_kpa * 1000.0 / (R_AIR * mix_k)
        air = drawn * (1 - egr)
        drop = np.clip(baro / map_kpa, 0.528, 1.0)
        lost = np.sqrt(np.maximum(7.0 * (drop ** (10 / 7) - drop ** (12 / 7)), 0.0))
        flow = air + 0.62 * bad["leak"] * 1e-6 * map_kpa * 1000.0 / np.sqrt(R_AIR * charge) * lost
        inlet_kpa = baro - (100.0 + bad["intake"]) / size**2 * flow * flow
        tip = 0.5 * 0.060 * np.sqrt(size) * shaft
        coefficient = flow / (inlet_kpa * 1000.0 / (R_AIR * inlet) * tip * 0.0036 * size)
        x = coefficient / p["choke"]
        if laws == 2:
            psi = np.maximum(p["head"] * (1.02 - 0.10 * x - 0.55 * x * x - 0.37 * x**5), 0.01)
            eta = np.maximum(p["efficiency"] * (1.0 - np.abs((coefficient - 0.088) / 0.16) ** 1.6), 0.30)
        elif laws == 1:
            psi = np.maximum(p["head"] * (0.94 + 0.25 * x - 0.60 * x * x - 0.55 * x**4), 0.01)
            eta = np.maximum(p["efficiency"] * np.exp(-(((coefficient - 0.092) / 0.075) ** 2)), 0.30)
        else:
            psi = np.maximum(p["head"] * (1.0 - x**3), 0.01)
            eta = np.maximum(p["efficiency"] - 22.0 * (coefficient - 0.085) ** 2, 0.30)
        eta = eta * (1 - bad["worn_wheel"])
        work = psi * tip * tip
        ratio = np.power(1.0 + work / (CP_AIR * inlet), 3.5)
        t2 = inlet * (1.0 + (np.power(ratio, 2 / 7) - 1.0) / eta)
        map_kpa = map_kpa + (inlet_kpa * ratio - 320.0 / size**2 * flow * flow - map_kpa) * DT / (0.10 + DT)
        asked = most_mg * full * pedal * (change <= 0.0) if running else np.zeros(n)
        strokes = np.maximum(rpm, 1.0) / 30.0
        miss = 750.0 - rpm
        over = (pedal < 0.02) & (rpm > 1100.0)
        idle_mg = np.where(over, 6.0, np.clip(idle_mg + 0.05 * miss * DT, 0.0, 30.0))
        told = np.where(over, 0.0, np.maximum(asked, np.clip(idle_mg + 0.06 * miss, 0.0, 45.0))) if running else asked
        told = np.minimum(told, air / least_afr / strokes * 1e6)
        # what is injected: more than asked, no more than the supply gives, or cut by a box for some seconds
        thirst += -thirst * DT / 4.0 + 0.05 * z[3] * np.sqrt(2 * DT / 4.0)
        most_flow = np.where(bad["starved"] > 0, (1 - bad["starved"] + thirst) * most_mg * 1e-6 * 2700 / 30.0, np.inf)
        loaded = (pedal > 0.8) & (told > 0.75 * most_mg)
        load_for = np.where(
            loaded & (cut_left <= 0.0), load_for + DT, np.where(cut_left > 0.0, 0.0, np.maximum(load_for - DT, 0))
        )
        trip_cut = (bad["cut"] > 0) & (load_for > 6.0)
        cut_left = np.where(trip_cut, 3.5, np.maximum(cut_left - DT, 0.0))
        mg = np.minimum(told * (1 + bad["overfuel"]), most_flow / strokes * 1e6) * np.where(
            cut_left > 0.0, 1 - bad["cut"], 1.0
        )
        fuel = mg * 1e-6 * strokes
        afr = np.where(fuel > 1e-9, np.minimum(air / np.maximum(fuel, 1e-9), 116.0), 116.0)
        krpm = rpm / 1000.0
        rich = np.maximum(1.45 - afr / 14.5, 0.0)
        exchange = np.maximum(p3 - map_kpa, -30.0)
        thick = 1.0 + 1.3 * np.exp(-(oil - ZERO) / 32.0) - 0.067
        fmep = _friction_kpa(krpm, laws)
        friction = (fmep * thick + 0.75 * exchange) * 1000.0 * disp / (4.0 * np.pi)
        omega = np.maximum(rpm, 60.0) * np.pi / 30.0
        work_share = p["work"] - 0.3 * rich * rich - 0.05 * bad["late"]
        torque = fuel * LHV * work_share / omega - friction if running else np.full(n, -60.0)
        out_share = _exhaust_share(krpm, mg / size, laws) + 0.06 * rich * rich + 0.05 * bad["late"]
        exhaust = drawn + fuel  # through the cylinders
        hot = mix_k + out_share * LHV / CP_EX * fuel / np.maximum(exhaust, 1e-4)
        hot = hot + 50.0 * np.minimum(rpm / 750.0, 1.0) / (1.0 + mg / 4.0)
        contact = 0.50 / (1.0 + 6.0 * exhaust)
        egt = hot - contact * (hot - iron)
        iron = iron + ((20.0 + 400.0 * exhaust) * (hot - iron) - 6.0 * (iron - inlet)) * (DT / 3600.0)
        out = np.maximum(exhaust - drawn * egr, 1e-4)
        behind = baro + (430.0 + bad["exhaust"]) / size**2 * out * out
        hole = (
            bad["manifold_leak"]
            * 1e-6
            * 0.62
            * p3
            * 1000.0
            / np.sqrt(R_AIR * egt)
            * 0.684
            * np.sqrt(np.clip(1 - (behind / p3) ** 2, 0.0, 1.0))
        )
        through = np.maximum(out - hole, 1e-4)
        area_t = p["turbine"] * size
        area = area_t + 0.011 * size * gate
        p3 = p3 + (np.sqrt(behind * behind + egt * (through / area) ** 2) - p3) * 0.5
        fall = egt * 0.70 * (1.0 - np.power(np.maximum(p3 / behind, 1.0), -0.33 / 1.33))
        turbine_w = through * (area_t / area) * CP_EX * fall * 0.96
        energy = 0.5 * 9.0e-5 * size * shaft * shaft
        energy += (turbine_w - flow * work / eta - 2.0e-6 * size * shaft * shaft) * DT
        shaft = np.sqrt(np.maximum(energy, 1e-4) * 2.0 / (9.0e-5 * size))
        target = np.minimum(np.minimum(88.0 + 1.95 * asked / size, most_map), 3.2 * inlet_kpa)
        off = (map_kpa - target) * p["control"]
        gate_sum = np.clip(gate_sum + 0.02 * off * DT, 0.0, 1.0)
        position = np.clip(gate_sum + 0.03 * off, 0.0, 1.0)
        sticky = bad["sticky"]
        stuck_gate = np.where(np.abs(position - stuck_gate) > sticky, position, stuck_gate)
        position = np.where(sticky > 0, stuck_gate, position)
        position = np.maximum(np.minimum(position, 1.0 - bad["gate_shut"]), bad["gate_open"])
        gate = gate + (position - gate) * DT / (0.15 + DT)

        # clutch and road
        conditioning = np.where(ambient > 297.0, 2600.0, 0.0) if running else np.zeros(n)
        net = torque - (2400.0 + conditioning + fan_w) / np.maximum(omega, 31.0)
        if 10.0 <= t_s < 14.0:
            rpm = np.minimum(rpm + 250.0 * DT, 250.0)
        ratio_m = GEARS[gear - 1] * RAD_M
        matched = speed * ratio_m * 30.0 / np.pi
        capacity = 800.0 * size * (1.0 - bad["clutch"])
        open_ = (change > 0.0) | (wanted < 0.3) & (speed < 2.0) | (not running)
        slipping = ~open_ & ((rpm > matched + 25.0) | (np.abs(net) > capacity)) & ~setting
        passed = np.where(
            open_,
            0.0,
            np.where(
                setting,
                np.clip((rpm - 900.0) * 1.2, 0.0, 420.0),
                np.where(slipping, np.minimum(capacity, np.maximum(net, 0) + 60.0), net),
            ),
        )
        passed = np.where(slipping & (net > capacity), capacity, passed)
        free = rpm + (net - passed) / 0.45 * 30.0 / np.pi * DT
        target_rpm = np.maximum(matched, 750.0)
        change_rpm = rpm + np.clip(target_rpm - rpm, -2600.0 * DT, 2600.0 * DT)
        locked = ~open_ & ~setting & ~(slipping & (free > matched))
        if running:
            rpm = np.where(change > 0.0, change_rpm, np.where(locked, np.maximum(matched, 500.0), free))
            rpm = np.clip(rpm, 450.0, 4300.0)
        drive_n = passed * ratio_m * np.where(passed > 0, p["driveline"], 1 / p["driveline"])
        road_n = mass * G * (p["rolling"] * np.minimum(speed / 0.5, 1.0) + grade / np.sqrt(1 + grade * grade))
        road_n += 0.5 * density * p["drag_m2"] * air_m_s * np.abs(air_m_s) * np.minimum(speed, 1.0)
        road_n += bad["brakes"] * np.minimum(speed / 0.5, 1.0)
        moves = drive_n - road_n - np.where(speed > 0.02, brake * 30_000.0, 0.0)
        moves = np.where((speed <= 0.02) & (wanted < 0.3), 0.0, moves)
        heavy = mass * 1.035 + np.where(locked, 0.45 * ratio_m * ratio_m, 0.0)
        accel = moves / heavy
        new = np.maximum(speed + accel * DT, 0.0)
        far = far + 0.5 * (speed + new) * DT
        speed = new

        # heat
        sound = 1.0 - bad["cooler"]
        pipe += (t2 - pipe) * DT * (0.005 + 0.10 * air)
        entry = 0.5 * (t2 + pipe)
        still = 1.0 / (1.0 + 3.0 * wind_kg)
        soak += (0.75 * still * (coolant - ambient) - soak) * DT / np.where(wind_kg < 0.8, 70.0, 25.0)
        heat_cap = np.maximum(air, 0.002) * CP_AIR
        ua_in = (
            232.0
            * size
            * np.power(np.maximum(air, 0.002) / (0.153 * size), (0.8, 0.65, 0.72)[laws])
            * sound
            * p["cooler"]
        )
        ua_out = 1350.0 * size * np.power(wind_kg / 2.2, (0.6, 0.5, 0.55)[laws]) * sound * p["cooler"] + 15.0
        through_share = np.exp(-ua_in / heat_cap)
        taken = heat_cap * (1 - through_share) * (entry - core)
        sheds = ua_out * (core - ambient - soak)
        core = core + (taken - sheds) * DT / 15_000.0
        charge = core + (entry - core) * through_share
        want_fan = np.clip((coolant - 364.15) / 9.0, 0.08, 1.0) * (1.0 - bad["fan"])
        fan += (want_fan - fan) * DT / 12.0
        fan_w = 230.0 * fan * krpm**3
        ram = 0.095 * density * np.maximum(np.abs(air_m_s), 0.0)
        wind_kg = np.sqrt(ram * ram + (1.10 * fan * krpm) ** 2) + 0.02
        heat_w = fuel * LHV
        to_coolant = heat_w * np.maximum(0.242 - 0.026 * krpm, 0.12) * (1.0 + 0.5 * egr)
        to_oil = 0.04 * heat_w + 0.55 * np.maximum(friction, 0.0) * rpm * np.pi / 30.0
        oil_cooler = 1000.0 * np.minimum(0.25 + 0.3 * krpm, 1.0) * (oil - coolant)
        oil = oil + (to_oil - oil_cooler - (12.0 + 4.0 * speed) * (oil - ambient)) * DT / 26_000.0
        opened += (np.clip((coolant - 354.15) / 9.0, 0.0, 1.0) - opened) * DT / 8.0
        gap = np.minimum(np.maximum(opened, bad["stat_open"]), 1.0 - bad["stat_shut"])
        breathed = ambient + np.minimum((np.maximum(sheds, 0.0) + 1.9 * conditioning) / (wind_kg * CP_AIR), 45.0)
        radiator = 500.0 * size * p["radiator"] * (1 - bad["radiator"]) * np.power(wind_kg, 0.6) * (0.01 + 0.99 * gap)
        radiator *= np.minimum(0.5 + 0.25 * krpm, 1.0)
        shed = radiator * np.maximum(coolant - breathed, 0.0) + 18.0 * (coolant - ambient)
        coolant = coolant + (to_coolant + oil_cooler - shed) * DT / (340_000.0 * size)
        head = head + (coolant + 7.5e-5 * to_coolant - head) * DT / 6.0
        thickness = np.exp(-(oil - ZERO - 90.0) / 70.0)
        pumped = 0.155 * rpm * (1.0 - bad["oil_pump"]) * (0.35 + 0.65 * thickness)
        pressure = 470.0 * pumped / np.power(pumped**4 + 470.0**4, 0.25)

        # sensors
        truth = {
            "map": map_kpa, "egt": egt - ZERO + 2.2 * flutter * np.minimum(mg / 60.0, 1.0), "coolant": coolant - ZERO,
            "head": head - ZERO, "charge": charge - ZERO, "compressor_out": t2 - ZERO, "ambient": ambient - ZERO,
            "speed": speed, "mixture": np.minimum(afr / 14.5, 8.0), "fuel": told * 1e-6 * strokes,
            "oil_temp": oil - ZERO,
            "oil_pressure": pressure, "exhaust_pressure": p3, "grade": grade, "boost_actuator": 1.0 - gate,
        }  # fmt: skip
        for name, value in truth.items():
            was = lag[name]
            tau = LAG_S[name] * p["lag"]
            lag[name] = value if step == 0 else was + (value - was) * (DT / (tau + DT))
        if step % EVERY:
            continue
        plain = {
            "rpm": rpm, "baro": baro, "pedal": pedal, "battery": np.where(running, 14.2, 12.5) * np.ones(n),
            "altitude": high,
            "turbo_speed": shaft * 30.0 / np.pi, "gear": np.where((change > 0) | open_, 0, gear).astype(float),
            "mass": stated_kg,
        }  # fmt: skip
        at = step // EVERY
        for name, value in {**lag, **plain}.items():
            if name not in kept:
                kept[name] = np.empty((n, -(-steps // EVERY)))
            kept[name][:, at] = value
        so = {
            "far_m": far, "speed": speed, "map": map_kpa, "coolant": coolant - ZERO, "charge": charge - ZERO,
            "ambient": ambient - ZERO, "egt": egt - ZERO, "compressor_out": t2 - ZERO, "mixture": truth["mixture"],
            "intake_kpa": baro - inlet_kpa, "behind_kpa": behind - baro, "oil_pressure": pressure,
            "leaked": 1.0 - air / np.maximum(flow, 1e-6), "blown": hole / out, "recirculated": egr * np.ones(n),
            "injected": np.where((told > 0.5 * most_mg) & (pedal > 0.5), mg / np.maximum(told, 1e-6), 1.0),
            "slip": np.where(slipping & (speed > 4.0), 1.0 - matched / np.maximum(rpm, 1.0), 0.0),
            "brakes_n": bad["brakes"] * (speed > 0.5),
            "air_n": 0.5 * density * p["drag_m2"] * air_m_s * np.abs(air_m_s),
            "weight_n": (mass - stated_kg) * G * (p["rolling"] + grade) * (speed > 0.5),
        }  # fmt: skip
        for name, value in so.items():
            if name not in was_so:
                was_so[name] = np.empty((n, -(-steps // EVERY)))
            was_so[name][:, at] = value
    return _as_drives(trips, p, kept, chance), [{k: v[i] for k, v in was_so.items()} for i in range(n)]


def _breathing(rpm: F, laws: int) -> F | float:
    """Volumetric efficiency by speed, over its nominal one."""
    if laws == 1:
        return np.asarray(0.93 + 0.08 * np.exp(-(((rpm - 2300.0) / 1600.0) ** 2)))
    return 1.0 if laws == 0 else np.asarray(1.03 - 0.05 * np.clip(np.abs(rpm - 1900.0) / 1500.0, 0.0, 1.5))


def _friction_kpa(krpm: F, laws: int) -> F:
    """Mean friction pressure of a warm engine."""
    if laws == 1:
        return np.asarray(150.0 + 36.0 * krpm + 1.5 * krpm**2.5)
    return np.asarray((140.0 + 25.0 * krpm + 6.0 * krpm**2) if laws == 0 else (125.0 + 48.0 * krpm + 1.0 * krpm**3))


def _exhaust_share(krpm: F, mg: F, laws: int) -> F:
    """Share of the fuel's heat that leaves with the exhaust of a lean mixture."""
    if laws == 1:
        return np.asarray(0.262 + 0.018 * krpm + 0.00055 * mg)
    return np.asarray(
        (0.2420 + 0.0275 * krpm + 0.00040 * mg) if laws == 0 else (0.275 + 0.010 * krpm + 0.0040 * np.sqrt(mg))
    )


def _as_drives(
    trips: Sequence[Trip], p: dict[str, F], kept: dict[str, F], chance: np.random.Generator
) -> list[WholeDrive]:
    """Noise, drift and broken wires, and what the daemon computes from the readings."""
    n, ticks = kept["rpm"].shape
    for name, sigma in NOISE.items():
        kept[name] = kept[name] + sigma * p["noise"][:, np.newaxis] * chance.standard_normal((n, ticks))
    kept["rpm"] = np.where(kept["rpm"] < 30.0, 0.0, kept["rpm"])
    kept["pedal"] = np.clip(kept["pedal"], 0.0, 1.0)
    for k, t in enumerate(trips):
        if "drift" in t.faults:
            kept[t.channel][k] += t.faults["drift"]
        if "scale" in t.faults:
            kept[t.channel][k] *= 1.0 + t.faults["scale"]
        if "dropout" in t.faults:
            gone = np.zeros(ticks, dtype=bool)
            at = 0.0
            while at < ticks:
                at += float(chance.exponential(1.0)) * 8.0 * (1 - t.faults["dropout"]) / t.faults["dropout"]
                stop = at + float(chance.uniform(1.0, 15.0))
                gone[int(at) : int(stop)] = True
                at = stop
            kept[t.channel][k][gone] = np.nan
        if not t.vehicle.actuator_told:
            kept["boost_actuator"][k] = np.nan
    m = kept["map"], kept["baro"]
    kept["boost"] = m[0] - m[1]
    kept["pressure_ratio"] = m[0] / m[1]
    kept["drive_pressure"] = kept["exhaust_pressure"] - m[1]
    kept["drive_ratio"] = np.where(
        kept["boost"] > 20.0, kept["drive_pressure"] / np.where(kept["boost"] > 20, kept["boost"], 1), np.nan
    )
    hot, amb = kept["compressor_out"], kept["ambient"]
    kept["cooler_effectiveness"] = np.where(
        hot - amb > 20.0, (hot - kept["charge"]) / np.where(hot - amb > 20, hot - amb, 1), np.nan
    )
    gears = np.concatenate([[np.nan], GEARS])[kept["gear"].astype(int)]
    wheels = kept["speed"] * RAD_M * gears * 30.0 / np.pi
    kept["clutch_slip"] = np.where(kept["speed"] > 4.0, 1.0 - wheels / np.maximum(kept["rpm"], 1.0), np.nan)
    smooth = np.apply_along_axis(
        lambda v: np.convolve(np.pad(v, 3, mode="edge"), np.ones(7) / 7, mode="valid"), 1, kept["speed"]
    )
    accel = np.gradient(smooth, 0.5, axis=1)
    rho = m[1] * 1000.0 / (R_AIR * (amb + ZERO))
    stated = kept["mass"]
    force = (
        stated * (G * (kept["grade"] + p["rolling"][:, None]) + 1.035 * accel)
        + 0.5 * rho * p["drag_m2"][:, None] * smooth**2
    )
    kept["wheel_power"] = force * smooth / 1000.0
    signals = tuple(Signal(name, ROLES[name], per_unit=100_000) for name in kept)
    t_ms = np.arange(ticks, dtype=np.int64) * round(1000 * DT * EVERY)
    return [
        WholeDrive(
            signals=signals,
            t_ms=t_ms,
            values=np.stack([kept[name][k] for name in kept], axis=1),
            tune=np.full(ticks, t.told_tune, dtype=np.int16),
            tunes=TUNES,
        )
        for k, t in enumerate(trips)
    ]
