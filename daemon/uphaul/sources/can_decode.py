"""Turns the frames of a CAN bus into samples, by functions made once per message from the DBC.

Theory of operation. `compile_decoders` reads the DBC with cantools, picks the fields that the inputs name and has a
small Python function written for each message (`uphaul.sources.can_code`). No cantools object stays in it, so the
parsed DBC is freed afterwards.

A frame too short for a field makes that field's sample undecodable, and so does a float that is not finite. A
multiplexed field that this frame does not carry gives no sample; it also gives none when the frame is too short to
tell whether it carries it. A short frame goes through a slow path that asks field by field.

Values equal those of cantools' ``decode_message(..., decode_choices=False)`` to the bit, a multiplexer's number being
its scaled value cut to an integer, as cantools has it. Where cantools refuses a whole frame because one multiplexer
shows a number that the DBC does not list, the fields that do not hang on it are decoded all the same.

Under J1939 the fields of 29-bit messages have codes in the place of values (`uphaul.sources.j1939.bounds_of`), by their
raw number: "not available" becomes not fitted, "error" and all that is reserved undecodable, never a value.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from uphaul.config.lean import without_mdf
from uphaul.config.spec import Input
from uphaul.errors import ConfigError, Problem
from uphaul.sources.can_code import FLOAT_CODES, Decode, Field, Want, compile_message
from uphaul.sources.j1939 import bounds_of

if TYPE_CHECKING:
    from cantools.database.can import Message
    from cantools.database.can import Signal as DbcSignal

__all__ = ["Decode", "Decoder", "compile_decoders", "describe"]

LARGEST_DBC = 32_000_000
"""Characters. A DBC is untrusted input; the largest public ones are under 1 MB."""

DEEPEST_NESTING = 16
"""Multiplexers within multiplexers; more is taken for a ring."""


@dataclass(frozen=True, slots=True)
class Decoder:
    """One message's function with the frame id (and its kind) that it is for, and its wanted fields by name.

    `wants` are what the function was made from: the fields in the order of its samples.
    """

    message: str
    frame_id: int
    extended: bool
    decode: Decode
    fields: tuple[tuple[str, Field], ...] = ()
    wants: tuple[Want, ...] = ()


def describe(text: str, file: str = "DBC") -> dict[str, dict[str, str]]:
    """The messages of a DBC with their fields and units: {message: {field: unit, "" if it names none}}.

    `file` is the name used in messages. Raises ConfigError when the text is no DBC that can be read.
    """
    return {name: {s.name: s.unit or "" for s in m.signals} for name, m in _messages(text, file).items()}


def compile_decoders(
    dbc: Sequence[tuple[str, str]], inputs: Sequence[tuple[int, Input]], *, j1939: bool = False
) -> tuple[Decoder, ...]:
    """A decoder for each message that an input names, in the order of first naming.

    `dbc`: (file name, text) pairs; the first file that has the message counts. `inputs`: (column of the signal,
    input) pairs. `j1939`: 29-bit messages have that protocol's codes in the place of values. Raises ConfigError with
    every message or field that is missing or cannot be decoded.
    """
    files = [(file, _messages(text, file)) for file, text in dbc]
    names = ", ".join(file for file, _ in dbc) or "no DBC"
    every = [name for _, messages in files for name in messages]
    problems: list[Problem] = []
    wanted: dict[str, tuple[Message, list[Want], dict[str, Field]]] = {}
    for column, item in inputs:
        key = f"signal.{item.signal}.from"
        found = next((messages[item.message] for _, messages in files if item.message in messages), None)
        if found is None:
            allowed = f"must be a message of {names}"
            problems.append(
                Problem("signals.toml", f"{key}.message", item.message, allowed, _near(item.message, every))
            )
            continue
        by_name = {s.name: s for s in found.signals}
        if item.field not in by_name:
            allowed = f"must be a field of message {item.message} in {names}"
            problems.append(Problem("signals.toml", f"{key}.field", item.field, allowed, _near(item.field, by_name)))
            continue
        try:
            factor, offset = float(_number(item.factor)), float(_number(item.offset))
            found_field = _field(by_name[item.field], by_name)
            if j1939 and found.is_extended_frame and not (found_field.signed or found_field.is_float):
                found_field = replace(found_field, bounds=bounds_of(found_field.length))
            want = Want(column, found_field, factor, offset)
        except ValueError as error:
            problems.append(Problem(names, f"{item.message}.{item.field}", None, str(error)))
            continue
        _, wants, fields = wanted.setdefault(item.message, (found, [], {}))
        wants.append(want)
        fields[item.field] = found_field
    if problems:
        raise ConfigError(problems)
    return tuple(
        Decoder(
            name,
            message.frame_id,
            bool(message.is_extended_frame),
            compile_message(wants),
            tuple(fields.items()),
            tuple(wants),
        )
        for name, (message, wants, fields) in wanted.items()
    )


def _near(name: str, names: Sequence[str] | dict[str, Any]) -> str | None:
    return next(iter(difflib.get_close_matches(name, list(names), 1)), None)


def _messages(text: str, file: str) -> dict[str, Message]:
    """The messages by name. Raises ConfigError."""
    with without_mdf():
        import cantools.database  # 0.1 s that commands without a CAN bus need not spend

    if len(text) > LARGEST_DBC:
        raise ConfigError([Problem(file, "size", len(text), f"must be a DBC of at most {LARGEST_DBC} characters")])
    try:
        # Not strict: many files in use have fields that overlap or reach past the message; each is read by itself.
        database = cantools.database.load_string(text, database_format="dbc", strict=False)
    except Exception as error:  # the parser answers malformed text with errors of many types
        raise ConfigError([Problem(file, "text", None, f"must be a DBC that can be read: {error}")]) from error
    return {m.name: m for m in database.messages}  # type: ignore[union-attr]


def _number(value: object) -> int | float:
    """`value` if it is a number that a float can hold. Raises ValueError."""
    if not isinstance(value, (int, float)):
        raise ValueError(f"must be scaled by plain numbers, not by {value!r}")
    try:
        if math.isfinite(float(value)):
            return value
    except OverflowError:
        pass
    raise ValueError("must be scaled by finite numbers")


def _field(signal: DbcSignal, by_name: dict[str, DbcSignal], depth: int = 0) -> Field:
    """Where and what the signal is. Raises ValueError with what would be right."""
    if depth > DEEPEST_NESTING:
        raise ValueError(f"must not hang on more than {DEEPEST_NESTING} multiplexers in a row")
    length, big = signal.length, signal.byte_order == "big_endian"
    # DBC bit numbers: little-endian fields name their lowest bit, big-endian ones their highest, in a count where
    # bit 7 is the first of byte 0 on the wire. From there big-endian fields go on in the order of the wire.
    low = 8 * (signal.start // 8) + 7 - signal.start % 8 if big else signal.start
    first, end = low // 8, (low + length - 1) // 8 + 1
    shift = 8 * end - low - length if big else low - 8 * first
    is_float = bool(signal.conversion.is_float)
    if is_float and length not in FLOAT_CODES:
        raise ValueError(f"must be a float of 16, 32 or 64 bits, not {length}")
    scale, offset = _number(signal.conversion.scale), _number(signal.conversion.offset)
    if not is_float:
        # cantools calculates in integers when scale and offset are whole: the same here.
        if float(scale).is_integer() and float(offset).is_integer():
            scale, offset = int(scale), int(offset)
        try:
            fits = math.isfinite(float(1 << length) * abs(scale) + abs(offset))
        except OverflowError:
            fits = False
        if not fits:
            raise ValueError("must have values that fit a 64-bit float")
    guards: tuple[tuple[Field, frozenset[int]], ...] = ()
    if signal.multiplexer_signal is not None:
        above = by_name.get(signal.multiplexer_signal)
        if above is None:
            raise ValueError(f"must hang on a multiplexer of its message, not on {signal.multiplexer_signal!r}")
        selector = _field(above, by_name, depth + 1)
        guards = (*selector.guards, (selector, frozenset(map(int, signal.multiplexer_ids or ()))))
    return Field(first, end, shift, length, big, bool(signal.is_signed), is_float, scale, offset, guards)
