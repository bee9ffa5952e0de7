"""The sample rules on the drives of the invented vehicle: each raises the alerts that are expected of it, and no other.

Expected: replays/expected-alerts.json, by scenario a list of [rule, first raised at s]. The sensors' noise is seeded,
but exp and pow differ in the last bit between processors, so times are held within a few seconds.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from uphaul.analysis.review import episodes
from uphaul.config import load, sample_directory
from uphaul.config.scenario import load_scenario, scenario_names
from uphaul.demo import record_csv
from uphaul.log.drives import csv_part, with_columns
from uphaul.pipeline import Row, rejudge

EXPECTED = json.loads((Path(__file__).parents[2] / "replays" / "expected-alerts.json").read_text(encoding="utf-8"))
WITHIN_S = 5.0
OWN_NAMES = {"lambda": "mixture"}


def test_every_scenario_says_what_is_expected_of_it() -> None:
    assert sorted(EXPECTED["scenarios"]) == sorted(scenario_names())


@pytest.mark.parametrize("name", sorted(EXPECTED["scenarios"]))
def test_the_sample_rules_raise_what_is_expected(name: str, tmp_path: Path) -> None:
    scenario = load_scenario(name)
    path = tmp_path / f"{name}.csv"
    rows = record_csv(scenario, scenario.duration_s, 10)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow([OWN_NAMES.get(c, c) for c in next(rows)])
        writer.writerows(rows)
    config = load(sample_directory(), check_inputs=False)
    part = csv_part(path, [s for s in config.signals if not s.computed], config.tunes)
    part, added = with_columns(part, tuple(s for s in config.signals if s.computed))
    computed = tuple(c for c in config.computed if c.signal in added)
    row = Row(part.signals, config.rules, config.tunes, computed=computed, gap_ms=config.gap_ms)
    found = episodes(rejudge(row, part.blocks()).conditions, [r.name for r in config.rules])
    first: dict[str, float] = {}
    for e in found:
        first.setdefault(e.rule, e.raised_ms / 1000)
    assert first == {rule: pytest.approx(t, abs=WITHIN_S) for rule, t in EXPECTED["scenarios"][name]}
