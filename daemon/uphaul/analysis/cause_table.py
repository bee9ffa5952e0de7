"""The causes of the trade, as data: what each does to the signs, what to check first and with which tool.

A cause has one or more pictures (boost control may stick open or shut). A picture says of each sign which way it must
go (`Expect.way`: 1 up, -1 down), how much it speaks for the cause when it does (`if_seen`), and how much against when
it is known and doesn't (`if_not`). `may` lists signs that are free to follow. Any other sign that stands speaks against
the picture, as it leaves something unexplained.

Weights are in natural logarithms of likelihood, as a practitioner would bet, e.g. 2.0: some seven to one. Source of
all: our own judgement on the ground of common practice. None was fitted to drives.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CAUSES", "Cause", "Expect", "Picture"]


@dataclass(frozen=True, slots=True)
class Expect:
    """What a picture expects of a sign. `way` 0: either way."""

    sign: str
    way: int
    if_seen: float
    if_not: float


@dataclass(frozen=True, slots=True)
class Picture:
    """One way in which a cause shows. `title` for people when it differs from the cause's."""

    expects: tuple[Expect, ...]
    may: frozenset[str] = frozenset()
    title: str = ""


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause: its `key`, `title` and `first` (what to check, with which tool) for people; `prior` against the
    others, for what is commoner.

    `fault` is false for what is no fault of the vehicle.
    """

    key: str
    title: str
    first: str
    pictures: tuple[Picture, ...]
    prior: float = 0.0
    fault: bool = True


def _e(sign: str, way: int, if_seen: float, if_not: float) -> Expect:
    return Expect(sign, way, if_seen, if_not)


def _p(*expects: Expect, may: str = "", title: str = "") -> Picture:
    free = frozenset(may.split())
    told = free | {e.sign for e in expects}
    return Picture(expects, free | {sign for sign, after in _FOLLOWS.items() if told & after}, title)


_FOLLOWS = {
    "pull_power": {"boost", "fuel", "mixture", "full_load_lean", "cuts", "cooler", "drag", "weight", "slip"},
    "pull_charge": {"cooler", "charge_light", "soak", "compressor_out", "turbo_speed", "boost"},
}
"""Signs of pulls that are free wherever one of these is: less air, fuel or grip is less power, and so on."""


_HEAT = "cooling cooling_slow coolant_slow coolant_cold"
_TURBINE = "swallow swallow_shut"
_TURBO = "turbo_speed compressor_out drive_pressure"
_WEAK = "drag weight drag_slow boost fuel"  # less air: the smoke limit holds fuel back

CAUSES: tuple[Cause, ...] = (
    Cause(
        "charge-leak", "charge leak (hose, clamp or intercooler)",
        "engine off and cold: bring the charge pipes to working boost with plug, regulator and gauge, never above; "
        "listen, and spray soapy water",
        (_p(_e("turbine_balance", -1, 2.0, 2.6), _e("turbo_speed", 1, 1.5, 1.4), _e("drive_pressure", 1, 1.6, 0.4),
            may=f"egt compressor_out {_WEAK}"),),
        prior=0.4,
    ),
    Cause(
        "restricted-intake", "restricted intake (filter, snorkel or hose)",
        "vacuum gauge after the air filter at full load (dynamometer or closed road), or a run with a new filter",
        (_p(_e("turbo_speed", 1, 2.0, 3.4), _e("compressor_out", 1, 1.5, 0.8), _e("drive_pressure", 1, 0.6, 0.2),
            may=f"egt {_WEAK}"),),
    ),
    Cause(
        "boost-control", "boost control worn or sticking (wastegate, vanes, actuator)",
        "move the actuator with a hand pump and a gauge: does it start and end where it should, without a jump?",
        (_p(_e("boost", -1, 2.0, 1.6), _e("actuator_reach", -1, 2.2, 2.2), _e("swallow_shut", 1, 1.2, 0.6),
            may="egt drag weight drag_slow fuel",
           title="boost control lets boost go (sticks open)"),
         _p(_e("over_boost", 1, 2.0, 1.0), _e("actuator_opens", 1, 2.2, 2.0), may="boost",
            title="boost control holds too much boost (sticks shut)")),
        prior=0.2,
    ),
    Cause(
        "turbine-leak", "exhaust leak before the turbine",
        "look for soot at the manifold and turbine flange, listen when cold; smoke tester in the exhaust",
        (_p(_e("boost", -1, 2.0, 0.8), _e("swallow", 1, 2.2, 2.0), _e("swallow_shut", 1, 1.2, 0.6),
            _e("actuator_reach", -1, -2.0, 0.0),
            may="egt drag weight drag_slow fuel"),),
    ),
    Cause(
        "restricted-exhaust", "restricted exhaust after the turbine",
        "pressure gauge after the turbine at full load, or a run with the exhaust opened (dynamometer or closed road)",
        (_p(_e("turbine_balance", -1, 1.8, 2.0), _e("drive_pressure", 1, 1.6, 1.6), _e("turbo_speed", 1, -1.8, 0.0),
            _e("swallow", -1, 1.4, 1.6), _e("swallow_shut", -1, 0.8, 0.8), may=f"egt {_WEAK}"),),
    ),
    Cause(
        "cooler-fouled", "intercooler fouled or its wind blocked",
        "look through the fins with a lamp, wash, check ducts; pressure gauge before and after for oil inside",
        (_p(_e("cooler", -1, 2.5, 2.2), _e("pull_charge", 1, 1.5, 0.8),
            may=f"egt turbo_speed soak charge_light {_HEAT}"),),
    ),
    Cause(
        "cooling-short", "cooling system short of capacity (radiator, pump, coolant)",
        "infrared thermometer over the radiator for cold spots; pressure tester; coolant level and strength",
        (_p(_e("cooling", 1, 2.4, 2.2), _e("cooling_shut", -1, 0.8, 0.4), may="coolant_slow cooling_slow soak"),),
    ),
    Cause(
        "fan", "cooling fan does not work",
        "warm up standing: does the fan take hold (viscous clutch), or run (fuse, relay, motor with a multimeter)?",
        (_p(_e("coolant_slow", 1, 1.8, 1.2), _e("cooling_slow", 1, 1.6, 1.2), _e("fan_works", -1, 0.8, 0.4),
            may="soak"),),
    ),
    Cause(
        "thermostat", "thermostat",
        "feel or measure the radiator hose during warm-up; try the thermostat in hot water with a thermometer",
        (_p(_e("coolant_cold", 1, 2.6, 2.2),
            title="thermostat does not shut"),
         _p(_e("cooling", 1, 2.2, 2.2), _e("cooling_shut", 1, 0.8, 0.4), may="coolant_slow cooling_slow",
            title="thermostat opens too little")),
    ),
    Cause(
        "overfuelling", "overfuelling (injectors or pump give more than asked)",
        "leak-off and delivery test of the injectors, correction values by diagnosis; smoke",
        (_p(_e("mixture", -1, 1.8, 1.8), _e("egt", 1, 1.5, 0.8),
            may="full_load_lean boost over_boost weight cooling"),),
    ),
    Cause(
        "egr-stuck", "exhaust recirculation stuck open",
        "take off the valve or blank it for a run; watch its position by diagnosis",
        (_p(_e("mixture", -1, 1.6, 1.2), _e("turbine_balance", 1, 1.4, 0.5), _e("egt_for_mixture", -1, 0.6, 0.1),
            may=f"{_TURBO} {_TURBINE} full_load_lean egt cooling fuel {_WEAK}"),),
    ),
    Cause(
        "fuel-starvation", "fuel starvation (filter, lift pump, line)",
        "pressure gauge before the injection pump at full load; new fuel filter; look for air in a clear hose",
        (_p(_e("full_load_lean", 1, 2.2, 2.0), may=f"mixture egt egt_for_mixture cuts {_WEAK}"),
         _p(_e("mixture", 1, 1.6, 1.6), _e("egt", -1, 1.4, 1.4), _e("cuts", 1, -0.8, 0.0),
            may=f"full_load_lean egt_for_mixture {_WEAK}",
            title="fuel starvation at any load (filter, lift pump, line)")),
    ),
    Cause(
        "power-cut", "protective power cut by an add-on box",
        "read the box's log or take it off for a run; compare its limits with boost and exhaust temperature",
        (_p(_e("cuts", 1, 2.6, 2.5), _e("full_load_lean", 1, -0.8, 0.0),  # it comes and goes
            may=f"mixture egt egt_for_mixture over_boost {_WEAK}"),),
    ),
    Cause(
        "clutch", "clutch slips",
        "pull in a high gear from low speed, on a dynamometer or closed road: does the engine race? pedal play; oil",
        (_p(_e("slip", 1, 2.8, 2.5), may=f"full_load_lean mixture fuel {_WEAK}"),),
    ),
    Cause(
        "trailer-brakes", "trailer brakes drag (or a wheel bearing)",
        "infrared thermometer on every hub after a drive without braking; lift and turn each wheel",
        (_p(_e("drag", 1, 2.3, 2.2), _e("drag_slow", 1, 1.0, 0.6), may="fuel"),),
    ),
    Cause(
        "headwind-weight", "headwind, or more weight than stated",
        "weigh vehicle and trailer; ask for wind and load; the same road in calm weather",
        (_p(_e("drag", 1, 2.1, 2.2), _e("drag_slow", -1, 1.0, 0.6), may="fuel",
            title="headwind"),
         _p(_e("weight", 1, 2.3, 2.2), _e("egt", 1, -1.6, 0.0), may="fuel",
            title="more weight than stated")),
        prior=0.3, fault=False,
    ),
    Cause(
        "sensor-drift", "a sensor reads wrong",
        "compare with a second instrument at two points: hand pump and gauge, or ice and boiling water",
        (_p(_e("rest_pressure", 0, 2.6, 2.2), title="manifold pressure sensor reads wrong",
            may=f"{_TURBO} {_TURBINE} boost over_boost turbine_balance egt egt_for_mixture mixture full_load_lean "
                "fuel"),
         _p(_e("egt", 1, 1.4, 1.2), _e("egt_for_mixture", 1, 0.3, 0.8), _e("turbine_balance", -1, 1.0, 2.0),
            _e("swallow", 1, 1.2, 0.6), may="drive_pressure swallow_shut",
            title="exhaust temperature probe reads high"),
         _p(_e("egt", -1, 1.4, 1.2), _e("egt_for_mixture", -1, 0.3, 0.8), _e("turbine_balance", 1, 1.0, 2.0),
            _e("swallow", -1, 1.2, 0.6), may="drive_pressure swallow_shut",
            title="exhaust temperature probe reads low"),
         _p(_e("head_over_coolant", 0, 3.0, 2.5), may=_HEAT, title="coolant sensor reads wrong (the head disagrees)"),
         _p(_e("charge_light", 1, 1.6, 0.8), _e("cooler", -1, 1.0, 1.0), _e("egt", -1, 0.7, 0.3),
            _e("mixture", 1, 0.7, 0.3),
            may=f"turbine_balance egt_for_mixture full_load_lean drive_pressure soak {_TURBINE}",
            title="charge air sensor reads high"),
         _p(_e("charge_light", -1, 1.6, 0.8), _e("cooler", 1, 1.0, 1.0), _e("egt", 1, 0.7, 0.3),
            _e("mixture", -1, 0.7, 0.3),
            may=f"turbine_balance egt_for_mixture full_load_lean drive_pressure {_TURBINE}",
            title="charge air sensor reads low"),
         _p(_e("mixture", 1, 1.6, 1.5), _e("egt_for_mixture", 1, 1.0, 0.5), may="full_load_lean",
            title="mixture sensor reads lean"),
         _p(_e("mixture", -1, 1.6, 1.5), _e("egt_for_mixture", -1, 1.0, 0.5), may="full_load_lean",
            title="mixture sensor reads rich")),
        prior=-0.2,
    ),
    Cause(
        "wiring", "wiring: a sensor loses contact",
        "wiggle test with the sensor's page open (uphaul sensors); pull plugs, look for green pins; ohm the wire",
        (_p(_e("missing", 1, 2.8, 2.6)),),
    ),
    Cause(
        "wrong-tune", "another tune than in the reference",
        "read which calibration is active; ask what was selected",
        (_p(_e("told_tune", 1, 3.0, 3.0), may="fuel boost over_boost drag weight drag_slow",
            title="another tune was selected than in the reference"),
         _p(_e("fuel", 0, 2.5, 2.5), may="boost over_boost weight",
            title="another tune is active than the one that is told")),
    ),
    Cause(
        "heat-soak", "heat-soak from standing or creeping: no fault",
        "nothing to mend: look at the intercooler again after two minutes above 60 km/h",
        (_p(_e("soak", 1, 2.5, 2.5), may="cooler"),),
        fault=False,
    ),
)  # fmt: skip
"""All causes that are told apart, beside "nothing wrong" and "unexplained"."""
