"""What ``uphaul report --json`` prints: the same answers as the page, as plain figures for programs."""

from __future__ import annotations

from math import isfinite
from typing import Any

from uphaul.analysis.comparison import Comparison
from uphaul.analysis.evidence import Evidence
from uphaul.analysis.findings import Finding
from uphaul.reports.case import Case, Looked
from uphaul.reports.complaint import answer
from uphaul.reports.fits import PROVEN
from uphaul.reports.said import nearest

__all__ = ["to_object"]


def to_object(case: Case, looked: Looked, reference: Case | None) -> dict[str, Any]:
    """All of it; unknown figures are null."""
    found = looked.findings
    return {
        "file": case.log,
        "drive": case.about.id,
        "reference": None if reference is None else reference.about.id,
        "reference_file": None if reference is None else reference.log,
        "begun": case.about.begun,
        "duration_s": (case.last_ms - case.first_ms) / 1000.0,
        "invented": case.invented,
        "proven": PROVEN,
        "answer": dict(answer(case, looked, reference)),
        "marks": [
            {
                "t_ms": m.t_ms,
                "text": m.text,
                "actor": m.actor,
                "judged": list(m.judged),
                "unusual": [
                    {
                        "role": u.role,
                        "against": u.against,
                        "value": _known(u.value),
                        "expected": _known(u.expected),
                        "times": _known(u.times),
                        "t_ms": list(u.t_ms),
                    }
                    for u in m.unusual
                ],
            }
            for m in looked.marked
        ],
        "alerts": [
            {
                "rule": e.rule,
                "raised_t_ms": e.raised_ms,
                "cleared_t_ms": e.cleared_ms,
                "value": _known(e.value),
                "limit": _known(e.limit),
                "tune": case.tune(e.tune),
                "quiet": e.quiet or None,
                "cut": e.cut or None,
                "cause": e.cause or None,
            }
            for e in case.episodes
        ],
        "findings": {
            "verdict": found.verdict,
            "words": found.words,
            "ranked": [_finding(f) for f in found.ranked],
            "evidence": [_evidence(e) for e in found.evidence],
            "cautions": list(found.cautions),
        },
        "comparison": None if looked.comparison is None else _comparison(looked.comparison),
        "segments": [
            {
                "kind": s.kind.value,
                "t_ms": list(s.t_ms),
                "duration_s": s.duration_s,
                "distance_m": _known(s.distance_m),
                "rise_m": _known(s.rise_m),
                "grade": _known(s.grade),
            }
            for s in looked.segments
        ],
        "headroom": {
            rule: {
                "left": _known(h.left),
                "value": _known(h.value),
                "limit": _known(h.limit),
                "t_ms": h.t_ms,
                "in": kind,
            }
            for rule, (h, kind) in nearest(looked).items()
        },
        "signals": {s.name: share for s, share in zip(case.whole.signals, case.shares.tolist(), strict=True)},
    }


def _known(x: float) -> float | None:
    return float(x) if isfinite(x) else None


def _evidence(e: Evidence) -> dict[str, Any]:
    return {
        "sign": e.sign.name,
        "unit": e.sign.unit,
        "value": _known(e.value),
        "uncertainty": _known(e.uncertainty),
        "strength": _known(e.strength),
        "missing": list(e.missing),
        "t_ms": [list(m) for m in e.moments_ms],
        "text": e.text,
        "driven": e.driven or None,
    }


def _finding(f: Finding) -> dict[str, Any]:
    return {
        "cause": f.cause.key,
        "title": f.title,
        "score": _known(f.score),
        "for": [e.text for e in f.speaks_for],
        "against": [e.text for e in f.speaks_against],
        "not_explained": [e.text for e in f.strays],
        "cant_tell": list(f.cant_tell),
        "t_ms": [list(m) for m in f.moments_ms],
        "check_first": f.first,
        "place": f.place,
        "rival": f.rival or None,
        "apart": f.apart or None,
    }


def _comparison(c: Comparison) -> dict[str, Any]:
    return {
        "load": c.load,
        "cautions": list(c.cautions),
        "differences": [
            {
                "quantity": d.quantity.name,
                "unit": d.quantity.unit,
                "difference": _known(d.overall),
                "uncertainty": _known(d.overall_uncertainty),
                "share": _known(d.share),
                "not_comparable": d.reason or None,
            }
            for d in c.differences
        ],
    }
