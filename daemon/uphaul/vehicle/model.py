"""A vehicle: its tunes, what each is to reach and expected to do, and its build sheet."""

from __future__ import annotations

from dataclasses import dataclass, field

from uphaul.errors import UphaulError
from uphaul.vehicle.sheet import BuildSheet

__all__ = ["Dyno", "Expected", "Targets", "Tune", "Vehicle"]


@dataclass(frozen=True, slots=True)
class Expected:
    """The expected course of one signal over another under a tune; knots strictly increasing in `x`."""

    signal: str
    over: str
    x: tuple[float, ...]
    y: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.x) != len(self.y) or not self.x:
            raise UphaulError(f"expected curve of {self.signal}: as many x as y, at least one")


@dataclass(frozen=True, slots=True)
class Targets:
    """What a tune is to reach: most power and torque at the crankshaft, lambda at full load. None: not said."""

    power_kw: float | None = None
    torque_nm: float | None = None
    mixture: float | None = None


@dataclass(frozen=True, slots=True)
class Dyno:
    """A dynamometer run of one tune, at the crankshaft, by increasing engine speed.

    `at_wheels` tells that it was measured at the wheels and brought to the crankshaft by the driveline's efficiency.
    """

    file: str
    rpm: tuple[float, ...]
    power_kw: tuple[float, ...]
    torque_nm: tuple[float, ...]
    at_wheels: bool


@dataclass(frozen=True, slots=True)
class Tune:
    """One named calibration."""

    name: str
    title: str = ""
    expected: tuple[Expected, ...] = ()
    targets: Targets = field(default_factory=Targets)
    dyno: Dyno | None = None


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A name for people, the tunes in their order (their numbers in the log), and what the vehicle is made of."""

    name: str = ""
    tunes: tuple[Tune, ...] = ()
    sheet: BuildSheet = field(default_factory=BuildSheet)
