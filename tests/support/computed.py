"""One computed signal for every formula, with measured signals that a drive could have: for tests of them all."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from uphaul.derive import FORMULAS, Computed, Value
from uphaul.physics.lookup import Grid
from uphaul.signals import Signal

__all__ = ["CONSTANTS", "SPANS", "Case", "cases", "plausible"]

SPANS: dict[str, tuple[str, float, float]] = {
    # unit, and the span of believable readings; units differ from the canonical ones where the kind has others
    "absolute": ("psi", 14.0, 45.0),
    "barometric": ("hPa", 700.0, 1040.0),
    "outlet": ("degF", 100.0, 380.0),
    "inlet": ("degC", -20.0, 50.0),
    "numerator": ("bar", 0.0, 4.0),
    "denominator": ("kPa", 10.0, 300.0),
    "minuend": ("degF", 0.0, 300.0),
    "subtrahend": ("degC", 0.0, 150.0),
    "hot": ("degF", 100.0, 400.0),
    "cooled": ("degC", 10.0, 90.0),
    "ambient": ("K", 250.0, 320.0),
    "pressure": ("kPa", 70.0, 104.0),
    "temperature": ("degC", -30.0, 900.0),
    "humidity": ("%", 0.0, 100.0),
    "density": ("kg/m3", 0.8, 1.4),
    "rpm": ("rpm", 500.0, 4000.0),
    "manifold": ("kPa", 80.0, 300.0),
    "charge": ("degC", 0.0, 90.0),
    "air": ("g/s", 10.0, 250.0),
    "before": ("bar", 1.5, 3.0),
    "after": ("kPa", 120.0, 290.0),
    "fuel": ("kg/h", 1.0, 40.0),
    "lambda": ("1", 1.0, 6.0),
    "ratio": ("1", 1.0, 30.0),
    "pulse": ("ms", 0.0, 2.5),
    "torque": ("N·m", -80.0, 800.0),
    "power": ("hp", 0.0, 300.0),
    "intake": ("degC", 5.0, 45.0),
    "boost_ratio": ("1", 1.0, 3.2),
    "speed": ("km/h", 0.0, 120.0),
    "height": ("ft", 0.0, 9000.0),
    "grade": ("%", -9.0, 9.0),
    "hitched": ("1", 0.0, 1.0),
    "wheel": ("kW", -80.0, 200.0),
    "gear": ("1", 0.0, 5.0),
    "slip": ("%", -3.0, 30.0),
    "value": ("degF", 500.0, 1500.0),
    "flow": ("L/h", 500.0, 9000.0),
    "rate": ("K/min", -10.0, 10.0),
    "gas": ("degC", 100.0, 800.0),
    "first": ("degC", 15.0, 19.0),
    "second": ("degF", 60.0, 66.0),
    "third": ("degC", 16.0, 20.0),
    "fourth": ("degC", 15.0, 19.0),
    "fifth": ("degC", 15.0, 19.0),
    "sixth": ("K", 289.0, 293.0),
    "seventh": ("degC", 15.0, 19.0),
    "eighth": ("degC", 15.0, 30.0),
    "own": ("degC", 10.0, 90.0),
    "told": ("degF", 50.0, 190.0),
}
OF_FORMULA: dict[tuple[str, str], tuple[str, float, float]] = {
    ("pressure-ratio", "outlet"): ("kPa", 90.0, 300.0),
    ("pressure-ratio", "inlet"): ("kPa", 70.0, 104.0),
    ("air-density", "temperature"): ("degF", -20.0, 110.0),
    ("compressor-efficiency", "ratio"): ("1", 1.0, 3.2),
    ("compressor-outlet", "ratio"): ("1", 1.0, 3.2),
    ("fuel-mass-flow", "fuel"): ("L/h", 0.0, 50.0),
}
CONSTANTS: dict[str, dict[str, Value]] = {
    "air-flow": {
        "displacement": 3.2,
        "efficiency": Grid("e", (800.0, 2000.0, 4000.0), (100.0, 250.0), ((0.8, 0.85), (0.9, 0.92), (0.82, 0.85))),
    },
    "volumetric-efficiency": {"displacement": 3.2},
    "compressor-outlet": {"efficiency": 0.7},
    "power-from-fuel": {"consumption": 220.0},
    "power-from-air": {"consumption": 220.0},
    "corrected-power": {"displacement": 3.2, "edition": "UN R85"},
    "wheel-force": {"vehicle": 2700.0, "trailer": 2700.0, "rolling": 0.01, "drag_area": 3.6},
    "wheel-power": {"vehicle": 2700.0, "trailer": 2700.0, "rolling": 0.01, "drag_area": 3.6},
    "wheel-torque": {"vehicle": 2700.0, "rolling": 0.01, "drag_area": 3.6, "tyre_radius": 0.38},
    "crank-power": {"efficiency": 0.9},
    "gear": {"ratios": (4.38, 2.39, 1.46, 1.0, 0.705), "final_drive": 4.885, "tyre_radius": 0.38},
    "clutch-slip": {"ratios": (4.38, 2.39, 1.46, 1.0, 0.705), "final_drive": 4.885, "tyre_radius": 0.38},
    "time-above": {"limit": 600.0, "window_s": 4.0},
    "temperature-rate": {"window_s": 1.0},
    "coolant-excess": {"capacity": 150.0},
    "grade": {"window_s": 3.0, "least_way": 5.0, "barometric_noise": 3.0},
    "turbo-cooldown": {"window_s": 5.0},
    "odd-one-out": {"agree": 3.0},
    "movement": {"window_s": 2.0},
    "shift-since-rest": {"agree": 200.0},
    "clutch-launch-heat": {
        "ratios": (4.38, 2.39, 1.46, 1.0, 0.705),
        "final_drive": 4.885,
        "tyre_radius": 0.38,
        "window_s": 3.0,
    },
    "estimated-mass": {"rolling": 0.01, "drag_area": 3.6, "window_s": 6.0, "least_ticks": 5.0},
}
RESULTS = {
    # units other than the canonical one where the kind has others
    "pressure": "psi",
    "temperature": "degF",
    "ratio": "%",
    "mass flow": "kg/h",
    "length": "ft",
    "power": "hp",
    "torque": "lbf·ft",
    "time": "min",
    "temperature rate": "K/min",
    "any": "degF",
    "density": "kg/m3",
    "angle": "deg",
    "force": "N",
    "mass": "t",
    "energy": "kJ",
    "acceleration": "m/s2",
}


@dataclass(frozen=True)
class Case:
    """A formula fed by signals of its inputs' names; `spans` are (low, high) of each in its own unit."""

    computed: Computed
    measured: tuple[Signal, ...]
    spans: tuple[tuple[float, float], ...] = field(repr=False)

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Measured ones, then the computed one."""
        return (*self.measured, self.computed.signal)


def cases() -> dict[str, Case]:
    """Every formula, all of its optional inputs fed."""
    out = {}
    for name, formula in FORMULAS.items():
        measured, spans = [], []
        for given, _ in formula.all_inputs():
            unit, low, high = OF_FORMULA.get((name, given), SPANS[given])
            per_unit = 1 if given in ("gear", "hitched") else 1000
            measured.append(Signal(f"{given}_in", unit, per_unit))
            spans.append((low, high))
        signal = Signal("out", RESULTS[formula.result], 1000, computed=True)
        inputs = tuple((given, f"{given}_in") for given, _ in formula.all_inputs())
        constants = tuple(CONSTANTS.get(name, {}).items())
        out[name] = Case(Computed(signal, name, inputs, constants), tuple(measured), tuple(spans))
    return out


def plausible(case: Case, n: int, seed: int) -> np.ndarray:
    """(N, S) readings as of a drive: slow waves over each input's span, on its counts, the computed column unknown."""
    rng = np.random.default_rng(seed)
    rows = np.full((n, len(case.signals)), np.nan)
    at = np.arange(n)
    for k, (low, high) in enumerate(case.spans):
        wave = 0.5 + 0.5 * np.sin(at / rng.uniform(20, 60) + rng.uniform(0, 6.28))
        scale = case.measured[k].per_unit
        rows[:, k] = np.rint((low + (high - low) * wave) * scale) / scale
    return rows
