"""Why the signals of a drive were lost: the fault behind each alert that says so, as it stood at the raise."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from uphaul.alerts.cause import cause_of
from uphaul.analysis.review import Episode
from uphaul.derive.spec import Computed
from uphaul.rules import Kind, Rule
from uphaul.signals import Block, Quality, QualityChange, Signal

__all__ = ["noting", "with_causes"]


def noting(blocks: Iterable[Block], changes: list[QualityChange]) -> Iterator[Block]:
    """The blocks as they are; their changes of quality are added to `changes` on the way."""
    for block in blocks:
        changes += block.quality
        yield block


def with_causes(
    found: Sequence[Episode],
    changes: Sequence[QualityChange],
    rules: Sequence[Rule],
    signals: tuple[Signal, ...],
    computed: Sequence[Computed] = (),
) -> list[Episode]:
    """The episodes, those of lost signals with what was wrong at the tick of the raise: ``map: open circuit``.

    `found` and `changes` are those of one part of a drive, in order of time. A signal is good before its first change.
    """
    lost = {r.name: r for r in rules if r.kind is Kind.LOST}
    qualities = [Quality.GOOD] * len(signals)
    out, at = [], 0
    for episode in found:
        while at < len(changes) and changes[at].t_ms <= episode.raised_ms:
            qualities[changes[at].signal] = changes[at].quality
            at += 1
        rule = lost.get(episode.rule)
        out.append(replace(episode, cause=cause_of(rule, signals, qualities, computed)) if rule else episode)
    return out
