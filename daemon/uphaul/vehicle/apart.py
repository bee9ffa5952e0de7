"""Says in words whether two drives were of one vehicle, built and loaded alike, by names and build sheets."""

from __future__ import annotations

from dataclasses import fields

from uphaul.vehicle.model import Vehicle
from uphaul.vehicle.sheet import Driveline, Engine, Load, Part

__all__ = ["apart"]

MOST = 6
"""Differences that are told one by one. Source: our own choice: what is read."""

_UNITS = (
    ("_kg_h", "kg/h"), ("_mg_ms", "mg/ms"), ("_g_kwh", "g/kWh"), ("_degc", "degC"), ("_rpm", "rpm"), ("_kpa", "kPa"),
    ("_kw", "kW"), ("_nm", "N·m"), ("_kg", "kg"), ("_deg", "deg"), ("_m2", "m2"), ("_m", "m"), ("_l", "L"),
)  # fmt: skip
_KEPT = frozenset(("name", "title", "source"))
"""Of a part: words for people, which change without the part."""


def apart(mine: Vehicle, reference: Vehicle) -> tuple[str, ...]:
    """Cautions in the form of plain sentences without a full stop; none for one vehicle, built and loaded alike.

    Of what only one of the two sheets tells, nothing is said: it is not known to differ.
    """
    out = []
    built = [
        *_differ("engine", mine.sheet.engine, reference.sheet.engine),
        *_differ("driveline", mine.sheet.driveline, reference.sheet.driveline),
        *_parts(mine, reference),
    ]
    renamed = bool(mine.name) and bool(reference.name) and mine.name != reference.name
    whose = f"“{reference.name}”, this one is “{mine.name}”"
    if renamed and built:
        out.append(f"the reference is a drive of another vehicle ({whose}), built otherwise: {_some(built)}")
    elif renamed:
        out.append(f"the reference is a drive of another vehicle by its name ({whose}); the build sheets do not differ")
    elif built:
        out.append(f"the reference was driven with other parts, or by another vehicle: {_some(built)}")
    if out:
        out[0] += ". What is found may be what differs between the vehicles, and no fault"
    if loaded := _differ("load", mine.sheet.load, reference.sheet.load):
        out.append(f"the reference was loaded otherwise, as stated: {_some(loaded)}")
    return tuple(out)


def _some(told: list[str]) -> str:
    more = f"; and {len(told) - MOST} more" if len(told) > MOST else ""
    return "; ".join(told[:MOST]) + more


def _parts(mine: Vehicle, reference: Vehicle) -> list[str]:
    kinds = dict.fromkeys(type(p) for p in (*mine.sheet.parts, *reference.sheet.parts))
    return [
        d for kind in kinds for d in _differ(_spaced(kind.__name__), mine.sheet.part(kind), reference.sheet.part(kind))
    ]


def _differ(
    what: str, mine: Engine | Driveline | Load | Part | None, reference: Engine | Driveline | Load | Part | None
) -> list[str]:
    """Field by field: ``engine displacement 3.2 L, in the reference 2.9 L``."""
    if mine is None or reference is None:
        return []
    out = []
    for field in fields(mine):
        a, b = getattr(mine, field.name), getattr(reference, field.name)
        if field.name in _KEPT or a is None or b is None or a == b:
            continue
        unit = next((u for suffix, u in _UNITS if field.name.endswith(suffix)), "")
        suffix = next((s for s, _ in _UNITS if field.name.endswith(s)), "")
        name = field.name.removesuffix(suffix).replace("_", " ")
        out.append(f"{what} {name} {_said(a, unit)}, in the reference {_said(b, unit)}")
    return out


def _said(value: object, unit: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return "/".join(f"{v:g}" for v in value)
    if isinstance(value, int | float):
        return f"{value:g} {unit}".rstrip()
    return str(value)


def _spaced(name: str) -> str:
    """``charge cooler`` for ``ChargeCooler``; people say intercooler."""
    words = "".join(f" {c.lower()}" if c.isupper() else c for c in name).strip()
    return "intercooler" if words == "charge cooler" else words
