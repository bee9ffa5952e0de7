"""The errors that Uphaul raises: what went wrong, whose matter it is, and whether trying again can help.

Bad *data* is never an exception: it is a quality of the signal (see `uphaul.signals`).
"""

from __future__ import annotations

from dataclasses import dataclass


class UphaulError(Exception):
    """Base of all errors that a person can act on; the commands print it and exit with status 2."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault in a configuration: where it stands, what stands there, and what would be right.

    `file` is the file's name as the person knows it, `key` a dotted key path with indices
    (``rule[3].deadband``), `value` the offending value or None if the key is absent.
    """

    file: str
    key: str
    value: object
    allowed: str
    nearest: str | None = None

    def __str__(self) -> str:
        found = "" if self.value is None else f" = {self.value!r}"
        hint = f" Did you mean {self.nearest!r}?" if self.nearest else ""
        return f"{self.file}: {self.key}{found}: {self.allowed}.{hint}"


class ConfigError(UphaulError):
    """The configuration is wrong: fix the file. Carries every problem found, not only the first."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(p) for p in problems))


class SourceError(UphaulError):
    """A source cannot deliver. `retry` tells whether trying again can help (adapter unplugged) or not."""

    def __init__(self, message: str, *, retry: bool = True) -> None:
        super().__init__(message)
        self.retry = retry


class LogError(UphaulError):
    """A log file cannot be read or written: damaged, full, not ours, or from a newer version."""


class DriveFileError(UphaulError):
    """A drive file from elsewhere (CSV, capture) is malformed; the message names file, line and column."""
