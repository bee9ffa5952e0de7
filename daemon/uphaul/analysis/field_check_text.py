"""What came of a field check as JSON, for the log."""

from __future__ import annotations

import json
from dataclasses import asdict
from math import isfinite
from typing import Any

from uphaul.analysis.field_check import FieldCheckRun

__all__ = ["VERSION", "run_to_json", "run_to_object"]

VERSION = 1


def run_to_json(run: FieldCheckRun) -> str:
    """The results of a run, every attempt and figure; unknown figures are null. Same run, same text."""
    return json.dumps(_results(run), ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def run_to_object(run: FieldCheckRun) -> dict[str, Any]:
    """All of a run, with its results as `run_to_json` has them, for JSON."""
    return {"title": run.title, "t_ms": list(run.t_ms), "confirmed_by": run.confirmed_by, **_results(run)}


def _results(run: FieldCheckRun) -> dict[str, Any]:
    return {"version": VERSION, "results": [_plain(asdict(r)) for r in run.results]}


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    return None if isinstance(value, float) and not isfinite(value) else value
