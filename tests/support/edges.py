"""The form of the tables of edges, and the two that must agree with them: the judge and the plain evaluator."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest
from _pytest.mark import ParameterSet

from support.drives import block_of, signals_of
from support.reference import reference_conditions
from uphaul.alerts.model import Condition
from uphaul.rules.judge import Judge
from uphaul.rules.spec import ABOVE, Action, Kind, Rule, Setting
from uphaul.signals.model import Block, Signal

__all__ = ["DOWN", "EVALUATORS", "NAN", "UP", "Evaluate", "Row", "check", "named", "rule"]

NAN = math.nan
UP, DOWN = "raised", "cleared"

Evaluate = Callable[[Sequence[Rule], Sequence[Signal], Sequence[str], Block, int], list[Condition]]


def rule(kind: Kind = Kind.THRESHOLD, side: int = ABOVE, **more: Any) -> Rule:
    """A rule over signal x; `limit`, `deadband` and the delays go to its base setting."""
    keys = ("limit", "deadband", "on_delay_ms", "off_delay_ms", "allowed_s", "within_s")
    base = Setting(**{key: more.pop(key) for key in keys if key in more})
    return Rule("r", kind, "x", side, base, Action.EASE, **more)


@dataclass(frozen=True)
class Row:
    """One line of the table: a rule, the values of its signals, and when its condition must rise and fall."""

    name: str
    rule: Rule
    columns: Mapping[str, Sequence[float]]
    expected: Sequence[tuple[int, str]]
    t_ms: Sequence[int] | None = None
    tune: Sequence[int] | int = -1
    tunes: Sequence[str] = ()
    per_unit: int = 4
    extra: Sequence[tuple[float, float]] = field(default=())
    """Value and limit of each expected change, where the row cares."""


def judged(
    rules: Sequence[Rule], signals: Sequence[Signal], tunes: Sequence[str], block: Block, gap_ms: int
) -> list[Condition]:
    """What the judge says of the drive in one block."""
    return list(Judge(tuple(rules), tuple(signals), tuple(tunes), gap_ms=gap_ms).run(block))


EVALUATORS = [pytest.param(reference_conditions, id="reference"), pytest.param(judged, id="judge")]


def named(groups: Mapping[str, Sequence[Row]]) -> list[ParameterSet]:
    """The rows of several tables as parameters of one test."""
    return [pytest.param(row, id=f"{group}: {row.name}") for group, rows in groups.items() for row in rows]


def check(row: Row, evaluate: Evaluate) -> None:
    """Assert that the row's condition rises and falls when it must, with the value and limit that it must."""
    signals = signals_of(row.columns, row.per_unit)
    block = block_of(signals, row.columns, t_ms=row.t_ms, tune=row.tune)

    changes = evaluate([row.rule], signals, row.tunes, block, 1000)

    assert [(c.t_ms, UP if c.active else DOWN) for c in changes] == list(row.expected)
    for change, (value, limit) in zip(changes, row.extra, strict=bool(row.extra)):
        assert change.value == pytest.approx(value, rel=1e-12, nan_ok=True)
        assert change.limit == pytest.approx(limit, rel=1e-12, nan_ok=True)
