"""Loads a configuration in a process of its own, so that what checks it leaves the memory together with it.

The libraries that check a configuration, and what they build for it, take more than ten megabytes that a daemon never
needs again, and Python gives none of it back. The process also works while the daemon loads its own libraries. Where it
comes to nothing, for whatever reason, the configuration is loaded here, and errors are raised as ever.
"""

from __future__ import annotations

import pickle
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from uphaul.config.spec import Config

__all__ = ["load_apart"]


def load_apart(directory: Path) -> Callable[[], Config]:
    """Begin to load; call what is returned to wait for the configuration. That raises ConfigError as `load` does."""
    # -P: a file that happens to lie where the daemon is started must not be taken for a library's
    arguments = [sys.executable, "-P", "-m", "uphaul.config.apart", str(directory)]
    try:
        child = subprocess.Popen(arguments, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    except OSError:
        return lambda: _load(directory)

    def wait() -> Config:
        told, _ = child.communicate()
        if child.returncode == 0:
            config: Config = pickle.loads(told)  # our own process wrote it
            return config
        return _load(directory)

    return wait


def _load(directory: Path) -> Config:
    from uphaul.config.loader import load

    return load(directory)


if __name__ == "__main__":
    sys.stdout.buffer.write(pickle.dumps(_load(Path(sys.argv[1])), pickle.HIGHEST_PROTOCOL))
