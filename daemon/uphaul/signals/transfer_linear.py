"""Voltage to value for straight-line sensors, absolute or ratiometric, and for sensors known by a table.

The electrical range has five zones, from low to high: fault, bound, line, bound, fault. On the line, which reaches a
tolerance beyond the rated ends (a sensor at rest must not flicker), the value is good. In a bound zone the sensor works
but says no more than "at or beyond this end": the value is that end, `SATURATED`. The outer zones are faults, named
by `uphaul.signals.reading.Bias`.

What cannot be told: a sensor whose live output reaches a rail gives up the little of its range that the fault zone
takes. A broken ground wire of a three-wire sensor moves the output towards the supply and reads as that zone. An added
resistance in the wire (corrosion) that keeps the reading inside the band reads as a value.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from uphaul.signals.model import Quality
from uphaul.signals.reading import Beside, Bias, Flags, Floats, Reading, floats, graded, require

__all__ = ["SUPPLY_RANGE_V", "Linear", "Ratiometric", "Table", "rail_grades"]

SUPPLY_RANGE_V = (4.5, 5.5)
"""A sensor supply outside of this is itself the fault. Source: common practice, 5 V within a tenth."""

OVER_SUPPLY = 1.02
"""Shares of the supply beyond which a reading must come from another source than the sensor's own pull-up.
Source: our own choice, twice the error of a divider of 1 % resistors."""


def rail_grades(at: Floats, below: float, above: float, bias: Bias, rail: float) -> tuple[tuple[Flags, Quality], ...]:
    """The two fault zones of an electrical reading `at`, named by what pulls an open wire.

    Everything in one unit (V or share of the supply). `rail` is where a pull-up goes; clearly beyond it
    (`OVER_SUPPLY`) only another, higher supply can be on the wire.
    """
    low = Quality.OPEN_CIRCUIT if bias is Bias.DOWN else Quality.SHORT_TO_GROUND
    high = Quality.OPEN_CIRCUIT if bias is Bias.UP else Quality.SHORT_TO_SUPPLY
    return (
        (~np.isfinite(at), Quality.UNDECODABLE),
        (at < below, low),
        (at > max(above, rail * OVER_SUPPLY), Quality.SHORT_TO_SUPPLY),
        (at > above, high),
    )


def _line(at: Floats, low: tuple[float, float], high: tuple[float, float], tolerance: float) -> Reading:
    """The line through two (electrical, value) ends without its fault zones: ends held beyond the tolerance."""
    slope = (high[1] - low[1]) / (high[0] - low[0])
    values = low[1] + (at - low[0]) * slope
    under, over = at < low[0] - tolerance, at > high[0] + tolerance
    values = np.where(under, low[1], np.where(over, high[1], values))
    return graded(values, (under | over, Quality.SATURATED))


def _check_zones(kind: str, suffix: str, zones: tuple[float, float, float, float], top: float) -> None:
    below, low, high, above = zones
    require(kind, "low" + suffix, low, low < high, f"must be under high{suffix} = {high:g}")
    require(kind, "fault_below" + suffix, below, 0.0 < below < low, f"must lie over 0, under low{suffix} = {low:g}")
    require(
        kind, "fault_above" + suffix, above, high < above < top, f"must lie over high{suffix} = {high:g}, under {top:g}"
    )


@dataclass(frozen=True, slots=True)
class Linear:
    """A sensor with an output in volts of its own, not following its supply.

    `low_v` and `high_v` are the rated ends with their values in `unit`; `low_value` may be over `high_value`. Below
    `fault_below_v` and above `fault_above_v` is a fault. `rail_v` is where a pull-up or the electronics' supply ends.
    `tolerance_v` is how far beyond a rated end the line still counts as good.

    Raises: TransferError.
    """

    low_v: float
    low_value: float
    high_v: float
    high_value: float
    unit: str
    fault_below_v: float
    fault_above_v: float
    bias: Bias = Bias.DOWN
    rail_v: float = 5.0
    tolerance_v: float = 0.025

    reads: ClassVar[str] = "V"
    beside: ClassVar[Beside] = Beside.NOTHING

    def __post_init__(self) -> None:
        zones = (self.fault_below_v, self.low_v, self.high_v, self.fault_above_v)
        _check_zones("linear", "_v", zones, self.rail_v)
        require(
            "linear", "high_value", self.high_value, self.high_value != self.low_value, "must differ from low_value"
        )
        require("linear", "tolerance_v", self.tolerance_v, self.tolerance_v >= 0.0, "must be 0 or more")

    def read(self, volts: npt.ArrayLike, beside: npt.ArrayLike = np.nan) -> Reading:
        """Values in `unit` from `volts`; `beside` is not used."""
        (v,) = floats(volts)
        line = _line(v, (self.low_v, self.low_value), (self.high_v, self.high_value), self.tolerance_v)
        return _with_faults(line, rail_grades(v, self.fault_below_v, self.fault_above_v, self.bias, self.rail_v))


@dataclass(frozen=True, slots=True)
class Ratiometric:
    """A sensor whose output is a share of its supply, which is measured beside it (never taken as 5 V).

    `low_share` and `high_share` are the rated ends as shares of the supply, with their values in `unit`. `fault_below`
    and `fault_above` default to half way between a rated end and its rail: 0.25 V and 4.75 V for the usual
    0.5 to 4.5 V of 5 V (common practice). With a supply outside `supply_range_v` nothing is known.

    Raises: TransferError.
    """

    low_share: float
    low_value: float
    high_share: float
    high_value: float
    unit: str
    fault_below_share: float | None = None
    fault_above_share: float | None = None
    bias: Bias = Bias.DOWN
    supply_range_v: tuple[float, float] = SUPPLY_RANGE_V
    tolerance_share: float = 0.005

    reads: ClassVar[str] = "V"
    beside: ClassVar[Beside] = Beside.SUPPLY_V

    def __post_init__(self) -> None:
        below, above = self.faults
        _check_zones("ratiometric", "_share", (below, self.low_share, self.high_share, above), 1.0)
        require(
            "ratiometric",
            "high_value",
            self.high_value,
            self.high_value != self.low_value,
            "must differ from low_value",
        )
        require(
            "ratiometric", "supply_range_v", self.supply_range_v, 0.0 < self.supply_range_v[0] < self.supply_range_v[1],
            "must be two rising voltages over 0",
        )  # fmt: skip
        require(
            "ratiometric", "tolerance_share", self.tolerance_share, self.tolerance_share >= 0.0, "must be 0 or more"
        )

    @property
    def faults(self) -> tuple[float, float]:
        """Shares of the supply below and above which the reading is a fault."""
        below = self.low_share / 2.0 if self.fault_below_share is None else self.fault_below_share
        above = (1.0 + self.high_share) / 2.0 if self.fault_above_share is None else self.fault_above_share
        return below, above

    def read(self, volts: npt.ArrayLike, beside: npt.ArrayLike) -> Reading:
        """Values in `unit` from `volts` and the supply in V measured `beside`."""
        v, supply = floats(volts, beside)
        share, powered = share_of(v, supply, self.supply_range_v)
        line = _line(share, (self.low_share, self.low_value), (self.high_share, self.high_value), self.tolerance_share)
        return _with_faults(line, ((~powered, Quality.UNDECODABLE), *rail_grades(share, *self.faults, self.bias, 1.0)))


@dataclass(frozen=True, slots=True)
class Table:
    """A sensor known by points: straight between them, never beyond.

    `points` are (V, value) or, with `ratiometric`, (share of the supply, value); the electrical side rises strictly
    and the values rise or fall strictly. Outside the first and the last point the value is that end, `SATURATED`,
    until a fault zone begins.

    Raises: TransferError.
    """

    points: tuple[tuple[float, float], ...]
    unit: str
    fault_below: float
    fault_above: float
    ratiometric: bool = False
    bias: Bias = Bias.DOWN
    rail_v: float = 5.0
    supply_range_v: tuple[float, float] = SUPPLY_RANGE_V

    reads: ClassVar[str] = "V"

    def __post_init__(self) -> None:
        points = np.array(self.points, dtype=np.float64)
        enough = points.ndim == 2 and len(points) >= 2 and points.shape[1] == 2 and bool(np.isfinite(points).all())
        require("table", "points", self.points, enough, "must be two or more pairs of numbers")
        rise = np.diff(points, axis=0)
        require("table", "points", self.points, bool((rise[:, 0] > 0).all()), "first numbers must rise strictly")
        strict = bool((rise[:, 1] > 0).all() or (rise[:, 1] < 0).all())
        require("table", "points", self.points, strict, "values must rise strictly or fall strictly")
        low, high = self.points[0][0], self.points[-1][0]
        top = 1.0 if self.ratiometric else self.rail_v
        require(
            "table", "fault_below", self.fault_below, 0.0 < self.fault_below < low, f"must lie over 0, under {low:g}"
        )
        require(
            "table", "fault_above", self.fault_above, high < self.fault_above < top,
            f"must lie over {high:g}, under {top:g}",
        )  # fmt: skip

    @property
    def beside(self) -> Beside:
        """The supply, when the points are shares of it."""
        return Beside.SUPPLY_V if self.ratiometric else Beside.NOTHING

    def read(self, volts: npt.ArrayLike, beside: npt.ArrayLike = np.nan) -> Reading:
        """Values in `unit` from `volts`, and the supply in V measured `beside` when ratiometric."""
        v, supply = floats(volts, beside)
        powered = np.ones(v.shape, dtype=np.bool_)
        if self.ratiometric:
            v, powered = share_of(v, supply, self.supply_range_v)
        x, y = (np.array(side) for side in zip(*self.points, strict=True))
        inside = graded(np.interp(v, x, y), ((v < x[0]) | (v > x[-1]), Quality.SATURATED))
        rail = 1.0 if self.ratiometric else self.rail_v
        faults = rail_grades(v, self.fault_below, self.fault_above, self.bias, rail)
        return _with_faults(inside, ((~powered, Quality.UNDECODABLE), *faults))


def share_of(volts: Floats, supply_v: Floats, supply_range_v: tuple[float, float]) -> tuple[Floats, Flags]:
    """`volts` as a share of the measured supply, and where that supply is one that sensors work on."""
    powered = (supply_v >= supply_range_v[0]) & (supply_v <= supply_range_v[1])
    return volts / np.where(powered, supply_v, 1.0), powered


def _with_faults(reading: Reading, faults: tuple[tuple[Flags, Quality], ...]) -> Reading:
    return graded(reading.values, *faults, (reading.quality == Quality.SATURATED, Quality.SATURATED))
