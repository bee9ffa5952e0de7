"""CPU of a field check's engine per live tick, beside the judge's row of the same tick in the same run.

The sample's check, rules and build sheet over the invented vehicle's hot part of the check, one block a tick, as the
daemon does. The row is what every tick costs without a check: computed signals, rules, alerts. Usage, from `tests`::

    python -m bench.field_check [--minutes N] [--json]
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from support.checked_demo import HZ, demo_drive
from uphaul.analysis.field_check_engine import FieldCheckEngine
from uphaul.analysis.whole import WholeDrive
from uphaul.config import load, sample_directory
from uphaul.pipeline import Row
from uphaul.signals import Block

TARGET = 0.5
"""Of the judge's row: a check is a guest in the tick. Source: our own choice."""


def measure(drive: WholeDrive, ticks: int) -> dict[str, float]:
    """us of CPU per tick of both over the first so many ticks, and how many steps were tried in them."""
    config = load(sample_directory(), check_inputs=False)
    assert config.field_check is not None
    row = Row(
        drive.signals, config.rules, drive.tunes, computed=config.computed, gap_ms=drive.gap_ms, grid_ms=1000 // HZ
    )
    engine = FieldCheckEngine(
        config.field_check,
        drive.signals,
        drive.tunes,
        vehicle=config.vehicle,
        rules=config.rules,
        gap_ms=drive.gap_ms,
        grid_ms=1000 // HZ,
        whole=True,
    )
    judged, checked = [], []
    whole = Block(drive.signals, drive.t_ms, drive.values, drive.tune, drive.quality, drive.events)
    for i in range(min(ticks, len(whole))):
        block = whole.part(i, i + 1)
        begun = time.thread_time_ns()
        outcome = row.run(block)
        between = time.thread_time_ns()
        engine.run(block, outcome.transitions)
        checked.append(time.thread_time_ns() - between)
        judged.append(between - begun)
    engine.end()
    return {
        "row": float(np.mean(judged)) / 1e3,
        "check": float(np.mean(checked)) / 1e3,
        "worst": float(np.max(checked)) / 1e3,
        "tried": float(sum(bool(r.attempts) for run in engine.runs for r in run.results)),
    }


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--minutes", type=float, default=21.0, help="of the drive")
    options.add_argument("--json", action="store_true")
    args = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        drive = demo_drive("check-hot", Path(folder))
    found = measure(drive, round(args.minutes * 60 * HZ))
    out: dict[str, Any] = {
        "machine": f"{platform.machine()}, Python {platform.python_version()}",
        "row_us": round(found["row"], 1),
        "check_us": round(found["check"], 1),
        "ratio_to_row": round(found["check"] / found["row"], 3),
        "target_ratio": TARGET,
        "worst_tick_ms": round(found["worst"] / 1000, 2),
        "steps_tried": int(found["tried"]),
    }
    print(json.dumps(out) if args.json else "\n".join(f"{k:32} {v}" for k, v in out.items()))


if __name__ == "__main__":
    main()
