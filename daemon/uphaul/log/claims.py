"""Which logs are being written: by this process, so that no second SQLite library in it opens one, and by any other.

One log has one writer. Two would number their drives alike and end each other's, so a writer holds a lock on
``<log>.lock`` for its whole life; the operating system drops it when the process dies, however it dies. The file is
taken away at the end, and one that a kill left behind is taken over. The lock is on a file of its own because SQLite
locks the log itself, and closing any other handle on that would silently drop SQLite's locks.

The reader's fast way brings a SQLite of its own. Closing a file there would drop the locks that the writer's library
holds on it (they belong to the process, not to the library), and a third party could then delete the write-ahead log
under the writer. Source: sqlite.org, "How To Corrupt An SQLite Database File", section 2.2.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import threading
from pathlib import Path

from uphaul.errors import LogError

__all__ = ["claim", "claimed", "lock_path", "recorded_elsewhere", "release"]

_lock = threading.Lock()
_held: dict[Path, int | None] = {}
"""Lock file handle by log; None where the card did not let one be made."""


def lock_path(path: Path) -> Path:
    """The lock file that belongs to a log."""
    return path.with_name(f"{path.name}.lock")


def claim(path: Path) -> None:
    """The file is being written by this process from now on. Raises LogError while another writer has it.

    On a card where no file can be made nothing is locked: nothing can be written there either.
    """
    path = path.resolve()
    with _lock:
        if path in _held:
            raise _taken(path, str(os.getpid()))
        _held[path] = _acquire(path)


def release(path: Path) -> None:
    """The file is not written any more."""
    path = path.resolve()
    with _lock:
        handle = _held.pop(path, None)
        if handle is not None:
            with contextlib.suppress(OSError):
                lock_path(path).unlink()  # while it is locked: who waits for it will see that it is another file now
            os.close(handle)


def claimed(path: Path) -> bool:
    """True while a writer in this process has the file open."""
    with _lock:
        return path.resolve() in _held


def recorded_elsewhere(path: Path) -> bool:
    """True while another process has the file open for writing; false as well where that cannot be known."""
    try:
        handle = os.open(lock_path(path.resolve()), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:  # a file system without locks
        return False
    finally:
        os.close(handle)
    return False


def _acquire(path: Path) -> int | None:
    name = lock_path(path)
    while True:
        try:
            handle = os.open(name, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError:
            return None
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            owner = os.pread(handle, 20, 0).decode("ascii", "replace").strip()
            os.close(handle)
            raise _taken(path, owner) from None
        except OSError:  # a file system without locks
            os.close(handle)
            return None
        with contextlib.suppress(OSError):
            if os.path.samestat(os.fstat(handle), name.stat()):
                os.ftruncate(handle, 0)
                os.pwrite(handle, f"{os.getpid()}\n".encode("ascii"), 0)
                return handle
        os.close(handle)  # its owner took the file away in between


def _taken(path: Path, owner: str) -> LogError:
    who = f" (process {owner})" if owner.isdigit() else ""
    return LogError(
        f"{path}: another daemon{who} is recording to this log; end it first, or name another file for the log"
    )
