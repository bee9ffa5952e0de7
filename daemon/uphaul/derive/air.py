"""Formulas of the air: boost, ratios, altitude, density, what the engine draws, compressor and charge cooler."""

from __future__ import annotations

import numpy as np

from uphaul.derive.formula import ANY, Constant, Constants, Formula, Inputs
from uphaul.physics import air, atmosphere, charge, compressor, flow
from uphaul.physics.basis import Floats
from uphaul.physics.lookup import Grid

__all__ = ["AIR", "DISPLACEMENT"]

DISPLACEMENT = Constant("displacement", None, "L", "swept volume of all cylinders", low=0.1, high=100.0)


def _density(x: Inputs, c: Constants) -> Floats:
    humidity = x["humidity"] if "humidity" in x else np.full(np.shape(x["pressure"]), c["humidity"])
    return air.density_kg_m3(x["pressure"], x["temperature"], humidity)


def _air_flow(x: Inputs, c: Constants) -> Floats:
    given, rpm = c["efficiency"], x["rpm"]
    efficiency = given.at(rpm, x["manifold"]) if isinstance(given, Grid) else np.full(np.shape(rpm), given)
    return flow.air_kg_s(rpm, x["manifold"], x["charge"], efficiency, displacement_l=c["displacement"])


AIR = (
    Formula(
        name="gauge-pressure",
        inputs=(("absolute", "pressure"), ("barometric", "pressure")),
        result="pressure",
        compute=lambda x, c: charge.gauge_kpa(x["absolute"], x["barometric"]),
        doc="absolute - barometric: boost from manifold pressure",
        source="definition",
        spread=True,
    ),
    Formula(
        name="pressure-ratio",
        inputs=(("outlet", "pressure"), ("inlet", "pressure")),
        result="ratio",
        compute=lambda x, c: charge.quotient(x["outlet"], x["inlet"], c["least"]),
        doc="outlet / inlet, both absolute: what a compressor works at",
        source="definition",
        constants=(
            Constant("least", 20.0, "kPa", "lowest inlet pressure that is believed (no road is so high)", low=0.001),
        ),
    ),
    Formula(
        name="ratio",
        inputs=(("numerator", ANY), ("denominator", ANY)),
        result="ratio",
        compute=lambda x, c: charge.quotient(x["numerator"], x["denominator"], c["least"]),
        doc="numerator / denominator of one kind, in the kind's canonical unit",
        source="definition",
        constants=(
            Constant("least", 1e-6, "canonical unit of the inputs", "smaller denominators give no ratio", low=1e-9),
        ),
    ),
    Formula(
        name="difference",
        inputs=(("minuend", ANY), ("subtrahend", ANY)),
        result=ANY,
        compute=lambda x, c: x["minuend"] - x["subtrahend"],
        doc="minuend - subtrahend of one kind: how far two readings are apart",
        source="definition",
        spread=True,
    ),
    Formula(
        name="pressure-altitude",
        inputs=(("barometric", "pressure"),),
        result="length",
        compute=lambda x, c: atmosphere.pressure_altitude_m(x["barometric"]),
        doc="height at which the standard atmosphere has this pressure; weather moves it, 1 kPa is about 85 m",
        source="ISO 2533:1975",
    ),
    Formula(
        name="air-density",
        inputs=(("pressure", "pressure"), ("temperature", "temperature")),
        optional=(("humidity", "ratio"),),
        result="density",
        compute=_density,
        doc="density of moist air from pressure, temperature and relative humidity",
        source="Dalton's law and the ideal-gas law; vapour pressure by Hyland and Wexler (1983)",
        constants=(Constant("humidity", 0.5, "1", "relative humidity where no signal tells it", low=0.0, high=1.0),),
    ),
    Formula(
        name="density-altitude",
        inputs=(("density", "density"),),
        result="length",
        compute=lambda x, c: atmosphere.density_altitude_m(x["density"]),
        doc="height at which the standard atmosphere has this density: hot, damp or thin air all count as height",
        source="ISO 2533:1975",
    ),
    Formula(
        name="air-flow",
        inputs=(("rpm", "rotation"), ("manifold", "pressure"), ("charge", "temperature")),
        result="mass flow",
        compute=_air_flow,
        doc="air that a four-stroke engine draws in, by speed and density; exhaust that is led back counts as air",
        source="ideal-gas law with the definition of volumetric efficiency",
        constants=(
            DISPLACEMENT,
            Constant(
                "efficiency",
                None,
                "1",
                "volumetric efficiency over manifold density, 0.8 to 0.95 (common practice)",
                low=0.01,
                high=2.0,
                over="rpm (x) and absolute manifold pressure in kPa (y)",
            ),
        ),
    ),
    Formula(
        name="volumetric-efficiency",
        inputs=(("air", "mass flow"), ("rpm", "rotation"), ("manifold", "pressure"), ("charge", "temperature")),
        result="ratio",
        compute=lambda x, c: flow.volumetric_efficiency(
            x["air"], x["rpm"], x["manifold"], x["charge"], displacement_l=c["displacement"]
        ),
        doc="volumetric efficiency over manifold density, from a measured air flow",
        source="definition",
        constants=(DISPLACEMENT,),
    ),
    Formula(
        name="compressor-outlet",
        inputs=(("inlet", "temperature"), ("ratio", "ratio")),
        result="temperature",
        compute=lambda x, c: compressor.outlet_degc(x["inlet"], x["ratio"], efficiency=c["efficiency"]),
        doc="temperature that leaves a compressor of known efficiency, before the charge cooler",
        source="isentropic compression of an ideal gas, with the definition of isentropic efficiency",
        constants=(
            Constant(
                "efficiency", None, "1", "isentropic efficiency, 0.6 to 0.75 (common practice)", low=0.1, high=1.0
            ),
        ),
    ),
    Formula(
        name="compressor-efficiency",
        inputs=(("inlet", "temperature"), ("outlet", "temperature"), ("ratio", "ratio")),
        result="ratio",
        compute=lambda x, c: compressor.efficiency(
            x["inlet"], x["outlet"], x["ratio"], least_ratio=c["least_ratio"], least_rise_k=c["least_rise"]
        ),
        doc="isentropic efficiency of the compressor, from the temperatures before and after it",
        source="definition of isentropic efficiency",
        constants=(
            Constant("least_ratio", compressor.LEAST_RATIO, "1", "below this ratio it says nothing", low=1.001),
            Constant("least_rise", compressor.LEAST_RISE_K, "K", "below this rise it says nothing", low=0.1),
        ),
    ),
    Formula(
        name="charge-cooler-effectiveness",
        inputs=(("hot", "temperature"), ("cooled", "temperature"), ("ambient", "temperature")),
        result="ratio",
        compute=lambda x, c: charge.cooler_effectiveness(x["hot"], x["cooled"], x["ambient"], c["least"]),
        doc="(hot - cooled) / (hot - ambient): the share of the possible cooling that is done",
        source="definition of heat-exchanger effectiveness",
        constants=(
            Constant("least", charge.LEAST_SPREAD_K, "K", "hot less far over ambient gives no effectiveness", low=0.1),
        ),
    ),
    Formula(
        name="charge-cooler-drop",
        inputs=(("before", "pressure"), ("after", "pressure")),
        result="pressure",
        compute=lambda x, c: charge.cooler_drop_kpa(x["before"], x["after"]),
        doc="pressure lost in charge cooler and pipes, from absolute pressures before and after it",
        source="definition",
        spread=True,
    ),
)
"""In the order of the reference."""
