"""Marked moments: what was unusual around a driver's mark, against the rest of the drive and a reference drive.

Theory of operation. A drive is cut into pieces of `PIECE_MS`, each with the mean of every role. A piece within two
minutes of a mark is held against the pieces elsewhere at about the same engine speed and boost (`NEAR`; boost and its
like: engine speed and pedal), those that stood still against those that did: a mark on a climb is held against other
climbing, not against idling. Their median is what is usual there, their robust spread how much that varies. Elsewhere
is the rest of the drive, all marks' windows left out, and the reference. Of each role the stretch of unusual pieces
that weighs most is told. A role that has nothing to be held against is not among the `judged`: to be missing is no sign
of health.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from uphaul.analysis.maps import MAD_TO_DEVIATION, TOLERANCE
from uphaul.analysis.spans import runs
from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.physics.basis import Bools, Floats, Ints
from uphaul.signals import EventKind
from uphaul.units import convert

__all__ = ["AROUND_MS", "UNUSUAL", "Marked", "Unusual", "moments"]

AROUND_MS = 120_000
PIECE_MS = 2000
AT_ONCE = 50
LEAST_PIECES = 8
"""Fewer pieces elsewhere say nothing of what is usual there. Source: our own choice."""

MOST_PIECES = 400
"""More are thinned out evenly: the median is known well enough. Source: our own choice."""

NEAR = {"rpm": 100.0, "boost": 6.0, "pedal": 0.04}
"""How far apart two pieces may be, either way, to be of the same load, in the role's unit. Source: our own choice."""

STRETCH = 2
"""Consecutive pieces that make something unusual. Source: our own choice."""

UNUSUAL = 4.0
"""Robust spreads from the usual. Source: our own choice, far beyond what noise does over some thousand looks."""

LEAST_SPREAD: dict[str, float] = {
    "coolant": 2.5,
    "head": 2.5,
    "oil_temp": 4.0,
    "transmission": 4.0,
    "charge": 2.5,
    "compressor_out": 4.0,
    "egt": 12.0,
    "egt_post": 12.0,
    "oil_pressure": 12.0,
    "boost": 5.0,
    "map": 5.0,
    "map_told": 5.0,
    "exhaust_pressure": 6.0,
    "drive_pressure": 6.0,
    "drive_ratio": 0.05,
    "pressure_ratio": 0.05,
    "mixture": 0.05,
    "battery": 0.15,
    "turbo_speed": 2500.0,
    "cooler_effectiveness": 0.02,
    "clutch_slip": 0.01,
}
"""Least spread by role, in its unit: what was met for a minute knows nothing of another hour, and what is
slow stands where the minutes before left it. Source: our own choice, about what two sound drives differ by."""

FLOOR = 0.02
"""Least spread of other roles, as a share of their range (5th to 95th percentile). Source: our own choice."""

# Where and how somebody drives, and the weather, are not unusual; and what pieces are found by can't be.
# fmt: off
NOT_JUDGED = frozenset({
    "rpm", "speed", "gear", "gear_by_ratio", "altitude", "grade", "baro", "ambient", "mass", "plug", "latitude",
    "longitude",
})
# fmt: on

PEDAL_ROLES = frozenset({"boost", "map", "map_told", "pressure_ratio", "turbo_speed"})
"""What stands for boost itself is held against the pedal."""

BY_BOOST, BY_PEDAL = ("rpm", "boost"), ("rpm", "pedal")


@dataclass(frozen=True, slots=True)
class Unusual:
    """A role that was off around a mark: `value` where `expected` was usual, in the role's canonical unit.

    `against` is ``drive`` (the rest of it) or ``reference``. `times` is the distance in robust spreads, with its sign.
    All are medians over the pieces from `t_ms` to `t_ms`. `load` are the roles that the same load was told by.
    """

    role: str
    against: str
    value: float
    expected: float
    times: float
    t_ms: tuple[int, int]
    load: tuple[str, str]


@dataclass(frozen=True, slots=True)
class Marked:
    """A driver's mark at `t_ms` with its note, and what was unusual from `window_ms` to `window_ms`, the most first.

    `judged` names the roles that could be held against something in at least half of the window's pieces: what is
    among them and not in `unusual` was as usual.
    """

    t_ms: int
    text: str
    actor: str
    window_ms: tuple[int, int]
    unusual: tuple[Unusual, ...] = ()
    judged: tuple[str, ...] = ()


def moments(drive: WholeDrive, reference: WholeDrive | None = None) -> list[Marked]:
    """Every mark of a drive in order of time, with what was unusual around it."""
    marks = [e for e in drive.events if e.kind is EventKind.MARK]
    if not marks:
        return []
    own = _Pieces(drive)
    near = [np.abs(own.middle_ms - m.t_ms) <= AROUND_MS for m in marks]
    marked = np.logical_or.reduce(near)
    sides = [_Elsewhere("drive", own, ~marked)]
    if reference is not None:
        other = _Pieces(reference)
        sides.append(_Elsewhere("reference", other, np.ones(len(other.middle_ms), dtype=bool)))
    found: list[list[Unusual]] = [[] for _ in marks]
    judged: list[set[str]] = [set() for _ in marks]
    for elsewhere in sides:
        for load in (BY_BOOST, BY_PEDAL):
            roles = [r for r in own.means if r not in NOT_JUDGED and (r in PEDAL_ROLES) == (load is BY_PEDAL)]
            expected, spread = _usual(own, marked, elsewhere, roles, load)
            for row, role in enumerate(roles):
                x = own.means[role]
                times = (x - expected[row]) / np.maximum(spread[row], _least(role, x))
                for i, window in enumerate(near):
                    if 2 * np.count_nonzero(~np.isnan(times[window])) >= np.count_nonzero(window):
                        judged[i].add(role)
                    stretch = _stretch(window, times)
                    if stretch is not None:
                        found[i].append(
                            Unusual(
                                role=role,
                                against=elsewhere.name,
                                value=float(np.median(x[stretch])),
                                expected=float(np.median(expected[row, stretch])),
                                times=float(np.median(times[stretch])),
                                t_ms=(int(own.first_ms[stretch][0]), int(own.last_ms[stretch][-1])),
                                load=load,
                            )
                        )
    return [
        Marked(
            t_ms=mark.t_ms,
            text=mark.text,
            actor=mark.actor,
            window_ms=(max(mark.t_ms - AROUND_MS, int(drive.t_ms[0])), min(mark.t_ms + AROUND_MS, int(drive.t_ms[-1]))),
            unusual=tuple(sorted(found[i], key=lambda u: -abs(u.times))),
            judged=tuple(r for r in own.means if r in judged[i]),
        )
        for i, mark in enumerate(marks)
    ]


class _Pieces:
    """A drive in pieces: when each began and ended, and the mean of every role that is known at some tick."""

    def __init__(self, drive: WholeDrive) -> None:
        bins = (drive.t_ms - drive.t_ms[0]) // PIECE_MS
        starts = np.flatnonzero(np.diff(bins, prepend=-1))
        lengths = np.diff(np.append(starts, len(drive)))
        self.first_ms: Ints = drive.t_ms[starts]
        self.last_ms: Ints = drive.t_ms[starts + lengths - 1]
        self.middle_ms: Ints = (self.first_ms + self.last_ms) // 2
        self.means = _means(drive, starts, lengths)

    def of(self, role: str) -> Floats:
        """(P,) the means of a role, unknown throughout where the drive has no such signal."""
        return self.means.get(role, np.full(len(self.first_ms), np.nan))

    def still(self, load: tuple[str, str]) -> Bools:
        """(P,) whether the load's roles moved by no more than `TOLERANCE` to the pieces before and after."""
        out = np.ones(len(self.first_ms), dtype=bool)
        for role in load:
            step = np.abs(np.diff(self.of(role))) <= TOLERANCE[role]
            out[1:] &= step
            out[:-1] &= step
        return out


@dataclass(frozen=True, slots=True)
class _Elsewhere:
    """What the pieces near a mark are held against: those of `pieces` at which `where` is true."""

    name: str
    pieces: _Pieces
    where: Bools


def _means(drive: WholeDrive, starts: Ints, lengths: Ints) -> dict[str, Floats]:
    """Mean of each piece by role, unknown where less than half of its ticks are known; roles never known are left out.

    All signals of some pieces together, as much as a processor's cache holds.
    """
    columns = {role: c for role in ROLES if (c := drive.column(role)) is not None}
    if not columns:
        return {}
    take = np.array(list(columns.values()))
    parts = []
    for first in range(0, len(starts), AT_ONCE):
        here, long = starts[first : first + AT_ONCE], lengths[first : first + AT_ONCE, np.newaxis]
        x = drive.values[here[0] : here[-1] + long[-1, 0], take]
        known = ~np.isnan(x)
        count = np.add.reduceat(known, here - here[0], axis=0, dtype=np.int64)
        total = np.add.reduceat(np.where(known, x, 0.0), here - here[0], axis=0)
        parts.append(np.where(2 * count >= long, total / np.maximum(count, 1), np.nan))
    table = np.concatenate(parts)
    means = {r: convert(table[:, i], drive.signals[c].unit, ROLES[r]) for i, (r, c) in enumerate(columns.items())}
    return {role: np.ascontiguousarray(x) for role, x in means.items() if not np.isnan(x).all()}


def _least(role: str, x: Floats) -> float:
    if role in LEAST_SPREAD:
        return LEAST_SPREAD[role]
    known = x[~np.isnan(x)]
    return FLOOR * float(np.subtract(*np.percentile(known, (95, 5)))) if len(known) else 0.0


def _usual(
    own: _Pieces, asked: Bools, elsewhere: _Elsewhere, roles: Sequence[str], load: tuple[str, str]
) -> tuple[Floats, Floats]:
    """(median, robust spread), each (roles, P), of what stands elsewhere at the load of each piece that is asked for.

    Unknown where that is little, and at pieces that were not asked for.
    """
    expected = np.full((len(roles), len(asked)), np.nan)
    spread = expected.copy()
    if not roles:
        return expected, spread
    pieces = elsewhere.pieces
    values = np.stack([pieces.of(r) for r in roles])
    still, still_there = own.still(load), pieces.still(load)
    (x, y), (x_there, y_there) = (own.of(r) for r in load), (pieces.of(r) for r in load)
    for p in np.flatnonzero(asked).tolist():
        same = (np.abs(x_there - x[p]) <= NEAR[load[0]]) & (np.abs(y_there - y[p]) <= NEAR[load[1]])
        there = np.flatnonzero(same & elsewhere.where & (still_there == still[p]))
        if len(there) >= LEAST_PIECES:
            some = values[:, there[:: -(-len(there) // MOST_PIECES)]]
            expected[:, p] = _medians(some)
            spread[:, p] = MAD_TO_DEVIATION * _medians(np.abs(some - expected[:, p : p + 1]))
    return expected, spread


def _medians(x: Floats) -> Floats:
    """Median of the known values of each row, unknown where they are fewer than `LEAST_PIECES`."""
    count = np.count_nonzero(~np.isnan(x), axis=1)
    row, in_order = np.arange(len(x)), np.sort(x, axis=1)  # the unknown go last
    last = np.maximum(count - 1, 0)
    middle: Floats = (in_order[row, last // 2] + in_order[row, (last + 1) // 2]) / 2.0
    return np.where(count >= LEAST_PIECES, middle, np.nan)


def _stretch(window: Bools, times: Floats) -> slice | None:
    """The stretch of unusual pieces in a window that weighs most, if there is any."""
    found = [
        slice(start, stop)
        for side in (1.0, -1.0)
        for start, stop in runs(window & (times * side >= UNUSUAL))
        if stop - start >= STRETCH
    ]
    return max(found, key=lambda s: float(np.abs(times[s]).sum()), default=None)
