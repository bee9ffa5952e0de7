"""A field check over a drive of the invented vehicle with given faults: the sample's check, rules and build sheet."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

from uphaul.analysis.field_check import FieldCheckRun
from uphaul.analysis.field_check_engine import check_drive
from uphaul.analysis.whole import WholeDrive, join
from uphaul.config import load, sample_directory
from uphaul.config.scenario import load_scenario
from uphaul.demo import record_csv
from uphaul.demo.scenario import Fault
from uphaul.log.drives import csv_part, with_columns
from uphaul.pipeline import Row

__all__ = ["checked_demo", "demo_drive"]

OWN_NAMES = {"lambda": "mixture"}
HZ = 10


def demo_drive(name: str, folder: Path, *faults: Fault) -> WholeDrive:
    """The scenario with these faults, driven and recorded in `folder`, its computed signals filled in."""
    scenario = replace(load_scenario(name), faults=faults)
    path, config = folder / f"{name}.csv", load(sample_directory(), check_inputs=False)
    rows = record_csv(scenario, scenario.duration_s, HZ)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow([OWN_NAMES.get(c, c) for c in next(rows)])
        writer.writerows(rows)
    part = csv_part(path, [s for s in config.signals if not s.computed], config.tunes)
    part, added = with_columns(part, tuple(s for s in config.signals if s.computed))
    computed = tuple(c for c in config.computed if c.signal in added)
    row, blocks = Row(part.signals, (), part.tunes, computed=computed, gap_ms=config.gap_ms), list(part.blocks())
    for block in blocks:
        row.run(block)
    return join(blocks, part.tunes, gap_ms=config.gap_ms)


def checked_demo(name: str, folder: Path, *faults: Fault) -> FieldCheckRun:
    """The run over the whole of that drive."""
    config = load(sample_directory(), check_inputs=False)
    assert config.field_check is not None
    (run,) = check_drive(
        config.field_check, demo_drive(name, folder, *faults), config.rules, vehicle=config.vehicle, grid_ms=1000 // HZ
    )
    return run
