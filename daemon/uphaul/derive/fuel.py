"""Formulas of fuel and power: mixture, smoke margin, injection angle, power by torque, fuel and air, its correction."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from uphaul.derive.air import DISPLACEMENT
from uphaul.derive.formula import Constant, Constants, Formula, Inputs
from uphaul.physics import air, correction, injection, mixture, power
from uphaul.physics.basis import Floats

__all__ = ["CORRECTED", "FUEL", "OFF"]

CORRECTED = "corrected-power"
OFF = "off"
"""No edition: power is left as it is; `uphaul.physics.correction.WHY_OFF` says why."""

EDITIONS = {e.value[0]: e for e in correction.Edition}
CHARGING = {
    "natural": correction.Charging.NATURAL,
    "turbo": correction.Charging.TURBO,
    "turbo-liquid": correction.Charging.TURBO_LIQUID,
}
STOICHIOMETRIC = Constant(
    "stoichiometric", mixture.DIESEL_AFR, "1", "stoichiometric air-fuel ratio of the fuel", low=1.0, high=50.0
)
BSFC = Constant(
    "consumption",
    None,
    "g/kWh",
    "brake-specific consumption; at best 195 to 235 direct, 240 to 270 indirect injection (common practice)",
    low=100.0,
    high=2000.0,
)


def _named(c: Constants) -> Mapping[str, Any]:
    return {**c, "edition": EDITIONS.get(c["edition"]), "charging": CHARGING[c["charging"]]}


def _corrected(x: Inputs, c: Constants) -> Floats:
    humidity = x["humidity"] if "humidity" in x else np.full(np.shape(x["power"]), c["humidity"])
    dry = air.dry_kpa(x["barometric"], x["intake"], humidity)
    found = correction.correction(
        dry,
        x["intake"],
        x["fuel"],
        x["rpm"],
        x["boost_ratio"],
        displacement_l=c["displacement"],
        charging=c["charging"],
        edition=c["edition"],
    )
    # without an edition the other inputs do not count, but an unknown one makes the result unknown all the same
    known = ~np.isnan(dry + x["fuel"] + x["rpm"] + x["boost_ratio"])
    return np.where(found.valid & known, x["power"] * found.factor, np.nan)


FUEL = (
    Formula(
        name="air-fuel-ratio",
        inputs=(("air", "mass flow"), ("fuel", "mass flow")),
        result="ratio",
        compute=lambda x, c: mixture.afr(x["air"], x["fuel"]),
        doc="air over fuel by mass; unknown on the overrun",
        source="definition",
    ),
    Formula(
        name="air-fuel-ratio-from-lambda",
        inputs=(("lambda", "ratio"),),
        result="ratio",
        compute=lambda x, c: mixture.afr_from_lambda(x["lambda"], stoichiometric=c["stoichiometric"]),
        doc="air-fuel ratio by a wideband sensor's lambda (a petrol gauge shows lambda * 14.7 instead)",
        source="definition",
        constants=(STOICHIOMETRIC,),
    ),
    Formula(
        name="lambda",
        inputs=(("air", "mass flow"), ("fuel", "mass flow")),
        result="ratio",
        compute=lambda x, c: mixture.lambda_from_afr(
            mixture.afr(x["air"], x["fuel"]), stoichiometric=c["stoichiometric"]
        ),
        doc="air-fuel ratio over the stoichiometric one, from air and fuel flow",
        source="definition",
        constants=(STOICHIOMETRIC,),
    ),
    Formula(
        name="lambda-from-ratio",
        inputs=(("ratio", "ratio"),),
        result="ratio",
        compute=lambda x, c: mixture.lambda_from_afr(x["ratio"], stoichiometric=c["stoichiometric"]),
        doc="lambda from an air-fuel ratio",
        source="definition",
        constants=(STOICHIOMETRIC,),
    ),
    Formula(
        name="smoke-margin",
        inputs=(("lambda", "ratio"),),
        result="ratio",
        compute=lambda x, c: mixture.smoke_margin(x["lambda"], limit=c["limit"]),
        doc="share by which there is more air than the smoke limit asks for: 0.1 is a tenth more fuel to the limit",
        source="definition",
        constants=(
            Constant(
                "limit", mixture.SMOKE_LAMBDA, "1", "lambda below which it smokes (common practice)", low=0.5, high=5.0
            ),
        ),
    ),
    Formula(
        name="fuel-mass-flow",
        inputs=(("fuel", "volume flow"),),
        result="mass flow",
        compute=lambda x, c: mixture.fuel_from_volume_kg_s(x["fuel"], density_kg_l=c["density"]),
        doc="fuel by mass from fuel by volume",
        source="definition of density",
        constants=(
            Constant("density", mixture.DIESEL_KG_L, "kg/L", "density of the fuel at 15 degC", low=0.5, high=1.5),
        ),
    ),
    Formula(
        name="injection-angle",
        inputs=(("rpm", "rotation"), ("pulse", "time")),
        result="angle",
        compute=lambda x, c: injection.crank_deg(x["rpm"], x["pulse"], opening_s=c["opening_s"]),
        doc="crank angle that turns by while an injector is open; without meaning for a pump that meters by itself",
        source="6 deg a second for every rpm",
        constants=(
            Constant(
                "opening_s", 0.0, "s", "opening delay, 0.0003 to 0.0005 (common practice); 0: electrical", 0.0, 0.01
            ),
        ),
    ),
    Formula(
        name="power-from-torque",
        inputs=(("torque", "torque"), ("rpm", "rotation")),
        result="power",
        compute=lambda x, c: power.from_torque_kw(x["torque"], x["rpm"]),
        doc="power of a torque at a speed",
        source="definition of power",
    ),
    Formula(
        name="power-from-fuel",
        inputs=(("fuel", "mass flow"),),
        result="power",
        compute=lambda x, c: power.from_fuel_kw(x["fuel"], bsfc_g_kwh=c["consumption"]),
        doc="power at the crankshaft that a fuel flow makes at an assumed consumption",
        source="definition of specific consumption",
        constants=(BSFC,),
    ),
    Formula(
        name="power-from-air",
        inputs=(("air", "mass flow"), ("ratio", "ratio")),
        result="power",
        compute=lambda x, c: power.from_air_kw(x["air"], x["ratio"], bsfc_g_kwh=c["consumption"]),
        doc="power at the crankshaft that an air flow makes at an air-fuel ratio and an assumed consumption",
        source="definitions of the two ratios",
        constants=(BSFC,),
    ),
    Formula(
        name=CORRECTED,
        inputs=(
            ("power", "power"),
            ("barometric", "pressure"),
            ("intake", "temperature"),
            ("fuel", "mass flow"),
            ("rpm", "rotation"),
            ("boost_ratio", "ratio"),
        ),
        optional=(("humidity", "ratio"),),
        result="power",
        compute=_corrected,
        doc="power corrected to standard air by the edition named, unknown where that does not hold; off: as it is",
        source="UN R85 annex 5; ISO 1585:1992; ISO 15550 (second-hand, from memory)",
        constants=(
            DISPLACEMENT,
            Constant("edition", OFF, "1", "text to correct by", choices=(OFF, *EDITIONS)),
            Constant("charging", "turbo", "1", "how the engine is charged", choices=tuple(CHARGING)),
            Constant("humidity", 0.5, "1", "relative humidity where no signal tells it", low=0.0, high=1.0),
        ),
        prepare=_named,
    ),
)
"""In the order of the reference."""
