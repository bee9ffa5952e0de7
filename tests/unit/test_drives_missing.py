"""``uphaul drives`` says for how long a drive has no tick: nobody watched then, whatever the alerts say."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from support import log_drives
from uphaul.cli.drives import command
from uphaul.log.record import TickRecord
from uphaul.log.writer import LogWriter


@pytest.mark.parametrize(("hole_ms", "missing_s", "told"), [(0, 0.0, False), (700, 0.7, False), (12_300, 12.3, True)])
def test_the_time_without_a_tick_is_told(tmp_path: Path, hole_ms: int, missing_s: float, told: bool) -> None:
    log = tmp_path / "vehicle.db"
    config = log_drives.config()
    writer = LogWriter(log)
    writer.begin_drive(config, boot_id="boot", began_boot_ms=0, continues=None, initial_state="", wall=None)
    for i in range(200):
        t_ms = i * 50 + (hole_ms if i >= 100 else 0)
        counts = [1] * len(config.signals)
        writer.tick(
            TickRecord(
                t_ms=t_ms, tune=-1, counts=counts, quality=(), conditions=(), transitions=(), notices=(), events=()
            )
        )
    writer.end_drive("test")
    assert writer.close(10.0)
    (row,) = json.loads(CliRunner().invoke(command, [str(log), "--json"]).stdout)["drives"]
    assert row["without_a_tick_s"] == pytest.approx(missing_s, abs=1e-6)
    table = CliRunner().invoke(command, [str(log)]).stdout
    assert (f"{missing_s} s without a tick" in table) is told
