"""``uphaul demo`` from its first line to its last."""

from __future__ import annotations

import signal
import sys
from pathlib import Path

import pytest

from support.daemon import Process, running

SHORT = """# Invented data.
title = "A few seconds"
seed = 1
duration_s = 10

[start]
engine = "warm"
{start}

[weather]
ambient_degc = 20

[road]
points = [[0, 200], [5000, 200]]

[[drive]]
from_s = 0
speed_km_h = {speed}
"""


@pytest.mark.parametrize(
    ("start", "speed", "over"),
    [
        ('as = "rolling"', 60, "That was it: the road goes on. Ctrl-C ends the drive."),
        (
            'as = "standing"\nkey_on_s = 1\ncrank_s = 2\nkey_off_s = 9',
            0,
            "That was it: the engine is off. Ctrl-C ends the drive.",
        ),
    ],
)
def test_the_end_of_the_scenario_is_told_and_the_replay_once_it_is_ended(
    start: str, speed: int, over: str, tmp_path: Path
) -> None:
    scenario = tmp_path / "short.toml"
    scenario.write_text(SHORT.format(start=start, speed=speed), encoding="utf-8")
    log = tmp_path / "demo.db"
    arguments = ["--scenario", str(scenario), "--speed", "10", "--port", "0", "--log", str(log)]
    demo = Process([sys.executable, "-m", "uphaul", "demo", *arguments], stream="stdout")
    with running(demo):
        assert demo.wait_for("That was it") == over
        status, _ = demo.end(signal.SIGINT)
    assert status == 0
    assert demo.rest()[-1].startswith(f"The drive is in {log}. Judge it again: ")
