"""What a computed signal is: a named formula, the signals it reads, and its constants."""

from __future__ import annotations

from dataclasses import dataclass

from uphaul.signals import Signal

__all__ = ["Computed"]


@dataclass(frozen=True, slots=True)
class Computed:
    """`signal` is computed by `formula`; `inputs` maps the formula's input names to signal names."""

    signal: Signal
    formula: str
    inputs: tuple[tuple[str, str], ...]
    constants: tuple[tuple[str, float], ...] = ()
