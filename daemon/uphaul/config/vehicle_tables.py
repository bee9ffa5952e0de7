"""The tables of the build sheet: engine, driveline, load, parts with their ratings, what a tune is to reach."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from uphaul.config.tables import ONE_LINE, Table, key

__all__ = ["DrivelineTable", "EngineTable", "LoadTable", "PartTable", "TargetKeys"]


class EngineTable(Table):
    """The engine."""

    displacement: float = key("displacement of all cylinders together", unit="L", ge=0.2, le=40)
    cylinders: int = key("number of cylinders", ge=1, le=24)
    idle: float = key("speed at warm idle", unit="rpm", ge=200, le=2000)
    governed: float = key("speed from which the governor takes fuel away", unit="rpm", ge=1000, le=8000)
    filling: float = key(
        "volumetric efficiency at full load, over the density in the manifold: 0.8 to 0.95 (common practice)",
        0.88,
        ge=0.4,
        le=1.2,
    )
    consumption: float = key(
        "brake-specific consumption at full load: direct injection 195 to 235, indirect 240 to 270 (common practice)",
        222.0,
        unit="g/kWh",
        ge=150,
        le=500,
    )


class DrivelineTable(Table):
    """From clutch to tyre."""

    gears: Annotated[list[float], Field(min_length=1, max_length=24)] = key("ratios of the gears, first gear first")
    final_drive: float = key("ratio of the final drive, and of all that follows the gearbox", 1.0, ge=0.05, le=100)
    tyre_radius: float = key("rolling radius: circumference of a loaded tyre over 2 pi", unit="m", ge=0.1, le=2)
    efficiency: float = key("of clutch to wheels, 0.85 to 0.92 (common practice)", 0.9, ge=0.3, le=1)


class LoadTable(Table):
    """Masses and drag."""

    vehicle: float = key("mass of the laden vehicle, as weighed", unit="kg", ge=100, le=60_000)
    trailer: float = key("mass of the laden trailer, as weighed; 0 is none", 0.0, unit="kg", ge=0, le=60_000)
    drag_area: float = key("drag coefficient times frontal area, with the trailer", unit="m2", ge=0.1, le=50)
    rolling: float = key("coefficient of rolling resistance, 0.008 to 0.015 (common practice)", ge=0.001, le=0.2)
    rotating: float = key("1 plus the share of turning parts, 1.03 to 1.05 (common practice)", 1.04, ge=1, le=2)


class PartBase(Table):
    """Keys of every part."""

    title: str = key("what it is, for people", "", max_length=120, pattern=ONE_LINE)
    source: str = key(
        "who says what it can do: data sheet, maker's letter, own judgement", min_length=1, max_length=200
    )


def _kind() -> Any:
    return key("what the part is; one of each kind")


class TurboTable(PartBase):
    """A turbocharger."""

    kind: Literal["turbo"] = _kind()
    boost: float = key("highest boost over barometric", unit="kPa", gt=0, le=600)
    pressure_ratio: float | None = key(
        "highest pressure ratio of the compressor, with what airbox and intercooler cost", None, gt=1, le=10
    )
    speed: float | None = key("highest speed of the shaft", None, unit="rpm", ge=10_000, le=500_000)
    power: float | None = key("engine power that its air is good for", None, unit="kW", gt=0, le=2000)
    efficiency: float = key("of the compressor under load, 0.65 to 0.75 (common practice)", 0.7, ge=0.3, le=0.9)


class InjectorsTable(PartBase):
    """The set of injectors."""

    kind: Literal["injectors"] = _kind()
    power: float = key("power ceiling of the whole set", unit="kW", gt=0, le=2000)
    flow: float = key("fuel through one open injector at full rail pressure", unit="mg/ms", gt=0, le=1000)
    angle: float = key("longest sensible injection, as angle of the crank", unit="deg", gt=0, le=120)


class ClutchTable(PartBase):
    """A clutch."""

    kind: Literal["clutch"] = _kind()
    torque: float = key("torque that it holds", unit="N·m", gt=0, le=20_000)


class AirboxTable(PartBase):
    """Airbox and filter."""

    kind: Literal["airbox"] = _kind()
    flow: float = key("air flow that it is made for", unit="kg/h", gt=0, le=20_000)
    drop: float = key("pressure that it costs at that flow", unit="kPa", ge=0, le=30)


class ChargeCoolerTable(PartBase):
    """An intercooler."""

    kind: Literal["charge-cooler"] = _kind()
    effectiveness: float = key("share of the possible cooling that it does under load", gt=0, le=1)
    flow: float | None = key("air flow that it is made for", None, unit="kg/h", gt=0, le=20_000)
    drop: float = key("pressure that it costs at that flow, pipes included", 0.0, unit="kPa", ge=0, le=60)


class ExhaustTable(PartBase):
    """Manifold and turbine: what gas they stand."""

    kind: Literal["exhaust"] = _kind()
    location: Literal["pre-turbine", "post-turbine"] = key("where the limits hold")
    egt: float = key("gas temperature for minutes", unit="degC", ge=300, le=1200)
    egt_short: float | None = key("gas temperature for seconds", None, unit="degC", ge=300, le=1200)


class CoolingTable(PartBase):
    """The cooling system."""

    kind: Literal["cooling"] = _kind()
    coolant: float = key("coolant temperature for minutes", unit="degC", ge=60, le=150)
    coolant_short: float | None = key("coolant temperature for seconds", None, unit="degC", ge=60, le=150)


PartTable = Annotated[
    TurboTable | InjectorsTable | ClutchTable | AirboxTable | ChargeCoolerTable | ExhaustTable | CoolingTable,
    Field(discriminator="kind"),
]


class TargetKeys(Table):
    """What a tune is to reach."""

    power: float | None = key("most power, at the crankshaft", None, unit="kW", gt=0, le=2000)
    torque: float | None = key("most torque, at the crankshaft", None, unit="N·m", gt=0, le=20_000)
    mixture: float | None = key(
        "lambda at full load: 1.2 is where a diesel begins to smoke (common practice)", None, ge=0.9, le=5
    )
    dyno: str | None = key("a dynamometer run of this tune: a CSV file in this folder", None, max_length=200)
    dyno_at: Literal["crank", "wheels"] | None = key(
        "where the run was taken; at the wheels, the driveline's efficiency leads to the crankshaft", None
    )
