"""A folder of files in the shape in which the kernel shows its converters, for devices to come to and go from.

The shape is that of a board: a link for each device in one folder, the device itself below its place on a bus
(Linux, Documentation/ABI/testing/sysfs-bus-iio). Everything that an `AdcSource` does with it is real file work.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

__all__ = ["REFUSES", "IioFolder"]

REFUSES = "/proc/self/mem"
"""A file whose first bytes can never be read: the kernel answers EIO, as a driver does of a failed transfer."""


class IioFolder:
    """`folder` is what a source is given. `at` in the methods is a place as ``i2c-1/1-0049`` or ``spi0/spi0.1``."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self.folder = root / "bus" / "iio" / "devices"
        self.folder.mkdir(parents=True)
        self._there: dict[str, Path] = {}

    def plug(self, at: str, number: int, files: Mapping[str, str]) -> None:
        """A device comes, with these files, under this number."""
        device = self._root / "devices" / "soc" / at / f"iio:device{number}"
        device.mkdir(parents=True)
        self._there[at] = device
        for name, text in files.items():
            self.set(at, name, text)
        (self.folder / device.name).symlink_to(device)

    def unplug(self, at: str) -> None:
        """The device goes, files first as far as any reader can see."""
        device = self._there.pop(at)
        (self.folder / device.name).unlink()
        shutil.rmtree(device)

    def path(self, at: str, name: str) -> Path:
        """One of the device's files."""
        return self._there[at] / name

    def set(self, at: str, name: str, text: str) -> None:
        """What the file says from now on, never half of it. A text that begins with / is another file to read."""
        path = self.path(at, name)
        new = path.with_name(f".{name}")
        if text.startswith("/"):
            new.symlink_to(text)
        else:
            new.write_text(f"{text}\n", encoding="ascii")
        new.replace(path)

    @contextmanager
    def slow(self, at: str, name: str) -> Iterator[Callable[[str], None]]:
        """The file can't be read until a text is handed over, and once for each: a conversion that takes its time.

        Afterwards a reader that still waits reads nothing.
        """
        path = self.path(at, name)
        path.unlink(missing_ok=True)
        os.mkfifo(path)
        handle = os.open(path, os.O_RDWR | os.O_NONBLOCK)  # held open, so that neither side waits for the other to open

        def answer(text: str) -> None:
            os.write(handle, f"{text}\n".encode("ascii"))

        try:
            yield answer
        finally:
            os.close(handle)
