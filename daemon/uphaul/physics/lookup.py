"""Tables over two quantities, such as volumetric efficiency over engine speed and manifold pressure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from uphaul.errors import UphaulError
from uphaul.physics.basis import Bools, Floats

__all__ = ["Grid"]


@dataclass(frozen=True, slots=True)
class Grid:
    """`z[i][j]` at `x[i]`, `y[j]`; both axes at least two knots, strictly increasing.

    Raises UphaulError, naming the table, for axes or a shape that do not fit.
    """

    name: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    z: tuple[tuple[float, ...], ...]

    def __post_init__(self) -> None:
        for axis, knots in (("x", self.x), ("y", self.y)):
            if len(knots) < 2 or not np.all(np.diff(knots) > 0) or not np.all(np.isfinite(knots)):
                raise UphaulError(f"table {self.name}: {axis} = {knots}: two or more numbers, each over the one before")
        if len(self.z) != len(self.x) or any(len(row) != len(self.y) for row in self.z):
            raise UphaulError(f"table {self.name}: {len(self.x)} rows of {len(self.y)} values each, as the axes have")
        if not np.all(np.isfinite(self.z)):
            raise UphaulError(f"table {self.name}: every value must be a finite number")

    def at(self, x: Floats, y: Floats) -> Floats:
        """Value at (x, y): straight lines along both axes, a knot gives its value, end values held outside the table.

        Own arithmetic: one tick alone must give the bits of the whole drive. Source: bilinear interpolation.
        """
        i, p = _place(np.array(self.x), x)
        j, q = _place(np.array(self.y), y)
        z = np.array(self.z)
        low = (1.0 - p) * z[i, j] + p * z[i + 1, j]
        high = (1.0 - p) * z[i, j + 1] + p * z[i + 1, j + 1]
        value: Floats = (1.0 - q) * low + q * high
        return value

    def inside(self, x: Floats, y: Floats) -> Bools:
        """Where (x, y) lies on the table, so that its value is no held end value."""
        return (x >= self.x[0]) & (x <= self.x[-1]) & (y >= self.y[0]) & (y <= self.y[-1])


def _place(knots: Floats, x: Floats) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.intp]], Floats]:
    """(index of the knot at or below, share of the way to the next)."""
    held = np.clip(x, knots[0], knots[-1])
    i = np.clip(np.searchsorted(knots, held, side="right") - 1, 0, len(knots) - 2)
    return i, (held - knots[i]) / (knots[i + 1] - knots[i])
