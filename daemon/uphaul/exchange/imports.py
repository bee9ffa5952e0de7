"""Imports one file, whatever it is: finds out which kind it is of, and has it read, judged and entered."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from uphaul.config.spec import Config
from uphaul.errors import DriveFileError
from uphaul.exchange.capture import Capture, pick_source
from uphaul.exchange.capture_file import BUS_FORMATS, Batch, Reading, Rest
from uphaul.exchange.judged import Entered, Origin, enter_drive
from uphaul.exchange.tables import Columns, from_csv, table_blocks, tick_hz_of
from uphaul.log import schema

__all__ = ["Imported", "import_file", "read_ahead"]

SINCE_1970_S = 1e8
"""Time stamps below (the year 1973) count from the beginning of a measurement."""

CAPTURE_CSV = b"timestamp,arbitration_id,"
"""How python-can's captures in CSV begin."""

LATEST_S = 253_402_300_799.0
"""The end of the year 9999, beyond which there is no date."""


@dataclass(frozen=True, slots=True)
class Imported:
    """`what` was taken, in words; `notes` tell what was repaired, left out or missing."""

    entered: Entered
    what: str
    notes: tuple[str, ...]


@contextmanager
def read_ahead(path: Path) -> Iterator[Reading | None]:
    """Begin to read the file if it is a capture, while the caller is still busy with other things.

    Raises DriveFileError for a file that cannot be imported.
    """
    reading = Reading(path) if _kind(path) is _read_capture else None
    try:
        yield reading
    finally:
        if reading is not None:
            reading.close()


def import_file(
    path: Path,
    config: Config,
    log: Path,
    *,
    reading: Reading | None,
    sha256: str,
    imported: datetime,
    source: str | None = None,
    channel: str | None = None,
    tune: int | None = None,
    progress: Callable[[int], None] = lambda at: None,
) -> Imported:
    """Import the file as one drive.

    `reading` is what `read_ahead` gave for it; `sha256` is the file's, `imported` the time now; `source` and `channel`
    are for captures, `tune` is the number of the tune that was driven if it is known. `progress` is told the bytes
    read. Raises DriveFileError, LogError, and ConfigError where the DBC lacks what an input names.
    """
    size = path.stat().st_size

    def origin(begun_s: Callable[[], float | None]) -> Origin:
        return Origin(path.name, sha256, size, imported, lambda: _date(begun_s()))

    if reading is not None:
        capture = Capture(config, pick_source(config, source), channel=channel)
        report = capture.report
        blocks = capture.blocks(_told(reading.batches(), size, progress))
        entered = enter_drive(log, config, blocks, origin(lambda: capture.begun_s), tune=tune, remarks=report.lines)
        notes = [*report.lines(), *_tune_note(config, told=tune is not None or config.tune_input is not None)]
        return Imported(entered, f"{report.decoded} of {report.frames} frames read", tuple(notes))
    for option, value in (("--source", source), ("--channel", channel)):
        if value is not None:
            raise DriveFileError(f"{option} {value}: is for CAN captures, and {path.name} is none")
    columns = _kind(path)(path, config, progress)
    entered = enter_drive(
        log,
        config,
        table_blocks(path, columns, config),
        origin(lambda: columns.begun_s),
        computed=tuple(c for c in config.computed if c.signal.name not in columns.signals),
        tick_hz=tick_hz_of(columns.t_ms - columns.t_ms.min(initial=0), config),
        tune=tune,
        remarks=lambda: columns.notes,
    )
    notes = [*columns.notes, *_tune_note(config, told=tune is not None or columns.tune is not None)]
    return Imported(entered, f"{len(columns.signals)} signals taken", tuple(notes))


def _tune_note(config: Config, *, told: bool) -> list[str]:
    if told or len(config.tunes) < 2:
        return []
    return [f"nothing tells the tune, so the strictest limits apply; name it with --tune: {', '.join(config.tunes)}"]


_Reader = Callable[[Path, Config, Callable[[int], None]], Columns]


def _read_capture(path: Path, config: Config, progress: Callable[[int], None]) -> Columns:
    raise AssertionError("stands for captures, which have a way of their own")


def _told(batches: Iterable[Batch | Rest], size: int, progress: Callable[[int], None]) -> Iterator[Batch | Rest]:
    for batch in batches:
        yield batch
        progress(batch.at if isinstance(batch, Batch) else size)


def _date(begun_s: float | None) -> datetime | None:
    if begun_s is None or not SINCE_1970_S < begun_s < LATEST_S:
        return None
    return datetime.fromtimestamp(begun_s, UTC)


def _kind(path: Path) -> _Reader:
    """What reads the file. Raises DriveFileError for what nobody reads."""
    ending = path.suffix.lower()
    if ending == ".parquet":
        from uphaul.exchange.from_parquet import from_parquet

        return from_parquet
    if ending == ".mf4":
        from uphaul.exchange.from_mdf import from_mdf, is_bus_capture

        return _read_capture if is_bus_capture(path) else from_mdf
    if ending == ".csv":
        return _read_capture if _head(path).startswith(CAPTURE_CSV) else from_csv
    if ending in (".db", ".sqlite") and _head(path)[68:72] == schema.APPLICATION_ID.to_bytes(4, "big"):
        raise DriveFileError(f"{path}: is a log already: replay it as it is")
    if ending in BUS_FORMATS or (ending == ".gz" and Path(path.stem).suffix.lower() in BUS_FORMATS):
        return _read_capture
    known = ", ".join((*BUS_FORMATS, ".parquet"))
    raise DriveFileError(f"{path}: the ending must be one of {known}: it says what the file is")


def _head(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(100)
    except OSError as error:
        raise DriveFileError(f"{path}: {error.strerror or error}") from error
