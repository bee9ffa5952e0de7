"""Checks what signals.toml says about pulses: where they come in, what makes them, and how slow is standing."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping

from uphaul.config.amounts import Scope, whole_ms
from uphaul.config.receiver_tables import PulseTable
from uphaul.config.spec import Input, PulseSpec, SourceSpec
from uphaul.signals import Signal
from uphaul.signals.pulse import PulseWheel
from uphaul.signals.transfer import TransferError

__all__ = ["build_pulse", "check_pulse_ages"]

NS_PER_MS = 1e6
STANDS_FOR = PulseWheel.crank(1, lowest_rpm=1e6, highest_rpm=2e6)
"""Stands where the wheel that was described can't be, so that the rest is still checked."""


def build_pulse(scope: Scope, key: str, name: str, table: PulseTable) -> PulseSpec:
    """The source; what does not go together is a problem."""
    counts = table.counter is not None
    if counts:
        for each in ("chip", "line"):
            if getattr(table, each) is not None:
                scope.wrong(f"{key}.{each}", getattr(table, each), "must be left out where `counter` is")
    elif table.chip is None and table.line is None:
        scope.wrong(f"{key}.chip", None, "is required, with `line`; or `counter`")
    else:
        for each in ("chip", "line"):
            if getattr(table, each) is None:
                scope.wrong(f"{key}.{each}", None, "is required: pulses come over the line of a chip")
    if isinstance(table.line, int) and table.line < 0:
        scope.wrong(f"{key}.line", table.line, "must be a number from 0, or a name")
    if table.counter is not None and not re.fullmatch(r"[^/\0]+/[^/\0]+", table.counter):
        scope.wrong(f"{key}.counter", table.counter, "must name a device and its count, as counter0/count0")
    wheel = _wheel(scope, key, table)
    every_ms = whole_ms(scope, f"{key}.every_s", table.every_s)
    gate_ms = whole_ms(scope, f"{key}.gate_s", table.gate_s)
    if counts and wheel is not None and gate_ms * NS_PER_MS < wheel.longest_ns:
        longest_s = math.ceil(wheel.longest_ns / NS_PER_MS) / 1000
        allowed = f"must be at least {longest_s:g}, in s: what lowest_rpm takes from one edge to the next"
        scope.wrong(f"{key}.gate_s", table.gate_s, allowed)
    return PulseSpec(
        name=name,
        wheel=wheel or STANDS_FOR,
        chip=table.chip or "",
        line=table.line if table.line is not None else 0,
        edge=table.edge,
        bias=table.bias,
        counter=table.counter or "",
        folder=table.folder,
        every_ms=every_ms,
        gate_ms=gate_ms,
    )


def _wheel(scope: Scope, key: str, table: PulseTable) -> PulseWheel | None:
    if (table.teeth is None) == (table.pole_pairs is None):
        one = "is required, or `pole_pairs`" if table.teeth is None else "must be left out where `pole_pairs` is"
        scope.wrong(f"{key}.teeth", table.teeth, one)
        return None
    if table.pole_pairs is not None and table.missing:
        scope.wrong(f"{key}.missing", table.missing, "must be left out for an alternator: no pole is missing")
        return None
    if table.pole_pairs is not None and table.ratio is None:
        scope.wrong(f"{key}.ratio", None, "is required for an alternator: its turns for one of the engine")
        return None
    try:
        if table.pole_pairs is not None and table.ratio is not None:
            return PulseWheel.alternator(
                table.pole_pairs, table.ratio, lowest_rpm=table.lowest_rpm, highest_rpm=table.highest_rpm
            )
        return PulseWheel.crank(
            table.teeth or 0,
            table.missing,
            table.ratio or 1.0,
            lowest_rpm=table.lowest_rpm,
            highest_rpm=table.highest_rpm,
        )
    except TransferError as error:
        scope.wrong(f"{key}.{error.key}", error.value, error.allowed)
        return None


def check_pulse_ages(
    scope: Scope, sources: Iterable[SourceSpec], inputs: Iterable[Input], known: Mapping[str, Signal | None]
) -> None:
    """A signal that would be stale between two edges of a slow engine is a problem."""
    pulses = {s.name: s for s in sources if isinstance(s, PulseSpec)}
    for each in inputs:
        spec, signal = pulses.get(each.source), known.get(each.signal)
        if spec is None or signal is None:
            continue
        needed_ms = math.ceil(spec.wheel.longest_ns / NS_PER_MS + spec.every_ms)
        if signal.max_age_ms < needed_ms:
            allowed = (
                f"must be at least {needed_ms / 1000:g}, in s, or the signal is stale between two edges at "
                f"{spec.wheel.lowest_rpm:g} rpm, the lowest_rpm of source {spec.name}"
            )
            scope.wrong(f"signal.{each.signal}.max_age_s", signal.max_age_ms / 1000, allowed)
