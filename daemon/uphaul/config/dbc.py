"""Looks into a DBC: which messages, which fields, in which unit.

cantools is imported only when there is a DBC to read.
"""

from __future__ import annotations

from collections.abc import Mapping

from uphaul.config.lean import without_mdf
from uphaul.config.problems import Problems

__all__ = ["Messages", "decode_text", "messages_of"]

Messages = Mapping[str, Mapping[str, str]]
"""Message name to field name to the field's unit, empty if the DBC names none."""


def messages_of(text: str, file: str, problems: Problems) -> Messages | None:
    """The messages of a DBC, or None with the fault noted."""
    with without_mdf():
        import cantools.database

    try:
        # Not strict: many files in use have fields that overlap or reach past the message; each is read by itself.
        database = cantools.database.load_string(text, database_format="dbc", strict=False)
    except Exception as error:  # the parser answers malformed text with errors of many types
        problems.add(file, "text", None, f"must be a DBC that can be read: {error}")
        return None
    return {m.name: {s.name: s.unit or "" for s in m.signals} for m in database.messages}  # type: ignore[union-attr]


def decode_text(data: bytes) -> str:
    """A DBC's text: UTF-8, or the Windows code page that most tools write."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")
