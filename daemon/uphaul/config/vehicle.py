"""Builds the vehicle: build sheet and tunes, and checks what no single key of them can tell."""

from __future__ import annotations

from collections.abc import Callable
from math import pi

from uphaul.config import model as m
from uphaul.config import vehicle_tables as t
from uphaul.config.amounts import Scope, curve_of
from uphaul.config.problems import nearest
from uphaul.derive.road import geared
from uphaul.errors import UphaulError
from uphaul.vehicle import Tune, Vehicle
from uphaul.vehicle import sheet as s
from uphaul.vehicle.model import Dyno, Expected, Targets

__all__ = ["build_vehicle"]

SLOWEST_KM_H, FASTEST_KM_H = 40.0, 400.0
"""Road speed in top gear at governed speed that a road vehicle can have. Source: our own choice."""
LEAST_STEP = 1.01
"""Ratio of a gear to the next, at least: closer ones are one gear written twice. Source: our own choice."""
_PER_RPM = pi / 30.0


def build_vehicle(scope: Scope, file: m.VehicleFile, text_of: Callable[[str, str], str | None]) -> Vehicle:
    """The vehicle; gears that can't be, targets that can't be met and two parts of one kind are problems.

    `text_of` gives the text of a file named at a key, or None with the fault noted.
    """
    sheet = _sheet(scope, file)
    tunes = tuple(_tune(scope, name, table, sheet, text_of) for name, table in file.tune.items())
    return Vehicle(file.name, tunes, sheet)


def _sheet(scope: Scope, file: m.VehicleFile) -> s.BuildSheet:
    engine = _engine(scope, file.engine) if file.engine else None
    driveline = _driveline(scope, file.driveline, engine) if file.driveline else None
    load = None
    if file.load is not None:
        x = file.load
        load = s.Load(x.vehicle, x.trailer, x.drag_area, x.rolling, x.rotating)
    parts, of_kind = [], dict[str, str]()
    for name, table in file.part.items():
        if table.kind in of_kind:
            scope.wrong(f"part.{name}.kind", table.kind, f"must be fitted once; part.{of_kind[table.kind]} is one")
            continue
        of_kind[table.kind] = name
        parts.append(_part(scope, name, table))
    return s.BuildSheet(engine, driveline, load, tuple(parts))


def _engine(scope: Scope, table: t.EngineTable) -> s.Engine:
    if not table.governed > table.idle:
        scope.wrong("engine.governed", table.governed, f"must be above idle, {table.idle:g} rpm")
    return s.Engine(
        displacement_l=table.displacement,
        cylinders=table.cylinders,
        idle_rpm=table.idle,
        governed_rpm=table.governed,
        filling=table.filling,
        consumption_g_kwh=table.consumption,
    )


def _driveline(scope: Scope, table: t.DrivelineTable, engine: s.Engine | None) -> s.Driveline:
    made = s.Driveline(tuple(table.gears), table.final_drive, table.tyre_radius, table.efficiency)
    before = len(scope.problems)
    for i, gear in enumerate(table.gears):
        key = f"driveline.gears[{i}]"
        if not 0.05 <= gear <= 100.0:
            scope.wrong(key, gear, "must be a ratio from 0.05 to 100: turns of the engine for one of the gearbox")
        elif i and not table.gears[i - 1] >= gear * LEAST_STEP:
            scope.wrong(key, gear, f"must be below {table.gears[i - 1]:g}, the gear before it: first gear first")
    if len(scope.problems) > before:
        return made
    try:
        geared({"ratios": made.gears, "final_drive": made.final_drive, "under": 0.001, "over": 0.001})
    except UphaulError as error:
        scope.wrong("driveline.gears", table.gears, f"can't be told apart: {error}")
    if engine is not None:
        top_km_h = engine.governed_rpm * _PER_RPM * made.tyre_radius_m / made.overall[-1] * 3.6
        if not SLOWEST_KM_H <= top_km_h <= FASTEST_KM_H:
            scope.wrong(
                "driveline.final_drive",
                table.final_drive,
                f"makes {top_km_h:,.0f} km/h of {engine.governed_rpm:g} rpm in top gear; with this tyre and these "
                f"gears it must lead to {SLOWEST_KM_H:g} to {FASTEST_KM_H:g} km/h",
            )
    return made


def _part(scope: Scope, name: str, x: t.PartTable) -> s.Part:
    said = {"name": name, "title": x.title, "source": x.source}
    match x:
        case t.TurboTable():
            return s.Turbo(
                **said,
                boost_kpa=x.boost,
                pressure_ratio=x.pressure_ratio,
                speed_rpm=x.speed,
                power_kw=x.power,
                efficiency=x.efficiency,
            )
        case t.InjectorsTable():
            return s.Injectors(**said, power_kw=x.power, flow_mg_ms=x.flow, angle_deg=x.angle)
        case t.ClutchTable():
            return s.Clutch(**said, torque_nm=x.torque)
        case t.AirboxTable():
            return s.Airbox(**said, flow_kg_h=x.flow, drop_kpa=x.drop)
        case t.ChargeCoolerTable():
            if x.drop > 0 and x.flow is None:
                scope.wrong(f"part.{name}.drop", x.drop, "needs `flow`: the air flow at which it costs that pressure")
            return s.ChargeCooler(**said, effectiveness=x.effectiveness, flow_kg_h=x.flow, drop_kpa=x.drop)
        case t.ExhaustTable():
            _short(scope, f"part.{name}.egt_short", x.egt_short, x.egt)
            before = x.location == "pre-turbine"
            return s.Exhaust(**said, egt_degc=x.egt, egt_short_degc=x.egt_short, pre_turbine=before)
        case t.CoolingTable():
            _short(scope, f"part.{name}.coolant_short", x.coolant_short, x.coolant)
            return s.Cooling(**said, coolant_degc=x.coolant, coolant_short_degc=x.coolant_short)


def _short(scope: Scope, key: str, short: float | None, long: float) -> None:
    if short is not None and not short > long:
        scope.wrong(key, short, f"must be above {long:g} degC, which is stood for minutes")


def _dyno(
    scope: Scope, name: str, table: m.TuneSheet, sheet: s.BuildSheet, text_of: Callable[[str, str], str | None]
) -> tuple[Dyno, tuple[Expected, ...]] | None:
    key = f"tune.{name}.dyno"
    if table.dyno is None:
        if table.dyno_at is not None:
            scope.wrong(f"{key}_at", table.dyno_at, "needs `dyno`, the file of the run")
        return None
    if table.dyno_at is None:
        scope.wrong(f"{key}_at", None, "is required with `dyno`: crank or wheels, where the run was taken")
        return None
    if table.dyno_at == "wheels" and sheet.driveline is None:
        scope.wrong(f"{key}_at", "wheels", "needs [driveline]: its efficiency leads from the wheels to the crankshaft")
        return None
    text = text_of(table.dyno, key)
    if text is None:
        return None
    from uphaul.config.dyno import read_dyno

    at_wheels = sheet.driveline.efficiency if sheet.driveline is not None and table.dyno_at == "wheels" else None
    return read_dyno(scope, table.dyno, text, efficiency=at_wheels)


def _tune(
    scope: Scope, name: str, table: m.TuneSheet, sheet: s.BuildSheet, text_of: Callable[[str, str], str | None]
) -> Tune:
    engine, expected = sheet.engine, []
    for signal, curve in table.expected.items():
        key = f"tune.{name}.expected.{signal}"
        if signal not in scope.signals and scope.strict:
            near = nearest(signal, scope.signals)
            scope.problems.add(scope.file, key, None, "must be named as a signal is", hint=near)
        made = curve_of(scope, key, curve)
        expected.append(Expected(signal, made.over, made.x, made.y))
    if engine is not None and table.power is not None and table.torque is not None:
        most_kw = table.torque * engine.governed_rpm * _PER_RPM / 1000.0
        if table.power > most_kw * 1.001:
            scope.wrong(
                f"tune.{name}.power",
                table.power,
                f"must be at most {most_kw:.4g} kW: that is what {table.torque:g} N·m are at the governed "
                f"{engine.governed_rpm:g} rpm",
            )
    run = _dyno(scope, name, table, sheet, text_of)
    if run is not None:  # what is written goes before what the bench measured
        expected += [e for e in run[1] if e.signal not in table.expected]
    targets = Targets(table.power, table.torque, table.mixture)
    return Tune(name, table.title, tuple(expected), targets, run[0] if run is not None else None)
