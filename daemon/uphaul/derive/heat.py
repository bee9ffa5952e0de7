"""Formulas of heat and time: slopes of temperatures, time above a limit, coolant heat, how long a turbo should idle."""

from __future__ import annotations

from uphaul.derive.formula import ANY, Constant, Constants, Formula, Inputs, Run
from uphaul.derive.windows import exposure, slope, window_ms
from uphaul.errors import UphaulError
from uphaul.physics import heat, power
from uphaul.physics.basis import Floats, Ints

__all__ = ["HEAT"]

LONGEST_S = 3600.0
"""Longest window. Source: our own choice, as for rules."""


def _cooldown(soak_degc: Floats, c: Constants) -> Floats:
    return heat.cooldown_s(
        soak_degc, target_degc=c["target"], idle_degc=c["idle"], time_s=c["time_s"], most_s=c["most_s"]
    )


def _cooler(c: Constants) -> Constants:
    if not c["idle"] < c["target"]:
        raise UphaulError(f"idle = {c['idle']:g}: below target = {c['target']:g}, or it never gets there")
    return c


def _begin_cooldown(c: Constants, gap_ms: int) -> Run:
    soak = heat.SoakWindow(window_ms(c))

    def run(t_ms: Ints, x: Inputs) -> Floats:
        return _cooldown(soak.run(t_ms, x["gas"]), c)

    return run


HEAT = (
    Formula(
        name="temperature-rate",
        inputs=(("temperature", "temperature"),),
        result="temperature rate",
        begin=lambda c, gap_ms: slope("temperature", window_ms(c), gap_ms),
        doc="slope of a temperature over a window",
        source="least squares of a straight line",
        constants=(Constant("window_s", 5.0, "s", "time that it is taken over", low=0.1, high=LONGEST_S),),
    ),
    Formula(
        name="time-above",
        inputs=(("value", ANY),),
        result="time",
        begin=lambda c, gap_ms: exposure("value", lambda x: x > c["limit"], window_ms(c), gap_ms),
        doc="time within a window that a reading was above a limit; time without a reading does not count",
        source="definition",
        constants=(
            Constant("limit", None, "canonical unit of the input", "counts above this"),
            Constant("window_s", 1200.0, "s", "time that is looked back", low=0.1, high=LONGEST_S),
        ),
    ),
    Formula(
        name="coolant-heat-from-fuel",
        inputs=(("fuel", "mass flow"),),
        result="power",
        compute=lambda x, c: heat.coolant_from_fuel_kw(x["fuel"], share=c["share"], lhv_mj_kg=c["heating_value"]),
        doc="heat that the coolant takes up, as a share of the fuel's; good to about a quarter",
        source="common practice; Heywood's energy balance tables, from memory",
        constants=(
            Constant("share", heat.COOLANT_SHARE, "1", "share of the fuel's heat (common practice)", 0.0, 1.0),
            Constant("heating_value", power.DIESEL_LHV_MJ_KG, "MJ/kg", "lower heating value of the fuel", 10.0, 60.0),
        ),
    ),
    Formula(
        name="coolant-heat-from-flow",
        inputs=(("flow", "volume flow"), ("hot", "temperature"), ("cooled", "temperature")),
        result="power",
        compute=lambda x, c: heat.coolant_from_flow_kw(x["flow"], x["hot"], x["cooled"], capacity_kj_l_k=c["capacity"]),
        doc="heat that the radiator gives off, from coolant flow and the temperatures at its inlet and outlet",
        source="steady-flow energy equation",
        constants=(
            Constant("capacity", heat.GLYCOL_KJ_L_K, "kJ/(L K)", "heat capacity of the coolant", low=1.0, high=6.0),
        ),
    ),
    Formula(
        name="coolant-excess",
        inputs=(("rate", "temperature rate"),),
        result="power",
        compute=lambda x, c: heat.warming_kw(x["rate"], capacity_kj_k=c["capacity"]),
        doc="heat by which the load exceeds what is given off, from the slope of the coolant's temperature",
        source="energy balance of a well-stirred mass",
        constants=(
            Constant(
                "capacity", None, "kJ/K", "coolant and the metal that warms with it, 100 to 200 (a guess)", 1.0, 5000.0
            ),
        ),
    ),
    Formula(
        name="turbo-cooldown",
        inputs=(("gas", "temperature"),),
        result="time",
        begin=_begin_cooldown,
        steady=lambda x, c: _cooldown(x["gas"], c),
        doc="time to idle before the engine is stopped, from the mean exhaust temperature before the turbine",
        source="exponential approach to the idle's temperature; target and bound common practice",
        constants=(
            Constant("window_s", 120.0, "s", "time that the turbo takes to soak up heat", low=1.0, high=LONGEST_S),
            Constant("target", 200.0, "degC", "cool enough to stop (common practice)", low=50.0, high=500.0),
            Constant("idle", 150.0, "degC", "gas temperature at idle", low=20.0, high=500.0),
            Constant("time_s", heat.TURBO_TIME_S, "s", "time constant of the cooling at idle", low=1.0, high=600.0),
            Constant("most_s", 180.0, "s", "longest that is asked for (common practice)", low=1.0, high=LONGEST_S),
        ),
        prepare=_cooler,
    ),
)
"""In the order of the reference."""
