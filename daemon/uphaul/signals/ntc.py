"""NTC temperature sensors in a voltage divider: curves (Steinhart-Hart, Beta, table) and the divider around them.

A curve turns ohms into degC. The divider turns volts into ohms and tells a short and an open circuit from a real
extreme: the fault zones begin where the sensor would have half the resistance of the curve's hot end and twice that of
its cold end (our own choice), some 30 K beyond the hot and 10 K beyond the cold end. Between the curve's end and the
fault zone the value is that end, `SATURATED`: coolant hotter than the table must not become "unknown".
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from uphaul.signals.model import Quality
from uphaul.signals.reading import Beside, Floats, Reading, floats, graded, require
from uphaul.signals.transfer_linear import OVER_SUPPLY, SUPPLY_RANGE_V, share_of

__all__ = ["NTC_CURVES", "Beta", "Curve", "NtcDivider", "NtcTable", "SteinhartHart"]

ZERO_DEGC_K = 273.15


@dataclass(frozen=True, slots=True)
class SteinhartHart:
    """1/T = a + b L + c L^3 + square L^2 with L = ln(R / ohm), T in K. Good within `range_degc`.

    `square` is 0 in the usual form; `ohm` other than 1 and `square` serve data sheets that give four coefficients.
    Source: Steinhart and Hart, Deep-Sea Research 15 (1968) 497; the four-term form: makers' data sheets.
    """

    a: float
    b: float
    c: float
    range_degc: tuple[float, float]
    square: float = 0.0
    ohm: float = 1.0

    def __post_init__(self) -> None:
        low, high = self.range_degc
        require("steinhart-hart", "range_degc", self.range_degc, -ZERO_DEGC_K < low < high, "must rise")
        require("steinhart-hart", "ohm", self.ohm, self.ohm > 0.0, "must be over 0")
        ends = np.array(self.range_degc)
        ohm = self.ohms(ends)
        right = bool(np.isfinite(ohm).all() and ohm[0] > ohm[1] > 0.0)
        right = right and bool(np.allclose(self.degc(ohm), ends, atol=0.01))
        right = right and bool((np.diff(self.degc(np.geomspace(ohm[1], ohm[0], 200))) < 0.0).all())
        require(
            "steinhart-hart", "a, b, c", (self.a, self.b, self.c), right,
            f"must give a resistance that falls from {low:g} to {high:g} degC",
        )  # fmt: skip

    @classmethod
    def through(cls, points: tuple[tuple[float, float], ...], range_degc: tuple[float, float]) -> SteinhartHart:
        """The curve through three (ohm, degC) points. Raises: TransferError."""
        given = np.array(points, dtype=np.float64)
        right = given.shape == (3, 2) and bool((given[:, 0] > 0).all()) and len({r for r, _ in points}) == 3
        require("steinhart-hart", "points", points, right, "must be three different (ohm, degC) pairs")
        log = np.log(given[:, 0])
        a, b, c = np.linalg.solve(np.stack([np.ones(3), log, log**3], axis=1), 1.0 / (given[:, 1] + ZERO_DEGC_K))
        return cls(float(a), float(b), float(c), range_degc)

    def degc(self, ohm: Floats) -> Floats:
        """Temperature in degC of a sensor of `ohm` (> 0)."""
        log = np.log(ohm / self.ohm)
        kelvin: Floats = 1.0 / (self.a + log * (self.b + log * (self.square + log * self.c)))
        return kelvin - ZERO_DEGC_K

    def ohms(self, degc: Floats) -> Floats:
        """Resistance in ohm at `degc`: Newton's method on `degc`'s own equation."""
        aim = 1.0 / (degc + ZERO_DEGC_K)
        log = np.full(aim.shape, np.log(3000.0 / self.ohm))
        for _ in range(50):
            value = self.a + log * (self.b + log * (self.square + log * self.c)) - aim
            step = value / (self.b + log * (2.0 * self.square + log * 3.0 * self.c))
            log = log - np.clip(step, -2.0, 2.0)
        ohm: Floats = self.ohm * np.exp(np.clip(log, -700.0, 700.0))
        return ohm


@dataclass(frozen=True, slots=True)
class Beta:
    """1/T = 1/T0 + ln(R/R0) / B with T in K: `ohm` at `at_degc`, `beta_k` in K.

    One constant over a wide range is several K off at its ends; a table or Steinhart-Hart is better where they exist.
    Source: definition of the B value (IEC 60539-1).
    """

    ohm: float
    at_degc: float
    beta_k: float
    range_degc: tuple[float, float] = (-40.0, 130.0)

    def __post_init__(self) -> None:
        require("beta", "ohm", self.ohm, self.ohm > 0.0, "must be over 0")
        require("beta", "beta_k", self.beta_k, self.beta_k > 0.0, "must be over 0 (K)")
        require("beta", "at_degc", self.at_degc, self.at_degc > -ZERO_DEGC_K, "must be over absolute zero")
        low, high = self.range_degc
        require("beta", "range_degc", self.range_degc, -ZERO_DEGC_K < low < high, "must rise")

    @classmethod
    def between(cls, first: tuple[float, float], second: tuple[float, float]) -> Beta:
        """The curve through two (ohm, degC) points, the first of which becomes the base."""
        (r0, t0), (r1, t1) = first, second
        beta = np.log(r0 / r1) / (1.0 / (t0 + ZERO_DEGC_K) - 1.0 / (t1 + ZERO_DEGC_K))
        return cls(r0, t0, float(beta))

    def degc(self, ohm: Floats) -> Floats:
        """Temperature in degC of a sensor of `ohm` (> 0)."""
        return 1.0 / (1.0 / (self.at_degc + ZERO_DEGC_K) + np.log(ohm / self.ohm) / self.beta_k) - ZERO_DEGC_K

    def ohms(self, degc: Floats) -> Floats:
        """Resistance in ohm at `degc`."""
        return self.ohm * np.exp(self.beta_k * (1.0 / (degc + ZERO_DEGC_K) - 1.0 / (self.at_degc + ZERO_DEGC_K)))


@dataclass(frozen=True, slots=True)
class NtcTable:
    """A sensor known by (degC, ohm) points, temperature rising and resistance falling strictly.

    Straight between the points in ln(R) against 1/T, which is how the material behaves: a straight line in ohm would
    be half a degree and more off in the middle of 10 K steps. Never beyond the points.
    """

    points: tuple[tuple[float, float], ...]

    def __post_init__(self) -> None:
        given = np.array(self.points, dtype=np.float64)
        enough = given.ndim == 2 and len(given) >= 2 and given.shape[1] == 2 and bool(np.isfinite(given).all())
        require("ntc table", "points", self.points, enough, "must be two or more (degC, ohm) pairs")
        rise = np.diff(given, axis=0)
        right = bool((rise[:, 0] > 0).all() and (rise[:, 1] < 0).all() and (given[:, 1] > 0).all())
        require("ntc table", "points", self.points, right, "degC must rise and ohm fall strictly, ohm over 0")

    @property
    def range_degc(self) -> tuple[float, float]:
        """First and last temperature."""
        return self.points[0][0], self.points[-1][0]

    def degc(self, ohm: Floats) -> Floats:
        """Temperature in degC of a sensor of `ohm`, the end's beyond an end."""
        log, inverse = self._sides()
        kelvin: Floats = 1.0 / np.interp(np.log(ohm), log[::-1], inverse[::-1])
        return kelvin - ZERO_DEGC_K

    def ohms(self, degc: Floats) -> Floats:
        """Resistance in ohm at `degc`, the end's beyond an end."""
        log, inverse = self._sides()
        return np.exp(np.interp(1.0 / (degc + ZERO_DEGC_K), inverse[::-1], log[::-1]))

    def _sides(self) -> tuple[Floats, Floats]:
        degc, ohm = np.array(self.points, dtype=np.float64).T
        return np.log(ohm), 1.0 / (degc + ZERO_DEGC_K)


Curve = SteinhartHart | Beta | NtcTable


@lru_cache(maxsize=64)
def _ends_ohm(curve: Curve) -> tuple[float, float]:
    """Resistances at the coldest and the hottest end."""
    cold, hot = curve.ohms(np.array(curve.range_degc))
    return float(cold), float(hot)


@dataclass(frozen=True, slots=True)
class NtcDivider:
    """An NTC sensor in a divider with a fixed resistor of `fixed_ohm`, the divider's supply measured beside it.

    `pull_up` True: the fixed resistor goes to the supply and the sensor to ground (the usual way); False: the
    sensor goes to the supply and the fixed resistor to ground. `rail_margin` is the share of the supply that cannot
    be resolved at either rail (converter and resistor errors); a fault zone takes at least that much, and `reach_degc`
    tells what is left of the curve. A fixed resistor far from the sensor's own resistance leaves little.

    What cannot be told: with `pull_up`, an open sensor from an open wire, and a short of the wire to the same
    supply reads as open circuit (a higher supply, such as the battery, reads as short to supply); without it, an open
    sensor from a wire shorted to ground. A coolant sensor that hangs dry reads a real, lower temperature.

    Raises: TransferError.
    """

    curve: Curve
    fixed_ohm: float
    pull_up: bool = True
    rail_margin: float = 0.005
    supply_range_v: tuple[float, float] = SUPPLY_RANGE_V

    unit: ClassVar[str] = "degC"
    reads: ClassVar[str] = "V"
    beside: ClassVar[Beside] = Beside.SUPPLY_V

    def __post_init__(self) -> None:
        require("ntc", "fixed_ohm", self.fixed_ohm, self.fixed_ohm > 0.0, "must be over 0")
        require("ntc", "rail_margin", self.rail_margin, 0.0 < self.rail_margin < 0.1, "must lie between 0 and 0.1")
        low, high = self.supply_range_v
        require("ntc", "supply_range_v", self.supply_range_v, 0.0 < low < high, "must be two rising voltages over 0")
        short, open_ = self.limits_ohm
        cold, hot = _ends_ohm(self.curve)
        require(
            "ntc", "fixed_ohm", self.fixed_ohm, short < open_ and short < cold and open_ > hot,
            "must leave some of the sensor's range between the rails",
        )  # fmt: skip

    @property
    def limits_ohm(self) -> tuple[float, float]:
        """Resistances of the sensor below which it is shorted and above which it is open."""
        cold, hot = _ends_ohm(self.curve)
        near = self.fixed_ohm * self.rail_margin / (1.0 - self.rail_margin)
        far = self.fixed_ohm * (1.0 - self.rail_margin) / self.rail_margin
        return max(hot / 2.0, near), min(cold * 2.0, far)

    @property
    def reach_degc(self) -> tuple[float, float]:
        """Lowest and highest temperature that can be told from a fault with this fixed resistor."""
        short, open_ = self.limits_ohm
        cold, hot = _ends_ohm(self.curve)
        coldest, hottest = self.curve.degc(np.array([min(open_, cold), max(short, hot)]))
        return float(coldest), float(hottest)

    def volts(self, degc: npt.ArrayLike, supply_v: npt.ArrayLike) -> Floats:
        """Volts that a whole sensor at `degc` gives: what a person wiring it up should measure."""
        t, supply = floats(degc, supply_v)
        ohm = self.curve.ohms(t)
        return supply * (ohm if self.pull_up else self.fixed_ohm) / (ohm + self.fixed_ohm)

    def ohms(self, volts: npt.ArrayLike, supply_v: npt.ArrayLike) -> Floats:
        """Resistance in ohm that `volts` tell: infinite for an open sensor, NaN beyond the rails or without supply."""
        v, supply = floats(volts, supply_v)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(supply > 0.0, v / supply, np.nan)
            part = share if self.pull_up else 1.0 - share
            return np.where((part >= 0.0) & (part <= 1.0), self.fixed_ohm * part / (1.0 - part), np.nan)

    def read(self, volts: npt.ArrayLike, beside: npt.ArrayLike) -> Reading:
        """degC from `volts` and the divider's supply in V measured `beside`."""
        v, supply = floats(volts, beside)
        share, powered = share_of(v, supply, self.supply_range_v)
        # The sensor's part of the divider: rises with its resistance whichever way round it is wired.
        part = share if self.pull_up else 1.0 - share
        short, open_ = (ohm / (ohm + self.fixed_ohm) for ohm in self.limits_ohm)
        shorted, opened = part < short, part > open_
        usable = ~(shorted | opened) & np.isfinite(part)
        safe = np.where(usable, part, 0.5)
        ohm = self.fixed_ohm * safe / (1.0 - safe)
        cold, hot = _ends_ohm(self.curve)
        beyond = (ohm > cold) | (ohm < hot)
        return graded(
            self.curve.degc(np.clip(ohm, hot, cold)),
            (~powered | ~np.isfinite(part), Quality.UNDECODABLE),
            (share > OVER_SUPPLY, Quality.SHORT_TO_SUPPLY),
            (shorted, Quality.SHORT_TO_GROUND if self.pull_up else Quality.SHORT_TO_SUPPLY),
            (opened, Quality.OPEN_CIRCUIT),
            (beyond, Quality.SATURATED),
        )


NTC_CURVES: dict[str, Curve] = {
    # The curve of many engine temperature sensors, 2.5 kohm at 20 degC. Source: from memory of the data sheet of
    # sensors 0 280 130 023/026/039; the digits agree with one third-party page, no data sheet was at hand.
    "ntc-2.5k-20c": NtcTable((
        (-40.0, 45313.0), (-30.0, 26114.0), (-20.0, 15462.0), (-10.0, 9397.0), (0.0, 5896.0), (10.0, 3792.0),
        (20.0, 2500.0), (30.0, 1707.0), (40.0, 1175.0), (50.0, 834.0), (60.0, 596.0), (70.0, 436.0), (80.0, 323.0),
        (90.0, 243.0), (100.0, 187.0), (110.0, 144.0), (120.0, 113.0), (130.0, 89.0),
    )),
    # 10 kohm at 25 degC, B(25/85) = 3977 K. Source: coefficients of the data sheet of NTCLE100E3103 as identical in
    # four public copies.
    "ntc-10k-3977": SteinhartHart(
        a=3.354016e-3, b=2.569850e-4, square=2.620131e-6, c=6.383091e-8, ohm=1e4, range_degc=(-40.0, 150.0)
    ),
}  # fmt: skip
"""Our own names for curves of facts."""
