"""One log has one writer: a second is refused, and what a dead one left behind is taken over."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from support.log_drives import config
from uphaul.errors import LogError
from uphaul.log import Log, LogWriter, TickRecord, claims

_OTHER = """
import sys, threading
from pathlib import Path
from uphaul.log import LogWriter
writer = LogWriter(Path(sys.argv[1]))
print("writing", flush=True)
threading.Event().wait()
"""

_LOOK_IN = """
import sqlite3, sys
db = sqlite3.connect(sys.argv[1])
db.execute("SELECT count(*) FROM drive").fetchone()
db.close()
"""


def test_a_second_writer_is_refused_while_the_first_is_there(tmp_path: Path) -> None:
    path = tmp_path / "vehicle.db"
    first = LogWriter(path)
    with pytest.raises(LogError, match=rf"vehicle\.db: another daemon \(process {os.getpid()}\) is recording"):
        LogWriter(path)
    assert first.close(10)
    assert LogWriter(path).close(10)


def test_the_refusal_names_the_process_and_its_death_frees_the_log(tmp_path: Path) -> None:
    path = tmp_path / "vehicle.db"
    other = subprocess.Popen([sys.executable, "-c", _OTHER, str(path)], stdout=subprocess.PIPE, text=True)
    assert other.stdout is not None
    with other.stdout as said:
        assert said.readline() == "writing\n"
        with pytest.raises(LogError, match=rf"another daemon \(process {other.pid}\) is recording to this log"):
            LogWriter(path)
        other.send_signal(signal.SIGKILL)
        other.wait(10)
    assert claims.lock_path(path).exists()  # a kill leaves the file, but not the lock
    writer = LogWriter(path)
    assert claims.lock_path(path).read_text() == f"{os.getpid()}\n"
    assert writer.close(10)
    assert not claims.lock_path(path).exists()


def test_a_link_to_a_log_is_the_same_log(tmp_path: Path) -> None:
    writer = LogWriter(tmp_path / "vehicle.db")
    (tmp_path / "other.db").symlink_to(tmp_path / "vehicle.db")
    with pytest.raises(LogError, match="another daemon"):
        LogWriter(tmp_path / "other.db")
    assert writer.close(10)


def test_a_file_that_is_refused_is_not_claimed(tmp_path: Path) -> None:
    path = tmp_path / "folder.db"
    path.mkdir()
    with pytest.raises(LogError, match="must be a file"):
        LogWriter(path)
    assert not claims.claimed(path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["folder.db"]


def test_where_no_file_can_be_made_the_writer_starts_and_says_what_is_wrong() -> None:
    writer = LogWriter(Path("/proc/uphaul-test/vehicle.db"))  # nobody can make a folder there
    assert "nothing is recorded" in writer.health.problem
    writer.close(1)


def test_reading_the_log_that_this_process_writes_leaves_the_writer_its_locks(tmp_path: Path) -> None:
    path = tmp_path / "vehicle.db"
    writer = LogWriter(path)
    writer.begin_drive(config(), boot_id="b", began_boot_ms=0)
    writer.tick(TickRecord(0, 0, [0] * 16))
    assert writer.flush(10.0)
    with Log.open(path) as log:
        assert len(log.drives()) == 1
    # Another program that looks in and takes itself for the last one deletes the write-ahead log as it leaves.
    subprocess.run([sys.executable, "-c", _LOOK_IN, str(path)], check=True, timeout=60)
    assert path.with_name("vehicle.db-wal").exists()
    writer.tick(TickRecord(50, 0, [0] * 16))
    assert writer.close(10.0)
    with Log.open(path) as log:
        assert log.drives()[0].ticks == 2
