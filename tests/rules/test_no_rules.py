"""A drive without rules is judged too: nothing is raised."""

from __future__ import annotations

from support.drives import block_of, signals_of
from uphaul.rules.judge import Judge


def test_no_rules_say_nothing() -> None:
    signals = signals_of(["x"])
    assert Judge((), signals).run(block_of(signals, {"x": [1.0, 2.0, 3.0]})) == []
