"""When a drive begins and when it is over, from one signal and a hold time."""

from __future__ import annotations

from enum import Enum

__all__ = ["DriveKeeper", "DriveStep"]


class DriveStep(Enum):
    """What a tick does to the drive."""

    PARKED = "parked"
    BEGIN = "begin"
    DRIVING = "driving"
    END = "end"


class DriveKeeper:
    """Decides at every tick. A drive begins at the first tick at which the value is above `above`.

    It ends at the first tick at which it has not been so (or not known) for `hold_ms`, so a stalled engine or a lost
    wire does not cut a drive in two. With `always` there is one drive, without an end.
    """

    def __init__(self, above: float, hold_ms: int, *, always: bool = False) -> None:
        self._above = above
        self._hold_ms = hold_ms
        self._always = always
        self._on_ms: int | None = None

    def resume(self, t_ms: int) -> None:
        """A drive is under way that was last seen at `t_ms` on the ticks' clock."""
        self._on_ms = t_ms

    def step(self, t_ms: int, value: float) -> DriveStep:
        """Take in the value (NaN when unknown) at the tick `t_ms`."""
        on = self._always or value > self._above
        was = self._on_ms
        if on:
            self._on_ms = t_ms
        if was is None:
            return DriveStep.BEGIN if on else DriveStep.PARKED
        if not on and t_ms - was >= self._hold_ms:
            self._on_ms = None
            return DriveStep.END
        return DriveStep.DRIVING
