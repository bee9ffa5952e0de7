"""Power of a diesel engine corrected to standard air: ISO 1585, UN R85, ISO 15550, with the edition named.

Off by default (`edition=None`), and `WHY_OFF` says why. The texts agree but for the lower end of the engine factor:

| edition | formula holds for qc | below | above |
|---|---|---|---|
| UN R85, annex 5 | 40..65 | 0.3 | 1.2 |
| ISO 1585:1992 | 40..65 | 0.3 | 1.2 |
| ISO 15550 / ISO 14396 | 37.2..65 | 0.2 | 1.2 |

Source: UN R85 as quoted in public; the others second-hand (an industrial engine maker's manual) and from memory; the
ISO texts themselves were not read.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np

from uphaul.physics.basis import Bools, Floats, not_negative, positive

__all__ = [
    "WHY_OFF",
    "Charging",
    "Correction",
    "Edition",
    "atmospheric_factor",
    "correction",
    "engine_factor",
    "fuel_mg_l_cycle",
]

WHY_OFF = (
    "Power is not corrected to standard air: an engine whose boost is controlled already makes up for thin air, and a "
    "correction would credit it twice. Name an edition to correct all the same."
)

REFERENCE_KPA = 99.0
"""Reference pressure of dry air: 100 kPa less 1 kPa of vapour. Source: UN R85 annex 5, ISO 1585."""

REFERENCE_K = 298.0
"""Reference temperature, 25 degC. Source: UN R85 annex 5, ISO 1585."""

WHOLE_KELVIN = 273.0
"""The texts write T = t + 273, which makes 25 degC the reference exactly. Source: UN R85 annex 5."""


class Charging(Enum):
    """How the engine is charged: exponents of pressure and temperature in the atmospheric factor."""

    NATURAL = (1.0, 0.7)
    """Naturally aspirated, or charged by a blower that the crankshaft drives."""
    TURBO = (0.7, 1.5)
    """Turbocharged, without charge cooler or with one cooled by air."""
    TURBO_LIQUID = (0.7, 0.7)
    """Turbocharged, charge cooled by engine coolant or other liquid."""


class Edition(Enum):
    """Which text: its name, the lowest qc that the formula of the engine factor holds for, and the factor below it."""

    UN_R85 = ("UN R85", 40.0, 0.3)
    ISO_1585_1992 = ("ISO 1585:1992", 40.0, 0.3)
    ISO_15550 = ("ISO 15550", 37.2, 0.2)


@dataclass(frozen=True, slots=True)
class Correction:
    """`factor` multiplies measured power; `valid` where the text lets it be used. `name` of the text, "" when off."""

    factor: Floats
    valid: Bools
    name: str


def fuel_mg_l_cycle(fuel_kg_s: Floats, rpm: Floats, *, displacement_l: float) -> Floats:
    """Fuel (mg) each cycle for each litre of displacement, four-stroke; NaN for a standing engine.

    Source: UN R85 annex 5 (120,000 * g/s / (L * rpm)).
    """
    return not_negative(fuel_kg_s) * (120.0e6 / displacement_l) / positive(rpm)


def engine_factor(corrected_fuel: Floats, *, edition: Edition) -> Floats:
    """Engine factor fm from qc, the fuel (mg a litre and cycle) over the boost pressure ratio.

    Source: 0.036 qc - 1.14 inside the edition's range, constant outside (see the table above).
    """
    _, lowest, least = edition.value
    qc = not_negative(corrected_fuel)
    formula = np.where(qc > 65.0, 1.2, 0.036 * qc - 1.14)
    return np.where(qc < lowest, least, formula)


def atmospheric_factor(dry_kpa: Floats, air_degc: Floats, *, charging: Charging) -> Floats:
    """Atmospheric factor fa from the dry pressure (kPa) and temperature of the air drawn in.

    Dry pressure is the barometric less the vapour's (`air.dry_kpa`). Source: UN R85 annex 5, ISO 1585.
    """
    of_pressure, of_temperature = charging.value
    t = positive(air_degc + WHOLE_KELVIN)
    return np.power(REFERENCE_KPA / positive(dry_kpa), of_pressure) * np.power(t / REFERENCE_K, of_temperature)


def correction(
    dry_kpa: Floats,
    air_degc: Floats,
    fuel_kg_s: Floats,
    rpm: Floats,
    boost_ratio: Floats,
    *,
    displacement_l: float,
    charging: Charging = Charging.TURBO,
    edition: Edition | None = None,
) -> Correction:
    """The factor alpha = fa ** fm for measured power, and where it may be used; with no edition 1, everywhere.

    `boost_ratio`: absolute pressure after the charger over ambient (1 for a naturally aspirated engine). Valid for
    alpha 0.9..1.1, 283..313 K, 80..110 kPa dry; outside, the value is given and `valid` is false.
    Source: UN R85 annex 5; the bounds of temperature and pressure from memory.
    """
    if edition is None:
        return Correction(np.ones(np.shape(dry_kpa)), np.ones(np.shape(dry_kpa), dtype=np.bool_), "")
    qc = fuel_mg_l_cycle(fuel_kg_s, rpm, displacement_l=displacement_l) / positive(boost_ratio)
    alpha = np.power(atmospheric_factor(dry_kpa, air_degc, charging=charging), engine_factor(qc, edition=edition))
    t = air_degc + WHOLE_KELVIN
    valid = (alpha >= 0.9) & (alpha <= 1.1) & (t >= 283.0) & (t <= 313.0) & (dry_kpa >= 80.0) & (dry_kpa <= 110.0)
    return Correction(alpha, valid, edition.value[0])
