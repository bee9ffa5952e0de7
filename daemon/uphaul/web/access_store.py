"""The file of paired devices and of the code that the next one is paired with, shared by daemon and command.

Theory of operation. One JSON text beside the log, mode 0600, its owner's. Whoever changes it holds a lock on
``<file>.lock``, reads the file anew, writes the whole text beside it, brings that to the card (fsync) and renames it
over the old one (and fsync of the folder): after a power cut there is the old file or the new one. Readers take no
lock and notice a change by the file's identity, time and size. A file that cannot be understood is renamed to
``<file>.damaged``: nobody is paired any more, which `Reading.problem` says until a new file is there. A file of a later
version is left alone and refused.

Codes are short, so they are kept as scrypt with a salt, expire and burn: 10^8 codes are no secret to a fast hash.
Tokens are 256 bits of chance, which nobody guesses through any hash, so SHA-256 is enough and costs a request nothing.
The end of a code is counted in seconds since the machine started (`boot` says which start): a wall clock that steps
neither ends nor prolongs one. Dates of devices are labels for people only.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

from uphaul.errors import UphaulError

__all__ = ["Book", "Code", "DamagedError", "Device", "Reading", "Store", "StoreError", "book_from", "store_path"]

VERSION = 1
LARGEST_BYTES = 64_000
MOST_DEVICES = 50
"""As many as a household and a workshop have many times over; each costs a comparison a request."""
LONGEST_NAME = 40
LOCK_S = 5.0
"""Longest wait for the other writer, in s: it holds the lock for one fsync, which a slow card makes long."""
POLL_S = 0.02


class StoreError(UphaulError):
    """The file cannot be read or written; the message says which file, why, and what would help."""


class DamagedError(StoreError):
    """What the file holds is no book of devices."""


@dataclass(frozen=True, slots=True)
class Code:
    """A code that waits for a device: its hash, until when it is good (s since start `boot`), wrong tries so far."""

    salt: bytes
    scrypt: bytes
    boot: str
    until_s: float
    tries: int = 0


@dataclass(frozen=True, slots=True)
class Device:
    """A paired device: its name, SHA-256 of its token, and the days (UTC, ISO 8601) it was paired and last seen."""

    name: str
    token_hash: bytes
    paired: str
    seen: str


@dataclass(frozen=True, slots=True)
class Book:
    """All that the file holds."""

    code: Code | None = None
    devices: tuple[Device, ...] = ()

    def text(self) -> str:
        """The file's text."""
        code = self.code
        told = {
            "version": VERSION,
            "code": None
            if code is None
            else {
                "salt": code.salt.hex(),
                "scrypt": code.scrypt.hex(),
                "boot": code.boot,
                "until_s": code.until_s,
                "tries": code.tries,
            },
            "devices": [
                {"name": d.name, "sha256": d.token_hash.hex(), "paired": d.paired, "seen": d.seen} for d in self.devices
            ],
        }
        return json.dumps(told, indent=1, ensure_ascii=False) + "\n"


def book_from(data: bytes) -> Book:
    """The book in the file's bytes. Raises DamagedError, or StoreError for a later version."""
    try:
        told = json.loads(data.decode("utf-8"))
        version = told["version"]
        if type(version) is int and version > VERSION:
            raise StoreError(f"it is of version {version}; this program reads {VERSION}: install the newer one")
        _must(type(version) is int and version == VERSION)
        code, devices = told["code"], told["devices"]
        _must(isinstance(devices, list) and len(devices) <= MOST_DEVICES)
        book = Book(None if code is None else _code(code), tuple(_device(d) for d in devices))
        _must(len({d.name for d in book.devices}) == len(book.devices))
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        raise DamagedError("it holds something else than a list of devices") from error
    return book


def _at_once(path: str, flags: int) -> int:
    """Open without waiting for whoever is at the other end of a pipe: this is called on the daemon's loop."""
    return os.open(path, flags | os.O_NONBLOCK)


def _must(right: bool) -> None:
    if not right:
        raise ValueError


def _code(told: Mapping[str, Any]) -> Code:
    code = Code(
        bytes.fromhex(told["salt"]),
        bytes.fromhex(told["scrypt"]),
        str(told["boot"]),
        float(told["until_s"]),
        told["tries"],
    )
    _must(len(code.salt) >= 8 and len(code.scrypt) == 32 and type(code.tries) is int and code.tries >= 0)
    _must(isfinite(code.until_s))
    return code


def _device(told: Mapping[str, Any]) -> Device:
    device = Device(told["name"], bytes.fromhex(told["sha256"]), told["paired"], told["seen"])
    _must(all(isinstance(x, str) and x.isprintable() for x in (device.name, device.paired, device.seen)))
    _must(0 < len(device.name) <= LONGEST_NAME and len(device.token_hash) == 32)
    return device


@dataclass(frozen=True, slots=True)
class Reading:
    """What the file says now. With a `problem`, in words, nobody counts as paired."""

    book: Book = Book()
    problem: str = ""


def store_path(log: Path) -> Path:
    """The file of devices that belongs to a log: ``uphaul.access.json`` beside ``uphaul.db``."""
    return log.with_name(f"{log.stem}.access.json")


class Store:
    """The file at `path`. Nothing is touched before the first `read` or `change`."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.damaged_path = path.with_name(f"{path.name}.damaged")
        self._lock_path = path.with_name(f"{path.name}.lock")
        self._seen: tuple[int, ...] | None = None
        self._reading = Reading()

    def read(self) -> Reading:
        """The present state; cheap (one stat) while the file is as it was."""
        try:
            found = self.path.stat()
        except FileNotFoundError:
            self._seen = None
            return self._absent()
        except OSError as error:
            self._seen = None
            return Reading(problem=self._why(error))
        seen = (found.st_dev, found.st_ino, found.st_mtime_ns, found.st_ctime_ns, found.st_size)
        if seen != self._seen:
            self._seen = seen
            self._reading = self._load()
        return self._reading

    def _absent(self) -> Reading:
        if not self.damaged_path.exists():
            return Reading()
        return Reading(
            problem=f"the list of paired devices was damaged and set aside as {self.damaged_path}: pair them again"
        )

    def _load(self) -> Reading:
        try:
            return Reading(self._parse())
        except FileNotFoundError:
            return self._absent()
        except DamagedError as error:
            self._set_aside()
            return Reading(problem=f"{self.path}: {error}; it is set aside as {self.damaged_path.name}: pair again")
        except StoreError as error:
            return Reading(problem=f"{self.path}: {error}")
        except OSError as error:
            self._seen = None  # may be over at the next look
            return Reading(problem=self._why(error))

    def _parse(self) -> Book:
        with open(self.path, "rb", opener=_at_once) as file:
            data = file.read(LARGEST_BYTES + 1) or b""
        if len(data) > LARGEST_BYTES:
            raise DamagedError(f"it is larger than {LARGEST_BYTES:,} bytes")
        return book_from(data)

    def _set_aside(self) -> None:
        """Rename a damaged file, unless the other writer is at it: then the next change does."""
        with contextlib.suppress(OSError, StoreError), self._locked(wait_s=0.0), contextlib.suppress(DamagedError):
            try:
                self._parse()
            except DamagedError:
                self.path.replace(self.damaged_path)

    def change(self, how: Callable[[Book], Book]) -> Book:
        """Bring the file from what it says now to ``how(book)``, on the card when this returns. Blocks.

        What `how` raises passes through and leaves the file as it was. Raises StoreError.
        """
        try:
            with self._locked(wait_s=LOCK_S):
                try:
                    before = self._parse()
                except FileNotFoundError:
                    before = Book()
                except DamagedError:
                    self.path.replace(self.damaged_path)
                    before = Book()
                except StoreError as error:
                    raise StoreError(f"{self.path}: {error}") from error
                after = how(before)
                if after != before:
                    self._write(after.text().encode())
                return after
        except OSError as error:
            raise StoreError(self._why(error)) from error

    def _write(self, data: bytes) -> None:
        new = self.path.with_name(f"{self.path.name}.new")
        new.unlink(missing_ok=True)  # left by a power cut
        handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        new.replace(self.path)
        folder = os.open(self.path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    @contextlib.contextmanager
    def _locked(self, *, wait_s: float) -> Iterator[None]:
        """Be the only writer. Waiting has an end: a stopped process must not hold up the daemon's threads for ever."""
        handle = os.open(self._lock_path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            end = time.monotonic() + wait_s
            while True:
                try:
                    fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    break
                except BlockingIOError:
                    if time.monotonic() >= end:
                        raise StoreError(f"{self.path}: another process has it: try again") from None
                    time.sleep(POLL_S)
            yield
        finally:
            os.close(handle)

    def _why(self, error: OSError) -> str:
        reason = (error.strerror or str(error)).lower()
        whose = "; it belongs to the daemon's user" if isinstance(error, PermissionError) else ""
        return f"{self.path}: the list of paired devices cannot be used: {reason}{whose}"
