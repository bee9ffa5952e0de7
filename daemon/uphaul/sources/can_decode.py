"""Turns the frames of a CAN bus into samples, by functions made once per message from the DBC.

Theory of operation. `compile_decoders` reads the DBC with cantools, picks the fields that the inputs name and writes,
for each message, a small Python function that takes a frame's data apart with shifts and masks. The text of that
function is our own: of the DBC nothing enters it but integers and finite floats, by `repr`. The functions hold no
state and no cantools object, so the parsed DBC is freed afterwards.

A frame too short for a field makes that field's sample undecodable, and so does a float that is not finite. A
multiplexed field that this frame does not carry gives no sample; it also gives none when the frame is too short to
tell whether it carries it. A short frame goes through a slow path that asks field by field.

Values equal those of cantools' ``decode_message(..., decode_choices=False)`` to the bit, a multiplexer's number being
its scaled value cut to an integer, as cantools has it. Where cantools refuses a whole frame because one multiplexer
shows a number that the DBC does not list, the fields that do not hang on it are decoded all the same.
"""

from __future__ import annotations

import difflib
import math
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from uphaul.config.spec import Input
from uphaul.errors import ConfigError, Problem
from uphaul.signals import Quality, Sample

if TYPE_CHECKING:
    from cantools.database.can import Message
    from cantools.database.can import Signal as DbcSignal

__all__ = ["Decode", "Decoder", "compile_decoders", "describe"]

Decode = Callable[[bytes | bytearray, float, list[Sample]], int]
"""(data, time in ms, list to append samples to) -> number of undecodable samples among them."""

LARGEST_DBC = 32_000_000
"""Characters. A DBC is untrusted input; the largest public ones are under 1 MB."""

SHARED_BYTES = 8
"""Up to here the whole frame is made one integer and every field shifted out of it; beyond, field by field."""

DEEPEST_NESTING = 16
"""Multiplexers within multiplexers; more is taken for a ring."""

_FLOAT_CODES = {16: "e", 32: "f", 64: "d"}


@dataclass(frozen=True, slots=True)
class Decoder:
    """One message's function with the frame id (and its kind) that it is for."""

    message: str
    frame_id: int
    extended: bool
    decode: Decode


@dataclass(frozen=True, slots=True)
class _Field:
    """Where a field lies and what it means. `first`, `end`: its bytes [first, end); `shift`: bits below it in them.

    `guards`: (multiplexer, its numbers) pairs that must all match for the frame to carry the field.
    """

    first: int
    end: int
    shift: int
    length: int
    big: bool
    signed: bool
    is_float: bool
    scale: int | float
    offset: int | float
    guards: tuple[tuple[_Field, frozenset[int]], ...] = ()

    @property
    def order(self) -> str:
        return "big" if self.big else "little"

    @property
    def scaled(self) -> bool:
        return not (self.scale == 1 and self.offset == 0)

    def value(self, data: bytes | bytearray) -> int | float:
        """The scaled value from `data`, which reaches `end` at least."""
        raw: int | float = (
            int.from_bytes(data[self.first : self.end], "big" if self.big else "little") >> self.shift
        ) & ((1 << self.length) - 1)
        if self.is_float:
            raw = struct.unpack("<" + _FLOAT_CODES[self.length], int(raw).to_bytes(self.length // 8, "little"))[0]
        elif self.signed and int(raw) >> (self.length - 1):
            raw -= 1 << self.length
        return raw * self.scale + self.offset if self.scaled else raw


@dataclass(frozen=True, slots=True)
class _Want:
    """A field and the column that its value goes to, times factor plus offset."""

    column: int
    field: _Field
    factor: float
    offset: float

    @property
    def converts(self) -> bool:
        return not (self.factor == 1 and self.offset == 0)


def describe(text: str, file: str = "DBC") -> dict[str, dict[str, str]]:
    """The messages of a DBC with their fields and units: {message: {field: unit, "" if it names none}}.

    `file` is the name used in messages. Raises ConfigError when the text is no DBC that can be read.
    """
    return {name: {s.name: s.unit or "" for s in m.signals} for name, m in _messages(text, file).items()}


def compile_decoders(dbc: Sequence[tuple[str, str]], inputs: Sequence[tuple[int, Input]]) -> tuple[Decoder, ...]:
    """A decoder for each message that an input names, in the order of first naming.

    `dbc`: (file name, text) pairs; the first file that has the message counts. `inputs`: (column of the signal,
    input) pairs. Raises ConfigError with every message or field that is missing or cannot be decoded.
    """
    files = [(file, _messages(text, file)) for file, text in dbc]
    names = ", ".join(file for file, _ in dbc) or "no DBC"
    every = [name for _, messages in files for name in messages]
    problems: list[Problem] = []
    wanted: dict[str, tuple[Message, list[_Want]]] = {}
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
            want = _Want(column, _field(by_name[item.field], by_name), factor, offset)
        except ValueError as error:
            problems.append(Problem(names, f"{item.message}.{item.field}", None, str(error)))
            continue
        wanted.setdefault(item.message, (found, []))[1].append(want)
    if problems:
        raise ConfigError(problems)
    return tuple(
        Decoder(name, message.frame_id, bool(message.is_extended_frame), _compile(wants))
        for name, (message, wants) in wanted.items()
    )


def _near(name: str, names: Sequence[str] | dict[str, Any]) -> str | None:
    return next(iter(difflib.get_close_matches(name, list(names), 1)), None)


def _messages(text: str, file: str) -> dict[str, Message]:
    """The messages by name. Raises ConfigError."""
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


def _field(signal: DbcSignal, by_name: dict[str, DbcSignal], depth: int = 0) -> _Field:
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
    if is_float and length not in _FLOAT_CODES:
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
    guards: tuple[tuple[_Field, frozenset[int]], ...] = ()
    if signal.multiplexer_signal is not None:
        above = by_name.get(signal.multiplexer_signal)
        if above is None:
            raise ValueError(f"must hang on a multiplexer of its message, not on {signal.multiplexer_signal!r}")
        selector = _field(above, by_name, depth + 1)
        guards = (*selector.guards, (selector, frozenset(map(int, signal.multiplexer_ids or ()))))
    return _Field(first, end, shift, length, big, bool(signal.is_signed), is_float, scale, offset, guards)


def _short(wants: Sequence[_Want]) -> Decode:
    """The slow path: every field asked for by itself, with what it takes to reach it."""

    def carried(field: _Field, data: bytes | bytearray) -> bool:
        for selector, numbers in field.guards:
            if len(data) < selector.end:
                return False
            value = selector.value(data)
            if not math.isfinite(value) or int(value) not in numbers:
                return False
        return True

    def decode(data: bytes | bytearray, t_ms: float, out: list[Sample]) -> int:
        bad = 0
        for want in wants:
            if not carried(want.field, data):
                continue
            value = math.nan
            if len(data) >= want.field.end:
                value = want.field.value(data)
                if want.converts:
                    value = value * want.factor + want.offset
            if math.isfinite(value):
                out.append(Sample(want.column, t_ms, value))
            else:
                out.append(Sample(want.column, t_ms, math.nan, Quality.UNDECODABLE))
                bad += 1
        return bad

    return decode


class _Writer:
    """Writes the text of one message's function."""

    def __init__(self, wants: Sequence[_Want]) -> None:
        self.wants = wants
        selectors = [selector for want in wants for selector, _ in want.field.guards]
        fields = [want.field for want in wants] + selectors
        self.need = max(field.end for field in fields)
        self.shared = self.need <= SHARED_BYTES
        self.constants: dict[str, object] = {
            "short": _short(wants),
            "number": int.from_bytes,
            "new": tuple.__new__,
            "S": Sample,
            "GOOD": Quality.GOOD,
            "BAD": Quality.UNDECODABLE,
            "nan": math.nan,
        }
        self.lines = [
            "def decode(data, t, out):",
            f"    if len(data) < {self.need}:",
            "        return short(data, t, out)",
        ]
        whole = [field for field in fields if self.shared and not field.is_float and field.end - field.first > 1]
        if any(not field.big for field in whole):
            self.lines.append('    le = number(data, "little")')
        if any(field.big for field in whole):
            self.lines.append(f'    be = number(data[:{self.need}], "big")')
        self.names: dict[_Field, str] = {}
        for selector in dict.fromkeys(selectors):
            name = self.names[selector] = f"m{len(self.names)}"
            value = self.value(selector)
            if selector.is_float:
                self.lines += [f"    {name} = {value}", f"    {name} = int({name}) if {name} - {name} == 0 else None"]
            else:
                self.lines.append(f"    {name} = {value if self.whole(selector) else f'int({value})'}")

    @staticmethod
    def whole(field: _Field) -> bool:
        """True when the scaled value is an integer by type."""
        return not field.is_float and isinstance(field.scale, int) and isinstance(field.offset, int)

    def constant(self, value: object) -> str:
        name = f"c{len(self.constants)}"
        self.constants[name] = value
        return name

    def value(self, field: _Field) -> str:
        """The expression of the scaled value."""
        raw = self.raw(field)
        return f"({raw}) * {field.scale!r} + {field.offset!r}" if field.scaled else f"({raw})"

    def raw(self, field: _Field) -> str:
        mask = (1 << field.length) - 1
        size = field.end - field.first
        if field.is_float and field.shift == 0 and field.length == 8 * size:
            code = (">" if field.big else "<") + _FLOAT_CODES[field.length]
            return f"{self.constant(struct.Struct(code).unpack_from)}(data, {field.first})[0]"
        shift, width = field.shift, 8 * size
        if size == 1:
            source = f"data[{field.first}]"
        elif self.shared and not field.is_float and not field.big:
            source, shift, width = "le", field.shift + 8 * field.first, 8 * SHARED_BYTES * 8
        elif self.shared and not field.is_float:
            source, shift, width = "be", field.shift + 8 * (self.need - field.end), 8 * SHARED_BYTES * 8
        else:
            source = f'number(data[{field.first}:{field.end}], "{field.order}")'
        text = f"{source} >> {shift}" if shift else source
        if shift + field.length != width:
            text = f"{text} & {mask}"
        if field.is_float:
            unpack = self.constant(struct.Struct("<" + _FLOAT_CODES[field.length]).unpack)
            return f'{unpack}(({text}).to_bytes({field.length // 8}, "little"))[0]'
        if field.signed:
            sign = 1 << (field.length - 1)
            text = f"(({text}) ^ {sign}) - {sign}"
        return text

    def guard(self, field: _Field) -> str:
        terms = []
        for selector, numbers in field.guards:
            name = self.names[selector]
            if len(numbers) == 1:
                terms.append(f"{name} == {next(iter(numbers))!r}")
            else:
                terms.append(f"{name} in {self.constant(numbers)}")
        return " and ".join(terms)

    def text(self) -> str:
        counts = False
        body: list[str] = []
        block, tuples = "", list[str]()

        def flush() -> None:
            if tuples:
                body.append(f"{'    ' if not block else '        '}out += ({', '.join(tuples)},)")
                tuples.clear()

        for want in self.wants:
            guard = self.guard(want.field)
            if guard != block:
                flush()
                block = guard
                if guard:
                    body.append(f"    if {guard}:")
            value = self.value(want.field)
            if want.converts:
                value = f"({value}) * {want.factor!r} + {want.offset!r}"
            if not want.field.is_float and self.bounded(want):
                tuples.append(f"new(S, ({want.column}, t, {value}, GOOD))")
                continue
            flush()
            counts = True
            indent = "        " if block else "    "
            body += [
                f"{indent}v = {value}",
                f"{indent}if v - v == 0:",  # false for NaN and for both infinities
                f"{indent}    out.append(new(S, ({want.column}, t, v, GOOD)))",
                f"{indent}else:",
                f"{indent}    out.append(new(S, ({want.column}, t, nan, BAD)))",
                f"{indent}    bad += 1",
            ]
        flush()
        if counts:
            self.lines.append("    bad = 0")
        return "\n".join([*self.lines, *body, f"    return {'bad' if counts else '0'}", ""])

    @staticmethod
    def bounded(want: _Want) -> bool:
        """True when no raw value can make the converted value infinite."""
        field = want.field
        largest = float(1 << field.length) * abs(field.scale) + abs(field.offset)
        return math.isfinite(largest * abs(want.factor) + abs(want.offset))


def _compile(wants: Sequence[_Want]) -> Decode:
    writer = _Writer(wants)
    text = writer.text()
    space: dict[str, Any] = dict(writer.constants)
    exec(compile(text, "<decoder>", "exec"), space)  # our own text; see the theory of operation
    decode: Decode = space["decode"]
    return decode
