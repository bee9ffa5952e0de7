"""Finds what changed between two statuses, so that a page is sent that alone.

A status is what `uphaul.web.state.told` makes: objects with the same keys each time. What changed is an object with the
keys whose value differs. A value that was an object before and is one now is told as what changed in it, alike; so is
an item of a list that has kept its length, under its place as text. Everything else is told whole. Nothing is ever
taken away but with the list it stands in, and null is a value like others. `static/changes.js` puts the two together.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Any

from uphaul.web.state import as_json

__all__ = ["News", "changes"]


class News:
    """One event: the `number` counts them, `before` (empty for the first) is the status that the last one told of.

    Texts are made when somebody wants them, once.
    """

    def __init__(self, number: int, before: dict[str, Any], now: dict[str, Any]) -> None:
        self.number = number
        self.now = now
        self._before = before

    @cached_property
    def whole(self) -> bytes:
        """The whole status."""
        return f"data: {as_json(self.now)}\n\n".encode()

    @cached_property
    def change(self) -> bytes:
        """What differs from the event before."""
        return f"event: change\ndata: {as_json(changes(self._before, self.now))}\n\n".encode()


def changes(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    """What has to be said of `new` to somebody who knows `old`; both have the same keys."""
    return {key: _told(old[key], value) for key, value in new.items() if old[key] != value}


def _told(old: Any, new: Any) -> Any:
    if isinstance(new, dict) and isinstance(old, dict):
        return changes(old, new)
    if isinstance(new, list) and isinstance(old, list) and len(new) == len(old) and _are_objects(new):
        return {str(i): _told(a, b) for i, (a, b) in enumerate(zip(old, new, strict=True)) if a != b}
    return new


def _are_objects(items: list[Any]) -> bool:
    return isinstance(items[0], dict)  # never empty here: two empty lists are equal
