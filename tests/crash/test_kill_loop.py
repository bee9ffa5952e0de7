"""Kills the log writer at random moments, over and over on one file: nothing committed is lost, the drive goes on.

What a kill cannot show is a lost power supply, where the operating system dies too; that is for the rig.
"""

from __future__ import annotations

import os
import random
import select
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from uphaul.log import Log

KILLS = 55
LONGEST_LIFE_S = 0.2

# Writes ticks as fast as it may; says each newest t_ms once it is committed. Every 40th tick carries a transition and a
# quality change, so that a tick torn from what belongs to it would be seen.
_CHILD = """
import os, sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from support.log_drives import config, counts
from uphaul.alerts import State, Transition
from uphaul.log import LogWriter, TickRecord
from uphaul.signals import Quality, QualityChange

def committed(t_ms):
    os.write(1, b"%d\\n" % t_ms)

writer = LogWriter(Path(sys.argv[1]), commit_every_s=0.002, on_commit=committed)
left = writer.open_drive
if left is None:
    drive = writer.begin_drive(config(), boot_id="boot", began_boot_ms=0)
    t_ms = 0
else:
    drive = writer.resume_drive(config(), left.drive, boot_id=left.boot_id, began_boot_ms=left.began_boot_ms)
    t_ms = 0 if left.last_t_ms is None else left.last_t_ms + 50
rows = counts(2000).tolist()
os.write(1, b"ready\\n")
while True:
    for row in rows:
        if t_ms % 2000 == 0:
            writer.tick(TickRecord(
                t_ms, 0, row,
                quality=(QualityChange(t_ms, 3, Quality.STALE),),
                transitions=(Transition(t_ms, "hot", State.NORMAL, State.UNACKNOWLEDGED, 1.0, 0.0, 0, t_ms),),
            ))
        else:
            writer.tick(TickRecord(t_ms, 0, row))
        t_ms += 50
    assert writer.failure is None
    writer.flush(10.0)
"""


def live_and_die(path: Path, life_s: float) -> tuple[int, int]:
    """One life of the writer; the newest t_ms it called committed (-1: none), and how many lines it wrote."""
    tests = str(Path(__file__).parents[1])
    child = subprocess.Popen([sys.executable, "-c", _CHILD, str(path), tests], stdout=subprocess.PIPE)
    assert child.stdout is not None
    with child.stdout as out:
        said = b""
        while b"ready\n" not in said:
            more = os.read(out.fileno(), 65_536)
            assert more, "the writer died by itself"
            said += more
        end = time.monotonic() + life_s
        while (left_s := end - time.monotonic()) > 0:
            if select.select([out], [], [], left_s)[0]:
                more = os.read(out.fileno(), 65_536)
                assert more, "the writer died by itself"
                said += more
        child.send_signal(signal.SIGKILL)
        said += out.read()
    assert child.wait(30.0) == -signal.SIGKILL
    lines = [line for line in said.split(b"\n")[:-1] if line.isdigit()]
    return int(lines[-1]) if lines else -1, len(lines)


@pytest.mark.parametrize("seed", [20310504])
def test_nothing_committed_is_lost_over_many_kills(tmp_path: Path, seed: int) -> None:
    path = tmp_path / "vehicle.db"
    moments = random.Random(seed)
    newest, commits, left_behind = -1, 0, 0
    for kill in range(KILLS):
        told, lines = live_and_die(path, moments.uniform(0.0, LONGEST_LIFE_S))
        commits += lines
        newest = max(newest, told)
        # A look at a copy: the next life must find the write-ahead log as the kill left it.
        copy = tmp_path / "copy" / path.name
        copy.parent.mkdir()
        for file in tmp_path.glob("vehicle.db*"):
            if not file.name.endswith("-shm"):
                shutil.copy(file, copy.parent)
        db = sqlite3.connect(copy)
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)], f"after kill {kill}"
        tables = db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'ticks_1'").fetchone()[0]
        if tables:
            count, last = db.execute("SELECT count(*), max(t_ms) FROM ticks_1").fetchone()
            assert last is None or count == last // 50 + 1, f"a tick is missing after kill {kill}"
            assert (-1 if last is None else last) >= newest, f"kill {kill} lost what had been committed"
            with_more = len(range(0, last + 1, 2000)) if last is not None else 0
            assert db.execute("SELECT count(*) FROM transition").fetchone() == (with_more,)
            newest = max(newest, -1 if last is None else last)
        else:
            assert newest == -1
        db.close()
        left_behind += any(file.stat().st_size for file in tmp_path.glob("vehicle.db-wal"))
        shutil.rmtree(copy.parent)
    assert left_behind > KILLS // 2, "hardly a kill fell into an open log"
    assert commits > KILLS, "the writer was killed before it did anything"
    with Log.open(path) as log:
        (drive,) = log.drives()
        assert drive.segments == (1,)
        assert drive.ticks == newest // 50 + 1
        assert sum(len(b) for b in log.blocks(1)) == drive.ticks
    assert list(tmp_path.glob("*.damaged-*")) == []
