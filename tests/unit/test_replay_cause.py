"""A replay names the fault behind an alert about a lost signal, the same as the driver was told live."""

from __future__ import annotations

import json
from math import nan
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from support.config_files import rules_toml
from uphaul.analysis.causes import noting, with_causes
from uphaul.analysis.review import Episode
from uphaul.cli import main
from uphaul.config import load_texts
from uphaul.live import Live
from uphaul.log import LogWriter
from uphaul.rules import ABOVE, Action, Kind, Rule, Setting
from uphaul.signals import Block, Collector, Quality, QualityChange, Sample, Signal

SIGNALS = """
[signal.egt]
unit = "degC"
range = [-40, 1100]
location = "pre-turbine"
[signal.map]
unit = "kPa"
range = [0, 400]
[signal.baro]
unit = "kPa"
[computed.boost]
unit = "kPa"
formula = "gauge-pressure"
inputs = { absolute = "map", barometric = "baro" }
"""
AT_ONCE = 'kind = "lost"\nstart_grace_s = 0\non_delay_s = 0\noff_delay_s = 0'
LOST = rules_toml("above = 720", AT_ONCE, f'{AT_ONCE}\nsignal = "boost"')


def found(arguments: list[str]) -> dict[str, Any]:
    done = CliRunner().invoke(main, ["replay", *arguments, "--json"])
    assert done.exit_code == 0, done.output
    result: dict[str, Any] = json.loads(done.output)
    return result


def causes(conditions: list[dict[str, Any]]) -> list[tuple[str, float, str | None]]:
    return [(c["rule"], c["raised_t_s"], c["cause"]) for c in conditions]


def configured(folder: Path) -> Path:
    folder.mkdir()
    (folder / "signals.toml").write_text(SIGNALS, encoding="utf-8")
    (folder / "rules.toml").write_text(LOST, encoding="utf-8")
    return folder


def test_a_csv_tells_what_became_of_a_value(tmp_path: Path) -> None:
    directory, drive = configured(tmp_path / "config"), tmp_path / "drive.csv"
    rows = "0,500,200,100\n1,,200,100\n2,800,900,100\n3,1200,200,100\n"
    drive.write_text(f"t_s,egt,map,baro\ns,degC,kPa,kPa\n{rows}", encoding="utf-8")
    arguments = [str(drive), "--config", str(directory)]
    assert causes(found(arguments)["conditions"]) == [
        ("r1", 1, "stale"),
        ("r0", 2, None),
        ("r2", 2, "map: above range"),
        ("r1", 3, "above range"),
    ]
    lines = CliRunner().invoke(main, ["replay", *arguments]).output.splitlines()
    assert sum(line.endswith("[map: above range]") for line in lines) == 1
    assert sum(line.endswith("]") for line in lines) == 3


def test_a_log_tells_it_for_both_judgings(tmp_path: Path) -> None:
    path = tmp_path / "vehicle.db"
    config = load_texts({"signals.toml": SIGNALS, "rules.toml": LOST}, check_inputs=False)
    collector, writer = Collector(config.signals, config.tunes), LogWriter(path)
    live = Live(config, collector, writer, "boot-1")
    egt, pressure, baro = ([s.name for s in config.signals].index(name) for name in ("egt", "map", "baro"))
    reading = {"open": Quality.OPEN_CIRCUIT, "ground": Quality.SHORT_TO_GROUND, "good": Quality.GOOD}
    for i, (probe, sensor) in enumerate([("good", "good"), ("open", "good"), ("good", "ground"), ("ground", "open")]):
        t = 50 * i
        for column, word in ((egt, probe), (pressure, sensor), (baro, "good")):
            quality = reading[word]
            collector.add([Sample(column, t, 100.0 if quality.known else nan, quality)])
        live.tick(t)
    assert writer.close(10)
    expected = [
        ("r1", 0.05, "open circuit"),
        ("r2", 0.1, "map: short to ground"),
        ("r1", 0.15, "short to ground"),
    ]
    result = found([str(path)])
    assert causes(result["conditions"]) == expected
    assert result["live"] == {"same": True, "differences": []}
    (tmp_path / "fewer.toml").write_text(rules_toml("above = 720"), encoding="utf-8")
    differences = found([str(path), "--rules", str(tmp_path / "fewer.toml")])["live"]["differences"]
    assert causes([d["live"] for d in differences]) == expected


EGT = Signal("egt", "degC", 4)
RULE = Rule("lost:egt", Kind.LOST, "egt", ABOVE, Setting(), Action.NOTE)


@pytest.mark.parametrize(
    ("changed_ms", "cause"), [(999, "open circuit"), (1000, "open circuit"), (1001, ""), (5000, "")]
)
def test_the_fault_is_that_of_the_tick_of_the_raise(changed_ms: int, cause: str) -> None:
    episode = Episode("lost:egt", 1000, None, nan, nan, -1)
    changes = [QualityChange(changed_ms, 0, Quality.OPEN_CIRCUIT)]
    assert [e.cause for e in with_causes([episode], changes, [RULE], (EGT,))] == [cause]


def test_blocks_pass_unchanged_and_leave_their_changes() -> None:
    change = QualityChange(7, 0, Quality.STALE)
    blocks = [
        Block((EGT,), np.array([t]), np.full((1, 1), nan), np.zeros(1, dtype=np.int16), quality)
        for t, quality in ((0, ()), (7, (change,)))
    ]
    changes: list[QualityChange] = []
    assert list(noting(blocks, changes)) == blocks
    assert changes == [change]
