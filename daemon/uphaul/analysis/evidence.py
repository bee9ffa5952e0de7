"""Pieces of evidence about a drive: what each looks at, how much of it means anything, and what it says in words.

Every sign is a difference from the reference drive, or from what a sound vehicle never does (`looks`). Its `strength`
is the figure over the larger of its uncertainty (some 95 %) and the least size that means anything (`Sign.least`, our
own judgement from the trade's limits): below 0.6 it is nothing, from 1.3 it stands.

A quantity that is compared in full-load pulls too is one sign: that of steady driving, unless it can't be told there,
or stands in the pulls and stands out more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import floor, isnan, log10

from uphaul.analysis import boost_looks, looks, pull_looks
from uphaul.analysis.drag import LEAST_DRAG_N
from uphaul.analysis.looks import UNKNOWN, Seen, Span
from uphaul.analysis.pair import Pair

__all__ = ["SIGNS", "Evidence", "Pair", "Sign", "evidence"]


@dataclass(frozen=True, slots=True)
class Sign:
    """A kind of evidence: what it looks at, in which unit, and how much of it means anything (`least`, in that unit).

    `up` and `down` say it in words. `roles` are what has to be fitted; without them nobody can tell.
    """

    name: str
    unit: str
    least: float
    up: str
    down: str
    roles: tuple[str, ...]
    see: Callable[[Pair], Seen]


@dataclass(frozen=True, slots=True)
class Evidence:
    """A sign as it was seen: `value` and `uncertainty` in its unit, `strength` signed (0 when unknown).

    `missing` names the roles that are not fitted (or never read), `moments_ms` where in the drive to look. `driven`
    says how it was driven where that is not all of the drive: in pulls.
    """

    sign: Sign
    value: float
    uncertainty: float
    strength: float
    moments_ms: tuple[Span, ...] = ()
    missing: tuple[str, ...] = ()
    driven: str = ""

    @property
    def known(self) -> bool:
        """Whether there is a figure."""
        return not isnan(self.value)

    @property
    def name(self) -> str:
        """What was seen, in words, without the figure."""
        return (self.sign.up if self.strength >= 0 else self.sign.down) + (f", {self.driven}" if self.driven else "")

    @property
    def text(self) -> str:
        """The evidence as a sentence for people."""
        if not self.known:
            return f"{self.sign.up}: can't tell" + (f", no {', '.join(self.missing)}" if self.missing else "")
        about = f"{_short(self.value, 3, '+')} {self.sign.unit}".rstrip()
        give = f" (give or take {_short(self.uncertainty, 2)})" if self.uncertainty > 0.0 else ""
        return f"{self.name}: {about}{give}" if abs(self.strength) >= 0.6 else f"{self.name}: no, {about}{give}"


def _short(value: float, digits: int, sign: str = "") -> str:
    """To so many digits, and never with an exponent; a small rest of nought is nought."""
    size = abs(value)
    decimals = 2 if size < 1.0 else digits - 1 - floor(log10(size))
    text = f"{round(value, decimals):{sign},.{max(decimals, 0)}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("+0", "-0") else text


def evidence(pair: Pair) -> tuple[Evidence, ...]:
    """Every sign of `SIGNS`, in their order."""
    out = []
    for sign in SIGNS:
        missing = tuple(r for r in sign.roles if not pair.here.has(r))
        steady = _weighed(sign, UNKNOWN if missing else sign.see(pair), missing)
        pulled = UNKNOWN if missing else pull_looks.in_pulls(pair, sign.name)
        full = _weighed(sign, pulled, missing, pull_looks.driven(pair, sign.name))
        stands_out = abs(full.strength) >= max(SECOND_LOOK, abs(steady.strength))
        out.append(full if full.known and (stands_out or not steady.known) else steady)
    return tuple(out)


SECOND_LOOK = 1.6
"""Strength from which pulls say more than steady driving does, beyond that of a single look, as the larger of two is
taken. Source: our own judgement."""


def _weighed(sign: Sign, seen: Seen, missing: tuple[str, ...], driven: str = "") -> Evidence:
    value, uncertainty, moments = seen
    known = not isnan(value)
    least = max(sign.least, 0.0 if isnan(uncertainty) else uncertainty)
    strength = value / least if known else 0.0
    return Evidence(sign, value, uncertainty, strength, moments if known else (), missing, driven)


_AIR = ("map", "baro", "ambient")

SIGNS: tuple[Sign, ...] = (
    Sign("boost", "kPa", 6.0, "boost above the reference at full load", "boost short of the reference at full load",
         ("rpm", "map", "baro"), looks.compared("boost", top=True)),
    Sign("over_boost", "kPa", 6.0, "highest boost above the reference's", "highest boost as in the reference",
         ("rpm", "map"),
         boost_looks.over_boost),
    Sign("actuator_reach", "%", 8.0, "boost control's actuator closes further than it did",
         "boost control's actuator does not close as far as it did",
         ("boost_actuator", "rpm", "map", "baro"), boost_looks.actuator_reach),
    Sign("actuator_opens", "%", 15.0, "boost control's actuator does not open as far as it did",
         "boost control's actuator opens further than it did",
         ("boost_actuator", "rpm", "map", "baro"), boost_looks.actuator_opens),
    Sign("swallow", "%", 3.5, "more gets past the turbine than the actuator's position says",
         "less gets past the turbine than the actuator's position says",
         ("boost_actuator", "exhaust_pressure", "egt", "charge", "rpm", "map", "baro"), looks.compared("swallow")),
    Sign("swallow_shut", "%", 5.0, "more gets past the turbine where boost control holds all it can",
         "less gets past the turbine where boost control holds all it can",
         ("exhaust_pressure", "egt", "charge", "rpm", "map", "baro"), boost_looks.swallow_shut),
    Sign("turbo_speed", "rpm", 1400.0, "turbo turns faster for the same work", "turbo turns slower for the same work",
         ("turbo_speed", *_AIR), looks.compared("turbo_speed")),
    Sign("compressor_out", "K", 6.0, "air leaves the turbo hotter for the same ratio",
         "air leaves the turbo cooler for the same ratio",
         ("compressor_out", *_AIR), looks.compared("compressor_out")),
    Sign("drive_pressure", "kPa", 6.0, "drive pressure higher for the same boost",
         "drive pressure lower for the same boost",
         ("exhaust_pressure", "egt", *_AIR), looks.compared("drive_pressure")),
    Sign("turbine_balance", "%", 5.0, "compressor does more than the turbine is given",
         "turbine is given more than arrives at the engine",
         ("exhaust_pressure", "compressor_out", "egt", "charge", *_AIR), looks.compared("turbine_balance")),
    Sign("mixture", "%", 5.0, "mixture leaner than air and fuel asked for say",
         "mixture richer than air and fuel asked for say",
         ("mixture", "fuel", "charge", "map"), looks.compared("mixture")),
    Sign("full_load_lean", "%", 6.0, "mixture goes lean at full load, more than elsewhere",
         "mixture goes rich at full load, more than elsewhere",
         ("mixture", "fuel", "charge", "map", "pedal"), looks.full_load_lean),
    Sign("cuts", "times", 0.75, "power is cut for seconds at full pedal", "no cuts of power",
         ("mixture", "fuel", "charge", "map", "pedal", "rpm"), looks.cuts),
    Sign("egt", "K", 18.0, "exhaust hotter for the air and fuel asked for",
         "exhaust cooler for the air and fuel asked for",
         ("egt", "fuel", "charge", "map"), looks.compared("egt")),
    Sign("egt_for_mixture", "K", 18.0, "exhaust hotter than the mixture says", "exhaust cooler than the mixture says",
         ("egt", "mixture", "charge"), looks.compared("egt_for_mixture")),
    Sign("fuel", "%", 5.0, "more fuel asked for at the same pedal", "less fuel asked for at the same pedal",
         ("pedal", "fuel"),
         looks.compared("fuel")),
    Sign("told_tune", "%", 30.0, "another tune selected than in the reference", "the reference's tune", (),
         looks.told_tune),
    Sign("cooler", "%", 5.0, "intercooler cools better", "intercooler cools less", ("compressor_out", "charge",
         "ambient", "speed"),
         looks.compared("cooler")),
    Sign("charge_light", "K", 7.0, "charge air reads hotter with hardly any boost",
         "charge air reads cooler with hardly any boost",
         ("charge", "ambient", *_AIR, "speed"), looks.charge_light),
    Sign("soak", "K", 5.0, "charge air heat-soaked while standing or creeping", "no heat-soak", ("charge", "ambient",
         "speed", "rpm"), looks.soak),
    Sign("cooling", "%", 20.0, "cooling system carries off less for each kelvin when hot",
         "cooling system carries off all it did for each kelvin when hot",
         ("coolant", "fuel", "ambient", "speed"), looks.cooling),
    Sign("cooling_shut", "%", 10.0, "hardly any heat gets out (short of two fifths)",
         "a good part of the heat gets out (beyond two fifths)",
         ("coolant", "fuel", "ambient", "speed"), looks.cooling_shut),
    Sign("cooling_slow", "%", 15.0, "cooling system carries off less for each kelvin at low speed than with a fan",
         "cooling system carries off as much for each kelvin at low speed as with a fan",
         ("coolant", "fuel", "ambient", "speed"), looks.cooling_slow),
    Sign("fan_works", "%", 8.0, "at low speed more heat gets out than by the wind alone",
         "at low speed no more heat gets out than by the wind alone",
         ("coolant", "fuel", "ambient", "speed"), looks.fan_works),
    Sign("coolant_cold", "%", 20.0, "heat gets out though a sound thermostat would be shut",
         "thermostat shut when cold",
         ("coolant", "fuel", "ambient", "speed"), looks.coolant_cold),
    Sign("coolant_slow", "K", 4.0, "coolant hot at low speed", "coolant as it should be at low speed",
         ("coolant", "speed", "rpm"),
         looks.coolant_slow),
    Sign("head_over_coolant", "K", 4.0, "head metal further above the coolant",
         "head metal nearer to the coolant or below",
         ("head", "coolant"), looks.compared("head_over_coolant")),
    Sign("drag", "N", LEAST_DRAG_N, "the road takes more than weight, slope and air should",
         "the road takes no more than weight, slope and air should",
         ("wheel_power", "fuel", "speed"), looks.drag),
    Sign("weight", "kg", 300.0, "slopes and pulling away ask for more than the stated mass should",
         "slopes and pulling away ask for no more than the stated mass should",
         ("wheel_power", "fuel", "speed", "grade"), looks.weight),
    Sign("drag_slow", "%", 15.0, "the drag is there at low speed too (share beyond a half)",
         "the drag fades at low speed (share short of a half)",
         ("wheel_power", "fuel", "speed"), looks.drag_slow),
    Sign("pull_charge", "K", 8.0, "charge air hotter over the outside air for the same boost, in pulls",
         "charge air cooler over the outside air for the same boost, in pulls", ("charge", "rpm", "pedal", *_AIR),
         pull_looks.charge),
    Sign("pull_power", "kW", 6.0, "power at the wheels as in the reference's pulls",
         "less power at the wheels than in the reference's pulls", ("wheel_power", "rpm", "pedal"), pull_looks.power),
    Sign("slip", "%", 3.0, "clutch slips in gear under load", "clutch holds", ("clutch_slip",), looks.slip),
    Sign("missing", "%", 0.8, "readings drop out", "readings are whole", (), looks.missing),
    Sign("rest_pressure", "kPa", 3.0, "manifold above barometer with the engine off",
         "manifold below barometer with the engine off",
         ("map", "baro", "rpm"), looks.rest_pressure),
    Sign("oil_pressure", "kPa", 25.0, "oil pressure higher at the same oil temperature",
         "oil pressure lower at the same oil temperature",
         ("oil_pressure", "oil_temp"), looks.compared("oil_pressure")),
)  # fmt: skip
"""All kinds of evidence."""
