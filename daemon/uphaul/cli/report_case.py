"""Reads what a log tells of a drive for a report."""

from __future__ import annotations

import hashlib
import json
from bisect import bisect_right

from uphaul.analysis.causes import with_causes
from uphaul.analysis.review import Episode, cut_off, episodes, heard
from uphaul.analysis.whole import WholeDrive
from uphaul.config import load_texts
from uphaul.errors import LogError
from uphaul.live import carried_from_json
from uphaul.log.drives import log_parts
from uphaul.log.joined import joined
from uphaul.log.reader import Log
from uphaul.reports.case import Case, Part
from uphaul.rules import Condition

__all__ = ["read_case"]


def read_case(log: Log, drive: int, beside: Case | None = None) -> Case:
    """The drive of that number. Raises LogError when there is none, or when it has no tick.

    A configuration that judged the drive `beside` as well is taken from there: to check one takes a while.
    """
    label = f"{log.path} drive {drive}"
    infos = [s for s in log.segments(drive) if s.first_t_ms is not None]
    if not infos:
        raise LogError(f"{label}: it has no tick yet")
    whole = joined(log_parts(log, drive), label)
    parts: list[Part] = []
    others = () if beside is None else beside.parts
    for info in infos:
        files = log.config(info.id)
        sha256 = _sha256(files)
        known = next((p.config for p in (*parts, *others) if p.sha256 == sha256), None)
        parts.append(Part(info, known or load_texts(files, label=label, check_inputs=False), sha256))
    return Case(
        log=log.path.name,
        about=next(d for d in log.drives() if d.id == drive),
        parts=tuple(parts),
        anchors=tuple(log.anchors(drive)),
        whole=whole,
        episodes=tuple(_episodes(log, drive, parts, whole, label)),
        notices=tuple(log.notices(drive)),
        notes=tuple(log.notes),
    )


def _sha256(files: dict[str, str]) -> str:
    """By which the log keeps a configuration once (`Begin.config_sha256`)."""
    return hashlib.sha256(json.dumps(files, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def _episodes(log: Log, drive: int, parts: list[Part], whole: WholeDrive, label: str) -> list[Episode]:
    """What was judged on the way, each part of the drive by itself."""
    steps, conditions = log.transitions(drive), log.conditions(drive)
    begins = [part.info.first_t_ms or 0 for part in parts[1:]]
    out: list[Episode] = []
    for i, part in enumerate(parts):
        rules = part.config.rules
        own = [c for c in conditions if c.segment == part.info.id]
        names = tuple(dict.fromkeys((*(r.name for r in rules), *(c.rule for c in own))))
        number = {name: k for k, name in enumerate(names)}
        tunes = [whole.tunes.index(name) for name in part.info.tunes]
        told = [
            Condition(c.t_ms, number[c.rule], c.active, c.value, c.limit, tunes[c.tune] if c.tune >= 0 else c.tune)
            for c in own
        ]
        carried = carried_from_json(part.info.initial_state, label)
        mine = [t for t in steps if bisect_right(begins, t.t_ms) == i]
        changes = [q for q in whole.quality if bisect_right(begins, q.t_ms) == i]
        found = heard(episodes(told, names), mine, rules, carried)
        found = with_causes(found, changes, rules, whole.signals, part.config.computed)
        if i + 1 < len(parts):
            what = "configuration" if part.sha256 != parts[i + 1].sha256 else "program"
            found = cut_off(found, part.info.last_t_ms or 0, f"{what} changed")
        out += found
    return out
