"""What every table of the configuration files is made of: a strict table, keys that explain themselves, patterns."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

__all__ = [
    "HOST_NAME",
    "LONGEST_S",
    "ONE_LINE",
    "PATTERNS",
    "RULE_NAME",
    "SIGNAL_NAME",
    "SOURCE_NAME",
    "TUNE_NAME",
    "WHOLE",
    "Table",
    "key",
    "table",
]

LONGEST_S = 3600.0
"""Longest delay and window, in seconds: an hour of ticks is what a judge's integer sums are sized for."""

SIGNAL_NAME = r"^[a-z][a-z0-9_]{0,39}$"
SOURCE_NAME = r"^[a-z][a-z0-9_-]{0,39}$"
RULE_NAME = r"^[a-z0-9][a-z0-9:_-]{0,59}$"
TUNE_NAME = r"^[a-z0-9][a-z0-9_-]{0,39}$"
ONE_LINE = r"^[^\x00-\x1f\x7f]*$"
WHOLE = r"^-?[0-9]{1,5}$"
HOST_NAME = r"^[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?$"

PATTERNS = {
    SIGNAL_NAME: "a small letter, then small letters, digits and _ (40 at most)",
    SOURCE_NAME: "a small letter, then small letters, digits, _ and - (40 at most)",
    RULE_NAME: "small letters, digits, -, _ and : (60 at most)",
    TUNE_NAME: "small letters, digits, - and _ (40 at most)",
    ONE_LINE: "text in one line",
    HOST_NAME: "the name of a host, without port: letters, digits, . and -",
    WHOLE: "a whole number of at most 5 digits",
}
"""What each pattern means, in words."""


def key(text: str, default: Any = ..., *, unit: str = "", alias: str | None = None, **bounds: Any) -> Any:
    """One key: what it is for, its default (none: required), its unit and bounds."""
    extra: dict[str, Any] = {"unit": unit} if unit else {}
    return Field(default, description=text, alias=alias, json_schema_extra=extra or None, **bounds)


def table(text: str, kind: type | Any = dict) -> Any:
    """A key that holds further tables, empty when left out."""
    return Field(default_factory=kind, description=text)


class Table(BaseModel):
    """A TOML table in which every key is known and every number finite."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, defer_build=True)
