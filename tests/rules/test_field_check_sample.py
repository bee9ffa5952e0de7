"""The sample's field check on the invented vehicle, all sound: every step is recognised by itself and passes.

The vehicle is the demo's: that shows that check and engine fit together, not what a real vehicle would measure.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from support.logged_demo import log_demo
from uphaul.analysis.field_check import Part, Verdict
from uphaul.analysis.field_check_engine import check_drive
from uphaul.config import demo_config
from uphaul.config.scenario import load_scenario
from uphaul.log.drives import log_parts
from uphaul.log.joined import joined
from uphaul.log.reader import Log


@pytest.mark.parametrize(("name", "part"), [("check-cold", Part.COLD), ("check-hot", Part.HOT)])
def test_a_sound_vehicle_passes(name: str, part: Part, tmp_path: Path) -> None:
    path, config = tmp_path / "check.db", demo_config(name)
    log_demo(path, name, load_scenario(name).duration_s)
    with Log.open(path) as log:
        drive = joined(log_parts(log, 1))
    assert config.field_check is not None
    (run,) = check_drive(config.field_check, drive, config.rules, vehicle=config.vehicle, grid_ms=50)
    asked = {s.name for s in config.field_check.steps if s.part is part}
    assert {
        (r.step, r.tune, r.verdict) for r in run.results if r.step in asked and r.verdict is not Verdict.PASSED
    } == set()
    assert [a.verdict for r in run.results if r.step in asked for a in r.attempts] == [Verdict.PASSED] * sum(
        r.step in asked for r in run.results
    )
