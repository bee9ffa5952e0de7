"""Loads a configuration in a process of its own, so that what checks it leaves the memory together with it.

The libraries that check a configuration, and what they build for it, take more than ten megabytes that a daemon never
needs again, and Python gives none of it back. The process is forked, so that it begins with what is loaded already, and
it works while the daemon loads the rest. Where it comes to nothing, for whatever reason, the configuration is loaded
here, and errors are raised as ever.
"""

from __future__ import annotations

import gc
import os
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

from uphaul.config.spec import Config

__all__ = ["load_apart"]


def load_apart(directory: Path) -> Callable[[], Config]:
    """Begin to load; call what is returned, once, to wait for the configuration. That raises ConfigError, as `load`.

    To be called before the process has threads, as any fork.
    """
    reading, writing = os.pipe()
    try:
        child = os.fork()
    except OSError:
        os.close(reading)
        os.close(writing)
        return lambda: _load(directory)
    if child == 0:
        os.close(reading)
        _tell(directory, writing)
    os.close(writing)

    def wait() -> Config:
        with os.fdopen(reading, "rb") as pipe:
            told = pipe.read()
        _, status = os.waitpid(child, 0)
        if status == 0:
            config: Config = pickle.loads(told)  # our own process wrote it
            return config
        return _load(directory)

    return wait


def _tell(directory: Path, writing: int) -> NoReturn:
    """Load, write the configuration and end, without what else belongs to the end of the process that was forked."""
    status = 1
    gc.disable()  # a process this short has nothing to gain from it
    try:
        with os.fdopen(writing, "wb") as pipe:
            pickle.dump(_load(directory), pipe, pickle.HIGHEST_PROTOCOL)
        status = 0
    finally:
        os._exit(status)


def _load(directory: Path) -> Config:
    from uphaul.config.loader import load

    return load(directory)
