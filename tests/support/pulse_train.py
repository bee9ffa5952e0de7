"""Edges of an engine's pick-up for tests, spelt out in turns and made by no code of the project.

A wheel is given by its teeth, how many are missing, and its turns an engine turn; times are whole ns.
"""

from __future__ import annotations

import math
from collections.abc import Callable

__all__ = ["at_speed", "by_turns"]

NS = 1_000_000_000


def at_speed(
    rpm: float,
    seconds: float,
    *,
    per_turn: float,
    missing: int = 0,
    teeth: int = 0,
    begin_ns: int = 0,
    tick_ns: int = 1,
) -> list[int]:
    """Times in ns of the edges of `seconds` at a steady speed, counted in whole ticks of `tick_ns`."""
    pitch_ns = 60.0 * NS / (rpm * per_turn)
    count = math.floor(seconds * NS / pitch_ns)
    present = [k for k in range(count) if not missing or k % teeth < teeth - missing]
    return [begin_ns + math.floor(k * pitch_ns / tick_ns) * tick_ns for k in present]


def by_turns(
    turns: Callable[[float], float], seconds: float, *, per_turn: float, missing: int = 0, teeth: int = 0
) -> list[int]:
    """Times of the edges when `turns(t_s)` engine turns have been made at `t_s`, strictly increasing; by bisection."""
    edges = []
    for k in range(math.floor(turns(seconds) * per_turn)):
        if missing and k % teeth >= teeth - missing:
            continue
        low, high = 0.0, seconds
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if turns(middle) * per_turn < k else (low, middle)
        edges.append(round(high * NS))
    return edges
