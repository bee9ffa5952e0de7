"""The sample's field check on the invented vehicle: sound it passes every step, and each fault fails its own.

The vehicle is the demo's: that shows that check, rules and engine fit together, not what a real vehicle would measure.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from support.checked_demo import checked_demo
from support.logged_demo import log_demo
from uphaul.analysis.field_check import FieldCheckRun, News, NewsKind, Part, Verdict
from uphaul.analysis.field_check_engine import FieldCheckEngine, check_drive
from uphaul.config import demo_config, load, sample_directory
from uphaul.demo.scenario import Fault
from uphaul.log.drives import log_parts
from uphaul.log.joined import joined
from uphaul.log.reader import Log
from uphaul.pipeline import Row
from uphaul.signals import Block

COLD, HOT = "check-cold", "check-hot"
PARTS = {COLD: Part.COLD, HOT: Part.HOT}
AFTER_CLIMB_S = 450.0
PULLS = ("pull:stock", "pull:tow", "pull:tow-max")


def not_passed(name: str, run: FieldCheckRun) -> dict[str, Verdict]:
    """The steps of that half that did not pass, by name and tune."""
    check = load(sample_directory(), check_inputs=False).field_check
    assert check is not None
    asked = {s.name for s in check.steps if s.part is PARTS[name]}
    return {
        f"{r.step}:{r.tune}" if r.tune else r.step: r.verdict
        for r in run.results
        if r.step in asked and r.verdict is not Verdict.PASSED
    }


@pytest.mark.parametrize("name", [COLD, HOT])
def test_a_sound_vehicle_passes_every_step_at_the_first_attempt(name: str, tmp_path: Path) -> None:
    run = checked_demo(name, tmp_path)
    assert not_passed(name, run) == {}
    assert all(len(r.attempts) == 1 for r in run.results if r.verdict is Verdict.PASSED)


@pytest.mark.parametrize(
    ("name", "fault", "expected"),
    [
        (COLD, Fault("offset", 0.0, amount=4.0, channel="map"), {"key-on": Verdict.FAILED}),
        (COLD, Fault("offset", 0.0, amount=4.0, channel="baro"), {"key-on": Verdict.FAILED}),
        (COLD, Fault("offset", 0.0, amount=6.0, channel="coolant"), {"key-on": Verdict.FAILED}),
        (COLD, Fault("open-circuit", 0.0, channel="egt"), {"key-on": Verdict.UNKNOWN}),
        (COLD, Fault("dropout", 0.0, amount=0.4, channel="map"), {"key-on": Verdict.UNKNOWN}),
        # the alert is to stop the engine, and it stands: nothing follows
        (
            COLD,
            Fault("oil-pump", 0.0, amount=0.9),
            {"cold-idle": Verdict.STOPPED, "warm-up": Verdict.OPEN, "thermostat": Verdict.OPEN},
        ),
        (COLD, Fault("thermostat", 0.0, amount=1.0), {"warm-up": Verdict.FAILED, "thermostat": Verdict.FAILED}),
        (HOT, Fault("charge-cooler", 0.0, amount=0.15), {"climb": Verdict.FAILED}),
        (HOT, Fault("fan", 0.0, amount=0.75), {"climb": Verdict.FAILED}),
        (HOT, Fault("boost-leak", AFTER_CLIMB_S, amount=170.0), dict.fromkeys(PULLS, Verdict.FAILED)),
        (HOT, Fault("overboost", AFTER_CLIMB_S), dict.fromkeys(PULLS, Verdict.STOPPED)),
        # held by the tunes that ask less
        (HOT, Fault("clutch", 0.0, amount=0.38), {"pull:tow-max": Verdict.FAILED}),
    ],
    ids=lambda value: value.kind + value.channel if isinstance(value, Fault) else "",
)
def test_a_fault_fails_the_steps_that_show_it_and_no_other(
    name: str, fault: Fault, expected: dict[str, Verdict], tmp_path: Path
) -> None:
    assert not_passed(name, checked_demo(name, tmp_path, fault)) == expected


def test_what_was_outside_its_band_names_the_fault(tmp_path: Path) -> None:
    leak = checked_demo(HOT, tmp_path, Fault("boost-leak", AFTER_CLIMB_S, amount=170.0))
    (attempt,) = next(r for r in leak.results if r.tune == "tow").attempts
    assert {m.name for m in attempt.measured if m.ok is False} == {"under", "spool"}
    clutch = checked_demo(HOT, tmp_path, Fault("clutch", 0.0, amount=0.38))
    (attempt,) = next(r for r in clutch.results if r.tune == "tow-max").attempts
    assert "slip" in {m.name for m in attempt.measured if m.ok is False}


def test_a_logged_drive_gives_the_same_run_in_one_piece_and_tick_by_tick(tmp_path: Path) -> None:
    path, config = tmp_path / "check.db", demo_config(COLD)
    log_demo(path, COLD, 60.0)
    with Log.open(path) as log:
        drive = joined(log_parts(log, 1))
    check = config.field_check
    assert check is not None
    (run,) = check_drive(check, drive, config.rules, vehicle=config.vehicle, grid_ms=50)
    row = Row(drive.signals, config.rules, drive.tunes, gap_ms=drive.gap_ms, grid_ms=50)
    engine = FieldCheckEngine(
        check,
        drive.signals,
        drive.tunes,
        vehicle=config.vehicle,
        rules=config.rules,
        gap_ms=drive.gap_ms,
        grid_ms=50,
        whole=True,
    )
    news: list[News] = []
    block = Block(drive.signals, drive.t_ms, drive.values, drive.tune)
    for i in range(len(block)):
        tick = block.part(i, i + 1)
        news += engine.run(tick, row.run(tick).transitions)
    engine.end()
    assert repr(engine.runs) == repr((run,))
    assert [(n.step, n.kind) for n in news if n.kind is NewsKind.PASSED] == [
        ("key-on", NewsKind.PASSED),
        ("cranking", NewsKind.PASSED),
        ("cold-idle", NewsKind.PASSED),
    ]
