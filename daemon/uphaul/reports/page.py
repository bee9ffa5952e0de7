"""What a report consists of before it has a look: sections of plain text, tables and charts."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["Block", "Bullets", "Chart", "Heading", "Para", "Report", "Section", "Table"]


@dataclass(frozen=True, slots=True)
class Para:
    """A paragraph; `weight` is ``""``, ``caution`` or ``small``."""

    text: str
    weight: str = ""


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading within a section, for the blocks that follow it."""

    text: str


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list, each item on its own."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A table with a caption; columns in `right` hold numbers."""

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Chart:
    """A drawing with its `title`, and in `text` what it shows, for whoever can't see it. `svg` is ready for a page."""

    title: str
    text: str
    svg: str = field(repr=False)


Block = Para | Heading | Bullets | Table | Chart


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a report; `name` is its address within the page."""

    name: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report. `facts` and `answer` are (label, text); `banner` stands on every page when it is not empty.

    `made_by` names the program that wrote it.
    """

    title: str
    facts: tuple[tuple[str, str], ...]
    answer: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    banner: str = ""
    made_by: str = ""
