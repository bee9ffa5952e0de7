"""Reading a log: the fast way and the plain way agree to the bit, at rest, live, read-only, cut off."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

from support.log_drives import config, counts, records, signals
from uphaul.errors import LogError
from uphaul.log import Log, LogWriter, TickRecord, claims, fast, reader, schema
from uphaul.log.drives import log_parts, pick_drive
from uphaul.signals import Block, Event, EventKind, Quality, QualityChange

TICKS = 70_000
UNKNOWN_FROM = 1_000


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A drive of nearly an hour: a column all unknown, one unknown at first, a gap, a negative value, sparse parts."""
    path = tmp_path_factory.mktemp("log") / "vehicle of #1?.db"
    rows: list[list[int | None]] = counts(TICKS, 5).tolist()
    for i, row in enumerate(rows):
        row[1] = None
        row[2] = None if i < TICKS // 2 else row[2]
        row[3] = -(2**52) - 1 if i == 5 else row[3]
    writer = LogWriter(path, buffer_s=1e6)
    writer.begin_drive(config(signals(5)), boot_id="b", began_boot_ms=0)
    for i, row in enumerate(rows):
        t_ms = 50 * i + (600_000 if i >= UNKNOWN_FROM * 40 else 0)
        quality = (QualityChange(t_ms, 2, Quality.STALE),) if i % 9_000 == 0 else ()
        events = (Event(t_ms, 0, EventKind.MARK, text=f"mark {i}"),) if i % 11_000 == 0 else ()
        writer.tick(TickRecord(t_ms, i % 3 - 1, row, quality=quality, events=events))
    writer.end_drive("engine off")
    assert writer.close(60.0)
    return path


def together(blocks: list[Block]) -> tuple[list[int], np.ndarray, list[int], list[QualityChange], list[Event]]:
    return (
        [int(t) for b in blocks for t in b.t_ms],
        np.concatenate([b.values for b in blocks]),
        [int(n) for b in blocks for n in b.tune],
        [q for b in blocks for q in b.quality],
        [e for b in blocks for e in b.events],
    )


def by_hand(path: Path) -> tuple[list[int], np.ndarray, list[int]]:
    """Count by count in Python's own numbers."""
    db = sqlite3.connect(path)
    rows = db.execute("SELECT * FROM ticks_1 ORDER BY t_ms").fetchall()
    db.close()
    per_unit = [s.per_unit for s in signals(5)]
    nan = float("nan")
    values = [[nan if c is None else c / p for c, p in zip(r[2:], per_unit, strict=True)] for r in rows]
    return [r[0] for r in rows], np.array(values), [r[1] for r in rows]


@pytest.mark.parametrize("rows", [65_536, 7_001])
def test_the_fast_way_gives_every_value_to_the_bit(whole: Path, rows: int, monkeypatch: pytest.MonkeyPatch) -> None:
    used = []
    stretches = fast.stretches
    monkeypatch.setattr(fast, "stretches", lambda *a: used.append(1) or stretches(*a))
    with Log.open(whole) as log:
        blocks = list(log.blocks(1, rows))
    assert used, "the fast way was not taken"
    t_ms, values, tune, quality, events = together(blocks)
    expected = by_hand(whole)
    assert t_ms == expected[0]
    assert np.array_equal(values.view(np.int64), expected[1].view(np.int64)) or np.array_equal(
        values, expected[1], equal_nan=True
    )
    assert tune == expected[2]
    assert all(len(b) <= rows for b in blocks)
    assert [t for t in t_ms if t in {q.t_ms for q in quality}] == [q.t_ms for q in quality]
    assert (len(quality), [e.text for e in events]) == (8, [f"mark {i}" for i in range(0, TICKS, 11_000)])


def test_the_plain_way_gives_the_same_blocks(whole: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Log.open(whole) as log:
        quick = together(list(log.blocks(1)))
        monkeypatch.setattr(reader, "FAST_FROM_TICKS", 10**9)
        plain = together(list(log.blocks(1, 4_096)))
    assert quick[0] == plain[0]
    assert np.array_equal(quick[1], plain[1], equal_nan=True)
    assert quick[2:] == plain[2:]


@pytest.mark.parametrize("fast_from", [reader.FAST_FROM_TICKS, 10**9], ids=["fast", "plain"])
@pytest.mark.parametrize("kept", [[0, 3], [2], []])
def test_some_of_the_signals_are_read_as_they_are_among_all(
    whole: Path, kept: list[int], fast_from: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reader, "FAST_FROM_TICKS", fast_from)
    with Log.open(whole) as log:
        everything = together(list(log.blocks(1)))
        names = [log.segment(1).signals[i].name for i in kept]
        (part,) = log_parts(log, 1, {*names, "another"})
        blocks = list(part.blocks())
    assert [s.name for s in part.signals] == names
    assert all(b.signals == part.signals for b in blocks)
    some = together(blocks)
    assert some[0] == everything[0]
    assert np.array_equal(some[1], everything[1][:, kept], equal_nan=True)
    assert some[2] == everything[2]
    assert some[3] == [
        QualityChange(q.t_ms, kept.index(q.signal), q.quality) for q in everything[3] if q.signal in kept
    ]
    assert bool(some[3]) == (2 in kept)  # the signal that has any
    assert some[4] == everything[4]


def test_a_part_of_a_segment_can_be_read(whole: Path) -> None:
    with Log.open(whole) as log:
        (block,) = log.blocks(1, start_ms=1_000, stop_ms=1_200)
    assert block.t_ms.tolist() == [1_000, 1_050, 1_100, 1_150]


def test_a_gap_of_years_costs_no_more_than_its_ticks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An imported drive whose clock was set in the middle has one."""
    writer = LogWriter(tmp_path / "v.db")
    writer.begin_drive(config(signals(1)), boot_id="b", began_boot_ms=0)
    for t_ms in (0, 50, 10**11):
        writer.tick(TickRecord(t_ms, 0, [1]))
    writer.end_drive("engine off")
    assert writer.close(60.0)
    asked: list[str] = []
    stretches = fast.stretches

    def counted(uri: str, queries: Sequence[str], per_unit: Sequence[int], path: str) -> Iterator[fast.Columns]:
        asked.extend(queries)
        return stretches(uri, queries, per_unit, path)

    monkeypatch.setattr(fast, "stretches", counted)
    with Log.open(tmp_path / "v.db") as log:
        blocks = list(log.blocks(log.segments(1)[0].id))
    assert [t for b in blocks for t in b.t_ms.tolist()] == [0, 50, 10**11]
    assert len(asked) <= reader.MOST_STRETCHES


def test_reading_leaves_nothing_behind(whole: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    shutil.copy(whole, copy)
    with Log.open(copy) as log:
        list(log.blocks(1))
    assert [p.name for p in tmp_path.iterdir()] == ["copy.db"]


def test_a_block_generator_can_be_left_early(whole: Path) -> None:
    with Log.open(whole) as log:
        blocks = log.blocks(1, 5_000)
        assert len(next(blocks)) == 5_000
        blocks.close()
        assert len(log.drives()) == 1


def test_a_log_that_comes_alive_meanwhile_is_read_on_the_plain_way(whole: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    shutil.copy(whole, copy)
    with Log.open(copy) as log:
        blocks = log.blocks(1, 5_000)
        found = [next(blocks)]
        writer = LogWriter(copy)
        writer.begin_drive(config(), boot_id="c", began_boot_ms=0)
        assert writer.flush(30.0)
        found += list(blocks)
        assert len(log.drives()) == 2
        assert writer.close(30.0)
    assert together(found)[0] == by_hand(whole)[0]


def test_the_log_of_a_running_writer_is_read_up_to_its_last_commit(tmp_path: Path) -> None:
    path = tmp_path / "vehicle.db"
    writer = LogWriter(path, buffer_s=1e6)
    writer.begin_drive(config(), boot_id="b", began_boot_ms=0)
    with Log.open(path) as log:
        for part in range(3):
            for record in records(counts(15_000), first_t_ms=part * 750_000):
                writer.tick(record)
            assert writer.flush(30.0)
            assert log.drives()[0].ticks == (part + 1) * 15_000
            assert sum(len(b) for b in log.blocks(1)) == (part + 1) * 15_000
    assert claims.claimed(path)
    assert writer.close(30.0)
    assert not claims.claimed(path)


def test_the_log_of_a_writer_in_another_process_is_read(tmp_path: Path) -> None:
    path = tmp_path / "vehicle.db"
    child = subprocess.Popen(
        [sys.executable, "-c", _CHILD, str(path), str(Path(__file__).parents[1])],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert child.stdin is not None
    assert child.stdout is not None
    with child.stdin, child.stdout:
        assert child.stdout.readline() == "committed\n"
        with Log.open(path) as log:
            assert sum(len(b) for b in log.blocks(1)) == 30_000
            child.stdin.write("more\n")
            child.stdin.flush()
            assert child.stdout.readline() == "committed\n"
            assert sum(len(b) for b in log.blocks(1)) == 60_000
            child.stdin.write("end\n")
            child.stdin.flush()
            assert child.wait(30.0) == 0
            assert sum(len(b) for b in log.blocks(1)) == 60_000


_CHILD = """
import sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from support.log_drives import config, counts, records
from uphaul.log import LogWriter

writer = LogWriter(Path(sys.argv[1]), buffer_s=1e6)
writer.begin_drive(config(), boot_id="b", began_boot_ms=0)
for part in range(2):
    for record in records(counts(30_000), first_t_ms=part * 1_500_000):
        writer.tick(record)
    assert writer.flush(60.0)
    print("committed", flush=True)
    sys.stdin.readline()
assert writer.close(60.0)
"""


def test_on_a_read_only_medium_what_is_not_seen_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "vehicle.db"
    for boot in "ab":
        writer = LogWriter(path)
        writer.begin_drive(config(), boot_id=boot, began_boot_ms=0)
        writer.tick(TickRecord(0, 0, [1] * 16))
        assert writer.close(30.0)
    path.with_name("vehicle.db-wal").write_bytes(b"of a power cut")
    connect = Log._connect

    def read_only_medium(self: Log, *, immutable: bool) -> sqlite3.Connection:
        if not immutable:
            raise sqlite3.OperationalError("unable to open database file")
        return connect(self, immutable=True)

    monkeypatch.setattr(Log, "_connect", read_only_medium)
    with Log.open(path) as log:
        assert [d.ticks for d in log.drives()] == [1, 1]
        (note,) = log.notes
    assert "read-only" in note
    assert "vehicle.db-wal" in note


def test_an_unreadable_count_is_an_error_with_the_files_name(whole: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    shutil.copy(whole, copy)
    db = sqlite3.connect(copy)
    db.execute("PRAGMA journal_mode = DELETE")
    db.execute("UPDATE ticks_1 SET rpm = 'many' WHERE t_ms = 0")
    db.commit()
    db.close()
    with Log.open(copy) as log, pytest.raises(LogError) as error:
        list(log.blocks(1))
    assert str(copy) in str(error.value)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "cannot be opened"),
        (b"", "empty"),
        (b"t_s,rpm\n", "not a log"),
        (b"t_s,rpm\n" * 100, "not a log"),
    ],
)
def test_what_is_no_log_is_called_so(tmp_path: Path, content: bytes | None, words: str) -> None:
    path = tmp_path / "vehicle.db"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(LogError, match=words) as error:
        Log.open(path)
    assert str(path) in str(error.value)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.999])
def test_a_log_that_is_cut_off_is_called_so(whole: Path, tmp_path: Path, share: float) -> None:
    path = tmp_path / "vehicle.db"
    data = whole.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(LogError, match="cut off"):
        Log.open(path)


def test_a_log_damaged_inside_is_an_error_and_no_traceback(whole: Path, tmp_path: Path) -> None:
    path = tmp_path / "vehicle.db"
    data = bytearray(whole.read_bytes())
    for page in range(200, len(data) // schema.PAGE_SIZE, 3):
        data[page * schema.PAGE_SIZE : page * schema.PAGE_SIZE + 200] = b"\xaa" * 200
    path.write_bytes(data)
    with Log.open(path) as log, pytest.raises(LogError, match="cannot be read"):
        list(log.blocks(1))


def test_a_drive_that_is_not_there_is_named_with_those_that_are(whole: Path) -> None:
    with Log.open(whole) as log:
        with pytest.raises(LogError, match="no drive 9; the log has: 1"):
            log.segments(9)
        with pytest.raises(LogError, match="so large a number"):
            log.segments(10**20)
        with pytest.raises(LogError, match="no segment 9"):
            list(log.blocks(9))


def last_drive(path: Path) -> int:
    with Log.open(path) as log:
        return pick_drive(log, None)


def test_a_log_that_was_copied_without_its_write_ahead_log_says_so(tmp_path: Path) -> None:
    path, copy = tmp_path / "vehicle.db", tmp_path / "copy.db"
    writer = LogWriter(path)
    writer.begin_drive(config(), boot_id="b", began_boot_ms=0)
    for record in records(counts(20)):
        writer.tick(record)
    assert writer.flush(30)
    shutil.copy(path, copy)
    assert last_drive(path) == 1
    with pytest.raises(LogError, match=r"copied while the daemon ran, its drives are still in copy\.db-wal"):
        last_drive(copy)
    assert writer.close(30)
    shutil.copy(path, copy)
    assert last_drive(copy) == 1


def test_a_log_is_copied_whole_as_the_readme_says(tmp_path: Path) -> None:
    path, copy = tmp_path / "vehicle.db", tmp_path / "copy.db"
    writer = LogWriter(path)
    writer.begin_drive(config(), boot_id="b", began_boot_ms=0)
    for record in records(counts(20)):
        writer.tick(record)
    assert writer.flush(30)
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as live, sqlite3.connect(copy) as target:
        live.backup(target)  # what the shell's .backup does
    live.close()
    target.close()
    assert writer.close(30)
    copy.chmod(0o444)
    read = sqlite3.connect(f"file:{copy}?immutable=1", uri=True)
    assert read.execute("SELECT count(*) FROM drive_1").fetchone() == (20,)
    read.close()
