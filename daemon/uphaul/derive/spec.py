"""What a computed signal is: a named formula, the signals it reads, and its constants."""

from __future__ import annotations

from dataclasses import dataclass

from uphaul.physics.lookup import Grid
from uphaul.signals import Signal

__all__ = ["Computed", "Value"]

Value = float | str | tuple[float, ...] | Grid
"""A constant: a number, one of several names, a list of numbers, or a map over two inputs."""


@dataclass(frozen=True, slots=True)
class Computed:
    """`signal` is computed by `formula`; `inputs` maps the formula's input names to signal names.

    `constants` are those that differ from the formula's own, each in the unit that the formula names for it.
    """

    signal: Signal
    formula: str
    inputs: tuple[tuple[str, str], ...]
    constants: tuple[tuple[str, Value], ...] = ()
