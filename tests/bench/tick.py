"""CPU of one live tick, collector to log hand-over; and the same while the card stalls.

Usage: ``python tests/bench/tick.py [--ticks N] [--json]``. Reports CPU time of the tick's own thread per tick against
a plain Python judge of the same thresholds in the same run, and the p99 of a tick's wall time with and without a card
that keeps one commit for five seconds.
"""

from __future__ import annotations

import argparse
import json
import platform
import sqlite3
import sys
import tempfile
import time
from math import isnan
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import workload

from uphaul.live import Live
from uphaul.log.writer import LogWriter
from uphaul.rules import Curve, Kind
from uphaul.signals import Collector, EventKind, Sample


class StalledCard(sqlite3.Connection):
    """Keeps one commit for `stall_s`, once, when told to."""

    stall_s = 0.0

    def execute(self, sql: str, *args: Any) -> sqlite3.Cursor:
        if StalledCard.stall_s and sql == "COMMIT":
            wait, StalledCard.stall_s = StalledCard.stall_s, 0.0
            time.sleep(wait)
        return super().execute(sql, *args)


def connect(path: Path) -> sqlite3.Connection:
    """As the log's own, through the card that can stall."""
    return sqlite3.connect(path, isolation_level=None, check_same_thread=False, factory=StalledCard)


def run(ticks: int, *, stall_s: float = 0.0, paced: bool = False) -> dict[str, float]:
    """Run `ticks` through a live drive with 24 signals and 60 rules."""
    config = workload.config(24, 60)
    block = workload.drive(ticks, 24)
    rows = block.values.tolist()
    collector = Collector(config.signals, config.tunes)
    cpu, wall = [], []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.db"
        writer = LogWriter(path, connect=connect)
        live = Live(config, collector, writer, "bench")
        collector.event(EventKind.TUNE, text="tow")
        begun = time.perf_counter()
        for k, row in enumerate(rows):
            now = (k + 1) * workload.TICK_MS
            collector.add([Sample(i, now, v) for i, v in enumerate(row) if not isnan(v)])
            if k == ticks // 2:
                StalledCard.stall_s = stall_s
            if paced:
                time.sleep(max(begun + k * workload.TICK_MS / 1000 - time.perf_counter(), 0))
            c, w = time.thread_time(), time.perf_counter()
            live.tick(now)
            cpu.append(time.thread_time() - c)
            wall.append(time.perf_counter() - w)
        live.stop("bench over")
        writer.close(60)
        with sqlite3.connect(path) as db:
            (logged,) = db.execute("SELECT count(*) FROM ticks_1").fetchone()
    warm = slice(min(200, ticks // 4), None)
    return {
        "cpu_us": float(np.mean(cpu[warm])) * 1e6,
        "p99_us": float(np.percentile(wall[warm], 99)) * 1e6,
        "lost": float(ticks - logged),
    }


def plain(ticks: int) -> float:
    """us per tick of a plain Python loop over the thresholds alone, without curves, tunes or further conditions."""
    config = workload.config(24, 60)
    own = [
        (i % 24, r.base.limit, r.base.deadband, r.base.on_delay_ms, r.base.off_delay_ms)
        for i, r in enumerate(config.rules)
        if r.kind is Kind.THRESHOLD and not isinstance(r.base.limit, Curve)
    ]
    active, since, code = [False] * len(own), [0] * len(own), [0] * len(own)
    rows = workload.drive(ticks, 24).values.tolist()
    begun = time.process_time()
    for k, row in enumerate(rows):
        t = k * workload.TICK_MS
        for n, (column, limit, band, on_ms, off_ms) in enumerate(own):
            x = row[column]
            now = 1 if x > limit else 2 if x <= limit - band else 0
            if now != code[n]:
                code[n], since[n] = now, t
            if now == 1 and t - since[n] >= on_ms:
                active[n] = True
            elif now == 2 and t - since[n] >= off_ms:
                active[n] = False
    return (time.process_time() - begun) / ticks * 1e6 * 60 / len(own)


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--ticks", type=int, default=6000)
    options.add_argument("--stall-ticks", type=int, default=600, help="paced at 20 Hz, 0 to leave that out")
    options.add_argument("--json", action="store_true")
    args = options.parse_args()
    live = run(args.ticks)
    reference = plain(args.ticks)
    out: dict[str, Any] = {
        "machine": f"{platform.machine()}, Python {platform.python_version()}",
        "tick_cpu_us": round(live["cpu_us"], 1),
        "target_cpu_us": 500,
        "ratio_to_target": round(live["cpu_us"] / 500, 3),
        "plain_python_60_thresholds_us": round(reference, 1),
        "ratio_to_plain": round(live["cpu_us"] / reference, 2),
    }
    if args.stall_ticks:
        calm, stalled = run(args.stall_ticks, paced=True), run(args.stall_ticks, stall_s=5.0, paced=True)
        out |= {
            "p99_us": round(calm["p99_us"], 1),
            "p99_stalled_us": round(stalled["p99_us"], 1),
            "ratio_stalled_to_calm": round(stalled["p99_us"] / calm["p99_us"], 3),
            "ticks_lost_in_stall": int(stalled["lost"]),
        }
    print(json.dumps(out) if args.json else "\n".join(f"{k:32} {v}" for k, v in out.items()))


if __name__ == "__main__":
    main()
