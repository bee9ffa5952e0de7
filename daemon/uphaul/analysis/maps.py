"""A signal over two others, as a table of cells: how often, the median, the spread, the extremes.

Fixed edges (`EDGES`), so that the cells of two drives are the same cells. What hardly moved (`steady`) is kept apart
from what did: exhaust and charge temperatures follow the load by seconds, so that a transient reading belongs to
another cell than the one it stands in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from uphaul.analysis.spans import moved
from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.errors import UphaulError
from uphaul.physics.basis import Bools, Floats, Ints
from uphaul.signals import index_of

__all__ = ["EDGES", "MAD_TO_DEVIATION", "STEADY_WINDOW_MS", "TOLERANCE", "CellMap", "cell_map", "steady"]

MAD_TO_DEVIATION = 1.4826
"""What makes the median absolute deviation of a normal distribution its standard deviation, 1 / 0.67449.

Source: Rousseeuw and Croux 1993, "Alternatives to the Median Absolute Deviation", from memory."""

STEADY_WINDOW_MS = 3000
"""Source: our own choice, about the lag of a 3 mm sheathed exhaust probe."""


def _grid(first: float, last: float, step: float) -> tuple[float, ...]:
    return tuple((np.arange(round((last - first) / step) + 1) * step + first).round(9).tolist())


EDGES: dict[str, tuple[float, ...]] = {
    "rpm": _grid(500, 5000, 250),
    "speed": _grid(0, 40, 2.5),
    "pedal": _grid(0, 1.1, 0.1),
    "gear": _grid(-0.5, 10.5, 1),
    "boost": _grid(-25, 400, 25),
    "map": _grid(50, 500, 25),
    "grade": _grid(-0.15, 0.15, 0.01),
    "crank_power": _grid(0, 400, 20),
    "wheel_power": _grid(0, 400, 20),
    "fuel": _grid(0, 0.03, 0.0015),
    "altitude": _grid(-200, 4000, 200),
    "boost_actuator": _grid(0, 1.1, 0.1),
}
"""Edges of the cells by role, in its canonical unit. Source: our own choice, some ten cells over what engines do."""

TOLERANCE: dict[str, float] = {
    "rpm": 60.0,
    "speed": 0.5,
    "pedal": 0.05,
    "gear": 0.0,
    "boost": 6.0,
    "map": 6.0,
    "grade": 0.01,
    "crank_power": 8.0,
    "wheel_power": 12.0,
    "fuel": 0.0006,
    "altitude": 20.0,
    "boost_actuator": 0.06,
}
"""How far a role may move in `STEADY_WINDOW_MS` and be steady, in its unit. Source: our own choice, over its noise."""


@dataclass(frozen=True, slots=True, eq=False)
class CellMap:
    """`value` over `x` and `y`: arrays (X, Y), cell (i, j) lies between edges i and i + 1 of x, j and j + 1 of y.

    The lower edge belongs to the cell, the upper one to the next (that of the last cell to the last). `count` is the
    number of ticks with a value; `median`, `spread` (1.4826 times the median absolute deviation), `low` and `high` are
    NaN in an empty cell, all in `unit`. `outside` is the number of ticks with all three values beyond the edges.
    """

    value: str
    x: str
    y: str
    unit: str
    x_unit: str
    y_unit: str
    x_edges: Floats
    y_edges: Floats
    count: Ints
    median: Floats
    spread: Floats
    low: Floats
    high: Floats
    outside: int = 0


def steady(drive: WholeDrive, x: str = "rpm", y: str = "boost", *, window_ms: int = STEADY_WINDOW_MS) -> Bools:
    """(N,) whether `x` and `y` were known over the `window_ms` before a tick and moved by no more than `TOLERANCE`.

    False in the first `window_ms` of the drive and after a gap. Raises UphaulError for a role without a tolerance.
    """
    t = drive.t_ms
    since = np.maximum.accumulate(np.where(np.diff(t, prepend=t[:1]) > drive.gap_ms, t, t[0]))
    out: Bools = t - since >= window_ms
    for role in (x, y):
        if role not in TOLERANCE:
            raise UphaulError(f"steady: no tolerance for {role}; there is one for {', '.join(TOLERANCE)}")
        out &= moved(drive.read(role), t, window_ms) <= TOLERANCE[role] * (1.0 + 1e-9)
    return out


_steady_ticks = steady  # the argument of the same name hides it


def cell_map(
    drive: WholeDrive,
    value: str,
    x: str = "rpm",
    y: str = "boost",
    *,
    steady: bool | None = None,
    where: Bools | None = None,
    x_edges: Floats | None = None,
    y_edges: Floats | None = None,
) -> CellMap:
    """`value` (a role, or any signal in its own unit) over the roles or signals `x` and `y`.

    `steady`: True for ticks at which x and y are steady, False for the others, None for all. `where` (N,) takes
    ticks out. Edges, strictly increasing, are needed for what has none in `EDGES`. Raises UphaulError without them, or
    for a name that is neither a role nor a signal of the drive.
    """
    xe, ye = _edges(x, x_edges), _edges(y, y_edges)
    (v, unit), (a, x_unit), (b, y_unit) = (_column(drive, name) for name in (value, x, y))
    take = ~(np.isnan(v) | np.isnan(a) | np.isnan(b))
    if where is not None:
        take &= where
    if steady is not None:
        take &= _steady_ticks(drive, x, y) == steady
    v, a, b = v[take], a[take], b[take]
    i, j = _place(a, xe), _place(b, ye)
    inside = (i >= 0) & (j >= 0)
    v, cell = v[inside], (i * (len(ye) - 1) + j)[inside]
    shape = len(xe) - 1, len(ye) - 1
    cells = shape[0] * shape[1]
    count = np.bincount(cell, minlength=cells)
    median, low, high = _medians(v, cell, count)
    spread, _, _ = _medians(np.abs(v - median[cell]), cell, count)
    return CellMap(
        value=value,
        x=x,
        y=y,
        unit=unit,
        x_unit=x_unit,
        y_unit=y_unit,
        x_edges=xe,
        y_edges=ye,
        count=count.reshape(shape),
        median=median.reshape(shape),
        spread=(MAD_TO_DEVIATION * spread).reshape(shape),
        low=low.reshape(shape),
        high=high.reshape(shape),
        outside=len(inside) - len(v),
    )


def _edges(name: str, given: Floats | None) -> Floats:
    if given is not None:
        edges = np.asarray(given, dtype=np.float64)
        if edges.ndim != 1 or len(edges) < 2 or not (np.diff(edges) > 0).all():
            raise UphaulError(f"edges of {name}: at least two, strictly increasing")
        return edges
    if name not in EDGES:
        raise UphaulError(f"no edges for {name}: give some, or take one of {', '.join(EDGES)}")
    return np.array(EDGES[name])


def _column(drive: WholeDrive, name: str) -> tuple[Floats, str]:
    """The values of a role in its canonical unit, or of any other signal in its own."""
    if name in ROLES:
        return drive.read(name), ROLES[name]
    column = index_of(drive.signals).get(name)
    if column is None:
        raise UphaulError(f"{name} is no role and no signal of the drive")
    return drive.values[:, column], drive.signals[column].unit


def _place(x: Floats, edges: Floats) -> Ints:
    """Number of the cell of each value, -1 outside."""
    at = np.searchsorted(edges, x, side="right") - 1
    at[x == edges[-1]] = len(edges) - 2
    return np.where(at < len(edges) - 1, at, -1)


def _medians(v: Floats, cell: Ints, count: Ints) -> tuple[Floats, Floats, Floats]:
    """(median, lowest, highest) value of each cell, NaN in an empty one."""
    order = np.argsort(v)
    small = cell.astype(np.int16 if len(count) < 2**15 else np.int64)  # NumPy sorts 16 bits in one pass
    order = order[np.argsort(small[order], kind="stable")]
    in_order = np.append(v[order], np.nan)
    first = np.cumsum(count) - count
    full = count > 0

    def at(place: Ints) -> Floats:
        return np.where(full, in_order[np.where(full, place, len(v))], np.nan)

    middle = (at(first + (count - 1) // 2) + at(first + count // 2)) / 2.0
    return middle, at(first), at(first + count - 1)
