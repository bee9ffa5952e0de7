"""Reads a page's event stream as a page has to: the whole status first, then what changed in it."""

from __future__ import annotations

import json
from typing import Any

__all__ = ["Reader", "merged"]


def merged(known: Any, told: Any) -> Any:
    """`known` with what was `told` of it; written from the definition in ``daemon/uphaul/web/changes.py`` alone."""
    if isinstance(told, dict) and isinstance(known, dict):
        return {**known, **{key: merged(known[key], value) for key, value in told.items()}}
    if isinstance(told, dict) and isinstance(known, list):
        return [merged(item, told[str(i)]) if str(i) in told else item for i, item in enumerate(known)]
    return told


class Reader:
    """Takes the lines of a stream. `whole` counts the events that told everything, `changes` the others."""

    def __init__(self) -> None:
        self.status: dict[str, Any] = {}
        self.whole = self.changes = 0
        self._name = b""

    def take(self, line: bytes) -> bool:
        """Whether with this line an event is complete; then `status` is as of that."""
        field, _, text = line.rstrip(b"\n").partition(b": ")
        if field == b"event":
            self._name = text
        if field != b"data":
            return False
        name, self._name = self._name, b""
        found = json.loads(text)
        if name == b"change":
            self.changes += 1
            found = merged(self.status, found)
        else:
            assert name == b""
            self.whole += 1
        self.status = found
        return True
