"""What became of the frames of a capture: counted, named, and in words."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

__all__ = ["CaptureReport"]

SHOWN = 8
"""Names in one line at most."""


@dataclass(slots=True)
class CaptureReport:
    """Counts of frames, but for `undecodable` (readings by signal).

    `unknown` by id, `short` by message: too short for all their fields. `moved` came late, by `furthest_ms` at most.
    `channels` keeps the order in which they were seen, `silences` are (last frame, next frame) in ms of the drive.
    """

    frames: int = 0
    decoded: int = 0
    errors: int = 0
    remote: int = 0
    cut: int = 0
    moved: int = 0
    furthest_ms: float = 0.0
    elsewhere: int = 0
    other_senders: int = 0
    broken: int = 0
    unknown: Counter[str] = field(default_factory=Counter)
    short: Counter[str] = field(default_factory=Counter)
    undecodable: Counter[str] = field(default_factory=Counter)
    channels: dict[str, None] = field(default_factory=dict)
    silences: list[tuple[float, float]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def unknown_ids(self) -> str:
        """The commonest ids that nobody wants."""
        return _named(self.unknown) or "no other ids"

    def lines(self) -> list[str]:
        """What a person should know, in whole sentences without their full stops."""
        out = list(self.notes)
        if self.unknown:
            out.append(f"{_frames(self.unknown.total())} of ids that no input reads: {_named(self.unknown)}")
        if self.other_senders:
            out.append(f"{_frames(self.other_senders)} of senders that are not listened to (`source_addresses`)")
        if self.elsewhere:
            out.append(f"{_frames(self.elsewhere)} of other buses of the capture")
        if self.short:
            out.append(f"{_frames(self.short.total())} too short for all that is read from them: {_named(self.short)}")
        if self.undecodable.total():
            text = _named(+self.undecodable)
            out.append(f"{self.undecodable.total()} readings that cannot be decoded, taken as unknown: {text}")
        if self.cut:
            out.append(f"{_frames(self.cut)} with less data than they say, left out")
        if self.errors:
            out.append(f"{self.errors} error frames")
        if self.remote:
            out.append(f"{self.remote} remote frames, which carry no data")
        if self.broken:
            out.append(f"{self.broken} long messages or lists of trouble codes came to nothing")
        if self.moved:
            late = f"{self.furthest_ms:.3g} ms"
            out.append(f"{_frames(self.moved)} written late, by up to {late}: put in order of their time stamps")
        for quiet, again in self.silences[:SHOWN]:
            out.append(
                f"no frame for {(again - quiet) / 1000:.0f} s after {quiet / 1000:.1f} s: the drive has a gap there"
            )
        if len(self.silences) > SHOWN:
            out.append(f"{len(self.silences) - SHOWN} more such gaps")
        return out


def _frames(count: int) -> str:
    return f"{count} frame{'' if count == 1 else 's'}"


def _named(counter: Counter[str]) -> str:
    shown = ", ".join(f"{name} ({count})" for name, count in counter.most_common(SHOWN))
    more = len(counter) - SHOWN
    return f"{shown} and {more} more" if more > 0 else shown
