"""What a stretch of the drive looks like: signals and limits thinned to the picture, packed for the page."""

from __future__ import annotations

import json
import struct
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from threading import Lock

import numpy as np

from uphaul.analysis.decimate import Thinned, window
from uphaul.analysis.limit_lines import DRAWN
from uphaul.desk.drive import AXES, DeskDrive
from uphaul.desk.judging import Judging
from uphaul.errors import UphaulError
from uphaul.physics.basis import Bools, Floats, Ints
from uphaul.rules import Rule
from uphaul.units import compatible, convert

__all__ = ["MOST_BUCKETS", "MOST_SIGNALS", "Trace", "Views", "packed"]

MOST_BUCKETS, MOST_SIGNALS, KEPT = 4000, 24, 64


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """One line: `x` on the axis, `y` NaN where it breaks. `rule` is set for a limit; `drive` 1 is the other drive."""

    signal: str
    x: Floats
    y: Floats
    drive: int = 0
    rule: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class _Axis:
    """A drive on an axis: its known ticks in rising order, None where that is all of them as they are."""

    x: Floats
    order: Ints | None
    broken: Bools


class Views:
    """Makes traces of a drive, and of another laid beside it."""

    def __init__(self, drive: DeskDrive, judging: Judging, against: DeskDrive | None = None) -> None:
        self._drives = [drive] if against is None else [drive, against]
        self._judging = judging
        self._axes: dict[tuple[int, str], _Axis] = {}
        self._lines: OrderedDict[tuple[tuple[str, int | Rule], tuple[int, str]], Thinned] = OrderedDict()
        self._lock = Lock()

    def traces(
        self, axis: str, span: tuple[float, float], buckets: int, signals: Sequence[str], rules: Sequence[Rule]
    ) -> list[Trace]:
        """The signals over `span` of that axis, each followed by its limits. Raises UphaulError."""
        if axis not in AXES:
            raise UphaulError(f"axis: one of {', '.join(AXES)}, not {axis!r}")
        if not 1 <= buckets <= MOST_BUCKETS or len(signals) > MOST_SIGNALS:
            raise UphaulError(f"at most {MOST_BUCKETS} buckets and {MOST_SIGNALS} signals at once")
        out = []
        for name in signals:
            unit = self._unit(name)
            for number, drive in enumerate(self._drives):
                if _values(drive, name, unit) is not None:
                    out.append(Trace(name, *self._thin((name, number), (number, axis), span, buckets), number))
            for rule in rules:
                if rule.signal == name and rule.kind in DRAWN:
                    x, y = self._thin((name, rule), (0, axis), span, buckets)
                    if not np.isnan(y).all():
                        out.append(Trace(name, x, y, 0, rule.name))
        return out

    def axis(self, number: int, name: str) -> _Axis:
        """A drive on an axis, made once."""
        key = number, name
        if key not in self._axes:
            drive = self._drives[number]
            x = drive.axis(name, self._drives[0] if number else None)
            known = np.flatnonzero(~np.isnan(x))
            order = None
            broken = drive.after_gap
            if len(known) < len(x) or (np.diff(x) < 0).any():
                order = known[np.argsort(x[known], kind="stable")]
                x = x[order]
                # a line goes on only to the tick that came next on the road
                broken = np.concatenate(([False], np.diff(order) != 1)) | broken[order] if len(order) else broken[:0]
            self._axes[key] = _Axis(x, order, broken)
        return self._axes[key]

    def _thin(
        self, key: tuple[str, int | Rule], which: tuple[int, str], span: tuple[float, float], buckets: int
    ) -> tuple[Floats, Floats]:
        lying = self.axis(*which)
        first, last = window(lying.x, *span)
        if first >= last:
            return np.empty(0), np.empty(0)
        thinned = self._thinned(key, which)
        kept = thinned.ticks(first, last, buckets)
        at = np.maximum.accumulate(np.maximum(kept, first))  # a break stands where the line ended
        return _without_middles(lying.x[at], np.where(kept < 0, np.nan, thinned.y[at]))

    def _thinned(self, key: tuple[str, int | Rule], which: tuple[int, str]) -> Thinned:
        """A line on an axis, kept for a while: how it lies is found once."""
        with self._lock:
            whole = (key, which)
            if whole not in self._lines:
                lying = self.axis(*which)
                name, of = key
                y = (
                    self._judging.line(of)
                    if isinstance(of, Rule)
                    else _values(self._drives[of], name, self._unit(name))
                )
                assert y is not None
                self._lines[whole] = Thinned(lying.x, y if lying.order is None else y[lying.order], lying.broken)
            self._lines.move_to_end(whole)
            while len(self._lines) > KEPT:
                self._lines.popitem(last=False)
            return self._lines[whole]

    def _unit(self, name: str) -> str:
        return self._drives[0].whole.signals[self._drives[0].signal(name)].unit


def _without_middles(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """The line without the points between two of the same height: most limits then are two points."""
    keep = np.ones(len(y), dtype=bool)
    keep[1:-1] = (y[1:-1] != y[:-2]) | (y[1:-1] != y[2:])
    return x[keep], y[keep]


def _values(drive: DeskDrive, name: str, unit: str) -> Floats | None:
    """The values of a signal in that unit, None where the drive has none of the kind."""
    for i, s in enumerate(drive.whole.signals):
        if s.name == name:
            if s.unit == unit:
                return drive.whole.values[:, i]
            return convert(drive.whole.values[:, i], s.unit, unit) if compatible(s.unit, unit) else None
    return None


def packed(traces: Sequence[Trace]) -> bytes:
    """A JSON head (its length first, little-endian, padded to 8 bytes), then x and y of each trace as doubles."""
    head = json.dumps(
        [{"signal": t.signal, "drive": t.drive, "rule": t.rule, "n": len(t.x)} for t in traces], separators=(",", ":")
    ).encode()
    head += b" " * (-(len(head) + 4) % 8)
    body = [np.ascontiguousarray(a, dtype="<f8").tobytes() for t in traces for a in (t.x, t.y)]
    return struct.pack("<I", len(head)) + head + b"".join(body)
