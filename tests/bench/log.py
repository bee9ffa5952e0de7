"""The log's figures: what an hour of driving costs on the card and the processor, beside other ways to keep it.

Usage: ``python tests/bench/log.py [--minutes M] [--json]``. One invented drive of 16 signals at 20 Hz goes through the
log writer, one commit every 0.9 s of driving, as fast as the card takes them; the same counts then go through the
alternatives with the same commits. Figures are for an hour. *written* is what the process handed to the card
(``write_bytes`` of /proc/self/io). Ratios are to the first row. Also told: the hand-over of a tick, free and while the
card stalls, and the fast and the plain way of reading eight hours of 24 signals.
"""

from __future__ import annotations

import argparse
import json
import platform
import sqlite3
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import sqlite_utils

sys.path.insert(0, str(Path(__file__).parents[1]))
from support.log_drives import config, counts, records, signals
from uphaul.log import Log, LogWriter, TickRecord, reader, schema
from uphaul.log.writer import COMMIT_EVERY_S

TICK_HZ = 20
SIGNALS = 16
MOST_FILE_MB = 4.5
MOST_WRITTEN_MB = 50.0

Way = Callable[[Path, list[list[int]], int], None]


def written_bytes() -> int:
    """Bytes that this process has caused to be written so far."""
    for line in Path("/proc/self/io").read_text().splitlines():
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    raise SystemExit("this system does not count written bytes")


def ours(path: Path, rows: list[list[int]], batch: int) -> None:
    """The log writer itself."""
    writer = LogWriter(path, commit_every_s=3600.0)
    writer.begin_drive(config(signals(SIGNALS)), boot_id="bench", began_boot_ms=0)
    for i, row in enumerate(rows):
        writer.tick(TickRecord(i * 1000 // TICK_HZ, 1, row))
        if i % batch == batch - 1:
            assert writer.flush(60.0)
    writer.end_drive("end")
    assert writer.close(60.0)
    assert writer.failure is None


@contextmanager
def _setting(**values: int) -> Iterator[None]:
    """The writer with other constants of the schema."""
    before = {name: getattr(schema, name) for name in values}
    for name, value in values.items():
        setattr(schema, name, value)
    try:
        yield
    finally:
        for name, value in before.items():
            setattr(schema, name, value)


def with_setting(**values: int) -> Way:
    """The log writer with other constants of the schema."""

    def way(path: Path, rows: list[list[int]], batch: int) -> None:
        with _setting(**values):
            ours(path, rows, batch)

    return way


def _wide(path: Path, synchronous: str) -> sqlite3.Connection:
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute(f"PRAGMA synchronous = {synchronous}")
    names = ", ".join(f'"{s.name}" INTEGER' for s in signals(SIGNALS))
    db.execute(f"CREATE TABLE ticks (t_ms INTEGER PRIMARY KEY, tune INTEGER, {names})")
    return db


def wide(synchronous: str) -> Way:
    """The bare table: what remains without the writer's thread, health, retention and sparse tables."""

    def way(path: Path, rows: list[list[int]], batch: int) -> None:
        db = _wide(path, synchronous)
        insert = f"INSERT INTO ticks VALUES (?,?{',?' * SIGNALS})"
        for a in range(0, len(rows), batch):
            db.execute("BEGIN")
            db.executemany(insert, [((a + k) * 50, 1, *row) for k, row in enumerate(rows[a : a + batch])])
            db.execute("COMMIT")
        db.close()

    return way


def tall(path: Path, rows: list[list[int]], batch: int) -> None:
    """One row a value: t, signal, value."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("CREATE TABLE sample (t_ms INTEGER, signal INTEGER, value REAL)")
    per_unit = [s.per_unit for s in signals(SIGNALS)]
    for a in range(0, len(rows), batch):
        values = [
            ((a + k) * 50, i, count / per_unit[i])
            for k, row in enumerate(rows[a : a + batch])
            for i, count in enumerate(row)
        ]
        db.execute("BEGIN")
        db.executemany("INSERT INTO sample VALUES (?,?,?)", values)
        db.execute("COMMIT")
    db.close()


def insert_all(path: Path, rows: list[list[int]], batch: int) -> None:
    """The wide table filled by sqlite-utils."""
    db = _wide(path, "FULL")
    table = sqlite_utils.Database(db)["ticks"]
    names = [s.name for s in signals(SIGNALS)]
    for a in range(0, len(rows), batch):
        table.insert_all(
            {"t_ms": (a + k) * 50, "tune": 1, **dict(zip(names, row, strict=True))}
            for k, row in enumerate(rows[a : a + batch])
        )
    db.close()


WAYS: dict[str, Way] = {
    "the log writer": ours,
    "  1 KiB pages": with_setting(PAGE_SIZE=1024, CHECKPOINT_PAGES=4000),
    "  4 KiB pages": with_setting(PAGE_SIZE=4096, CHECKPOINT_PAGES=1000),
    "  carried over every 500 pages": with_setting(CHECKPOINT_PAGES=500),
    "  carried over every 8000 pages": with_setting(CHECKPOINT_PAGES=8000),
    "bare wide table, FULL": wide("FULL"),
    "bare wide table, NORMAL": wide("NORMAL"),
    "sqlite-utils insert_all, FULL": insert_all,
    "tall table, FULL": tall,
}


def recording(minutes: float, folder: Path) -> list[dict[str, object]]:
    """Every way over the same drive; figures scaled to an hour."""
    ticks = int(minutes * 60 * TICK_HZ)
    rows: list[list[int]] = counts(ticks, SIGNALS).tolist()
    batch = round(COMMIT_EVERY_S * TICK_HZ)
    hours = minutes / 60.0
    found: list[dict[str, object]] = []
    for number, (name, way) in enumerate(WAYS.items()):
        path = folder / f"{number}.db"
        cpu, wall, written = time.process_time(), time.perf_counter(), written_bytes()
        way(path, rows, batch)
        found.append(
            {
                "way": name,
                "cpu_s": (time.process_time() - cpu) / hours,
                "wall_s": (time.perf_counter() - wall) / hours,
                "file_mb": path.stat().st_size / 1e6 / hours,
                "written_mb": (written_bytes() - written) / 1e6 / hours,
            }
        )
    return found


def hand_over(folder: Path) -> dict[str, float]:
    """Microseconds to hand a tick over, with the card free and with a commit that hangs (which must not differ)."""
    gate = threading.Event()
    gate.set()
    stalled = threading.Event()

    class Connection(sqlite3.Connection):
        def execute(self, sql: str, *values: object) -> sqlite3.Cursor:  # type: ignore[override]
            if sql == "COMMIT" and not gate.is_set():
                stalled.set()
                gate.wait(60.0)
            return super().execute(sql, *values)  # type: ignore[arg-type]

    def connect(path: Path) -> sqlite3.Connection:
        return sqlite3.connect(path, isolation_level=None, check_same_thread=False, factory=Connection)

    writer = LogWriter(folder / "hand-over.db", connect=connect, buffer_s=1e5, commit_every_s=0.01)
    writer.begin_drive(config(signals(24)), boot_id="bench", began_boot_ms=0)
    rows: list[list[int]] = counts(40_000, 24).tolist()
    taken: list[list[float]] = [[], []]
    for i, row in enumerate(rows):
        if i == 20_000:
            gate.clear()
            writer.tick(TickRecord(i * 50 - 25, 1, row))
            assert stalled.wait(60.0)
        begin = time.perf_counter_ns()
        writer.tick(TickRecord(i * 50, 1, row))
        taken[i >= 20_000].append((time.perf_counter_ns() - begin) / 1000.0)
    gate.set()
    assert writer.close(60.0)
    assert writer.health.lost_ticks == 0
    free, hung = (statistics.median(t) for t in taken)
    return {
        "free_us": free,
        "stalled_us": hung,
        "ratio": hung / free,
        "free_p99_us": float(np.percentile(taken[0], 99)),
        "stalled_p99_us": float(np.percentile(taken[1], 99)),
    }


def reading(hours: float, folder: Path) -> dict[str, float]:
    """Seconds to read a drive of 24 signals into blocks, and its rows as tuples."""
    path = folder / "reading.db"
    ticks = int(hours * 3600 * TICK_HZ)
    writer = LogWriter(path, buffer_s=1e6)
    writer.begin_drive(config(signals(24)), boot_id="bench", began_boot_ms=0)
    for record in records(counts(ticks, 24)):
        writer.tick(record)
    assert writer.close(120.0)
    taken: dict[str, list[float]] = {"fast_s": [], "plain_s": [], "fetchall_s": []}
    usual = reader.FAST_FROM_TICKS
    for _ in range(3):
        for name, threshold in (("fast_s", usual), ("plain_s", 10**12)):
            reader.FAST_FROM_TICKS = threshold
            begin = time.perf_counter()
            with Log.open(path) as log:
                assert sum(len(b) for b in log.blocks(1)) == ticks
            taken[name].append(time.perf_counter() - begin)
        reader.FAST_FROM_TICKS = usual
        begin = time.perf_counter()
        db = sqlite3.connect(f"file:{path}?immutable=1", uri=True)
        assert len(db.execute("SELECT * FROM ticks_1").fetchall()) == ticks
        db.close()
        taken["fetchall_s"].append(time.perf_counter() - begin)
    best = {name: min(times) for name, times in taken.items()}
    return best | {"hours": hours, "plain_to_fast": best["plain_s"] / best["fast_s"]}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=60.0, help="of driving to record")
    parser.add_argument("--hours", type=float, default=8.0, help="of driving to read back")
    parser.add_argument("--folder", type=Path, help="on the card to measure (default: the temporary folder)")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        folder = Path(name)
        rows = recording(options.minutes, folder)
        over = hand_over(folder)
        read = reading(options.hours, folder)
    if options.json:
        print(json.dumps({"recording": rows, "hand_over": over, "reading": read}))
        return
    print(f"{platform.machine()}, Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}")
    print(f"An hour of {SIGNALS} signals at {TICK_HZ} Hz, from {options.minutes:g} min; ratios to the log writer")
    print(f"{'':32}{'CPU s':>15}{'wall s':>15}{'file MB':>15}{'written MB':>15}")
    keys = ("cpu_s", "wall_s", "file_mb", "written_mb")
    first = rows[0]
    for row in rows:
        cells = "".join(f"{row[k]:>9.2f} {float(row[k]) / float(first[k]):>4.1f}x" for k in keys)  # type: ignore[arg-type]
        print(f"{row['way']:32}{cells}")
    print(f"bounds: file {MOST_FILE_MB} MB, written {MOST_WRITTEN_MB} MB")
    print(
        f"hand-over of a tick: {over['free_us']:.1f} us (p99 {over['free_p99_us']:.1f}), while the card stalls "
        f"{over['stalled_us']:.1f} us (p99 {over['stalled_p99_us']:.1f}): {over['ratio']:.2f}x"
    )
    print(
        f"reading {read['hours']:g} h of 24 signals: {read['fast_s']:.2f} s; plain {read['plain_s']:.2f} s "
        f"({read['plain_to_fast']:.1f}x); bare rows {read['fetchall_s']:.2f} s"
    )


if __name__ == "__main__":
    main()
