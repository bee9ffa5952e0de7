"""Import of a raw CAN capture: against the time that python-can's reader alone needs to iterate the same file.

Usage: ``python tests/bench/import_capture.py [--minutes M] [--runs N] [--json]``. Writes a capture of the invented
vehicle (150 frames a second) in every format, then measures by turns, each as a process with its start: a loop over
python-can's reader that does nothing, and ``uphaul import`` with the sample configuration, down to the closed log.
Taken is the best of the runs of each: others use the machine as well. Exits 1 when a ratio is above the bar.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.captures import FORMATS, driven, write

ROOT = Path(__file__).parents[2]
BAR = 1.5

ALONE = "import sys, can\nfor message in can.LogReader(sys.argv[1]): pass"


def timed(command: list[str]) -> tuple[float, float]:
    """Seconds on the clock and of the processor."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    wall = time.perf_counter() - began
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--formats", nargs="*", default=list(FORMATS))
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        frames = list(driven(given.minutes * 60.0))
        for kind in given.formats:
            path = write(Path(folder) / f"capture.{kind}", frames)
            alone, whole = [], []
            for run in range(given.runs):
                alone.append(timed([sys.executable, "-c", ALONE, str(path)]))
                log = Path(folder) / f"{kind}{run}.sqlite"
                options = ["--config", str(ROOT / "config"), "--log", str(log)]
                whole.append(timed([sys.executable, "-m", "uphaul", "import", str(path), *options]))
                log.unlink()
            (a, a_cpu), (w, w_cpu) = min(alone), min(whole)
            rows.append(
                {
                    "format": kind,
                    "frames": len(frames),
                    "reader_s": round(a, 2),
                    "import_s": round(w, 2),
                    "ratio": round(w / a, 2),
                    "reader_cpu_s": round(a_cpu, 2),
                    "import_cpu_s": round(w_cpu, 2),
                }
            )
            path.unlink()
    if given.json:
        print(json.dumps({"cores": os.cpu_count(), "load": os.getloadavg()[0], "bar": BAR, "rows": rows}, indent=1))
    else:
        print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}; bar: {BAR} times the reader alone")
        for row in rows:
            print("  ".join(f"{key} {value}" for key, value in row.items()))
    return int(any(row["ratio"] > BAR for row in rows))


if __name__ == "__main__":
    raise SystemExit(main())
