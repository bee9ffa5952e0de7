"""What cantools makes of a frame, field by field: the reference that our own decoding is held against."""

from __future__ import annotations

import copy
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from support.packages import sdist, wheel

if TYPE_CHECKING:
    from cantools.database.can import Database, Message, Signal

__all__ = ["CANMATRIX", "Reference", "dbc_files", "load", "read_dbc"]

CANMATRIX = "1.3.3"
"""The version of canmatrix whose wheel holds j1939.dbc: 357 messages with 2390 fields."""


def dbc_files() -> dict[str, Path]:
    """Every DBC of cantools' own tests and canmatrix's j1939.dbc, by a short name."""
    files = sorted((sdist("cantools") / "tests" / "files" / "dbc").iterdir())
    found = {path.name: path for path in files if path.suffix.lower() == ".dbc"}
    return found | {"canmatrix j1939.dbc": wheel("canmatrix", CANMATRIX) / "canmatrix" / "j1939.dbc"}


def read_dbc(path: Path) -> str:
    """The text of a DBC: UTF-8 if it is, else Windows-1252, which the tools of the trade write."""
    data = path.read_bytes()
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("cp1252")


def load(text: str, *, strict: bool = False) -> Database:
    """cantools' own reading of the text."""
    import cantools.database

    database = cantools.database.load_string(text, database_format="dbc", strict=strict)
    assert isinstance(database, cantools.database.can.Database)
    return database


def _chain(message: Message, signal: Signal) -> list[Signal]:
    chain = [copy.copy(signal)]
    chain[0].is_multiplexer = False  # for its own value it is none, whatever hangs on it elsewhere
    while chain[-1].multiplexer_signal is not None:
        chain.append(message.get_signal_by_name(chain[-1].multiplexer_signal))
    return chain


class Reference:
    """cantools' decoding of single fields, each in a message of its own with the multiplexers it hangs on.

    Alone, a field that overlaps others or lies behind the message's end decodes too, and an unknown number of one
    multiplexer does not take the others' fields away: both make cantools refuse the whole message.
    """

    def __init__(self, message: Message, names: Sequence[str]) -> None:
        from cantools.database.can import Message as Make

        self.alone: dict[str, Message] = {}
        for signal in map(message.get_signal_by_name, names):
            chain = _chain(message, signal)
            last = max(
                (s.start // 8 * 8 + 7 - s.start % 8 if s.byte_order == "big_endian" else s.start) + s.length
                for s in chain
            )
            length = max(message.length, (last + 7) // 8)
            self.alone[signal.name] = Make(
                message.frame_id, message.name, length, chain, is_extended_frame=message.is_extended_frame, strict=False
            )

    def values(self, data: bytes) -> Iterator[tuple[str, float]]:
        """(field, value) of what the frame carries; NaN for what it carries but does not reach, or is not finite."""
        from cantools.database.errors import DecodeError

        for name, message in self.alone.items():
            long = data.ljust(message.length, b"\0")
            try:
                decoded = message.decode(long, decode_choices=False)
            except (DecodeError, ValueError, OverflowError):
                continue  # a multiplexer's number that the DBC does not list, or a float multiplexer's NaN
            if name not in decoded:
                continue
            there = message.decode(data, decode_choices=False, allow_truncated=True)
            selectors = [s.name for s in _chain(message, message.get_signal_by_name(name))[1:]]
            if not all(selector in there for selector in selectors):
                continue
            value = there.get(name, math.nan)
            assert isinstance(value, (int, float))
            yield name, value if math.isfinite(value) else math.nan
