"""Kills the whole daemon over and over while the vehicle drives: nothing committed is lost, the same drive goes on.

The vehicle is a process of its own on a socketcand bus and knows nothing of it. Some kills fall into the start-up.
"""

from __future__ import annotations

import json
import random
import shutil
import signal
import sqlite3
import sys
import threading
from pathlib import Path

from support.bus_vehicle import frames, socketcand_hub, socketcand_source, write_config
from support.daemon import Daemon, Process, command, eventually, running
from support.reference import reference_conditions
from uphaul.config import load_texts
from uphaul.log import Log

KILLS = 52
SHORTEST_LIFE_S, LONGEST_LIFE_S = 0.4, 1.7
"""More than the writer takes from one commit to the next, so that kills fall before, into and after commits."""
KILLS_AT_START = 8
PERIOD_S = 4
RATE_HZ = 40
HOT_S = 1.6


def recording(path: Path) -> Path:
    """An exhaust that gets too hot and cools down again, once a period."""
    lines = []
    for i in range(PERIOD_S * RATE_HZ):
        t_s = i / RATE_HZ
        egt = 760 - i % 8 if t_s < HOT_S else 600 + i % 8
        lines += [line.replace("(0.0)", f"({t_s:.6f})") for line in frames(1800, egt, 150)]
    path.write_text("\n".join([*lines, ""]), encoding="ascii")
    return path


Rows = dict[str, set[tuple[object, ...]]]


def committed(path: Path) -> Rows:
    """What any reader sees in the log: every tick with its values, every change of a condition, every transition."""
    found: Rows = {"ticks": set(), "condition": set(), "transition": set()}
    if not path.exists():
        return found
    db = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, timeout=10)
    try:
        tables = {name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        for table in tables:
            kind = "ticks" if table.startswith("ticks_") else table
            if kind in found:
                found[kind].update((table, *row) for row in db.execute(f"SELECT * FROM {table}"))
    finally:
        db.close()
    return found


def check_copy(path: Path, seen: Rows, kill: int) -> Rows:
    """Look into a copy, so that the next daemon finds the file as the kill left it."""
    folder = path.parent / "copy"
    folder.mkdir()
    for file in path.parent.glob(f"{path.name}*"):
        if not file.name.endswith(("-shm", ".lock")):
            shutil.copy(file, folder)
    copy = folder / path.name
    now = committed(copy)
    if copy.exists():
        db = sqlite3.connect(copy)
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)], f"after kill {kill}"
        db.close()
    for kind, rows in seen.items():
        assert rows <= now[kind], f"kill {kill} lost {kind}: {sorted(map(str, rows - now[kind]))[:3]}"
    shutil.rmtree(folder)
    return now


def test_the_drive_goes_on_over_many_kills_of_the_daemon(tmp_path: Path) -> None:
    moments = random.Random(20310504)
    pause = threading.Event()
    path = tmp_path / "vehicle.db"
    early = set(moments.sample(range(1, KILLS), KILLS_AT_START))
    grown = raised = 0
    hub = socketcand_hub(recording(tmp_path / "drive.log"), "--repeat")
    with running(hub):
        port = int(hub.wait_for("listening ").split()[1])
        config = write_config(tmp_path / "config", socketcand_source(port), hold_s=600)
        seen = committed(path)
        for kill in range(KILLS):
            if kill in early:
                arguments = [sys.executable, "-m", "uphaul", "run", "--config", str(config), "--log", str(path)]
                daemon = Process(arguments, stream="stderr")
            else:
                daemon = Daemon(config, path)
            with running(daemon):
                if kill == 0:  # one life that surely comes so far that there is a drive to go on with
                    eventually(lambda: committed(path)["condition"], "the first change of a condition is logged")
                lives = (0.0, 0.6) if kill in early else (SHORTEST_LIFE_S, LONGEST_LIFE_S)
                pause.wait(moments.uniform(*lives))
                assert daemon.child.poll() is None, daemon.said
                before = committed(path)
                assert daemon.end(signal.SIGKILL)[0] == -signal.SIGKILL
            after = check_copy(path, before, kill)
            grown += len(after["ticks"]) > len(seen["ticks"])
            raised += len(after["condition"]) > len(seen["condition"])
            seen = after
        last = Daemon(config, path)
        with running(last):
            eventually(
                lambda: len(committed(path)["condition"]) > len(seen["condition"]) + 1, "an alert after them all"
            )
            assert last.end()[0] == 0
    assert grown > KILLS // 4, "hardly a life came as far as its first commit"
    assert raised > KILLS // 10, "hardly a life saw a condition change"
    assert list(tmp_path.glob("*.damaged-*")) == []

    with Log.open(path) as log:
        (drive,) = log.drives()
        (segment,) = drive.segments
        (block,) = log.blocks(segment)
        conditions = log.conditions(drive.id)
        judged = load_texts(log.config(segment), label="log", check_inputs=False)
    assert (drive.ended, drive.end_reason, drive.lost_ticks) == (True, "daemon stopped", 0)
    assert seen["ticks"] <= committed(path)["ticks"]
    # Judged piece by piece over all those lives, and the same as by one who saw the whole drive at once.
    expected = reference_conditions(judged.rules, block.signals, judged.tunes, block, judged.gap_ms)
    assert [(c.t_ms, c.rule, c.active, c.value) for c in conditions] == [
        (c.t_ms, judged.rules[c.rule].name, c.active, c.value) for c in expected
    ]
    replayed = json.loads(command("replay", str(path), "--json"))
    assert replayed["live"] == {"same": True, "differences": []}
    assert replayed["ticks"] == len(block)
