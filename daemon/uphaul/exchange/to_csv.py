"""Writes a drive as CSV: a row of names, a row of units, a row a tick, as `uphaul.log.csv_drive` reads it.

Every number is written as short as it can be without losing a bit. An empty cell is unknown. Why it is unknown and what
people did is not in it: CSV has no place for that.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from math import isnan
from pathlib import Path

from uphaul.errors import UphaulError
from uphaul.exchange.outgoing import Outgoing
from uphaul.signals import NO_TUNE

__all__ = ["write_csv"]


def write_csv(drive: Outgoing, path: Path, progress: Callable[[int], None]) -> None:
    """Write the drive; `progress` is told the t_ms that is done. Raises OSError, UphaulError."""
    clash = [s.name for s in drive.signals if s.name in ("t_s", "tune")]
    if clash:
        raise UphaulError(f"a signal is named {clash[0]!r}, which a CSV needs for itself; leave it out with --signals")
    with path.open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(["t_s", "tune", *(s.name for s in drive.signals)])
        rows.writerow(["s", "", *(s.unit for s in drive.signals)])
        names = {NO_TUNE: "", **dict(enumerate(drive.tunes))}
        for piece in drive.pieces():
            columns = [["" if isnan(v) else repr(v) for v in column] for column in piece.values.T.tolist()]
            times = [repr(t / 1000) for t in piece.t_ms.tolist()]
            tune = [names[n] for n in piece.tune.tolist()]
            rows.writerows(zip(times, tune, *columns, strict=True))
            progress(int(piece.t_ms[-1]))
