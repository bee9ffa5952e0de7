"""Checks what signals.toml says about OBD: the leave to send requests, parameters, fields and how often to ask."""

from __future__ import annotations

from uphaul.config import model as m
from uphaul.config.amounts import Scope
from uphaul.config.obd_pids import PIDS, Pid, find_pid
from uphaul.config.spec import ObdSpec
from uphaul.signals import Signal

__all__ = ["EVERY_S", "build_obd", "obd_rate", "obd_reading"]

EVERY_S = 0.2
"""How often a parameter is asked for unless the configuration says otherwise, in s. Common practice: a serial
adapter gets some 10 to 50 answers a second on CAN, all parameters together."""


def build_obd(scope: Scope, key: str, name: str, table: m.ObdTable, *, check: bool) -> ObdSpec:
    """The source; asking the vehicle without leave is a problem."""
    if check and not table.allow_requests:
        scope.wrong(
            f"{key}.allow_requests",
            False,
            "must be true for a source of kind obd: unlike all others it sends requests on the vehicle's bus (only "
            "those for the parameters that signals come from, and those by which the adapter finds the vehicle)",
        )
    return ObdSpec(name, table.port, table.baud, table.protocol, table.silent_after_s)


def obd_reading(scope: Scope, key: str, origin: m.FromTable) -> tuple[str, str, str] | None:
    """(parameter as ``0x0C``, field, the field's unit), or None with the problem noted."""
    pid = find_pid(origin.pid if origin.pid is not None else "")
    if pid is None:
        known = [name for each in PIDS.values() for name in (each.text, each.name)]
        allowed = f"must be a parameter that can be read ({', '.join(p.text for p in PIDS.values())})"
        scope.wrong(f"{key}.pid", origin.pid, allowed, known=known)
        return None
    field = pid.field(origin.field or "value")
    if field is None:
        scope.wrong(f"{key}.field", origin.field, _fields_words(pid), known=[f.name for f in pid.fields])
        return None
    return pid.text, field.name, field.unit


def _fields_words(pid: Pid) -> str:
    names = ", ".join(f.name for f in pid.fields)
    if len(pid.fields) == 1:
        return f"must be left out, or {names}: {pid.text} ({pid.name}) has one value only"
    return f"must be a field of {pid.text} ({pid.name}): {names}"


def obd_rate(scope: Scope, key: str, every_s: float | None, signal: Signal | None) -> float:
    """How often to ask, in s; so seldom that the signal would always be stale is a problem."""
    wanted = EVERY_S if every_s is None else every_s
    if signal is not None and wanted * 1000 >= signal.max_age_ms:
        allowed = f"must be below max_age_s, {signal.max_age_ms / 1000:g} s, or {signal.name} is stale between answers"
        scope.wrong(f"{key}.every_s", every_s, f"{allowed} (left out: {EVERY_S:g})")
    return wanted
