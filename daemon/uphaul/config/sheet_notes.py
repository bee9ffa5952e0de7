"""Where signals.toml says something else of the vehicle than its build sheet does."""

from __future__ import annotations

from math import isclose

from uphaul.config.spec import Config
from uphaul.derive.spec import Value

__all__ = ["sheet_notes"]


def sheet_notes(config: Config) -> list[str]:
    """Remarks on constants of computed signals that differ from the sheet: allowed, but one of the two is wrong."""
    sheet = config.vehicle.sheet
    known: dict[str, tuple[str, Value]] = {}
    if (engine := sheet.engine) is not None:
        known["displacement"] = "engine.displacement", engine.displacement_l
        known["consumption"] = "engine.consumption", engine.consumption_g_kwh
    if (line := sheet.driveline) is not None:
        known["ratios"] = "driveline.gears", line.gears
        known["final_drive"] = "driveline.final_drive", line.final_drive
        known["tyre_radius"] = "driveline.tyre_radius", line.tyre_radius_m
    if (load := sheet.load) is not None:
        known["vehicle"] = "load.vehicle", load.vehicle_kg
        known["trailer"] = "load.trailer", load.trailer_kg
        known["drag_area"] = "load.drag_area", load.drag_area_m2
        known["rolling"] = "load.rolling", load.rolling
        known["rotating"] = "load.rotating", load.rotating
    return [
        f"signals.toml: computed.{c.signal.name}.constants.{name} = {_shown(value)}, and vehicle.toml: {key} = "
        f"{_shown(said)}: one of the two is not this vehicle's"
        for c in config.computed
        for name, value in c.constants
        if name in known
        for key, said in (known[name],)
        if not _same(value, said)
    ]


def _same(a: Value, b: Value) -> bool:
    if isinstance(a, float) and isinstance(b, float):
        return isclose(a, b, rel_tol=1e-6)
    return a == b


def _shown(value: Value) -> str:
    if isinstance(value, tuple):
        return f"[{', '.join(f'{x:g}' for x in value)}]"
    return f"{value:g}" if isinstance(value, float) else str(value)
