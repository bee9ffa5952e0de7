"""Writes, for each message, the Python function that takes its frames apart.

Theory of operation. The text of such a function is our own: of the DBC nothing enters it but integers and finite
floats, by `repr`. It makes the frame one integer and shifts every field out of it, the faster the fewer steps there
are; a frame too short for that goes through a slow path that asks field by field. The functions hold no state.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from uphaul.signals import Quality, Sample

__all__ = ["FLOAT_CODES", "Decode", "Field", "Want", "compile_message"]

Decode = Callable[[bytes | bytearray, float, list[Sample]], int]
"""(data, time in ms, list to append samples to) -> number of undecodable samples among them."""

SHARED_BYTES = 8
"""Up to here the whole frame is made one integer and every field shifted out of it; beyond, field by field."""

FLOAT_CODES = {16: "e", 32: "f", 64: "d"}


@dataclass(frozen=True, slots=True)
class Field:
    """Where a field lies and what it means. `first`, `end`: its bytes [first, end); `shift`: bits below it in them.

    `guards`: (multiplexer, its numbers) pairs that must all match for the frame to carry the field. `bounds`: the
    largest raw value and the smallest that means "not available", None where every raw number is a value.
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
    guards: tuple[tuple[Field, frozenset[int]], ...] = ()
    bounds: tuple[int, int] | None = None

    @property
    def order(self) -> str:
        return "big" if self.big else "little"

    @property
    def scaled(self) -> bool:
        return not (self.scale == 1 and self.offset == 0)

    def bits(self, data: bytes | bytearray) -> int:
        """The raw number from `data`, which reaches `end` at least."""
        number = int.from_bytes(data[self.first : self.end], "big" if self.big else "little")
        return number >> self.shift & (1 << self.length) - 1

    def raw(self, data: bytes | bytearray) -> int | float:
        """The number before it is scaled, with its sign, from `data`, which reaches `end` at least."""
        bits = self.bits(data)
        if self.is_float:
            number: float = struct.unpack("<" + FLOAT_CODES[self.length], bits.to_bytes(self.length // 8, "little"))[0]
            return number
        return bits - (1 << self.length) if self.signed and bits >> (self.length - 1) else bits

    def value(self, data: bytes | bytearray) -> int | float:
        """The scaled value from `data`, which reaches `end` at least."""
        raw = self.raw(data)
        return raw * self.scale + self.offset if self.scaled else raw

    def carried(self, data: bytes | bytearray) -> bool:
        """Whether its multiplexers say that the frame carries it; False where the frame is too short to tell."""
        for selector, numbers in self.guards:
            if len(data) < selector.end:
                return False
            value = selector.value(data)
            if not math.isfinite(value) or int(value) not in numbers:
                return False
        return True


@dataclass(frozen=True, slots=True)
class Want:
    """A field and the column that its value goes to, times factor plus offset."""

    column: int
    field: Field
    factor: float
    offset: float

    @property
    def converts(self) -> bool:
        return not (self.factor == 1 and self.offset == 0)


def _code_quality(absent: bool) -> Quality:
    return Quality.NOT_FITTED if absent else Quality.UNDECODABLE


def _short(wants: Sequence[Want]) -> Decode:
    """The slow path: every field asked for by itself, with what it takes to reach it."""

    def decode(data: bytes | bytearray, t_ms: float, out: list[Sample]) -> int:
        bad = 0
        for want in wants:
            if not want.field.carried(data):
                continue
            value = math.nan
            if len(data) >= want.field.end:
                if want.field.bounds is not None and (raw := want.field.bits(data)) > want.field.bounds[0]:
                    absent = raw >= want.field.bounds[1]
                    out.append(Sample(want.column, t_ms, math.nan, _code_quality(absent)))
                    bad += not absent
                    continue
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

    def __init__(self, wants: Sequence[Want]) -> None:
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
            "NONE": Quality.NOT_FITTED,
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
        self.names: dict[Field, str] = {}
        for selector in dict.fromkeys(selectors):
            name = self.names[selector] = f"m{len(self.names)}"
            value = self.value(selector)
            if selector.is_float:
                self.lines += [f"    {name} = {value}", f"    {name} = int({name}) if {name} - {name} == 0 else None"]
            else:
                self.lines.append(f"    {name} = {value if self.whole(selector) else f'int({value})'}")

    @staticmethod
    def whole(field: Field) -> bool:
        """True when the scaled value is an integer by type."""
        return not field.is_float and isinstance(field.scale, int) and isinstance(field.offset, int)

    def constant(self, value: object) -> str:
        name = f"c{len(self.constants)}"
        self.constants[name] = value
        return name

    def value(self, field: Field) -> str:
        """The expression of the scaled value."""
        return self.scaled(field, self.raw(field))

    @staticmethod
    def scaled(field: Field, raw: str) -> str:
        return f"({raw}) * {field.scale!r} + {field.offset!r}" if field.scaled else f"({raw})"

    def raw(self, field: Field) -> str:
        mask = (1 << field.length) - 1
        size = field.end - field.first
        if field.is_float and field.shift == 0 and field.length == 8 * size:
            code = (">" if field.big else "<") + FLOAT_CODES[field.length]
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
            unpack = self.constant(struct.Struct("<" + FLOAT_CODES[field.length]).unpack)
            return f'{unpack}(({text}).to_bytes({field.length // 8}, "little"))[0]'
        if field.signed:
            sign = 1 << (field.length - 1)
            text = f"(({text}) ^ {sign}) - {sign}"
        return text

    def guard(self, field: Field) -> str:
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
            value = self.value(want.field) if want.field.bounds is None else self.scaled(want.field, "r")
            if want.converts:
                value = f"({value}) * {want.factor!r} + {want.offset!r}"
            if want.field.bounds is not None:
                flush()
                counts = True
                body += self.coded(want, value, "        " if block else "    ")
                continue
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

    def coded(self, want: Want, value: str, indent: str) -> list[str]:
        """The lines for a field with codes in the place of values; `value` is the expression of its raw number r."""
        assert want.field.bounds is not None
        largest, absent = want.field.bounds
        lines = [
            f"r = {self.raw(want.field)}",
            f"if r <= {largest}:",
            f"    out.append(new(S, ({want.column}, t, {value}, GOOD)))",
            "else:",
            f"    out.append(new(S, ({want.column}, t, nan, NONE if r >= {absent} else BAD)))",
            f"    bad += r < {absent}",
        ]
        return [indent + line for line in lines]

    @staticmethod
    def bounded(want: Want) -> bool:
        """True when no raw value can make the converted value infinite."""
        field = want.field
        largest = float(1 << field.length) * abs(field.scale) + abs(field.offset)
        return math.isfinite(largest * abs(want.factor) + abs(want.offset))


def compile_message(wants: Sequence[Want]) -> Decode:
    if any(want.field.bounds is not None and not _Writer.bounded(want) for want in wants):
        return _short(wants)  # a factor that no reading has: not worth a third kind of line
    writer = _Writer(wants)
    text = writer.text()
    space: dict[str, Any] = dict(writer.constants)
    exec(compile(text, "<decoder>", "exec"), space)  # our own text; see the theory of operation
    decode: Decode = space["decode"]
    return decode
