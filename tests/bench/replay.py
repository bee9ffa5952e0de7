"""Replay of an eight-hour drive from its log: times real time, and against a plain Python state machine.

Usage: ``python tests/bench/replay.py [--hours H] [--json]``. Measures ``uphaul replay LOG --json`` as a process,
start included, on a log of 24 signals and 40 rules, made here; then the plain way on the same log: rows from SQLite,
one after another through ordinary state machines for the same thresholds.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import workload

from uphaul.config import load_texts
from uphaul.log.record import TickRecord
from uphaul.log.writer import LogWriter
from uphaul.rules import Condition, Kind

SIGNALS = 24
RULES = 40


def texts() -> dict[str, str]:
    """The bench's rules as configuration files."""
    lines = ["tick_hz = 20"]
    for s in workload.signals(SIGNALS):
        lines.append(f'[signal.{s.name}]\nunit = "{s.unit}"\nrange = [{s.low}, {s.high}]\nper_unit = {s.per_unit}')
    rules = []
    for r in workload.rules(RULES, SIGNALS):
        limit = r.base.limit
        above = limit if isinstance(limit, float) else _curve(limit)
        rules.append(
            f'[[rule]]\nname = "{r.name}"\nkind = "{r.kind}"\nsignal = "{r.signal}"\naction = "ease"\nsay = "x"'
        )
        if r.kind is not Kind.LOST:
            rules.append(f"above = {above}\ndeadband = {r.base.deadband}")
        rules.append("on_delay_s = 2\noff_delay_s = 5")
        if r.kind in (Kind.RATE, Kind.EXPOSURE, Kind.REACH):
            rules.append("window_s = 60")
        if r.kind is Kind.EXPOSURE:
            rules.append("allowed_s = 50")
        if r.kind is Kind.REACH:
            rules.append("within_s = 240")
        if r.when:
            rules.append('when = [{ signal = "s0", above = 300, deadband = 20 }]')
        if r.tunes and r.kind is Kind.THRESHOLD:
            rules.append("[rule.tune.tow]\nabove = 510")
    vehicle = '[tune.stock]\ntitle = "stock"\n[tune.tow]\ntitle = "tow"\n'
    return {"signals.toml": "\n".join(lines), "rules.toml": "\n".join(rules), "vehicle.toml": vehicle}


def _curve(limit: Any) -> str:
    points = ", ".join(f"[{x}, {y}]" for x, y in zip(limit.x, limit.y, strict=True))
    return f'{{ over = "{limit.over}", points = [{points}] }}'


def write_log(path: Path, ticks: int) -> None:
    """A log with one drive of so many ticks."""
    files = texts()
    config = load_texts(files, label="bench", check_inputs=False)
    block = workload.drive(ticks, SIGNALS)
    writer = LogWriter(path, buffer_s=1e9)
    writer.begin_drive(config, boot_id="bench", began_boot_ms=0)
    counts = np.rint(block.values * 4)
    for k, row in enumerate(counts.tolist()):
        whole = [None if c != c else int(c) for c in row]  # noqa: PLR0124 - NaN
        writer.tick(TickRecord(int(block.t_ms[k]), int(block.tune[k]), whole))
        if k % 20_000 == 0:
            writer.flush(60)
    writer.end_drive("bench over")
    if not writer.close(120):
        raise RuntimeError("the log was not written in time")


def child_cpu_s() -> float:
    """CPU seconds of all children so far."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def replay(path: Path) -> tuple[float, float, dict[str, Any]]:
    """(wall s, CPU s, answer) of the command."""
    cpu, wall = child_cpu_s(), time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "uphaul", "replay", str(path), "--json"], capture_output=True, check=True, env=os.environ
    )
    return time.perf_counter() - wall, child_cpu_s() - cpu, json.loads(done.stdout)


def plain(path: Path) -> tuple[float, int]:
    """Seconds of reading rows and stepping plain state machines for the threshold rules, and the raises they found.

    Curves, further conditions and tunes included, since the rules have them; the other kinds are left out, in the
    plain way's favour.
    """
    config = load_texts(texts(), label="bench", check_inputs=False)
    wall = time.perf_counter()
    machines = [_Machine(r, config.tunes) for r in config.rules if r.kind is Kind.THRESHOLD]
    raises: list[Condition] = []
    with sqlite3.connect(path) as db:
        for t_ms, tune, *counts in db.execute("SELECT * FROM ticks_1 ORDER BY t_ms"):
            row = [None if c is None else c / 4 for c in counts]
            for machine in machines:
                if machine.step(t_ms, tune, row):
                    raises.append(Condition(t_ms, 0, True, 0.0, 0.0, tune))
    return time.perf_counter() - wall, len(raises)


class _Machine:
    """One threshold rule, one tick after another."""

    def __init__(self, rule: Any, tunes: tuple[str, ...]) -> None:
        self.column = int(rule.signal[1:])
        self.settings = [rule.setting(t) for t in tunes]
        self.when = rule.when
        self.holds = self.active = False
        self.code, self.since = 0, 0

    def step(self, t: int, tune: int, row: list[float | None]) -> bool:
        s = self.settings[tune]
        limit = s.limit
        if not isinstance(limit, float):
            x = row[int(limit.over[1:])]
            limit = None if x is None else _on_curve(limit, x)
        x = row[self.column]
        code = 0
        if x is not None and limit is not None:
            code = 1 if x > limit else 2 if x <= limit - s.deadband else 0
        for w in self.when:
            y = row[int(w.signal[1:])]
            if y is None:
                self.holds = False
            elif y > w.limit:
                self.holds = True
            elif y <= w.limit - w.deadband:
                self.holds = False
            if y is not None and not self.holds:
                code = 2
        if code != self.code:
            self.code, self.since = code, t
        if code == 1 and not self.active and t - self.since >= s.on_delay_ms:
            self.active = True
            return True
        if code == 2 and self.active and t - self.since >= s.off_delay_ms:
            self.active = False
        return False


def _on_curve(curve: Any, x: float) -> float:
    if x <= curve.x[0]:
        return float(curve.y[0])
    for i in range(1, len(curve.x)):
        if x < curve.x[i]:
            x0, x1, y0, y1 = curve.x[i - 1], curve.x[i], curve.y[i - 1], curve.y[i]
            return float(y0 + (y1 - y0) * (x - x0) / (x1 - x0))
    return float(curve.y[-1])


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--hours", type=float, default=8.0)
    options.add_argument("--json", action="store_true")
    args = options.parse_args()
    ticks = int(args.hours * 72_000)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.db"
        write_log(path, ticks)
        runs = [replay(path) for _ in range(3)]
        wall, cpu, answer = min(runs, key=lambda r: r[0])
        slow_s, raises = plain(path)
    thresholds = {r["rule"] for r in answer["rules"]} - set()
    found = sum(1 for c in answer["conditions"] if _is_threshold(c["rule"]))
    assert answer["ticks"] == ticks
    assert found == raises, f"the plain way raised {raises} times, the judge {found} times"
    out = {
        "machine": f"{platform.machine()}, Python {platform.python_version()}",
        "ticks": ticks,
        "rules": len(thresholds),
        "replay_s": round(wall, 2),
        "replay_cpu_s": round(cpu, 2),
        "times_real_time": round(args.hours * 3600 / wall),
        "target_times_real_time": 15_000,
        "plain_s": round(slow_s, 2),
        "ratio_to_plain": round(slow_s / wall, 1),
    }
    print(json.dumps(out) if args.json else "\n".join(f"{k:24} {v}" for k, v in out.items()))


def _is_threshold(name: str) -> bool:
    return workload.rules(RULES, SIGNALS)[int(name.removeprefix("rule-"))].kind is Kind.THRESHOLD


if __name__ == "__main__":
    main()
