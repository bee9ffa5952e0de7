"""What ``uphaul handover --json`` prints: the figures of the page and its annex, for programs."""

from __future__ import annotations

from dataclasses import asdict
from math import isfinite
from typing import Any

from uphaul.analysis.field_check import Attempt, Measured
from uphaul.analysis.pull_spread import spread
from uphaul.analysis.pulls import WHAT_A_ROAD_CANT_KNOW
from uphaul.reports.checked import Checked
from uphaul.reports.handover_case import Handover, OfDrive
from uphaul.reports.handover_road import bench_rows

__all__ = ["to_object"]


def to_object(handed: Handover) -> dict[str, Any]:
    """All of it; unknown figures are null."""
    made = {
        "file": handed.newest.case.log,
        "drives": [d.number for d in handed.drives],
        "vehicle": handed.vehicle.name,
        "customer": handed.written.customer or None,
        "workshop": handed.written.workshop or None,
        "registration": handed.written.registration or None,
        "odometer": handed.written.odometer or None,
        "invented": handed.invented,
        "outcome": handed.outcome,
        "past_rating": list(handed.past),
        "good": handed.good,
        "lacking": handed.lacking or None,
        "reference": handed.kept.drive,
        "reference_words": handed.kept.words,
        "confirmed_by": list(handed.confirmed_by),
        "source": handed.source,
        "checks": [_check(row) for row in handed.rows],
        "ratings": [_rating(o) for o in handed.uses()],
        "ratings_not_told": [{"part": p, "rating": r, "why": why} for p, r, why in handed.not_told()],
        "pulls": [
            {**asdict(p.pull), "missing": dict(p.pull.missing), "number": p.number, "drive": p.drive.number}
            for p in handed.placed()
        ],
        "bench": _bench(handed),
        "package": _package(handed),
        "configurations": [
            {"drive": d.number, "software": part.info.software, "sha256": part.sha256}
            for d in handed.drives
            for part in d.case.parts
        ],
        "cant_know": list(WHAT_A_ROAD_CANT_KNOW),
    }
    out = _plain(made)
    assert isinstance(out, dict)
    return out


def _rating(of: OfDrive) -> dict[str, Any]:
    use = of.use
    return {**asdict(use), "share": use.judged.share, "words": use.words, "past": use.past, "drive": of.drive}


def _check(row: Checked) -> dict[str, Any]:
    return {
        "step": row.step.name,
        "title": row.step.title,
        "part": row.step.part.value,
        "tune": row.tune or None,
        "verdict": row.verdict.value,
        "why": row.why or None,
        "gaps": row.gaps or None,
        "drive": None if row.decided is None else row.decided.drive,
        "measured": [_measured(m) for m in row.measured],
        "attempts": [{"drive": t.drive, **_attempt(t.attempt)} for t in row.tried],
    }


def _attempt(a: Attempt) -> dict[str, Any]:
    return {
        "t_ms": list(a.t_ms),
        "tune": a.tune or None,
        "tunes_after": list(a.tunes_after),
        "verdict": a.verdict.value,
        "why": a.why or None,
        "unlogged_ms": a.unlogged_ms,
        "cut": a.cut,
        "bridged": dict(a.bridged),
        "measured": [_measured(m) for m in a.measured],
    }


def _measured(m: Measured) -> dict[str, Any]:
    return {**asdict(m), "why": m.why or None, "ok": m.ok}


def _bench(handed: Handover) -> list[dict[str, Any]]:
    found = handed.placed()
    return [
        {
            "tune": g.tune,
            "gear": g.gear,
            "pulls": g.pulls,
            "rows": [
                asdict(r)
                for r in bench_rows(handed, g, [p for p in found if (p.pull.tune, p.pull.gear) == (g.tune, g.gear)])
            ],
        }
        for g in spread([p.pull for p in found])
    ]


def _package(handed: Handover) -> dict[str, Any] | None:
    package = handed.package
    if package is None:
        return None
    places = [{"pull": each.number, **asdict(at)} for each, at in handed.placements()]
    return {"vehicles": package.vehicles, "told": list(package.told), "placed": places}


def _plain(value: Any) -> Any:
    """What JSON can hold: unknown numbers as null."""
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return None if isinstance(value, float) and not isfinite(value) else value
