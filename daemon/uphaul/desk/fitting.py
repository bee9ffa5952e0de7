"""What the page is told of a complaint, as plain objects for JSON: findings, marked moments, the drive beside another.

Worked out by the analysis as for a report; here it only gets words, units and places on the axes of the page.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import isnan
from typing import Any

import numpy as np

from uphaul.analysis.comparison import Comparison, Difference
from uphaul.analysis.evidence import Evidence, Pair, evidence
from uphaul.analysis.findings import Finding, Findings, judge
from uphaul.analysis.moments import AROUND_MS, UNUSUAL, Marked, moments
from uphaul.analysis.whole import ROLES
from uphaul.desk.drive import DeskDrive
from uphaul.desk.telling import Places, known
from uphaul.reports.fits import PROVEN, not_seen
from uphaul.reports.words import figure, role_words, unit_words
from uphaul.units import convert
from uphaul.vehicle.apart import apart

__all__ = ["fitting"]

MOST_MOMENTS = 4
STANDS, FAINT = 1.3, 0.6
"""Strengths, as in `uphaul.analysis.findings`."""

_SHOWN_UNITS = {"kg/s": ("g/s", 1000.0), "m/s": ("km/h", 3.6)}
"""Units of cells that people don't read, and what they do."""


def fitting(of: DeskDrive, place: Places, against: DeskDrive | None) -> dict[str, Any]:
    """All of it. `against` None: nothing is compared, and the page says so."""
    other = None if against is None else against.whole
    pair = Pair(of.whole, other)
    comparison = pair.comparison
    if comparison is not None and against is not None:
        comparison = replace(comparison, cautions=(*apart(of.vehicle, against.vehicle), *comparison.cautions))
    found = judge(evidence(pair), comparison.cautions if comparison is not None else ())
    marked = moments(of.whole, other)
    return {
        "reference": None if against is None else against.label,
        "proven": PROVEN,
        "findings": _findings(found, place),
        "marks": [_marked(m, of, place) for m in marked],
        "marks_words": f"Unusual is what lies {UNUSUAL:g} usual spreads or more from what the drive, or the reference, "
        f"did elsewhere at the same engine speed and load; looked at within {AROUND_MS // 60_000} minutes of the mark.",
        "comparison": None if comparison is None else _comparison(comparison, place),
    }


def _spans(spans: Sequence[tuple[int, int]], place: Places) -> list[dict[str, Any]]:
    return [{"from": place(a), "to": place(b)} for a, b in spans[:MOST_MOMENTS]]


def _evidence(e: Evidence, place: Places) -> dict[str, Any]:
    return {"text": e.text, "moments": _spans(e.moments_ms, place)}


def _findings(found: Findings, place: Places) -> dict[str, Any]:
    seen = sorted((e for e in found.evidence if e.known), key=lambda e: -abs(e.strength))
    return {
        "verdict": found.verdict,
        "words": found.words,
        "cautions": list(found.cautions),
        "ranked": [_finding(f, place) for f in found.ranked],
        "seen": [
            {**_evidence(e, place), "stands": abs(e.strength) >= STANDS} for e in seen if abs(e.strength) >= FAINT
        ],
        "calm": [n for e in seen if abs(e.strength) < FAINT for n in not_seen(e)],
        "blind": [
            {
                "what": e.sign.up,
                "why": f"not fitted or never read: {', '.join(role_words(r) for r in e.missing)}"
                if e.missing
                else "too little of it in the drives",
            }
            for e in found.evidence
            if not e.known
        ],
    }


def _finding(f: Finding, place: Places) -> dict[str, Any]:
    return {
        "place": f.place,
        "title": f.title,
        "first": f.first,
        "for": [_evidence(e, place) for e in f.speaks_for],
        "against": [_evidence(e, place) for e in f.speaks_against],
        "strays": [_evidence(e, place) for e in f.strays],
        "cant_tell": list(f.cant_tell),
        "rival": f.rival,
        "apart": f.apart,
    }


def _marked(m: Marked, of: DeskDrive, place: Places) -> dict[str, Any]:
    def own(role: str, value: float) -> str:
        column = of.whole.column(role)
        unit = ROLES[role] if column is None else of.whole.signals[column].unit
        return figure(float(convert(value, ROLES[role], unit)), unit)

    told = {u.role for u in m.unusual}
    return {
        "at": place(m.t_ms),
        "text": m.text,
        "actor": m.actor,
        "from": place(m.window_ms[0]),
        "to": place(m.window_ms[1]),
        "judged": len(m.judged),
        "usual": [role_words(r) for r in m.judged if r not in told],
        "unusual": [
            {
                "what": role_words(u.role),
                "was": own(u.role, u.value),
                "usual": own(u.role, u.expected),
                "against": "the reference" if u.against == "reference" else "the rest of this drive",
                "times": abs(u.times),
                "from": place(u.t_ms[0]),
                "to": place(u.t_ms[1]),
            }
            for u in m.unusual
        ],
    }


def _comparison(c: Comparison, place: Places) -> dict[str, Any]:
    return {
        "load": role_words(c.load) if c.load else "",
        "cautions": list(c.cautions),
        "differences": [_difference(d, place) for d in c.differences],
    }


def _difference(d: Difference, place: Places) -> dict[str, Any]:
    q = d.quantity
    told: dict[str, Any] = {"what": q.words, "unit": unit_words(q.unit), "reason": d.reason.replace("_", " ")}
    if not d.comparable:
        return told
    beyond = None if isnan(d.overall) else abs(d.overall) > d.overall_uncertainty
    total_s = float(np.nansum(d.drive_s))
    return told | {
        "difference": known(d.overall),
        "uncertainty": known(d.overall_uncertainty),
        "relative": known(d.relative),
        "beyond": beyond,
        "share": min(d.share, 1.0),
        "corrected": q.corrected,
        "x": _edges(d.x, d.x_edges),
        "y": _edges(d.y, d.y_edges),
        "cells": [
            {
                "x": int(i),
                "y": int(j),
                "difference": known(d.difference[i, j]),
                "uncertainty": known(d.uncertainty[i, j]),
                "reference": known(d.reference[i, j]),
                "corrected": known(d.corrected[i, j]),
                "drive_s": known(d.drive_s[i, j]),
                "reference_s": known(d.reference_s[i, j]),
                "share": d.share * float(d.drive_s[i, j]) / total_s if total_s else 0.0,
            }
            for i, j in np.argwhere(np.isfinite(d.difference))
        ],
        "moments": _spans(d.moments_ms, place),
    }


def _edges(role: str, edges: np.ndarray[tuple[int], np.dtype[np.float64]]) -> dict[str, Any]:
    unit = ROLES[role]
    shown, times = _SHOWN_UNITS.get(unit, (unit_words(unit), 1.0))
    return {"words": role_words(role), "unit": shown, "edges": (edges * times).round(6).tolist()}
