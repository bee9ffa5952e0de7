"""Writes a drive as MDF4: a group with a channel a signal, and groups of texts for events and the steps of alerts.

A channel has its signal's unit, and its meaning as comment. Where a value is unknown the sample is NaN and marked
invalid. `tune` is a number with its names as conversion. Loads asammdf (extra `workshop`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from uphaul.errors import UphaulError
from uphaul.exchange.outgoing import Outgoing, event_words
from uphaul.signals import NO_TUNE, Event

__all__ = ["OURS", "write_mdf"]

OURS = "Uphaul drive: "
"""How the comments of all groups begin."""

DEFLATE: Final = 2
"""asammdf's number for transposed and deflated data blocks."""


def write_mdf(drive: Outgoing, path: Path, progress: Callable[[int], None]) -> None:
    """Write the drive; `progress` is told the t_ms that is done. Raises OSError, UphaulError without asammdf."""
    try:
        from asammdf import MDF, Signal
    except ImportError as error:
        raise UphaulError("MDF4 needs asammdf: pip install 'uphaul[workshop]'") from error
    times, values, tunes = [], [], []
    events: list[Event] = []
    for piece in drive.pieces():
        times.append(piece.t_ms)
        values.append(piece.values)
        tunes.append(piece.tune)
        events += piece.events
        progress(int(piece.t_ms[-1]))
    t_s = np.concatenate(times) / 1000.0
    table = np.concatenate(values)
    made: list[Any] = [
        Signal(
            samples=np.ascontiguousarray(table[:, i]),
            timestamps=t_s,
            name=s.name,
            unit=s.unit,
            comment=s.meaning,
            invalidation_bits=np.isnan(table[:, i]),
        )
        for i, s in enumerate(drive.signals)
    ]
    if drive.tunes:
        names = {f"text_{i}": name.encode() for i, name in enumerate((*drive.tunes, "unknown"))}
        numbers = {f"val_{i}": n for i, n in enumerate((*range(len(drive.tunes)), NO_TUNE))}
        made.append(
            Signal(
                samples=np.concatenate(tunes).astype(np.int16),
                timestamps=t_s,
                name="tune",
                conversion={**numbers, **names, "default": b""},
                invalidation_bits=np.concatenate(tunes) == NO_TUNE,
            )
        )
    with MDF(version="4.10") as mdf:
        # asammdf would write the time of now; 1970 stands for unknown.
        begun = "1970-01-01T00:00:00+00:00" if drive.begun is None else drive.begun
        mdf.header.start_time = datetime.fromisoformat(begun).astimezone(UTC)
        mdf.append(made, comment=f"{OURS}ticks", common_timebase=True)
        _texts(mdf, Signal, "event", [(e.t_ms, event_words(e)) for e in events])
        steps = [
            (t.t_ms, f"{t.rule}: {t.source.value} to {t.target.value} at {t.value:g}, limit {t.limit:g}")
            for t in drive.log.transitions(drive.number)
        ]
        _texts(mdf, Signal, "alert", steps)
        mdf.save(path, overwrite=True, compression=DEFLATE)


def _texts(mdf: Any, signal: Any, name: str, lines: Sequence[tuple[int, str]]) -> None:
    """A group of one channel of texts."""
    if not lines:
        return
    samples = np.array([text.encode() for _, text in lines], dtype=np.bytes_)
    t_s = np.array([t_ms for t_ms, _ in lines]) / 1000.0
    mdf.append([signal(samples=samples, timestamps=t_s, name=name, encoding="utf-8")], comment=f"{OURS}{name}s")
