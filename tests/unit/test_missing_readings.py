"""What counts as a reading that is missing: what a running log had no reading of, and not what nobody logged."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from support.complained import enter
from support.whole_drives import CRUISING, IDLING, by_hand
from uphaul.analysis.evidence import Evidence, Pair, evidence
from uphaul.analysis.findings import findings
from uphaul.analysis.whole import WholeDrive
from uphaul.cli.report_case import read_case
from uphaul.config import demo_config
from uphaul.log.reader import Log

HZ = 10
STOPPED = by_hand([IDLING, CRUISING, replace(CRUISING, gap_s=40.0), replace(CRUISING, gap_s=0.5), CRUISING], HZ)
GAPS_S = (80.0, 180.0)  # the last tick before each, and a little
"""An idle of 20 s, 60 s on the road, no log for 40 s, 60 s on the road, half a second lost, 120 s on the road."""


def lost(drive: WholeDrive, role: str, *spans_s: tuple[float, float]) -> WholeDrive:
    """The drive without the role's readings in these times."""
    values, t_s = drive.values.copy(), drive.t_ms / 1000.0
    column = [s.name for s in drive.signals].index(role)
    for begin, end in spans_s:
        values[(t_s >= begin) & (t_s < end), column] = np.nan
    return replace(drive, values=values)


def missing(drive: WholeDrive) -> Evidence:
    return next(e for e in evidence(Pair(drive, None)) if e.sign.name == "missing")


def test_a_gap_in_the_log_is_nothing_that_a_sensor_lost() -> None:
    assert missing(STOPPED).value == 0.0


def test_what_is_stale_around_a_gap_does_not_count() -> None:
    for role in ("coolant", "boost", "egt", "rpm"):
        assert missing(lost(STOPPED, role, (78.0, 125.0), (180.0, 184.0), (0.0, 4.0))).value == 0.0


def test_readings_that_were_lost_while_the_log_ran_count_by_their_share() -> None:
    # 15 s of 260 with the engine running, far from every gap
    seen = missing(lost(STOPPED, "coolant", (140.0, 150.0), (210.0, 215.0)))
    assert abs(seen.value - 100.0 * 15.0 / 260.0) < 0.1
    assert seen.moments_ms[0][0] == 140_000


def test_a_wire_that_is_open_across_a_gap_counts_but_for_some_seconds() -> None:
    # open from 60 s on, 20 + 60 + 120 s of log; 10 s on either side of both gaps are forgiven
    seen = missing(lost(STOPPED, "coolant", (60.0, 1000.0)))
    assert abs(seen.value - 100.0 * 160.0 / 260.0) < 0.5


def test_of_a_log_with_gaps_wiring_is_no_finding(tmp_path: Path) -> None:
    def told(drive: WholeDrive) -> str:
        log = tmp_path / f"{len(list(tmp_path.iterdir()))}.db"
        enter(log, demo_config("climb-heat"), drive, hz=HZ)
        with Log.open(log) as file:
            return findings(read_case(file, 1).whole, None).verdict

    stale = STOPPED
    for role in ("rpm", "speed", "pedal", "boost", "egt", "coolant"):
        stale = lost(stale, role, (79.5, 122.0), (180.5, 181.5))
    assert told(stale) != "wiring"
    assert told(lost(stale, "coolant", (140.0, 160.0))) == "wiring"
