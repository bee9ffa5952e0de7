"""Captures of other projects' tests, played over a bus by a process of its own into the daemon, end to end."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import can
import cantools.database
import numpy as np
import pytest

from support.bus_vehicle import socketcand_hub, socketcand_source
from support.can_reference import load, read_dbc
from support.daemon import Daemon, command, eventually, running
from support.packages import sdist
from support.reference import reference_conditions
from uphaul.config import load_texts
from uphaul.log import Log

WHEELS = """tick_hz = 20
[source.bus]
kind = "can"
{source}
dbc = "test.dbc"
silent_after_s = 30
[signal.front_left]
unit = "m/s"
per_unit = 64
max_age_s = 1.5
from = {{ source = "bus", message = "BREMSE_33", field = "whlspeed_FL" }}
[signal.rear_right]
unit = "m/s"
per_unit = 64
max_age_s = 1.5
from = {{ source = "bus", message = "BREMSE_33", field = "whlspeed_RR" }}
[signal.direct]
unit = "m/s"
per_unit = 64
max_age_s = 1.5
from = {{ source = "bus", message = "BREMSE_2", field = "whlspeed_FL_Bremse2" }}
"""

WHEEL_RULES = """[[rule]]
name = "wheel-fast"
kind = "threshold"
signal = "front_left"
above = 18
deadband = 0.5
on_delay_s = 0.3
off_delay_s = 0.2
action = "ease"
[[rule]]
name = "direct-fast"
kind = "threshold"
signal = "direct"
above = 25
deadband = 0.5
on_delay_s = 0
off_delay_s = 0
action = "note"
[[rule]]
name = "wheel-slowing"
kind = "rate"
signal = "rear_right"
below = -1
window_s = 2
deadband = 0.2
action = "note"
[[rule]]
name = "wheel-lost"
kind = "lost"
signal = "rear_right"
start_grace_s = 0.5
on_delay_s = 0.2
off_delay_s = 0.2
action = "note"
"""

TURNS_DBC = """VERSION ""
BU_: X
BO_ 17 Shaft: 8 X
 SG_ Turns : 0|16@1+ (0.1,0) [0|6553.5] "rpm" X
 SG_ Load : 16|16@1+ (0.01,-50) [-50|605] "%" X
BO_ 16 Road: 8 X
 SG_ Speed : 0|16@1+ (0.01,0) [0|655] "km/h" X
BO_ 102 Stage: 1 X
 SG_ Number : 0|8@1+ (1,0) [0|255] "1" X
"""
"""Of our own: the capture came without one. Two of its messages carry slow waves in their first two bytes."""

TURNS = """tick_hz = 20
[source.bus]
kind = "can"
{source}
dbc = "test.dbc"
silent_after_s = 30
[signal.turns]
unit = "rpm"
per_unit = 10
from = {{ source = "bus", message = "Shaft", field = "Turns" }}
[signal.load]
unit = "%"
per_unit = 100
from = {{ source = "bus", message = "Shaft", field = "Load" }}
[signal.speed]
unit = "km/h"
per_unit = 100
from = {{ source = "bus", message = "Road", field = "Speed" }}
[signal.stage]
unit = "1"
per_unit = 1
from = {{ source = "bus", message = "Stage", field = "Number" }}
"""

TURNS_RULES = """[[rule]]
name = "turns-high"
kind = "threshold"
signal = "turns"
above = 1500
deadband = 100
on_delay_s = 0.3
off_delay_s = 0.2
action = "ease"
[[rule]]
name = "turns-low"
kind = "threshold"
signal = "turns"
below = 400
deadband = 100
action = "stop"
when = [{ signal = "speed", above = 150, deadband = 5 }]
[[rule]]
name = "speeding-up"
kind = "rate"
signal = "speed"
above = 30
window_s = 1
deadband = 20
action = "note"
"""

DAEMON = """[drive]
signal = "{signal}"
above = {above}
hold_s = 600
[log]
free_mb = 10
[web]
host = "127.0.0.1"
port = 0
"""


@dataclass(frozen=True)
class Capture:
    """A capture, the DBC that reads it, and what is asked of it; `tells` are the rules whose condition it raises."""

    frames: Callable[[Path], list[can.Message]]
    dbc: Callable[[], str]
    signals: str
    rules: str
    drive: tuple[str, float]
    every_value: bool
    tells: tuple[tuple[str, bool], ...]


def read(path: Path) -> list[can.Message]:
    """The frames of a capture, through python-can's reader for its format."""
    with can.LogReader(path) as reader:
        return list(reader)


def wheels(folder: Path) -> list[can.Message]:
    """A capture of wheel speeds in cantools' tests, candump's log format within a test's text: 10 frames in 4 s."""
    text = (sdist("cantools") / "tests" / "test_plot.py").read_text(encoding="utf-8")
    lines = re.findall(r"^\(16097799\d\d\.\d+\) vcan0 [0-9A-F]{8}#[0-9A-F]{16}$", text, re.MULTILINE)
    assert len(lines) == 10
    (folder / "wheels.log").write_text("\n".join([*lines, ""]), encoding="utf-8")
    frames = read(folder / "wheels.log")
    for frame in frames:
        frame.is_extended_id = False  # written with eight digits, but the DBC (and cantools there) has 11-bit ids
    return frames


def turns(folder: Path) -> list[can.Message]:
    """1457 frames in 8 s, a capture in python-can's tests."""
    return read(sdist("python-can") / "test" / "data" / "issue_1256.asc")


def turns_in_blf(folder: Path) -> list[can.Message]:
    """The same in the other vector format, by python-can's writer and reader."""
    with can.Logger(folder / "turns.blf") as writer:
        for frame in turns(folder):
            writer(frame)
    return read(folder / "turns.blf")


def abs_dbc() -> str:
    return read_dbc(sdist("cantools") / "tests" / "files" / "dbc" / "abs.dbc")


TURNS_TELL = (("speeding-up", True), ("turns-high", True), ("turns-high", False), ("turns-low", True))

CAPTURES = {
    "wheels in candump's format, with the DBC of cantools' tests": Capture(
        wheels,
        abs_dbc,
        WHEELS,
        WHEEL_RULES,
        ("front_left", 0.5),
        True,
        (("wheel-fast", True), ("wheel-fast", False), ("direct-fast", True), ("wheel-slowing", True)),
    ),
    "turns in asc": Capture(turns, lambda: TURNS_DBC, TURNS, TURNS_RULES, ("turns", 0), False, TURNS_TELL),
    "turns in blf": Capture(turns_in_blf, lambda: TURNS_DBC, TURNS, TURNS_RULES, ("turns", 0), False, TURNS_TELL),
}


def decoded(frames: list[can.Message], dbc: str) -> dict[tuple[str, str], list[float]]:
    """Every value of every field in the order of the capture, by cantools."""
    database = load(dbc)
    assert isinstance(database, cantools.database.can.Database)
    names = {m.frame_id: m.name for m in database.messages}
    found: dict[tuple[str, str], list[float]] = {}
    for frame in frames:
        if frame.arbitration_id in names and not frame.is_error_frame:
            message = database.decode_message(frame.arbitration_id, frame.data, decode_choices=False)
            assert isinstance(message, dict)
            for field, value in message.items():
                assert isinstance(value, int | float)
                found.setdefault((names[frame.arbitration_id], field), []).append(value)
    return found


@pytest.mark.parametrize("name", CAPTURES)
def test_a_capture_is_judged_logged_and_replayed(name: str, tmp_path: Path) -> None:
    capture = CAPTURES[name]
    frames = capture.frames(tmp_path)
    with can.Logger(tmp_path / "played.log") as writer:
        for frame in frames:
            writer(frame)
    config = tmp_path / "config"
    config.mkdir()
    (config / "test.dbc").write_text(capture.dbc(), encoding="utf-8")
    (config / "rules.toml").write_text(capture.rules, encoding="utf-8")
    signal, above = capture.drive
    (config / "daemon.toml").write_text(DAEMON.format(signal=signal, above=above), encoding="utf-8")
    path = tmp_path / "vehicle.db"
    hub = socketcand_hub(tmp_path / "played.log")
    with running(hub):
        port = int(hub.wait_for("listening ").split()[1])
        source = socketcand_source(port)
        (config / "signals.toml").write_text(capture.signals.format(source=source), encoding="utf-8")
        daemon = Daemon(config, path)
        with running(daemon):
            eventually(lambda: daemon.status()["drive"], "the drive begins with the first frames")
            shown = eventually(
                lambda: next((s for s in [daemon.status()] if s["signals"][0]["quality"] == "stale"), None),
                "the capture is over",
                within_s=30,
            )
            assert daemon.end()[0] == 0
    assert shown["sources"][0]["restarts"] == 0

    with Log.open(path) as log:
        (drive,) = log.drives()
        (block,) = log.blocks(drive.segments[0])
        conditions = log.conditions(drive.id)
        transitions = log.transitions(drive.id)
        texts = log.config(drive.segments[0])
    judged = load_texts(texts, label="log", check_inputs=False)
    assert drive.lost_ticks == 0

    # what was logged is what the capture says, as cantools reads it
    fields = decoded(frames, capture.dbc())
    for column, entry in enumerate(judged.inputs):
        logged = block.values[:, column]
        logged = logged[~np.isnan(logged)]
        capture_says = [round(v, 6) for v in fields[entry.message, entry.field]]
        assert {round(v, 6) for v in logged.tolist()} <= set(capture_says)
        steps = [value for value, _ in groupby(round(v, 6) for v in logged.tolist())]
        if capture.every_value:  # slower than the ticks: not one is left out
            assert steps == [value for value, _ in groupby(capture_says)]
        else:  # faster: some are left out, but those that are there come in order
            rest = iter(capture_says)
            assert all(value in rest for value in steps), entry
            assert len(steps) >= len(set(capture_says)) / 4

    # the alerts at the ticks that the plain evaluator finds in it
    expected = reference_conditions(judged.rules, block.signals, judged.tunes, block, judged.gap_ms)
    assert [(c.t_ms, c.rule, c.active, c.value) for c in conditions] == [
        (c.t_ms, judged.rules[c.rule].name, c.active, c.value) for c in expected
    ]
    found = [(c.rule, c.active) for c in conditions]
    assert {rule for rule, _ in capture.tells} <= {rule for rule, _ in found}
    for told in capture.tells:
        assert told in found

    replayed = json.loads(command("replay", str(path), "--json"))
    assert replayed["live"] == {"same": True, "differences": []}
    assert [(c["rule"], round(c["raised_t_s"] * 1000)) for c in replayed["conditions"]] == [
        (c.rule, c.t_ms) for c in conditions if c.active
    ]
    assert [(round(t["t_s"] * 1000), t["rule"], t["from"], t["to"]) for t in replayed["transitions"]] == [
        (t.t_ms, t.rule, t.source.value, t.target.value) for t in transitions
    ]
