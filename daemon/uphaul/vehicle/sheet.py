"""The build sheet: engine, driveline, masses, and the fitted parts with the ratings that their makers give.

A rating is the part's own. A tune asks something of the parts; nothing in a tune can raise a rating.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

__all__ = [
    "USUAL_EFFICIENCY",
    "Airbox",
    "BuildSheet",
    "ChargeCooler",
    "Clutch",
    "Cooling",
    "Driveline",
    "Engine",
    "Exhaust",
    "Injectors",
    "Load",
    "Part",
    "Turbo",
]


USUAL_EFFICIENCY = 0.70
"""Of a compressor under load. Source: common practice, 0.65 to 0.75."""


@dataclass(frozen=True, slots=True)
class Engine:
    """A four-stroke diesel. `filling`: volumetric efficiency over manifold density; it and consumption at full load."""

    displacement_l: float
    cylinders: int
    idle_rpm: float
    governed_rpm: float
    filling: float
    consumption_g_kwh: float


@dataclass(frozen=True, slots=True)
class Driveline:
    """From clutch to tyre. `gears` first gear first; `efficiency` of clutch to wheels."""

    gears: tuple[float, ...]
    final_drive: float
    tyre_radius_m: float
    efficiency: float

    @property
    def overall(self) -> tuple[float, ...]:
        """Turns of the engine for one of the wheels, by gear."""
        return tuple(g * self.final_drive for g in self.gears)


@dataclass(frozen=True, slots=True)
class Load:
    """What is moved: `trailer_kg` 0 for none; `rotating` is 1 plus the share of turning parts."""

    vehicle_kg: float
    trailer_kg: float
    drag_area_m2: float
    rolling: float
    rotating: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A fitted part: its name in the sheet, what it is for people, and who says what it can do."""

    name: str
    title: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Turbo(Part):
    """Boost over barometric, compressor's pressure ratio, shaft speed, and the power that its air is good for.

    `efficiency` is the compressor's, for the temperature of the charge.
    """

    boost_kpa: float
    pressure_ratio: float | None = None
    speed_rpm: float | None = None
    power_kw: float | None = None
    efficiency: float = USUAL_EFFICIENCY


@dataclass(frozen=True, slots=True, kw_only=True)
class Injectors(Part):
    """Power ceiling of the set; flow of one, open, at full rail pressure; longest sensible angle of the crank."""

    power_kw: float
    flow_mg_ms: float
    angle_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Clutch(Part):
    """Torque that it holds."""

    torque_nm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Airbox(Part):
    """Air flow that it is made for, and the pressure it costs there."""

    flow_kg_h: float
    drop_kpa: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargeCooler(Part):
    """Share of the possible cooling that it does; air flow that it is made for and pressure it costs there, if told."""

    effectiveness: float
    flow_kg_h: float | None = None
    drop_kpa: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Exhaust(Part):
    """Gas temperature that manifold and turbine stand for long, and for seconds; `pre_turbine` tells where."""

    egt_degc: float
    egt_short_degc: float | None = None
    pre_turbine: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Cooling(Part):
    """Coolant temperature that the engine stands for long, and for seconds."""

    coolant_degc: float
    coolant_short_degc: float | None = None


P = TypeVar("P", bound=Part)


@dataclass(frozen=True, slots=True)
class BuildSheet:
    """What the vehicle is made of; None and () for what the owner has not written. One part of a kind at most."""

    engine: Engine | None = None
    driveline: Driveline | None = None
    load: Load | None = None
    parts: tuple[Part, ...] = ()

    def part(self, kind: type[P]) -> P | None:
        """The fitted part of that kind."""
        return next((p for p in self.parts if isinstance(p, kind)), None)
