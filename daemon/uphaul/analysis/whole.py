"""One whole drive in memory, for questions that look at all of it: by the names that the analysis knows.

A configuration names its signals as it likes; `ROLES` are the names that segments, maps, comparison and findings look
for, each with the kind of quantity it must be. A signal of another kind under such a name is as good as not fitted.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from uphaul.physics.basis import Floats, Ints
from uphaul.signals import NO_TUNE, Block, Event, QualityChange, Signal, index_of
from uphaul.units import UNITS, convert, find

__all__ = ["ROLES", "WholeDrive", "join"]

ROLES = {
    "rpm": "rpm",
    "speed": "m/s",
    "pedal": "1",
    "gear": "1",
    "gear_by_ratio": "1",
    "boost": "kPa",
    "map": "kPa",
    "baro": "kPa",
    "exhaust_pressure": "kPa",
    "drive_pressure": "kPa",
    "drive_ratio": "1",
    "pressure_ratio": "1",
    "egt": "degC",
    "egt_post": "degC",
    "coolant": "degC",
    "head": "degC",
    "charge": "degC",
    "compressor_out": "degC",
    "ambient": "degC",
    "oil_temp": "degC",
    "oil_pressure": "kPa",
    "transmission": "degC",
    "mixture": "1",
    "fuel": "kg/s",
    "air": "kg/s",
    "battery": "V",
    "altitude": "m",
    "grade": "1",
    "mass": "kg",
    "wheel_power": "kW",
    "crank_power": "kW",
    "clutch_slip": "1",
    "cooler_effectiveness": "1",
    "turbo_speed": "rpm",
    "map_told": "kPa",
    "boost_actuator": "1",
    "plug": "1",
    "latitude": "deg",
    "longitude": "deg",
}
"""Canonical unit by name: what `WholeDrive.read` gives the values in."""


@dataclass(frozen=True, slots=True, eq=False)
class WholeDrive:
    """All ticks of a drive: `t_ms` int64 (N,), `values` float64 (N, S) in the owner's units with NaN for unknown,
    `tune` int16 (N,) into `tunes`, -1 unknown. `gap_ms`: a longer step between ticks is a gap. `events` are people's,
    in order of time; `quality` as in `Block`.
    """

    signals: tuple[Signal, ...]
    t_ms: Ints
    values: Floats
    tune: np.ndarray[tuple[int], np.dtype[np.int16]]
    tunes: tuple[str, ...] = ()
    gap_ms: int = 1000
    events: tuple[Event, ...] = ()
    quality: tuple[QualityChange, ...] = field(default=())

    def __len__(self) -> int:
        return len(self.t_ms)

    def has(self, role: str) -> bool:
        """Whether the drive has a signal of that role (of the right kind) with at least one known value."""
        column = self.column(role)
        return column is not None and bool(np.isfinite(self.values[:, column]).any())

    def read(self, role: str) -> Floats:
        """The values (N,) of a role in its canonical unit; unknown throughout where there is no such signal."""
        column = self.column(role)
        if column is None:
            return np.full(len(self.t_ms), np.nan)
        values: Floats = convert(self.values[:, column], self.signals[column].unit, ROLES[role])
        return values

    def column(self, role: str) -> int | None:
        """The column of a role's signal, None where there is none of the right kind."""
        column = index_of(self.signals).get(role)
        if column is None:
            return None
        unit = find(self.signals[column].unit)
        return column if unit is not None and unit.kind == UNITS[ROLES[role]].kind else None

    @property
    def dt_s(self) -> Floats:
        """(N,) the time that each tick stands for, in s: to the tick before it, 0 at the first and across a gap."""
        step = np.diff(self.t_ms, prepend=self.t_ms[:1])
        return np.where(step > self.gap_ms, 0, step) / 1000.0


def join(blocks: Iterable[Block], tunes: Sequence[str] = (), *, gap_ms: int = 1000) -> WholeDrive:
    """The consecutive `blocks` of a drive as one. Parts with other signals are brought to those of all, by name.

    Raises ValueError without a tick, or when a name has two units.
    """
    pieces = [b for b in blocks if len(b)]
    if not pieces:
        raise ValueError("a drive without a tick")
    signals: dict[str, Signal] = {}
    for piece in pieces:
        for s in piece.signals:
            if signals.setdefault(s.name, s).unit != s.unit:
                raise ValueError(f"{s.name} is in {signals[s.name].unit} and in {s.unit}")
    place = {name: i for i, name in enumerate(signals)}
    # a column in one piece of memory: the analysis goes down columns
    values = np.empty((len(signals), sum(len(p) for p in pieces))).T
    quality: list[QualityChange] = []
    at = 0
    for piece in pieces:
        columns = [place[s.name] for s in piece.signals]
        here = values[at : at + len(piece)]
        for column, known in zip(columns, piece.values.T, strict=True):
            here[:, column] = known
        here[:, [i for i in range(len(signals)) if i not in columns]] = np.nan
        quality += [QualityChange(q.t_ms, columns[q.signal], q.quality) for q in piece.quality]
        at += len(piece)
    return WholeDrive(
        signals=tuple(signals.values()),
        t_ms=np.concatenate([p.t_ms for p in pieces]),
        values=values,
        tune=np.concatenate([p.tune for p in pieces]) if pieces else np.full(0, NO_TUNE, dtype=np.int16),
        tunes=tuple(tunes),
        gap_ms=gap_ms,
        events=tuple(e for p in pieces for e in p.events),
        quality=tuple(quality),
    )
