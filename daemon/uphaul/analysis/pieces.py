"""A drive in pieces of two seconds: the mean of every role over each, and whether it was steady."""

from __future__ import annotations

from math import isnan
from typing import Protocol

import numpy as np

from uphaul.analysis.maps import TOLERANCE
from uphaul.analysis.whole import WholeDrive
from uphaul.physics.basis import Bools, Floats, Ints

__all__ = ["BLOCK_PIECES", "PIECE_MS", "Pieces", "Readings"]

PIECE_MS = 2000
"""Source: our own choice: shorter than the lag of an exhaust probe, longer than the noise of anything else."""

STEADY_PIECES = 2
"""Pieces over which load may not have moved, this one included. Source: our own choice, about the lag of a sheathed
probe."""

BLOCK_PIECES = 15
"""Pieces of a block, 30 s: what lies in one block counts as one observation. Source: our own choice."""


class Readings(Protocol):
    """What tells every role at so many places: the pieces of a drive, or the engine speeds of a pull."""

    def of(self, role: str) -> Floats:
        """(P,) the role in its canonical unit, NaN where unknown."""
        ...


class Pieces:
    """A drive, seen by piece. `first_ms` and `last_ms` (P,) are its first and last tick; pieces without a tick are
    left out."""

    def __init__(self, drive: WholeDrive) -> None:
        self.drive = drive
        bins = (drive.t_ms - drive.t_ms[0]) // PIECE_MS
        self._starts = np.flatnonzero(np.diff(bins, prepend=-1))
        self._lengths = np.diff(np.append(self._starts, len(drive)))
        self.first_ms: Ints = drive.t_ms[self._starts]
        self.last_ms: Ints = drive.t_ms[self._starts + self._lengths - 1]
        self.number: Ints = bins[self._starts]
        self.block: Ints = self.number // BLOCK_PIECES
        self.tune: Ints = drive.tune[self._starts].astype(np.int64)
        self._fitted: dict[str, bool] = {}
        self._means: dict[str, Floats] = {}
        self._steady: dict[str, Bools] = {}

    def __len__(self) -> int:
        return len(self._starts)

    def has(self, *roles: str) -> bool:
        """Whether all these roles are fitted and were read at some tick."""
        for role in roles:
            if role not in self._fitted:  # asked often, and long drives take their time to answer
                self._fitted[role] = self.drive.has(role)
        return all(self._fitted[role] for role in roles)

    def of(self, role: str) -> Floats:
        """(P,) the mean of a role in its canonical unit, unknown where less than half of a piece's ticks are known."""
        if role not in self._means:
            x = self.drive.read(role)
            known = ~np.isnan(x)
            count = np.add.reduceat(known, self._starts, dtype=np.int64)
            total = np.add.reduceat(np.where(known, x, 0.0), self._starts)
            self._means[role] = np.where(2 * count >= self._lengths, total / np.maximum(count, 1), np.nan)
        return self._means[role]

    def share(self, where: Bools) -> Floats:
        """(P,) the share of a piece's ticks at which `where` (N,) holds."""
        return np.add.reduceat(where, self._starts, dtype=np.int64) / self._lengths

    def steady(self, *roles: str) -> Bools:
        """(P,) whether each role moved by no more than its tolerance (`maps.TOLERANCE`) over this piece and the one
        before."""
        out = np.ones(len(self), dtype=bool)
        for role in roles:
            if role not in self._steady:
                x = self.of(role)
                low, high = x.copy(), x.copy()
                for back in range(1, STEADY_PIECES):
                    before = np.concatenate((np.full(back, np.nan), x[:-back]))[: len(x)]
                    apart = np.concatenate((np.zeros(back), self.number[:-back]))[: len(x)]
                    before = np.where(self.number - apart == back, before, np.nan)
                    low, high = np.minimum(low, before), np.maximum(high, before)
                self._steady[role] = high - low <= TOLERANCE[role]
            out &= self._steady[role]
        return out

    def eased(self, x: Floats, tau_s: float) -> Floats:
        """(P,) `x` as a first-order lag of `tau_s` gives it; unknown pieces leave it as it was."""
        share = 1.0 - float(np.exp(-PIECE_MS / 1000.0 / tau_s))
        out, at = np.empty(len(x)), float("nan")
        for i, value in enumerate(x.tolist()):
            if not isnan(value):
                at = value if isnan(at) else at + (value - at) * share
            out[i] = at
        return out
