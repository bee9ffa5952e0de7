"""Reads a drive from MDF4: the channels that the configuration knows by name, in their units.

Channels of one group share their times, which are the drive's ticks. Channels of several groups each have their own:
their samples go through the tick collector, as those of sources do. Loads asammdf (extra `workshop`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import ceil
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from uphaul import units
from uphaul.config.spec import Config
from uphaul.errors import DriveFileError, UphaulError
from uphaul.exchange.tables import Column, Columns
from uphaul.exchange.to_mdf import OURS
from uphaul.signals import NO_TUNE, Quality, Signal
from uphaul.signals.collect_blocks import BlockCollector, Samples

__all__ = ["from_mdf", "is_bus_capture"]

LARGEST_S = 1e9
BUS_EVENT = 1 << 1
"""Flag of a channel group that logs a bus. Source: ASAM MDF 4.1, as in asammdf's `FLAG_CG_BUS_EVENT`."""


def _open(path: Path) -> Any:
    try:
        from asammdf import MDF
    except ImportError as error:
        raise UphaulError("MDF4 needs asammdf: pip install 'uphaul[workshop]'") from error
    try:
        return MDF(str(path))
    except Exception as error:  # it fails in ways of its own
        raise DriveFileError(f"{path}: no MDF file that can be read ({type(error).__name__}: {error})") from error


def is_bus_capture(path: Path) -> bool:
    """Whether the file logs a bus, not signals. Raises DriveFileError, UphaulError without asammdf."""
    with _open(path) as mdf:
        return any(getattr(g.channel_group, "flags", 0) & BUS_EVENT for g in mdf.groups)


def from_mdf(path: Path, config: Config, progress: Callable[[int], None]) -> Columns:
    """The drive; `progress` is told the bytes read.

    Raises DriveFileError naming file and channel, UphaulError without asammdf.
    """
    known = {s.name: s for s in config.signals}
    with _open(path) as mdf:
        try:
            places = {name: list(found) for name, found in mdf.channels_db.items()}
            masters = {(g, m) for g, m in mdf.masters_db.items()}
            ours = {g for g, group in enumerate(mdf.groups) if str(group.channel_group.comment).startswith(OURS)}
            begun_s = mdf.header.start_time.timestamp()
            wanted = {name: _place(path, name, found) for name, found in places.items() if name in known}
            tune = places.get("tune", [])
            channels = {name: mdf.get(name, group=g, index=i) for name, (g, i) in wanted.items()}
            tunes = mdf.get("tune", group=tune[0][0], index=tune[0][1]) if len(tune) == 1 else None
            groups = {g for g, _ in wanted.values()}
            master = np.asarray(mdf.get_master(min(groups)), dtype=np.float64) if len(groups) == 1 else None
        except (UphaulError, OSError):
            raise
        except Exception as error:
            raise DriveFileError(f"{path}: cannot be read ({type(error).__name__}: {error})") from error
    progress(path.stat().st_size)
    texts = {name for name in ("event", "alert") if {g for g, _ in places.get(name, [])} <= ours}
    other = [n for n, at in places.items() if n not in {*known, *texts, "tune"} and not set(at) <= masters]
    out = Columns(np.empty(0, np.int64), {}, begun_s=begun_s, other=other)
    if not channels:
        out.t_ms = np.zeros(1, dtype=np.int64)
        return out
    if master is not None:
        name = next(iter(channels))
        out.t_ms = _ticks(path, name, _times(path, name, master))
        out.signals = {name: Column(_unit(path, c), _placed(path, c, out.t_ms)) for name, c in channels.items()}
    else:
        _collect(path, channels, known, config, out)
    if tunes is not None:
        _tune(path, tunes, out, exact=master is not None and tune[0][0] in groups)
    return out


def _place(path: Path, name: str, found: Sequence[tuple[int, int]]) -> tuple[int, int]:
    if len(found) > 1:
        groups = ", ".join(str(g) for g, _ in found)
        raise DriveFileError(
            f"{path}: channel {name!r} is there {len(found)} times (groups {groups}): which one counts?"
        )
    return found[0]


def _unit(path: Path, channel: Any) -> str:
    if units.find(channel.unit) is None:
        raise DriveFileError(f"{path}: channel {channel.name!r}: no unit {channel.unit!r} is known")
    return units.canonical(channel.unit)


def _times(path: Path, name: str, timestamps: Any) -> npt.NDArray[np.float64]:
    """Time stamps in s as ms. Raises DriveFileError when they go back."""
    t_ms = np.round(np.asarray(timestamps, dtype=np.float64) * 1000.0, 3)
    if not np.isfinite(t_ms).all() or (len(t_ms) and float(np.abs(t_ms).max()) > LARGEST_S * 1000.0):
        raise DriveFileError(f"{path}: channel {name!r}: not every sample has a time that can be")
    back = np.flatnonzero(np.diff(t_ms) < 0)
    if len(back):
        at = int(back[0]) + 1
        raise DriveFileError(
            f"{path}: channel {name!r}: the time of sample {at + 1} goes back, from {t_ms[at - 1] / 1000:g} s "
            f"to {t_ms[at] / 1000:g} s"
        )
    return t_ms


def _ticks(path: Path, name: str, times: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    t_ms = np.rint(times).astype(np.int64)
    twice = np.flatnonzero(np.diff(t_ms) <= 0)
    if len(twice):
        raise DriveFileError(
            f"{path}: channel {name!r}: samples {int(twice[0]) + 1} and {int(twice[0]) + 2} fall on one millisecond"
        )
    return t_ms


def _values(path: Path, channel: Any) -> npt.NDArray[np.float64]:
    """The samples that the file does not mark as invalid: asammdf leaves those out."""
    samples = np.asarray(channel.samples)
    if samples.dtype.kind not in "fiub" or samples.ndim != 1:
        raise DriveFileError(f"{path}: channel {channel.name!r} holds no numbers")
    return samples.astype(np.float64)


def _placed(path: Path, channel: Any, t_ms: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    """The samples at their ticks, NaN where they are invalid."""
    values = np.full(len(t_ms), np.nan)
    at = np.rint(_times(path, channel.name, channel.timestamps)).astype(np.int64)
    values[np.searchsorted(t_ms, at)] = _values(path, channel)
    return values


def _collect(path: Path, channels: dict[str, Any], known: dict[str, Signal], config: Config, out: Columns) -> None:
    """Bring channels with times of their own onto the grid of ticks."""
    grid_ms = 1000 // config.tick_hz
    signals = tuple(replace(known[name], computed=False) for name in channels)
    collector = BlockCollector(signals)
    ends = []
    for i, (signal, channel) in enumerate(zip(signals, channels.values(), strict=True)):
        unit = _unit(path, channel)
        if not units.compatible(unit, signal.unit):
            raise DriveFileError(
                f"{path}: {channel.name!r} is in {unit!r}, which cannot be converted to {signal.unit!r}"
            )
        times, values = (
            _times(path, channel.name, channel.timestamps),
            units.convert(_values(path, channel), unit, signal.unit),
        )
        if len(times):
            ends += [float(times[0]), float(times[-1])]
        quality = np.where(np.isnan(values), np.int8(Quality.UNDECODABLE), np.int8(Quality.GOOD))
        collector.add(i, Samples(times, values, quality))
    if not ends:
        return
    first, last = ceil(min(ends) / grid_ms) * grid_ms, ceil(max(ends) / grid_ms) * grid_ms
    out.t_ms = np.arange(first, last + 1, grid_ms, dtype=np.int64)
    block = collector.collect(out.t_ms)
    state = np.zeros(block.values.shape, dtype=np.int8)
    for change in block.quality:
        state[(change.t_ms - first) // grid_ms :, change.signal] = change.quality
    out.signals = {s.name: Column(s.unit, block.values[:, i], state[:, i]) for i, s in enumerate(signals)}
    out.notes.append("its channels have times of their own; they were brought onto the grid of ticks as from sources")


def _tune(path: Path, channel: Any, out: Columns, *, exact: bool) -> None:
    """The tune by its name: at the ticks that it is told at if these are its times too, else the last one told."""
    samples = np.asarray(channel.samples)
    if samples.dtype.kind not in "SU" or not len(samples):
        return
    words = [w.decode("utf-8", "replace") if isinstance(w, bytes) else str(w) for w in samples.tolist()]
    out.tunes = list(dict.fromkeys(w for w in words if w))
    numbers = {name: i for i, name in enumerate(out.tunes)}
    told = np.array([*(numbers.get(w, NO_TUNE) for w in words), NO_TUNE], dtype=np.int16)
    times = _times(path, channel.name, channel.timestamps)
    if exact:
        out.tune = np.full(len(out.t_ms), NO_TUNE, dtype=np.int16)
        out.tune[np.searchsorted(out.t_ms, np.rint(times).astype(np.int64))] = told[:-1]
    else:
        out.tune = told[np.searchsorted(times, out.t_ms, side="right") - 1]
