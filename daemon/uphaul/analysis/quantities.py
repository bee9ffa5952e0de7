"""What is compared between two drives, freed of what legitimately differs: weather, height, how hard it was driven.

A quantity has a *number* that a sound vehicle keeps in any weather (an efficiency, a flow coefficient, a share of
heat), made by a formula of physics alone, and a `gain` that turns a difference of that number back into the reading
that people know: a difference of 12 K is by how much the exhaust is hotter than the reference would be here and now.
Nothing is fitted to a vehicle; constants of the vehicle (displacement, turbine size) drop out, as both drives have
them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from uphaul.analysis.pieces import Pieces, Readings
from uphaul.physics.basis import ZERO_DEGC_K, Floats
from uphaul.physics.compressor import AIR_GAMMA, EXHAUST_GAMMA

__all__ = ["QUANTITIES", "Quantity", "load_role", "swallow"]

AIR, EXHAUST = (AIR_GAMMA - 1.0) / AIR_GAMMA, (EXHAUST_GAMMA - 1.0) / EXHAUST_GAMMA

Made = tuple[Floats, Floats, Floats]
"""(reading, number, gain), (P,) each: the difference of two drives is that of their numbers, times the gain."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """One row of the comparison.

    `roles` must be fitted in both drives. `y` is what the cells are made of beside engine speed: a role, or "load" for
    the best that is fitted (`load_role`). `repeat` is how far a sound vehicle's reading lies apart on two days for
    reasons that nobody corrects for (one standard deviation, in `unit`), `doubt` the share of the correction that may
    be wrong. `slow`: follows the load by minutes. `beside`: roles that it goes with beside speed and load. `unheld`:
    where the charger's own limit is met, thin air lowers it: at part load the barometer's difference is added to the
    doubt. Source of both: our own judgement, from what sensors of vehicles repeat to.
    """

    name: str
    words: str
    unit: str
    roles: tuple[str, ...]
    make: Callable[[Readings], Made]
    corrected: str
    source: str
    y: str = "load"
    repeat: float = 0.0
    doubt: float = 0.15
    slow: bool = False
    beside: tuple[str, ...] = ()
    unheld: bool = False


def load_role(*drives: Pieces) -> str:
    """What tells load best of what all these drives have: fuel, pedal, or boost; "" for none."""
    return next((role for role in ("fuel", "pedal", "boost") if all(d.has(role) for d in drives)), "")


def _plain(role: str) -> Callable[[Readings], Made]:
    def make(p: Readings) -> Made:
        x = p.of(role)
        return x, x, np.ones(len(x))

    return make


def _loaded(p: Readings, least_kpa: float = 30.0) -> Floats:
    """1 where the turbo does work worth judging, else unknown."""
    return np.where(p.of("map") - p.of("baro") >= least_kpa, 1.0, np.nan)


def _kelvin(p: Readings, role: str) -> Floats:
    return p.of(role) + ZERO_DEGC_K


def _head(p: Readings) -> Floats:
    """Ideal work of the compressor by the heat capacity, K: inlet temperature times ratio to the power of 2/7, less
    1."""
    ratio = np.maximum(p.of("map") / p.of("baro"), 1.0)
    return _kelvin(p, "ambient") * (np.power(ratio, AIR) - 1.0) * _loaded(p)


def _flow(p: Readings) -> Floats:
    """Air drawn in by the engine, in parts of an unknown constant: speed times density. Source: ideal-gas law."""
    return p.of("rpm") * p.of("map") / _kelvin(p, "charge")


def _turbo_speed(p: Readings) -> Made:
    reading, gain = p.of("turbo_speed"), np.sqrt(_head(p))
    return reading, reading / gain, gain


def _compressor_out(p: Readings) -> Made:
    reading, gain = p.of("compressor_out"), _head(p)
    return reading, (reading - p.of("ambient")) / gain, gain


def _turbine(p: Readings) -> tuple[Floats, Floats]:
    """(what the turbine can do at this drive pressure, its slope by the pressure ratio), each by pressure and root of
    heat.

    Mass flow of a turbine is ``sqrt(p3^2 - p4^2) / sqrt(T3)`` (Stodola's ellipse), its work ``T3 (1 - (p4 / p3)^k)``.
    """
    r = np.maximum(p.of("exhaust_pressure") / p.of("baro"), 1.02)
    wide = np.sqrt(r * r - 1.0)
    work = 1.0 - np.power(r, -EXHAUST)
    return wide * work, r / wide * work + wide * EXHAUST * np.power(r, -EXHAUST - 1.0)


def _drive_pressure(p: Readings) -> Made:
    reading = p.of("exhaust_pressure")
    could, slope = _turbine(p)
    heat = np.sqrt(_kelvin(p, "egt"))
    asked = _flow(p) * _head(p)
    number = could * p.of("baro") * heat / asked
    return reading, number, asked / (heat * slope)


def _turbine_balance(p: Readings) -> Made:
    could, _ = _turbine(p)
    given = _flow(p) * np.where(p.of("compressor_out") - p.of("ambient") > 20.0, 1.0, np.nan)
    given = given * (p.of("compressor_out") - p.of("ambient")) * _loaded(p, 50.0)
    ratio = np.log(given / (could * p.of("baro") * np.sqrt(_kelvin(p, "egt")))) * 100.0
    return ratio, ratio, np.ones(len(ratio))


def swallow(p: Readings) -> Floats:
    """(P,) 100 times the logarithm of what passes the turbine (and beside it) for its pressures, of unknown scale.

    Mass flow by the root of heat over Stodola's pressures. Of a sound turbine it goes with the actuator's position
    alone, whatever the weather, the height and the load. Unknown where boost is below 30 kPa.
    """
    r = np.maximum(p.of("exhaust_pressure") / p.of("baro"), 1.02)
    with np.errstate(all="ignore"):
        through = _flow(p) * np.sqrt(_kelvin(p, "egt")) / (p.of("baro") * np.sqrt(r * r - 1.0))
        return 100.0 * np.log(through * _loaded(p))


def _swallow(p: Readings) -> Made:
    reading = swallow(p)
    return reading, reading, np.ones(len(reading))


def _egt(p: Readings) -> Made:
    reading, gain = p.of("egt"), p.of("fuel") / _flow(p) * 1e6
    gain = np.where(p.of("fuel") > 5e-4, gain, np.nan)
    return reading, (reading - p.of("charge")) / gain, gain


def _egt_for_mixture(p: Readings) -> Made:
    reading, gain = p.of("egt"), 1.0 / p.of("mixture")
    gain = np.where(p.of("mixture") < 4.0, gain, np.nan)
    return reading, (reading - p.of("charge")) / gain, gain


def _mixture(p: Readings) -> Made:
    burnt = (p.of("fuel") > 5e-4) & (p.of("mixture") < 4.0) & (p.of("mixture") > 0.0)
    share = np.where(burnt, p.of("mixture") * p.of("fuel") / _flow(p), np.nan)
    reading = 100.0 * np.log(share)
    return reading, reading, np.ones(len(reading))


def _cooler(p: Readings) -> Made:
    spread = p.of("compressor_out") - p.of("ambient")
    moving = (p.of("speed") >= 60.0 / 3.6) & (spread >= 30.0)
    reading = (
        np.where(moving, (p.of("compressor_out") - p.of("charge")) / np.where(moving, spread, 1.0), np.nan) * 100.0
    )
    return reading, reading, np.ones(len(reading))


def _map(p: Readings) -> Made:
    reading = p.of("map") * _loaded(p, 20.0)
    return reading, reading, np.ones(len(reading))


def _actuator(p: Readings) -> Made:
    reading = 100.0 * p.of("boost_actuator") * _loaded(p, 50.0)
    return reading, reading, np.ones(len(reading))


def _wheel_power(p: Readings) -> Made:
    reading = np.where((p.of("speed") > 8.0) & (p.of("fuel") > 1e-3), p.of("wheel_power"), np.nan)
    return reading, reading, np.ones(len(reading))


def _fuel(p: Readings) -> Made:
    asked = (p.of("pedal") >= 0.25) & (p.of("fuel") > 5e-4)
    reading = 100.0 * np.log(np.where(asked, p.of("fuel"), np.nan))
    return reading, reading, np.ones(len(reading))


def _head_over_coolant(p: Readings) -> Made:
    reading = p.of("head") - p.of("coolant")
    return reading, reading, np.ones(len(reading))


_AIR_SIDE = ("map", "baro", "ambient")

QUANTITIES: tuple[Quantity, ...] = (
    Quantity(
        "boost", "manifold pressure", "kPa", ("rpm", "map", "baro"), _map,
        "absolute pressure is compared, which boost control holds at any height", "common practice", repeat=2.0,
        unheld=True,
    ),
    Quantity(
        "actuator", "boost control's actuator, closed by", "%", ("rpm", "map", "baro", "boost_actuator"), _actuator,
        "nothing: thin and hot air asks for more, which is in the least size that means anything", "common practice",
        repeat=1.0,
    ),
    Quantity(
        "turbo_speed", "turbo speed", "rpm", ("rpm", "turbo_speed", *_AIR_SIDE), _turbo_speed,
        "for inlet temperature and pressure ratio: head over tip speed squared", "Euler's turbine equation",
        repeat=800.0, doubt=0.12,
    ),
    Quantity(
        "compressor_out", "air leaving the turbo", "K", ("rpm", "compressor_out", *_AIR_SIDE), _compressor_out,
        "for inlet temperature and pressure ratio: isentropic efficiency", "isentropic compression of an ideal gas",
        repeat=3.0, slow=True,
    ),
    Quantity(
        "drive_pressure", "pressure before the turbine", "kPa",
        ("rpm", "exhaust_pressure", "egt", "charge", *_AIR_SIDE), _drive_pressure,
        "for the work that the compressor needs here, and the exhaust's heat",
        "Stodola's ellipse; isentropic expansion",
        repeat=3.0,
    ),
    Quantity(
        "turbine_balance", "work of the compressor for what the turbine is given", "%",
        ("rpm", "exhaust_pressure", "compressor_out", "egt", "charge", *_AIR_SIDE), _turbine_balance,
        "a ratio of work: air by speed and density times its heating, over what the turbine can do",
        "Stodola's ellipse; steady-flow energy equation", repeat=2.5, slow=True,
    ),
    Quantity(
        "swallow", "what the turbine lets through at the actuator's position", "%",
        ("rpm", "exhaust_pressure", "egt", "charge", "map", "baro", "boost_actuator"), _swallow,
        "for pressures and heat: flow by speed and density over what an opening of that size passes",
        "Stodola's ellipse; ideal-gas law", y="boost_actuator", repeat=2.0, slow=True,
    ),
    Quantity(
        "egt", "exhaust temperature", "K", ("rpm", "egt", "charge", "fuel", "map"), _egt,
        "for charge temperature, air and fuel: the exhaust's rise over the charge times air over fuel", "heat balance",
        repeat=8.0, slow=True,
    ),
    Quantity(
        "egt_for_mixture", "exhaust temperature for the mixture measured", "K", ("rpm", "egt", "charge", "mixture"),
        _egt_for_mixture, "for charge temperature and mixture: the rise over the charge times lambda", "heat balance",
        repeat=8.0, slow=True,
    ),
    Quantity(
        "mixture", "mixture (lambda) for the air and fuel told", "%", ("rpm", "mixture", "charge", "fuel", "map"),
        _mixture,
        "for air by speed and density and for the fuel that is asked for", "definition of lambda; ideal-gas law",
        repeat=1.5,
    ),
    Quantity(
        "cooler", "intercooler effectiveness, moving 60 km/h or more", "%",
        ("rpm", "compressor_out", "charge", "ambient", "speed"), _cooler,
        "for the outside air: a share of the possible cooling", "definition of effectiveness", repeat=3.0, slow=True,
        beside=("speed",),
    ),
    Quantity(
        "fuel", "fuel asked for at the same pedal", "%", ("rpm", "pedal", "fuel"), _fuel, "nothing to correct",
        "definition",
        y="pedal", repeat=1.5,
    ),
    Quantity(
        "wheel_power", "power at the wheels by the road load, for the fuel asked for", "kW",
        ("rpm", "fuel", "wheel_power", "speed"), _wheel_power,
        "grade, acceleration, air density and stated mass are in the road load; wind is not seen",
        "40 CFR 1066.210(d)(3) with slope", y="fuel", repeat=3.5,
    ),
    Quantity(
        "head_over_coolant", "head metal over coolant", "K", ("rpm", "head", "coolant"), _head_over_coolant,
        "nothing to correct: the heat goes with fuel and speed", "heat balance", repeat=1.2, slow=True,
    ),
    Quantity(
        "oil_pressure", "oil pressure", "kPa", ("rpm", "oil_pressure", "oil_temp"), _plain("oil_pressure"),
        "compared at the same oil temperature", "common practice", y="oil_temp", repeat=8.0,
    ),
)  # fmt: skip
"""Everything that is compared, in the order in which it is told."""
