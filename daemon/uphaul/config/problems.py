"""Gathers every fault of a configuration, so that a person sees them all at once."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from uphaul.errors import ConfigError, Problem

__all__ = ["Problems", "nearest", "shown"]

INCOMPLETE = ("needs ", "must have at least ")
"""How a problem begins that tells of a table that something in it is missing."""

LONGEST_SHOWN = 60
"""Characters of an offending value; more says nothing more."""


def nearest(name: object, known: Iterable[str]) -> str | None:
    """The known name that `name` was most likely meant to be, or None."""
    if not isinstance(name, str):
        return None
    folded: dict[str, str] = {}
    for k in known:
        folded.setdefault(k.casefold(), k)
    found = difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=0.6)
    return folded[found[0]] if found else None


def shown(value: object) -> object:
    """`value` as it goes into a problem: whole tables and lists by their beginning, long text cut."""
    if isinstance(value, str) and len(value) > LONGEST_SHOWN:
        return value[:LONGEST_SHOWN] + "…"
    if isinstance(value, dict):
        return None
    if isinstance(value, int) and not isinstance(value, bool) and value.bit_length() > 200:
        return "a number of more than 60 digits"
    if isinstance(value, list):
        text = str(value)
        return value if len(text) <= LONGEST_SHOWN else text[:LONGEST_SHOWN] + "…"
    return value


class Problems:
    """A growing list of problems. `label` names where the files come from when that is no folder."""

    def __init__(self, label: str = "") -> None:
        self._label = label
        self._found: list[Problem] = []
        self._explained: set[tuple[str, str]] = set()
        self._incomplete: set[tuple[str, str]] = set()

    def __len__(self) -> int:
        return len(self._found)

    def add(
        self, file: str, key: str, value: object, allowed: str, *, known: Iterable[str] = (), hint: str | None = None
    ) -> None:
        """Note one problem; the nearest of the `known` names becomes its hint."""
        if self._follows(file, key, allowed):
            return
        near = hint or nearest(value, known)
        place = f"{self._label}: {file}" if self._label else file
        problem = Problem(place, key, shown(value), allowed, near)
        if self._found[-1:] != [problem]:  # a key of several types is at fault once for each
            self._found.append(problem)

    def explain(self, file: str, table: str, keys: Iterable[str]) -> None:
        """From now on what is noted of these `keys`, or of what lies below them, only follows from what is told.

        So does that the `table` in which they stand ("" for the file itself) has too little in it.
        """
        self._explained |= {(file, f"{table}.{key}" if table else key) for key in keys}
        self._incomplete.add((file, table))

    def _follows(self, file: str, key: str, allowed: str) -> bool:
        if (file, key) in self._incomplete and allowed.startswith(INCOMPLETE):
            return True
        while key:
            if (file, key) in self._explained:
                return True
            key = key[: max(key.rfind("."), key.rfind("["), 0)]
        return False

    def noted(self, key: str) -> bool:
        """Whether anything is noted of that key."""
        return any(p.key == key for p in self._found)

    def take(self, problems: Iterable[Problem]) -> None:
        """Note what was found in a further file, by whoever reads it."""
        self._found += problems

    def check(self) -> None:
        """Raise ConfigError with everything noted so far, if anything is."""
        if self._found:
            raise ConfigError(self._found)
