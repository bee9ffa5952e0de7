"""What a person should know before believing a replay: what was missing, assumed, or can never be."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

import numpy as np

from uphaul.config.problems import nearest
from uphaul.derive.spec import Computed
from uphaul.rules import ABOVE, Amount, Curve, Kind, Rule, Share
from uphaul.signals import Block, Quality, Signal

__all__ = [
    "complete",
    "foreign_tunes",
    "missing",
    "out_of_range",
    "out_of_reach",
    "units_taken",
    "unknown_tunes",
]


def _names(word: str, names: Sequence[str]) -> str:
    return f"{word}{'' if len(names) == 1 else 's'} {', '.join(names)}"


def _meant(name: str, known: Collection[str]) -> str:
    near = nearest(name, known)
    return f"{name!r} (did you mean {near!r}?)" if near else repr(name)


def complete(computed: Sequence[Computed], present: Collection[str]) -> tuple[Computed, ...]:
    """Those of the computed signals whose inputs the drive brings, or that are computed from what it brings."""
    there = set(present)
    found: list[Computed] = []
    while more := [c for c in computed if c not in found and all(name in there for _, name in c.inputs)]:
        found += more
        there |= {c.signal.name for c in more}
    return tuple(c for c in computed if c in found)


# -- signals ------------------------------------------------------------------------------------------------------


def missing(rules: Sequence[Rule], present: Collection[str]) -> list[str]:
    """What becomes of the rules that read signals which the drive has not, one note for all of one fate."""
    fates: dict[tuple[str, str], list[str]] = {}
    for rule in rules:
        lacking = [name for name in rule.reads() if name not in present]
        if lacking:
            fates.setdefault((_fate(rule, lacking), f"the drive has no {_names('signal', lacking)}"), []).append(
                rule.name
            )
        elif rule.kind is Kind.DEPARTURE and not rule.expected:
            why = f"no tune has an expected curve of {rule.signal}"
            fates.setdefault(("not judged", why), []).append(rule.name)
    return [f"{fate}, {why}: {', '.join(names)}" for (fate, why), names in fates.items()]


def _fate(rule: Rule, lacking: Collection[str]) -> str:
    if rule.kind is Kind.LOST and rule.signal in lacking:
        return "counted as lost"
    settings = [rule.base, *(s for _, s in rule.tunes)]
    curves = [s.limit.over in lacking if isinstance(s.limit, Curve) else False for s in settings]
    expected = [curve.over in lacking for _, curve in rule.expected]
    when = any(w.signal in lacking or (isinstance(w.limit, Curve) and w.limit.over in lacking) for w in rule.when)
    if rule.signal in lacking or all(curves) or (expected and all(expected)) or (when and rule.judge_unknown_when):
        return "not judged"
    if any(curves) or any(expected):
        return "not judged in every tune"
    return "judged as if the `when` held that reads it"


def units_taken(rules: Sequence[Rule], signals: Sequence[Signal], known: Collection[str]) -> list[str]:
    """In which units the limits are taken of signals whose unit only the CSV tells. `known` are the others."""
    read = [name for r in rules for name in r.reads() if r.kind is not Kind.LOST or name != r.signal]
    units = {s.name: s.unit for s in signals if s.name not in known}
    taken = [f"{name} in {units[name]}" for name in dict.fromkeys(read) if name in units]
    if not taken:
        return []
    one = len(taken) == 1
    return [f"limits are taken in the CSV's unit{'' if one else 's'}, {', '.join(taken)}; --config DIR brings units"]


def out_of_range(block: Block) -> list[str]:
    """How many of a column's values are unknown because they are out of its signal's range, or not finite."""
    notes = []
    for i, signal in enumerate(block.signals):
        changes = [q for q in block.quality if q.signal == i]
        starts = [0, *np.searchsorted(block.t_ms, [q.t_ms for q in changes]).tolist()]
        lengths = np.diff(starts, append=len(block)).tolist()
        counts = dict.fromkeys(Quality, 0)
        for quality, ticks in zip((Quality.GOOD, *(q.quality for q in changes)), lengths, strict=True):
            counts[quality] += ticks
        given = len(block) - counts[Quality.STALE]
        outside = counts[Quality.BELOW_RANGE] + counts[Quality.ABOVE_RANGE]
        if outside:
            bounds = f"{signal.low:g} ... {signal.high:g} {signal.unit}"
            notes.append(f"{signal.name}: {outside} of {given} values outside {bounds}, taken as unknown")
        if infinite := counts[Quality.UNDECODABLE]:
            notes.append(f"{signal.name}: {infinite} of {given} values infinite, taken as unknown")
    return notes


# -- tunes and limits of rules that are tried ---------------------------------------------------------------------


def unknown_tunes(named: Sequence[str], known: Collection[str]) -> list[str]:
    """The tunes that the CSV names and nobody else does; nothing where no tune makes a difference."""
    strange = [_meant(name, known) for name in named if name not in known]
    if not strange or not known:
        return []
    which = "which is not known" if len(strange) == 1 else "which are not known"
    return [f"the CSV names {_names('tune', strange)}, {which}; base limits apply there (known: {', '.join(known)})"]


def foreign_tunes(rules: Sequence[Rule], tunes: Sequence[str]) -> list[str]:
    """The tunes that the rules have tables for and the vehicle does not have."""
    users: dict[str, list[str]] = {}
    for rule in rules:
        for name, _ in rule.tunes:
            if name not in tunes:
                users.setdefault(name, []).append(rule.name)
    have = f"it has {', '.join(tunes)}" if tunes else "it has none"
    return [
        f"the vehicle has no tune {_meant(name, tunes)}, which {_names('rule', names)} "
        f"{'sets' if len(names) == 1 else 'set'} limits for; {have}"
        for name, names in users.items()
    ]


def out_of_reach(rules: Sequence[Rule], signals: Sequence[Signal]) -> list[str]:
    """The limits that their signal's range never passes, or always does."""
    by_name = {s.name: s for s in signals}
    notes = []
    for rule in rules:
        for name, side, limit in _levels(rule):
            signal = by_name.get(name)
            ends = None if signal is None else _ends(limit)
            if signal is None or ends is None:
                continue
            least, most = ends
            never = least >= signal.high if side == ABOVE else most <= signal.low
            always = most < signal.low if side == ABOVE else least > signal.high
            if never or always:
                shown = f"{least:g}" if least == most else f"{least:g} ... {most:g}"
                notes.append(
                    f"rule {rule.name}: {'above' if side == ABOVE else 'below'} {shown} {signal.unit} is "
                    f"{'never' if never else 'always'} so, {name} ranges from {signal.low:g} to {signal.high:g}"
                )
    return list(dict.fromkeys(notes))


def _levels(rule: Rule) -> Iterator[tuple[str, int, Amount]]:
    """The limits of a rule that are values of a signal, with the signal and the side."""
    if rule.kind in (Kind.THRESHOLD, Kind.EXPOSURE):
        for setting in (rule.base, *(s for _, s in rule.tunes)):
            yield rule.signal, rule.side, setting.limit
    for when in rule.when:
        yield when.signal, when.side, when.limit


def _ends(limit: Amount) -> tuple[float, float] | None:
    """The least and the greatest value of a limit."""
    if isinstance(limit, Share):
        return None
    return (min(limit.y), max(limit.y)) if isinstance(limit, Curve) else (limit, limit)
