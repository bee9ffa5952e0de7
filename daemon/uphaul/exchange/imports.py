"""Imports one file, whatever it is: finds out which kind it is of, and has it read, judged and entered."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from uphaul.config.spec import Config
from uphaul.errors import DriveFileError
from uphaul.exchange.capture import Capture, pick_source
from uphaul.exchange.capture_file import BUS_FORMATS, Batch, Rest, capture_batches
from uphaul.exchange.judged import Entered, Origin, enter_drive

__all__ = ["Imported", "import_file"]

SINCE_1970_S = 1e8
"""Time stamps below (the year 1973) count from the beginning of a measurement."""

LATEST_S = 253_402_300_799.0
"""The end of the year 9999, beyond which there is no date."""


@dataclass(frozen=True, slots=True)
class Imported:
    """`what` was taken, in words; `notes` tell what was repaired, left out or missing."""

    entered: Entered
    what: str
    notes: tuple[str, ...]


def import_file(
    path: Path,
    config: Config,
    log: Path,
    *,
    sha256: str,
    imported: datetime,
    source: str | None = None,
    channel: str | None = None,
    tune: int | None = None,
    progress: Callable[[int], None] = lambda at: None,
) -> Imported:
    """Import the file as one drive.

    `sha256` is the file's, `imported` the time now; `source` and `channel` are for captures, `tune` is the number of
    the tune that was driven if it is known. `progress` is told the bytes read. Raises DriveFileError, LogError, and
    ConfigError where the DBC lacks what an input names.
    """
    kind = _kind(path)
    size = path.stat().st_size
    if kind == "capture":
        spec = pick_source(config, source)
        capture = Capture(config, spec, channel=channel)

        def begun() -> datetime | None:
            return _date(capture.begun_s)

        origin = Origin(path.name, sha256, size, imported, begun)
        entered = enter_drive(
            log,
            config,
            capture.blocks(_told(capture_batches(path), progress)),
            origin,
            tune=tune,
            remarks=capture.report.lines,
        )
        report = capture.report
        return Imported(entered, f"{report.decoded} of {report.frames} frames read", tuple(report.lines()))
    raise DriveFileError(f"{path}: not a file that can be imported; captures end in {', '.join(BUS_FORMATS)}")


def _told(batches: Iterable[Batch | Rest], progress: Callable[[int], None]) -> Iterator[Batch | Rest]:
    for batch in batches:
        yield batch
        if isinstance(batch, Batch):
            progress(batch.at)


def _date(begun_s: float | None) -> datetime | None:
    if begun_s is None or not SINCE_1970_S < begun_s < LATEST_S:
        return None
    return datetime.fromtimestamp(begun_s, UTC)


def _kind(path: Path) -> str:
    return "capture"
