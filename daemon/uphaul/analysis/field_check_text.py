"""What came of a field check as JSON, for the log."""

from __future__ import annotations

import json
from dataclasses import asdict
from math import isfinite
from typing import Any

from uphaul.analysis.field_check import FieldCheckRun

__all__ = ["VERSION", "run_to_json"]

VERSION = 1


def run_to_json(run: FieldCheckRun) -> str:
    """The results of a run, every attempt and figure; unknown figures are null. Same run, same text."""
    told = {"version": VERSION, "results": [_plain(asdict(r)) for r in run.results]}
    return json.dumps(told, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    return None if isinstance(value, float) and not isfinite(value) else value
