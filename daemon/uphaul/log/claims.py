"""Which logs this process is writing, so that no second SQLite library in it ever opens one of them.

The reader's fast way brings a SQLite of its own. Closing a file there would silently drop the locks that the writer's
library holds on it (they belong to the process, not to the library), and a third party could then delete the
write-ahead log under the writer. Source: sqlite.org, "How To Corrupt An SQLite Database File", section 2.2.
"""

from __future__ import annotations

import threading
from pathlib import Path

__all__ = ["claim", "claimed", "release"]

_lock = threading.Lock()
_held: dict[Path, int] = {}


def claim(path: Path) -> None:
    """The file is being written by this process from now on."""
    with _lock:
        _held[path.resolve()] = _held.get(path.resolve(), 0) + 1


def release(path: Path) -> None:
    """One writer less on it."""
    with _lock:
        left = _held.get(path.resolve(), 0) - 1
        if left > 0:
            _held[path.resolve()] = left
        else:
            _held.pop(path.resolve(), None)


def claimed(path: Path) -> bool:
    """True while a writer in this process has the file open."""
    with _lock:
        return path.resolve() in _held
