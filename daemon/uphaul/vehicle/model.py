"""The tunes of a vehicle and what each is expected to do."""

from __future__ import annotations

from dataclasses import dataclass

from uphaul.errors import UphaulError

__all__ = ["Expected", "Tune", "Vehicle"]


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
class Tune:
    """One named calibration."""

    name: str
    title: str = ""
    expected: tuple[Expected, ...] = ()


@dataclass(frozen=True, slots=True)
class Vehicle:
    """What the build sheet says so far: a name for people, and the tunes in their order (their numbers in the log)."""

    name: str = ""
    tunes: tuple[Tune, ...] = ()
