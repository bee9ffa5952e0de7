"""What a report consists of before it has a look: sections of plain text, tables and charts."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["Block", "Bullets", "Chart", "Front", "Heading", "Para", "Report", "Section", "Table"]


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
    """A table with a caption; columns in `right` hold numbers.

    `weights` are of the rows: ``bad``, ``open`` or empty; none given is empty for all.
    """

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[int, ...] = ()
    weights: tuple[str, ...] = ()


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
class Front:
    """A first page that stands by itself: the outcome in a sentence, what is as wide as the page, what stands in two
    columns under a title each, and who signs. `weight` of the outcome is ``bad``, ``open`` or empty. `blanks` are
    labels of lines to write on, beneath the facts.
    """

    outcome: str
    weight: str
    wide: tuple[Block, ...]
    beside: tuple[tuple[str, tuple[Block, ...]], ...]
    signatures: tuple[str, ...]
    blanks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report. `facts` and `answer` are (label, text); `banner` stands on every page when it is not empty.

    `made_by` names the program that wrote it. With a `front` the sections are its annex, on pages of their own.
    """

    title: str
    facts: tuple[tuple[str, str], ...]
    answer: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    banner: str = ""
    made_by: str = ""
    front: Front | None = None
