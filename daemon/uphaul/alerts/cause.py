"""Why a signal is unknown, in words: what an alert about a lost signal must name."""

from __future__ import annotations

from collections.abc import Sequence

from uphaul.derive.spec import Computed
from uphaul.rules import Kind, Rule
from uphaul.signals import Quality, Signal, index_of

__all__ = ["cause_of"]


def cause_of(
    rule: Rule, signals: tuple[Signal, ...], qualities: Sequence[Quality], computed: Sequence[Computed] = ()
) -> str:
    """The fault behind a rule of kind lost: ``open circuit``; of a computed signal ``map: open circuit``.

    Empty for other kinds, and where every reading behind the signal is known. `qualities` are those of `signals`.
    """
    if rule.kind is not Kind.LOST:
        return ""
    column = index_of(signals)
    reads = {c.signal.name: [name for _, name in c.inputs] for c in computed}
    waiting, looked = [rule.signal], set[str]()
    while waiting:
        name = waiting.pop(0)
        if name in looked or name not in column:
            continue
        looked.add(name)
        quality = qualities[column[name]]
        if name not in reads and not quality.known:
            return quality.words if name == rule.signal else f"{name}: {quality.words}"
        waiting += reads.get(name, [])
    return ""
