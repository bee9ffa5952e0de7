"""Short drives written by hand: a few columns of values, and what came of them in a form that compares to the bit."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from uphaul.alerts.model import Condition, Transition
from uphaul.signals.model import Block, Event, Signal

__all__ = ["bits", "block_of", "condition_keys", "signals_of", "transition_keys"]

TICK_MS = 50
"""20 ticks a second, the default rate."""


def signals_of(names: Iterable[str], per_unit: int = 4) -> tuple[Signal, ...]:
    """Signals of no particular unit, with so many counts per unit."""
    return tuple(Signal(name, "1", per_unit) for name in names)


def block_of(
    signals: Sequence[Signal],
    columns: Mapping[str, Sequence[float]],
    *,
    t_ms: Sequence[int] | None = None,
    tune: Sequence[int] | int = -1,
    events: Iterable[Event] = (),
) -> Block:
    """One block of those columns, on the ticks from 0 unless `t_ms` says otherwise; one tune may hold for all."""
    n = len(columns[signals[0].name])
    times = list(t_ms) if t_ms is not None else [TICK_MS * k for k in range(n)]
    tunes = [tune] * n if isinstance(tune, int) else list(tune)
    return Block(
        signals=tuple(signals),
        t_ms=np.array(times, dtype=np.int64),
        values=np.array([columns[s.name] for s in signals], dtype=np.float64).T.reshape(n, len(signals)),
        tune=np.array(tunes, dtype=np.int16),
        events=tuple(events),
    )


def bits(x: float) -> str:
    """The bits of a double, all NaNs alike."""
    return "nan" if math.isnan(x) else struct.pack(">d", x).hex()


def condition_keys(conditions: Iterable[Condition]) -> list[tuple[int, int, bool, str, str, int]]:
    """Changes of conditions, comparable to the bit."""
    return [(c.t_ms, c.rule, c.active, bits(c.value), bits(c.limit), c.tune) for c in conditions]


def transition_keys(transitions: Iterable[Transition]) -> list[tuple[int, str, str, str, str, str, int, int]]:
    """Transitions, comparable to the bit."""
    return [
        (t.t_ms, t.rule, t.source.value, t.target.value, bits(t.value), bits(t.limit), t.tune, t.raise_number)
        for t in transitions
    ]
