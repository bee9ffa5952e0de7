"""What happens on a drive of the invented vehicle: road, weather, driver's plan, tunes and faults, read from TOML text.

Every fault in a file is reported at once, each with its key path, what stands there and what would be right. The keys
are described in the README beside the scenario files.
"""

from __future__ import annotations

import difflib
import tomllib
from bisect import bisect_right
from dataclasses import dataclass, field

from uphaul.demo.channels import CHANNELS
from uphaul.demo.engine import TUNES
from uphaul.errors import ConfigError, Problem

__all__ = ["FAULT_KINDS", "Fault", "Leg", "Scenario", "parse_scenario"]

FAULT_KINDS = {
    "charge-cooler": "share of the charge cooler's surface lost",
    "boost-leak": "hole after the compressor, mm2",
    "clutch": "share of the clutch's torque lost",
    "fan": "share of the cooling fan's drive lost",
    "overboost": "how far the wastegate sticks shut, 1 wholly",
    "oil-pump": "share of the oil pump's flow lost",
    "thermostat": "how far it sticks open at least, 1 wholly",
    "headwind": "wind against the vehicle, m/s",
    "intake": "pressure lost before the compressor beyond the usual, kPa at 0.2 kg/s of air",
    "trailer-brakes": "force that the trailer's brakes drag with, N",
    "open-circuit": "unused",
    "dropout": "share of the time without a reading",
    "offset": "by how much it reads high, in the channel's unit",
}
"""Kinds of fault and what `amount` means for each."""

TUNE_NUMBERS = {t.name: i for i, t in enumerate(TUNES)}


@dataclass(frozen=True, slots=True)
class Leg:
    """From `from_m` of the road or `from_s` of the time on: hold `speed_m_s`, in `top_gear` at most.

    A leg by distance begins when it is reached. Of several that have begun the last in the file counts. With
    `full_load_gear` the driver floors it in that gear until the speed is reached.
    """

    speed_m_s: float
    from_m: float | None = None
    from_s: float | None = None
    top_gear: int = 5
    full_load_gear: int = 0


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that breaks: full size `ramp_s` after `from_s`, gone after `until_s`."""

    kind: str
    from_s: float
    until_s: float = float("inf")
    ramp_s: float = 0.0
    amount: float = 1.0
    channel: str = ""

    def size(self, t_s: float) -> float:
        """The amount at this time."""
        if t_s < self.from_s or t_s >= self.until_s:
            return 0.0
        if self.ramp_s > 0.0:
            return self.amount * min((t_s - self.from_s) / self.ramp_s, 1.0)
        return self.amount


@dataclass(frozen=True, slots=True)
class Scenario:
    """One drive. `road` holds distances and heights in m, strictly increasing; beyond its end the road is level.

    `key_on_s`, `crank_s` and `key_off_s` count only for a drive that begins standing with the engine off.
    `ambient_degc` is the outside air at the road's beginning; it falls 6.5 degC a kilometre.
    """

    name: str
    title: str
    duration_s: float
    seed: int
    road_m: tuple[float, ...]
    road_altitude_m: tuple[float, ...]
    legs: tuple[Leg, ...]
    ambient_degc: float = 20.0
    sea_level_kpa: float = 101.325
    wind_m_s: float = 0.0
    gust_m_s: float = 0.6
    warm: bool = True
    rolling: bool = True
    key_on_s: float = 0.0
    crank_s: float = 0.0
    key_off_s: float = float("inf")
    tunes: tuple[tuple[float, int], ...] = ((0.0, 0),)
    faults: tuple[Fault, ...] = field(default=())

    def tune_at(self, t_s: float) -> int:
        """Number of the tune in use."""
        return [n for at, n in self.tunes if at <= t_s or at == self.tunes[0][0]][-1]

    def altitude_m(self, distance_m: float) -> float:
        """Height of the road, straight between the points."""
        return self.road_at(distance_m)[0]

    def grade(self, distance_m: float) -> float:
        """Rise over run of the road here."""
        return self.road_at(distance_m)[1]

    def road_at(self, distance_m: float) -> tuple[float, float]:
        """Height in m and rise over run."""
        x, y = self.road_m, self.road_altitude_m
        i = bisect_right(x, distance_m)
        if i == 0:
            return y[0], 0.0
        if i == len(x):
            return y[-1], 0.0
        slope = (y[i] - y[i - 1]) / (x[i] - x[i - 1])
        return y[i - 1] + slope * (distance_m - x[i - 1]), slope


_MISSING = object()


class _Table:
    """Takes keys out of a table, noting what is wrong; `done` reports what nobody took."""

    def __init__(self, file: str, path: str, data: object, problems: list[Problem]) -> None:
        self.file, self.path, self.problems = file, path, problems
        self.known: list[str] = []
        self.data: dict[str, object] = {}
        if isinstance(data, dict):
            self.data = dict(data)
        else:
            self.wrong("", data, "must be a table")

    def wrong(self, key: str, value: object, allowed: str, nearest: str | None = None) -> None:
        dotted = ".".join(p for p in (self.path, key) if p)
        self.problems.append(Problem(self.file, dotted, value, allowed, nearest))

    def take(self, key: str) -> object:
        self.known.append(key)
        return self.data.pop(key, _MISSING)

    def number(self, key: str, default: float | None, low: float, high: float, unit: str) -> float:
        value = self.take(key)
        allowed = f"must be a number from {low:g} to {high:g}" + (f" ({unit})" if unit else "")
        if value is _MISSING:
            if default is None:
                self.wrong(key, None, f"is missing; {allowed}")
                return low
            return default
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            self.wrong(key, value, allowed)
            return low if default is None else default
        return float(value)

    def whole(self, key: str, default: int, low: int, high: int) -> int:
        value = self.take(key)
        if value is _MISSING:
            return default
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            self.wrong(key, value, f"must be a whole number from {low} to {high}")
            return default
        return value

    def text(self, key: str, default: str | None, choices: tuple[str, ...] = ()) -> str:
        value = self.take(key)
        allowed = "must be one of " + ", ".join(choices) if choices else "must be a text"
        if value is _MISSING:
            if default is None:
                self.wrong(key, None, f"is missing; {allowed}")
            return default or ""
        if not isinstance(value, str) or (choices and value not in choices):
            near = difflib.get_close_matches(str(value), choices, 1)
            self.wrong(key, value, allowed, near[0] if near else None)
            return default or ""
        return value

    def table(self, key: str) -> _Table:
        value = self.take(key)
        return _Table(self.file, key, {} if value is _MISSING else value, self.problems)

    def tables(self, key: str) -> list[_Table]:
        value = self.take(key)
        if value is _MISSING:
            return []
        if not isinstance(value, list):
            self.wrong(key, value, f"must be tables, each headed [[{key}]]")
            return []
        return [_Table(self.file, f"{key}[{i}]", row, self.problems) for i, row in enumerate(value)]

    def done(self) -> None:
        for key, value in self.data.items():
            near = difflib.get_close_matches(key, self.known, 1)
            self.wrong(key, value, "is not a key of this table; known are " + ", ".join(self.known), *near[:1])


def parse_scenario(text: str, *, name: str, file: str) -> Scenario:
    """The scenario in `text`. `name` is what people call it, `file` what errors call it.

    Raises ConfigError with every problem found.
    """
    problems: list[Problem] = []
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([Problem(file, "(whole file)", None, f"is not TOML: {error}")]) from None
    top = _Table(file, "", data, problems)
    title = top.text("title", None)
    duration_s = top.number("duration_s", None, 1.0, 86_400.0, "s")
    seed = top.whole("seed", 1, 0, 2**32 - 1)
    start, weather, road = top.table("start"), top.table("weather"), top.table("road")
    warm = start.text("engine", "warm", ("cold", "warm")) == "warm"
    rolling = start.text("as", "rolling", ("rolling", "standing")) == "rolling"
    key_on_s = start.number("key_on_s", 0.0, 0.0, 86_400.0, "s")
    crank_s = start.number("crank_s", key_on_s + 4.0, 0.0, 86_400.0, "s")
    key_off_s = start.number("key_off_s", float("inf"), 0.0, 86_400.0, "s")
    if not key_on_s <= crank_s < key_off_s:
        start.wrong("crank_s", crank_s, "must not come before key_on_s nor after key_off_s")
    ambient_degc = weather.number("ambient_degc", 20.0, -30.0, 50.0, "degC")
    sea_level_kpa = weather.number("sea_level_kpa", 101.325, 95.0, 106.0, "kPa")
    wind_m_s = weather.number("wind_m_s", 0.0, -20.0, 20.0, "m/s, positive against the vehicle")
    gust_m_s = weather.number("gust_m_s", 0.6, 0.0, 5.0, "m/s")
    road_m, heights = _road(road)
    legs = tuple(_leg(t) for t in top.tables("drive"))
    if not legs:
        top.wrong("drive", None, "is missing; at least one [[drive]] with speed_km_h")
    elif legs[0].from_s is None and (legs[0].from_m is None or legs[0].from_m > 0.0):
        top.wrong("drive[0].from_s", None, "must be 0 for the first part of the plan (or from_m = 0)")
    tunes = tuple(_tune(t) for t in top.tables("tune")) or ((0.0, 0),)
    faults = tuple(_fault(t) for t in top.tables("fault"))
    for table in (top, start, weather, road):
        table.done()
    if problems:
        raise ConfigError(problems)
    return Scenario(
        name=name,
        title=title,
        duration_s=duration_s,
        seed=seed,
        road_m=road_m,
        road_altitude_m=heights,
        legs=legs,
        ambient_degc=ambient_degc,
        sea_level_kpa=sea_level_kpa,
        wind_m_s=wind_m_s,
        gust_m_s=gust_m_s,
        warm=warm,
        rolling=rolling,
        key_on_s=key_on_s,
        crank_s=crank_s,
        key_off_s=key_off_s,
        tunes=tunes,
        faults=faults,
    )


def _road(table: _Table) -> tuple[tuple[float, ...], tuple[float, ...]]:
    allowed = "must be pairs of distance and height in m, distances increasing, slopes of at most 20 %"
    value = table.take("points")
    if value is _MISSING:
        table.wrong("points", None, f"is missing; {allowed}")
        return (0.0,), (0.0,)
    points: list[tuple[float, float]] = []
    for i, row in enumerate(value if isinstance(value, list) else []):
        fits = isinstance(row, list) and len(row) == 2
        if not fits or any(isinstance(v, bool) or not isinstance(v, int | float) for v in row):
            table.wrong(f"points[{i}]", row, allowed)
            continue
        far, high = float(row[0]), float(row[1])
        steep = points and not (far > points[-1][0] and abs(high - points[-1][1]) <= 0.2 * (far - points[-1][0]))
        if steep or not -400.0 <= high <= 5000.0:
            table.wrong(f"points[{i}]", row, allowed)
            continue
        points.append((far, high))
    if not points:
        if value == [] or not isinstance(value, list):
            table.wrong("points", value, allowed)
        return (0.0,), (0.0,)
    return tuple(p[0] for p in points), tuple(p[1] for p in points)


def _leg(table: _Table) -> Leg:
    speed = table.number("speed_km_h", None, 0.0, 130.0, "km/h") / 3.6
    top_gear = table.whole("top_gear", 5, 1, 5)
    full_load_gear = table.whole("full_load_gear", 0, 0, 5)
    from_m = table.number("from_m", -1.0, 0.0, 1e6, "m")
    from_s = table.number("from_s", -1.0, 0.0, 86_400.0, "s")
    if (from_m < 0.0) == (from_s < 0.0):
        table.wrong("from_m", None, "each part of the plan begins at from_m or at from_s, one of the two")
    table.done()
    return Leg(speed, from_m if from_m >= 0.0 else None, from_s if from_s >= 0.0 else None, top_gear, full_load_gear)


def _tune(table: _Table) -> tuple[float, int]:
    at = table.number("from_s", 0.0, 0.0, 86_400.0, "s")
    name = table.text("name", None, tuple(TUNE_NUMBERS))
    table.done()
    return at, TUNE_NUMBERS.get(name, 0)


def _fault(table: _Table) -> Fault:
    kind = table.text("kind", None, tuple(FAULT_KINDS))
    from_s = table.number("from_s", 0.0, 0.0, 86_400.0, "s")
    until_s = table.number("until_s", float("inf"), 0.0, 86_400.0, "s")
    ramp_s = table.number("ramp_s", 0.0, 0.0, 86_400.0, "s")
    most = {"boost-leak": 2000.0, "headwind": 25.0, "intake": 60.0, "trailer-brakes": 5000.0, "offset": 100.0}.get(
        kind, 1.0
    )
    amount = table.number("amount", 1.0, 0.0, most, FAULT_KINDS.get(kind, ""))
    channel = ""
    if kind in ("open-circuit", "dropout", "offset"):
        channel = table.text("channel", None, tuple(CHANNELS))
    if until_s <= from_s:
        table.wrong("until_s", until_s, "must come after from_s")
    table.done()
    return Fault(kind, from_s, until_s, ramp_s, amount, channel)
