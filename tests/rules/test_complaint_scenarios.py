"""Drives of the invented vehicle that somebody complains about: the cause that was put in is what fits best.

Beside the drive of the field check, and for the intercooler, which takes minutes of climbing, beside a long climb. The
findings were built on the same vehicle's laws: this says that a report of a demo drive makes sense, and nothing of
real ones.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from support.checked_demo import demo_drive
from uphaul.analysis.findings import NOTHING, findings
from uphaul.analysis.whole import WholeDrive
from uphaul.config.scenario import load_scenario

HANDOVER, CLIMB = "check-hot", "climb-heat"


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> dict[str, WholeDrive]:
    folder = tmp_path_factory.mktemp("sound")
    return {name: demo_drive(name, folder) for name in (HANDOVER, CLIMB)}


def complained(name: str, folder: Path) -> WholeDrive:
    return demo_drive(name, folder, *load_scenario(name).faults)


@pytest.mark.parametrize(
    ("name", "reference", "cause"),
    [
        ("boost-leak", HANDOVER, "charge-leak"),
        ("clogged-filter", HANDOVER, "restricted-intake"),
        ("dragging-brakes", HANDOVER, "trailer-brakes"),
        ("fan-failure", HANDOVER, "fan"),
        ("clutch-slip", HANDOVER, "clutch"),
        ("overboost", HANDOVER, "boost-control"),
        ("wiring", HANDOVER, "wiring"),
        ("charge-cooler", CLIMB, "cooler-fouled"),
    ],
)
def test_the_cause_that_was_put_in_fits_best(
    name: str, reference: str, cause: str, sound: dict[str, WholeDrive], tmp_path: Path
) -> None:
    found = findings(complained(name, tmp_path), sound[reference])
    assert found.ranked, found.words
    assert found.ranked[0].cause.key == cause
    assert found.verdict == cause


@pytest.mark.parametrize("name", ["clogged-filter", "dragging-brakes", "boost-leak"])
def test_the_same_drive_without_the_fault_has_nothing_wrong(
    name: str, sound: dict[str, WholeDrive], tmp_path: Path
) -> None:
    assert findings(demo_drive(name, tmp_path), sound[HANDOVER]).verdict == NOTHING


def test_a_leak_that_shows_in_pulls_points_at_them(sound: dict[str, WholeDrive], tmp_path: Path) -> None:
    found = findings(complained("boost-leak", tmp_path), sound[HANDOVER])
    (balance,) = (e for e in found.ranked[0].speaks_for if e.sign.name == "turbine_balance")
    assert "in 2 full-load pulls" in balance.text
    # the two tries on the level, as the scenario has them
    assert [round(a / 10_000) for a, _ in balance.moments_ms] == [69, 76]
