"""Computed signals against published values: every input reaches its place, in its unit, and so does the result."""

from __future__ import annotations

import math

import numpy as np
import pytest

from uphaul.derive import Computed, Deriver, Value
from uphaul.physics.lookup import Grid
from uphaul.signals import Signal

TICK_MS = 50
Series = tuple[str, float | np.ndarray]


def run(
    formula: str, unit: str, inputs: dict[str, Series], constants: dict[str, Value] | None = None, *, n: int = 1
) -> np.ndarray:
    """The result in `unit` at each of `n` ticks, fine enough to compare."""
    signals = [Signal(f"{name}_in", u, 100_000) for name, (u, _) in inputs.items()]
    out = Signal("out", unit, 1_000_000, computed=True)
    columns = [np.broadcast_to(v, n).astype(float) for _, v in inputs.values()]
    values = np.column_stack([*columns, np.full(n, np.nan)])
    named = tuple((name, f"{name}_in") for name in inputs)
    computed = Computed(out, formula, named, tuple((constants or {}).items()))
    Deriver((*signals, out), [computed]).run(TICK_MS * np.arange(n), values)
    return values[:, -1]


ROAD: dict[str, Value] = {"vehicle": 2800.0, "trailer": 2700.0, "rolling": 0.008, "drag_area": 3.2, "rotating": 1.0}
CASES = [
    # (formula, unit, inputs, constants, value, tolerance), the source in the line above
    # CIPM-2007 (Picard et al., Metrologia 45, 149); two ideal gases are within 0.1 %
    ("air-density", "kg/m3", {"pressure": ("hPa", 1000.0), "temperature": ("degF", 77.0)}, {}, 1.16182, 1.2e-3),
    ("air-density", "kg/m3", {"pressure": ("kPa", 101.325), "temperature": ("degC", 40.0), "humidity": ("%", 30.0)}, {},
     1.11813, 1.2e-3),
    # ambiance 1.3.1, Atmosphere.from_pressure(90000).H
    ("pressure-altitude", "m", {"barometric": ("kPa", 90.0)}, {}, 988.500, 0.05),
    # ISO 2533:1975, density at 1,000 m geopotential
    ("density-altitude", "m", {"density": ("kg/m3", 1.11164)}, {}, 1000.0, 0.2),
    # ideal-gas law, worked by hand: 0.9 * 3.9 L * 3200 / 120 * 233.05 kPa / (287.053 * 323.15 K)
    ("air-flow", "kg/h", {"rpm": ("rpm", 3200.0), "manifold": ("kPa", 233.05), "charge": ("degC", 50.0)},
     {"displacement": 3.9, "efficiency": 0.9}, 846.58, 0.1),
    ("volumetric-efficiency", "1", {"air": ("kg/h", 846.58), "rpm": ("rpm", 3200.0), "manifold": ("bar", 2.3305),
     "charge": ("degC", 50.0)}, {"displacement": 3.9}, 0.9, 1e-4),
    # a published turbocharger handbook's example: 44.0 lb/min at 41.1 psia, 130 degF, 7200 rpm, 122 cubic inches; good
    # to its three figures
    ("volumetric-efficiency", "1", {"air": ("lb/min", 44.0), "rpm": ("rpm", 7200.0), "manifold": ("psi", 41.1),
     "charge": ("degF", 130.0)}, {"displacement": 122 * 0.016387064}, 0.92, 2e-3),
    # fluids 1.3.1, isentropic_T_rise_compression; CoolProp's real air is within 1.5 K of it
    ("compressor-outlet", "degC", {"inlet": ("degC", 25.0), "ratio": ("1", 2.8)}, {"efficiency": 0.72}, 166.63, 0.01),
    ("compressor-outlet", "degC", {"inlet": ("degC", 25.0), "ratio": ("1", 2.8)}, {"efficiency": 0.72}, 165.81, 1.5),
    ("compressor-efficiency", "1", {"inlet": ("degF", 77.0), "outlet": ("degC", 166.63), "ratio": ("1", 2.8)}, {}, 0.72,
     1e-4),
    # Heywood, appendix D: 14.5 is stoichiometric; 17.5:1 is lambda 1.207
    ("lambda-from-ratio", "1", {"ratio": ("1", 17.5)}, {}, 1.207, 1e-3),
    ("air-fuel-ratio-from-lambda", "1", {"lambda": ("1", 1.207)}, {}, 17.5, 0.01),
    ("lambda", "1", {"air": ("kg/h", 846.6), "fuel": ("kg/h", 44.56)}, {}, 19.0 / 14.5, 1e-3),
    ("air-fuel-ratio", "1", {"air": ("kg/h", 846.6), "fuel": ("g/s", 44.56 / 3.6)}, {}, 19.0, 0.01),
    # definition: 1.5 has a quarter more air than 1.2
    ("smoke-margin", "%", {"lambda": ("1", 1.5)}, {}, 25.0, 1e-6),
    # 0.8366 kg/L (US DOE, 3167 g a gallon)
    ("fuel-mass-flow", "kg/h", {"fuel": ("L/h", 33.0)}, {"density": 0.8366}, 27.61, 0.01),
    # a revolution at 2,000 rpm takes 30 ms, so 1 ms is 12 deg
    ("injection-angle", "deg", {"rpm": ("rpm", 2000.0), "pulse": ("ms", 1.4)}, {"opening_s": 0.0004}, 12.0, 1e-6),
    # definition of power; 840 N·m at 2,200 rpm is 193.5 kW
    ("power-from-torque", "kW", {"torque": ("N·m", 840.0), "rpm": ("rpm", 2200.0)}, {}, 193.5, 0.05),
    # definitions, worked by hand: 846.6 kg/h over 19 is 44.56 kg/h, at 215 g/kWh 207.2 kW
    ("power-from-air", "kW", {"air": ("kg/h", 846.6), "ratio": ("1", 19.0)}, {"consumption": 215.0}, 207.2, 0.1),
    ("power-from-fuel", "hp", {"fuel": ("kg/h", 44.56)}, {"consumption": 215.0}, 277.9, 0.1),
    # UN R85 annex 5, worked by hand: qc 56.438, fm 0.8918, at 95 kPa dry and 308 K alpha 1.07240
    ("corrected-power", "kW", {"power": ("kW", 200.0), "barometric": ("kPa", 95.0), "intake": ("degC", 35.0),
     "fuel": ("g/s", 13.5), "rpm": ("rpm", 3200.0), "boost_ratio": ("1", 2.3)},
     {"displacement": 3.9, "edition": "UN R85", "humidity": 0.0}, 214.480, 0.005),
    # the same without an edition: as it is
    ("corrected-power", "kW", {"power": ("kW", 200.0), "barometric": ("kPa", 95.0), "intake": ("degC", 35.0),
     "fuel": ("g/s", 13.5), "rpm": ("rpm", 3200.0), "boost_ratio": ("1", 2.3)}, {"displacement": 3.9}, 200.0, 0.0),
    # definition: the driveline keeps a tenth
    ("crank-power", "kW", {"wheel": ("kW", 90.0)}, {"efficiency": 0.9}, 100.0, 1e-6),
    # 40 km/h in second gear of 2.42 * 4.885 on tyres of 0.380 m: 11.111 / 0.38 * 11.822 * 30 / pi = 3301 rpm
    ("gear", "1", {"rpm": ("rpm", 3301.0), "speed": ("km/h", 40.0)},
     {"ratios": (4.15, 2.42, 1.51), "final_drive": 4.885, "tyre_radius": 0.38}, 2.0, 0.0),
    ("clutch-slip", "%", {"rpm": ("rpm", 3301.0 / 0.9), "speed": ("km/h", 40.0), "gear": ("1", 2.0)},
     {"ratios": (4.15, 2.42, 1.51), "final_drive": 4.885, "tyre_radius": 0.38}, 10.0, 0.02),
    # torque times the difference of speeds: 400 N·m * 0.1 * 3178 rpm
    ("clutch-heat", "kW", {"torque": ("N·m", 400.0), "rpm": ("rpm", 3178.0), "slip": ("%", 10.0)}, {}, 13.312, 0.001),
    # a quarter of 27.6 kg/h * 42.8 MJ/kg
    ("coolant-heat-from-fuel", "kW", {"fuel": ("kg/h", 27.6)}, {}, 82.03, 0.01),
    # CoolProp: a litre of half glycol, half water takes 3.66 kJ/K at 90 degC
    ("coolant-heat-from-flow", "kW", {"flow": ("L/h", 6000.0), "hot": ("degC", 90.0), "cooled": ("degF", 176.0)}, {},
     61.0, 0.01),
    # energy balance: 2 K a minute of 150 kJ/K is 5 kW
    ("coolant-excess", "kW", {"rate": ("K/min", 2.0)}, {"capacity": 150.0}, 5.0, 1e-6),
    # definition: 5 kPa are lost of 230
    ("charge-cooler-drop", "kPa", {"before": ("bar", 2.3), "after": ("kPa", 225.0)}, {}, 5.0, 1e-6),
]  # fmt: skip


@pytest.mark.parametrize(("formula", "unit", "inputs", "constants", "value", "tolerance"), CASES)
def test_the_published_value(
    *,
    formula: str,
    unit: str,
    inputs: dict[str, Series],
    constants: dict[str, Value],
    value: float,
    tolerance: float,
) -> None:
    assert run(formula, unit, inputs, constants)[0] == pytest.approx(value, abs=tolerance + 1e-6)


AT_ROAD = [
    # (km/h at the end, m/s2, grade %, force N, power kW): 40 CFR 1066.210(d)(3) worked by hand for 5,500 kg in all,
    # rolling 0.008, drag area 3.2 m2, 1.2 kg/m3
    (100.0, 0.0, 0.0, 1913.0, 53.14),
    (100.0, 0.0, 6.0, 5142.6, 142.85),
    (80.0, 0.0, 8.0, 5679.5, 126.21),
    (60.0, 0.5, 0.0, 3714.8, 61.91),
]


@pytest.mark.parametrize(("speed", "acceleration", "grade", "force", "power"), AT_ROAD)
def test_road_load_with_the_acceleration_of_the_last_two_seconds(
    speed: float, acceleration: float, grade: float, force: float, power: float
) -> None:
    n = 61
    inputs: dict[str, Series] = {
        "speed": ("km/h", speed - acceleration * 3.6 * TICK_MS / 1000 * np.arange(n)[::-1]),
        "grade": ("%", grade),
        "density": ("kg/m3", 1.2),
    }
    assert run("wheel-force", "N", inputs, ROAD, n=n)[-1] == pytest.approx(force, abs=0.1)
    assert run("wheel-power", "kW", inputs, ROAD, n=n)[-1] == pytest.approx(power, abs=0.01)
    torque = run("wheel-torque", "N·m", inputs, {**ROAD, "tyre_radius": 0.4}, n=n)[-1]
    assert torque == pytest.approx(force * 0.4, abs=0.05)
    assert run("acceleration", "m/s2", {"speed": inputs["speed"]}, n=n)[-1] == pytest.approx(acceleration, abs=1e-4)


def test_a_trailer_counts_while_it_is_hitched() -> None:
    n = 61
    inputs: dict[str, Series] = {
        "speed": ("km/h", 80.0),
        "grade": ("%", 8.0),
        "density": ("kg/m3", 1.2),
        "hitched": ("1", np.where(np.arange(n) < 60, 1.0, 0.0)),
    }
    force = run("wheel-force", "N", inputs, ROAD, n=n)
    # 2,700 kg less on 8 %: 2700 * 9.80665 * (0.08 + 0.008) / sqrt(1.0064)
    assert force[59] - force[60] == pytest.approx(2322.64, abs=0.1)


def test_the_map_of_volumetric_efficiency_is_read_at_speed_and_pressure() -> None:
    grid = Grid("e", (1000.0, 3000.0), (100.0, 200.0), ((0.80, 0.84), (0.90, 0.94)))
    inputs: dict[str, Series] = {
        "rpm": ("rpm", np.array([1000.0, 3000.0, 2000.0])),
        "manifold": ("kPa", np.array([100.0, 200.0, 150.0])),
        "charge": ("degC", 50.0),
    }
    got = run("air-flow", "kg/h", inputs, {"displacement": 3.2, "efficiency": grid}, n=3)
    one = run("air-flow", "kg/h", inputs, {"displacement": 3.2, "efficiency": 1.0}, n=3)
    # a knot gives its value; in the middle of four it is their mean
    assert got / one == pytest.approx([0.80, 0.94, 0.87], abs=1e-6)


def test_a_grade_of_six_percent_by_barometer_and_by_height() -> None:
    n = 400
    way = 20.0 * TICK_MS / 1000 * np.arange(n)
    height = 500.0 + 0.06 * way
    # ISO 2533:1975 at ISO temperature: p = 101.325 (1 - 0.0065 h / 288.15) ** 5.255876
    barometric = 101.325 * (1 - 0.0065 * height / 288.15) ** 5.255876
    speed = ("m/s", 20.0)
    by_baro = run("grade", "%", {"speed": speed, "barometric": ("kPa", barometric)}, n=n)
    by_height = run("grade", "%", {"speed": speed, "height": ("ft", height / 0.3048)}, n=n)
    assert by_baro[-1] == pytest.approx(6.0, abs=0.01)
    assert by_height[-1] == pytest.approx(6.0, abs=0.001)
    # warm air is stretched: 25 K over the standard's 11.75 degC at 500 m is 8.8 % more height
    warm = {"speed": speed, "barometric": ("kPa", barometric), "ambient": ("degC", 36.75)}
    assert run("grade", "%", warm, n=n)[-1] == pytest.approx(6.0 * (36.75 + 273.15) / 284.9, abs=0.02)


def test_slope_time_above_and_cooling_down() -> None:
    n = 200
    rising = 600.0 + 3.0 * TICK_MS / 1000 * np.arange(n)
    rate = run("temperature-rate", "K/min", {"temperature": ("degF", rising * 1.8 + 32)}, {"window_s": 5.0}, n=n)
    assert rate[-1] == pytest.approx(180.0, abs=1e-3)
    above = run("time-above", "s", {"value": ("degF", rising * 1.8 + 32)}, {"limit": 615.0, "window_s": 60.0}, n=n)
    assert above[-1] == pytest.approx((n - 1) * 0.05 - 5.0, abs=1e-6)
    need = run("turbo-cooldown", "s", {"gas": ("degC", 650.0)}, n=n)
    # exponential approach from 650 to 200 about 150 degC with 60 s: 60 ln(500 / 50)
    assert need[-1] == pytest.approx(60 * math.log(10), abs=0.01)


def test_after_a_gap_slopes_begin_anew_time_above_counts_no_gap_and_a_hot_turbo_stays_hot() -> None:
    t = np.concatenate((50 * np.arange(200), 60_000 + 50 * np.arange(200)))
    gas = np.concatenate((np.full(200, 700.0), np.full(200, 300.0)))
    signals = (
        Signal("gas", "degC", 4),
        Signal("rate", "K/s", 1000, computed=True),
        Signal("above", "s", 1000, computed=True),
        Signal("need", "s", 1000, computed=True),
    )
    computed = [
        Computed(signals[1], "temperature-rate", (("temperature", "gas"),), (("window_s", 4.0),)),
        Computed(signals[2], "time-above", (("value", "gas"),), (("limit", 500.0),)),
        Computed(signals[3], "turbo-cooldown", (("gas", "gas"),)),
    ]
    values = np.column_stack((gas, np.full((400, 3), np.nan)))
    Deriver(signals, computed, gap_ms=1000).run(t, values)
    assert np.isnan(values[200:240, 1]).all()  # half a window is needed
    assert values[240:, 1] == pytest.approx(np.zeros(160))  # 400 K colder, but no slope across the gap
    assert values[200, 2] == 9.95
    assert values[200, 3] == pytest.approx(60 * math.log((700 * 200 + 300 - 150 * 201) / 201 / 50), abs=0.05)
