"""The table of a computed signal and what its constants may be."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Discriminator, Field, Tag

from uphaul.config.tables import ONE_LINE, Table, key, table

__all__ = ["ComputedTable", "MapTable"]

MOST = 100
"""Most entries of a list or knots along one axis of a map."""

Numbers = Annotated[list[float], Field(min_length=1, max_length=MOST)]
Axis = Annotated[list[float], Field(min_length=2, max_length=MOST)]


class MapTable(Table):
    """A value over two inputs of a formula."""

    x: Axis = key("knots along the first input, strictly increasing")
    y: Axis = key("knots along the second input, strictly increasing")
    z: Annotated[list[Axis], Field(min_length=2, max_length=MOST)] = key(
        "for each x a list with the value at each y; straight between knots, end values held"
    )


def _constant_tag(value: Any) -> str:
    if isinstance(value, dict):
        return "map"
    if isinstance(value, list):
        return "list"
    return "text" if isinstance(value, str) else "number"


ConstantValue = Annotated[
    Annotated[float, Tag("number")]
    | Annotated[str, Tag("text")]
    | Annotated[Numbers, Tag("list")]
    | Annotated[MapTable, Tag("map")],
    Discriminator(_constant_tag),
]


class ComputedTable(Table):
    """A signal computed from others at every tick."""

    formula: str = key("name of a formula")
    inputs: dict[str, str] = key("the formula's input names, each with a signal's name")
    unit: str = key("unit of the result")
    range: Annotated[list[float], Field(min_length=2, max_length=2)] | None = key(
        "[lowest, highest] believable value; outside is unknown", None
    )
    per_unit: int | None = key(
        "counts per unit: the resolution that is judged and logged; left out: by the unit", None, ge=1, le=1_000_000
    )
    constants: dict[str, ConstantValue] = table("constants of the formula that differ from its defaults")
    required: bool = key("adds a rule lost:NAME unless one is written for this signal", False)
    meaning: str = key("what it is, in words for people", "", max_length=120, pattern=ONE_LINE)
    uncertainty: float | None = key(
        "standard uncertainty in the signal's unit, in the place of that of its inputs", None, ge=0
    )
    typical: float | None = key("a value under load, for formulas that look back in time", None)
    usual: float | None = key(
        "a value on a level road: from there to its limit is the whole room; left out: that of its inputs", None
    )
