"""Lays one drive beside another: by time since the start, by distance driven, or by the place on the road."""

from __future__ import annotations

import numpy as np

from uphaul.analysis.route import steps_m
from uphaul.analysis.whole import WholeDrive
from uphaul.physics.basis import Floats, Ints

__all__ = ["EARTH_M", "distance_km", "places_km"]

EARTH_M = 6_371_008.8
"""Mean radius of the Earth. Source: IUGG (Moritz 2000, Geodetic Reference System 1980), from memory."""

NEAR_M = 40.0
"""How far two traces of one road may lie apart. Source: our own choice, a dual carriageway and the receiver's error."""

STEP_M = 10.0
ALIKE = 0.5
"""Least cosine between the headings of both: the way back on one road is another way. Source: our own choice."""


def distance_km(drive: WholeDrive) -> Floats:
    """(N,) the way since the drive began, in km; where the speed is unknown it stands still."""
    return np.cumsum(np.nan_to_num(np.maximum(steps_m(drive), 0.0))) / 1000.0


def places_km(drive: WholeDrive, reference: WholeDrive) -> Floats:
    """(N,) where on the way of `reference` (in km of its distance) each tick of `drive` was; unknown off that way.

    The nearest of its places within 40 m that was passed in about the same direction; of a road that was driven more
    than once, one of them.
    """
    out = np.full(len(drive), np.nan)
    origin = _origin(reference)
    if origin is None:
        return out
    mine, theirs = _thinned(drive, origin), _thinned(reference, origin)
    if len(mine) < 2 or len(theirs) < 2:
        return out
    way = distance_km(reference)
    here, there = _plane(drive, origin)[mine], _plane(reference, origin)[theirs]
    found = _nearest(here, there)
    place = np.where(found >= 0, way[theirs][found], np.nan)
    # between two thinned ticks that both were on the way, the place goes straight from one to the other
    out[mine] = place
    t = drive.t_ms
    for a, b in zip(range(len(mine) - 1), range(1, len(mine)), strict=True):
        if not np.isnan(place[a]) and not np.isnan(place[b]) and 0 <= place[b] - place[a] < 0.5:
            i, j = mine[a], mine[b]
            out[i:j] = place[a] + (place[b] - place[a]) * (t[i:j] - t[i]) / (t[j] - t[i])
    return out


def _origin(drive: WholeDrive) -> tuple[float, float] | None:
    lat, lon = drive.read("latitude"), drive.read("longitude")
    known = np.flatnonzero(~(np.isnan(lat) | np.isnan(lon)))
    return (float(lat[known[0]]), float(lon[known[0]])) if len(known) else None


def _plane(drive: WholeDrive, origin: tuple[float, float]) -> Floats:
    """(N, 2) east and north of the origin in m, on the plane that touches the globe there."""
    lat, lon = drive.read("latitude"), drive.read("longitude")
    north = np.radians(lat - origin[0]) * EARTH_M
    east = np.radians((lon - origin[1] + 180.0) % 360.0 - 180.0) * EARTH_M * np.cos(np.radians(origin[0]))
    return np.column_stack((east, north))


def _thinned(drive: WholeDrive, origin: tuple[float, float]) -> Ints:
    """Ticks with a known place, about `STEP_M` of way apart."""
    at = _plane(drive, origin)
    known = ~np.isnan(at).any(axis=1)
    step = (distance_km(drive) * 1000.0 / STEP_M).astype(np.int64)
    ticks = np.flatnonzero(known)
    new = np.ones(len(ticks), dtype=bool)
    new[1:] = step[ticks][1:] != step[ticks][:-1]
    return ticks[new]


def _headings(points: Floats) -> Floats:
    ahead = np.gradient(points, axis=0)
    length = np.hypot(ahead[:, 0], ahead[:, 1])
    return ahead / np.where(length > 0, length, 1.0)[:, None]


def _nearest(here: Floats, there: Floats) -> Ints:
    """For each of `here` the nearest of `there` within `NEAR_M` with a like heading, -1 for none."""
    ahead, way = _headings(here), _headings(there)
    cell = np.floor(there / NEAR_M).astype(np.int64)
    wide = 1 << 32
    keys = cell[:, 0] * wide + cell[:, 1]
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    best, best_m = np.full(len(here), -1, dtype=np.int64), np.full(len(here), NEAR_M)
    mine = np.floor(here / NEAR_M).astype(np.int64)
    for dx in (-1, 0, 1):
        for dy in (-1, 0, 1):
            wanted = (mine[:, 0] + dx) * wide + mine[:, 1] + dy
            first, last = np.searchsorted(ordered, wanted), np.searchsorted(ordered, wanted, side="right")
            for k in range(int((last - first).max(initial=0))):
                open_ = np.flatnonzero(first + k < last)
                other = order[first[open_] + k]
                apart = np.hypot(*(here[open_] - there[other]).T)
                alike = (ahead[open_] * way[other]).sum(axis=1) >= ALIKE
                closer = alike & (apart < best_m[open_])
                best[open_[closer]], best_m[open_[closer]] = other[closer], apart[closer]
    return best
