"""`uphaul drives --drift`: from a log of cold starts to the sensor that creeps, and plain words where they are few."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from support.log_drives import config
from uphaul.analysis.drift import LEAST_DRIVES
from uphaul.cli.drives import command
from uphaul.log import LogWriter, TickRecord
from uphaul.signals import Signal

SIGNALS = (
    Signal("rpm", "rpm", 4),
    Signal("coolant", "degC", 100),
    Signal("oil_temp", "degF", 100),
    Signal("ambient", "degC", 100),
    Signal("intake", "degC", 100),
)
STANDS = 40
"""Ticks before the engine turns: two seconds."""


def _log(path: Path, drives: int, coolant: Callable[[int], float], *, stands: int = STANDS) -> Path:
    """Drives of an invented vehicle after nights of different cold; `coolant` is what that sensor adds, in K."""
    writer = LogWriter(path, buffer_s=1e6)
    for i in range(drives):
        night = 12.0 + 5.0 * (i % 3)
        writer.begin_drive(config(SIGNALS), boot_id=f"boot {i}", began_boot_ms=0)
        for k in range(stands + 20):
            rpm = 0.0 if k < stands else 800.0
            values = (rpm, night + coolant(i), night * 1.8 + 32.0, night, night)
            record = [round(x * s.per_unit) for x, s in zip(values, SIGNALS, strict=True)]
            writer.tick(TickRecord(50 * k, -1, record))
        writer.end_drive("engine off")
    assert writer.close(60.0)
    return path


def _told(*arguments: str) -> str:
    done = CliRunner().invoke(command, [*arguments, "--drift"])
    assert done.exit_code == 0, done.output
    return done.output


@pytest.fixture(scope="module")
def creeping(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _log(tmp_path_factory.mktemp("log") / "a.db", 12, lambda i: 0.25 * i)


def test_a_sensor_that_creeps_is_named_with_how_far_over_how_many_drives_and_what_to_check(creeping: Path) -> None:
    told = _told(str(creeping)).splitlines()
    assert "12 of 12 drives began cold, the first in drive 1, the last in drive 12" in told[0]
    assert [line.split()[0] for line in told[1:6]] == ["sensor", "coolant", "oil_temp", "ambient", "intake"]
    assert told[2].split()[-1] == "moved" and not any("moved" in line for line in told[3:6])
    assert "coolant moved by +2.8 K over 12 cold starts: check its plug and earth" in told[6]
    assert len(told) == 7


def test_the_same_for_programs(creeping: Path) -> None:
    told = json.loads(_told(str(creeping), "--json"))
    assert (told["drives"], told["cold_starts"], told["enough"]) == (12, 12, True)
    coolant, *others = told["sensors"]
    assert (coolant["signal"], coolant["moved"], coolant["drives"]) == ("coolant", True, 12)
    assert (coolant["total"], coolant["per_drive"]) == pytest.approx((2.75, 0.25), abs=0.01)
    assert [(d["moved"], d["check"]) for d in others] == [(False, None)] * 3
    assert told["stands"][4]["distance"]["coolant"] == pytest.approx(1.0, abs=0.01)


def test_where_nothing_moves_it_says_so(tmp_path: Path) -> None:
    assert _told(str(_log(tmp_path / "a.db", 8, lambda i: 0.3))).splitlines()[-1] == "no sensor moved"


@pytest.mark.parametrize(
    ("drives", "stands", "cold"),
    [(LEAST_DRIVES - 1, STANDS, LEAST_DRIVES - 1), (LEAST_DRIVES, 3, 0), (0, STANDS, 0)],
)
def test_too_few_cold_starts_are_no_drift(tmp_path: Path, drives: int, stands: int, cold: int) -> None:
    path = _log(tmp_path / "a.db", drives, lambda i: 0.5 * i, stands=stands)
    told = _told(str(path))
    assert f"{cold} of {drives} drives began cold: too few drives, a drift is told from {LEAST_DRIVES} on" in told
    assert "begins with the engine off (rpm) for a second" in told
    as_json = json.loads(_told(str(path), "--json"))
    assert (as_json["enough"], as_json["sensors"]) == (False, [])


def test_only_the_latest_cold_starts_are_looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("uphaul.cli.drives_drift.LATEST", 7)
    path = _log(tmp_path / "a.db", 9, lambda i: 4.0 if i < 2 else 0.0)  # replaced after the second drive
    told = _told(str(path)).splitlines()
    assert told[0] == f"{path}: the last 7 cold starts of 9 drives, the first in drive 3, the last in drive 9"
    assert told[-1] == "no sensor moved"
