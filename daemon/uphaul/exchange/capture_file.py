"""Reads a CAN capture of any format that python-can knows into batches of arrays, in a process of its own.

Theory of operation. python-can reads frame by frame, which takes longer than everything that is done with the frames
afterwards. So a second process only reads, and sends batches through a pipe; a thread of ours takes them out ahead of
the caller, a few at most. The second process is a new one (not forked): it alone may load what python-can needs for
MDF4. It ends with a `Rest`: what could not be read. What was read before that is good.

python-can is lenient where a number could come out wrong: it takes a text's last line as it is, cut or not, and a frame
whose data is shorter than it says. Such frames are marked here and left out by whoever counts them.
"""

from __future__ import annotations

import gc
import logging
import multiprocessing
import queue
import signal
import threading
from collections.abc import Iterable, Iterator
from contextlib import nullcontext, suppress
from dataclasses import dataclass
from itertools import islice
from multiprocessing.connection import Connection
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from uphaul.config.lean import without_mdf
from uphaul.errors import DriveFileError

if TYPE_CHECKING:
    from can import Message

__all__ = [
    "BUS_FORMATS",
    "CUT",
    "ERROR",
    "EXTENDED",
    "ID",
    "REMOTE",
    "Batch",
    "Reading",
    "Rest",
    "read_batches",
]

BUS_FORMATS = (".asc", ".blf", ".csv", ".db", ".log", ".mf4", ".trc")
"""Endings of the formats; text ones may be packed as ``.gz``."""

EXTENDED, ERROR, REMOTE, CUT = 1 << 31, 1 << 30, 1 << 29, 1 << 32
"""Bits of `Batch.key` above the frame id: a 29-bit id, an error frame, a remote frame, data shorter than it says."""
ID = (1 << 29) - 1

FRAMES = 16_384
"""Frames in a batch: few enough to stay in the processor's cache until they are taken apart."""

AHEAD = 8
"""Batches that wait at most."""

TEXTS = (".asc", ".csv", ".log", ".trc")
ONE_LINE = 160
LONGEST_CLASSIC = 8


_Opened = tuple[Any, "Iterator[Message]", list[str]]
"""A reader of python-can, its frames, and what to say about the file."""


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """n frames in the order of the file: times in s (n,), ids with their flags (n,), lengths (n,), all data joined.

    `channel` (n,) counts through `channels`, the names of the buses as of this batch. `at` is where in the file the
    reader stands, in bytes.
    """

    t_s: npt.NDArray[np.float64]
    key: npt.NDArray[np.int64]
    length: npt.NDArray[np.int64]
    data: bytes
    channel: npt.NDArray[np.int64]
    channels: tuple[str, ...]
    at: int

    def __len__(self) -> int:
        return len(self.t_s)


@dataclass(frozen=True, slots=True)
class Rest:
    """The end of a file: `notes` tell what in it could not be read, `error` why not a single frame could."""

    notes: tuple[str, ...] = ()
    error: str = ""


class Reading:
    """A capture that is being read by another process, from the moment this is made. Close it when done."""

    def __init__(self, path: Path) -> None:
        self._path = path
        context = multiprocessing.get_context("spawn")
        self._ours, theirs = context.Pipe(duplex=False)
        self._process = context.Process(target=_send, args=(str(path), theirs), daemon=True)
        self._process.start()
        theirs.close()
        self._waiting: queue.Queue[Batch | Rest] = queue.Queue(AHEAD)
        self._over = threading.Event()
        self._thread = threading.Thread(
            target=_receive, args=(self._ours, self._waiting, self._over), name="capture", daemon=True
        )
        self._thread.start()

    def batches(self) -> Iterator[Batch | Rest]:
        """The frames and, last, a `Rest`. Raises DriveFileError when nothing in the file can be read."""
        while True:
            item = self._waiting.get()
            if isinstance(item, Rest) and item.error:
                raise DriveFileError(f"{self._path}: {item.error}")
            yield item
            if isinstance(item, Rest):
                return

    def close(self) -> None:
        """End the other process, whether it is done or not."""
        self._over.set()
        self._process.terminate()
        self._process.join()
        self._thread.join()
        self._ours.close()


def _receive(ours: Connection, waiting: queue.Queue[Batch | Rest], over: threading.Event) -> None:
    item: Batch | Rest | None = None
    while not over.is_set() and not isinstance(item, Rest):
        try:
            item = ours.recv()
        except (EOFError, OSError):
            item = Rest(error="the process that reads it ended unexpectedly")
        while not over.is_set():
            with suppress(queue.Full):
                waiting.put(item, timeout=0.1)
                break


def _send(path: str, theirs: Connection) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the caller is interrupted as well, and ends us
    gc.disable()  # frames hold no rings, and there are millions of them
    with suppress(BrokenPipeError):
        for item in read_batches(Path(path)):
            theirs.send(item)
    theirs.close()


def read_batches(path: Path, frames: int = FRAMES) -> Iterator[Batch | Rest]:
    """The frames and, last, a `Rest`, read in this process, `frames` at a time."""
    warnings = _Warnings()
    logger = logging.getLogger("can")
    logger.addHandler(warnings)
    propagate, logger.propagate = logger.propagate, False
    try:
        yield from _read(path, frames, warnings)
    finally:
        logger.removeHandler(warnings)
        logger.propagate = propagate


class _Warnings(logging.Handler):
    """Counts what python-can's readers only warn of: lines that they leave out."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.count = 0
        self.first = ""

    def emit(self, record: logging.LogRecord) -> None:
        self.count += 1
        self.first = self.first or record.getMessage()[:ONE_LINE]


def _read(path: Path, frames: int, warnings: _Warnings) -> Iterator[Batch | Rest]:
    reader: Any = None
    try:
        try:
            opened = _open(path)
            reader = opened[0]
        except Exception as error:  # each reader fails in ways of its own
            yield Rest(error=f"no capture that can be read: {_words(error)}")
            return
        yield from _all(path, opened, frames, warnings)
    finally:
        with suppress(Exception):
            reader.stop()


def _all(path: Path, opened: _Opened, frames: int, warnings: _Warnings) -> Iterator[Batch | Rest]:
    reader, messages, notes = opened
    count = 0
    channels: dict[object, int] = {}
    cut = _last_line_is_cut(path)
    held: list[Message] = []
    fault = ""
    over = False
    while not over:
        found: list[Message] = []
        try:
            found.extend(islice(messages, frames))
        except Exception as error:
            fault = _words(error)
        over = bool(fault) or len(found) < frames
        held += found
        if over and cut and not fault and held:
            held.pop()
            notes.append("the last line is not complete; its frame is left out")
        # The newest frame is held back: it may be the last of a text that was cut, and lack digits.
        take, held = (held, []) if over else (held[:-1], held[-1:])
        if take:
            count += len(take)
            yield _batch(take, channels, _at(reader))
    if not count and fault:
        yield Rest(error=f"no capture that can be read: {fault}")
        return
    if fault:
        notes.append(f"it cannot be read beyond frame {count} ({fault}); what comes after is not taken")
    notes += _cut_off(path, reader)
    if warnings.count:
        notes.append(f"{warnings.count} lines could not be read, the first: {warnings.first}")
    yield Rest(tuple(notes))


def _words(error: BaseException) -> str:
    return f"{type(error).__name__}: {error}"[:ONE_LINE] if str(error) else type(error).__name__


def _ending(path: Path) -> str:
    return Path(path.stem).suffix.lower() if path.suffix.lower() == ".gz" else path.suffix.lower()


def _open(path: Path) -> _Opened:
    """The reader, its frames and what to say about it."""
    kind = _ending(path)
    with nullcontext() if kind == ".mf4" else without_mdf():
        import can

    if kind == ".asc":
        # Else python-can counts from the beginning of the measurement, and says nothing of when that was.
        reader = can.LogReader(str(path), relative_timestamp=False)
        messages = iter(reader)
        try:
            first = next(messages)
        except StopIteration:
            return reader, iter(()), []
        except ValueError as error:
            if "datetime" not in str(error):
                raise
            reader = can.LogReader(str(path))
            return reader, _absolute(reader), [f"its date is not understood ({error}): when it was is not known"]
        try:
            _refuse_deltas(reader)
        except ValueError:
            reader.stop()
            raise
        return reader, _chained(first, messages), []
    reader = can.LogReader(str(path))
    return reader, iter(reader), []


def _chained(first: Message, rest: Iterable[Message]) -> Iterator[Message]:
    yield first
    yield from rest


def _absolute(reader: Any) -> Iterator[Message]:
    for message in reader:
        _refuse_deltas(reader)
        yield message


def _refuse_deltas(reader: Any) -> None:
    if getattr(reader, "timestamps_format", None) == "relative":
        raise ValueError("its time stamps count from line to line; write it with absolute ones")


def _last_line_is_cut(path: Path) -> bool:
    if path.suffix.lower() not in TEXTS:
        return False
    with path.open("rb") as file:
        size = file.seek(0, 2)
        file.seek(max(size - 1, 0))
        return file.read(1) not in (b"\n", b"")


def _cut_off(path: Path, reader: Any) -> list[str]:
    """What tells that a binary file ends too early, where python-can would say nothing."""
    if path.suffix.lower() != ".blf":
        return []
    told, there = int(getattr(reader, "file_size", 0)), path.stat().st_size
    if told > there:
        return [f"the file is cut off: {there} of {told} bytes are there"]
    left = len(getattr(reader, "_tail", b""))
    return [f"the file ends within an object ({left} bytes left over)"] if left >= 16 else []


def _at(reader: Any) -> int:
    file = getattr(reader, "file", None)
    file = getattr(file, "buffer", file)
    try:
        return int(file.tell())  # type: ignore[union-attr]
    except (AttributeError, OSError, ValueError):
        return 0


_PARTS = attrgetter(
    "timestamp", "arbitration_id", "is_extended_id", "is_error_frame", "is_remote_frame", "dlc", "channel", "data"
)


def _batch(messages: list[Message], channels: dict[object, int], at: int) -> Batch:
    t_s, ids, extended, error, remote, dlc, named, data = zip(*map(_PARTS, messages), strict=True)
    length = tuple(map(len, data))
    key = np.array(ids, dtype=np.int64) & ID
    for flags, bit in ((extended, EXTENDED), (error, ERROR), (remote, REMOTE)):
        if any(flags):
            key |= np.array(flags, dtype=np.int64) * bit
    if dlc != length:
        cut = [not m.is_fd and n < min(m.dlc, LONGEST_CLASSIC) for m, n in zip(messages, length, strict=True)]
        key |= np.array(cut, dtype=np.int64) * CUT
    for name in dict.fromkeys(named):
        channels.setdefault(name, len(channels))
    numbers = [channels[name] for name in named] if len(channels) > 1 else np.zeros(len(named))
    return Batch(
        np.array(t_s, dtype=np.float64),
        key,
        np.array(length, dtype=np.int64),
        b"".join(data),
        np.array(numbers, dtype=np.int64),
        tuple("" if name is None else str(name) for name in channels),
        at,
    )
