"""Loads the libraries for CAN without what they would load beside themselves.

python-can loads asammdf, and with it pandas, wherever it finds it installed: 164 MB in place of 29, and more than a
second, for one file format that a daemon never reads. cantools loads python-can.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["without_mdf"]

_HEAVY = "asammdf"


@contextmanager
def without_mdf() -> Iterator[None]:
    """What is imported inside finds no asammdf, unless it is loaded already; afterwards it can be imported again."""
    if _HEAVY in sys.modules:
        yield
        return
    sys.modules[_HEAVY] = None  # type: ignore[assignment]  # Python's own way of saying that a module is not there
    try:
        yield
    finally:
        sys.modules.pop(_HEAVY, None)
