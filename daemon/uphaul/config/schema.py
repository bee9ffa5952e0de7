"""JSON Schemas and the reference of every key, both made from the models."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, get_args, get_origin

from pydantic import BaseModel

from uphaul.config import model as m
from uphaul.config.calibration import CALIBRATION, CalibrationFile
from uphaul.config.field_check_tables import FIELD_CHECK, FieldCheckFile, OfSheetTable
from uphaul.config.tables import Table
from uphaul.config.words import allowed, default_words, fields_of, members, plain

__all__ = ["SCHEMA_NAMES", "KeyRow", "amount_rows", "json_schema", "key_rows", "reference_table"]

_MODELS: dict[str, type[Table]] = {**m.FILES, FIELD_CHECK: FieldCheckFile, CALIBRATION: CalibrationFile}

SCHEMA_NAMES = {name.removesuffix(".toml"): name for name in _MODELS}
"""Short name of each file, as in ``uphaul config schema --file signals``."""

DIALECT = "https://json-schema.org/draft/2020-12/schema"


@dataclass(frozen=True, slots=True)
class KeyRow:
    """One key as the reference tells it; `path` has NAME for the owner's names and [] for list entries."""

    path: str
    allowed: str
    default: str
    meaning: str

    def line(self) -> str:
        """The row of the reference's table."""
        cells = (f"`{self.path}`", self.allowed, self.default, self.meaning)
        return "| " + " | ".join(c.replace("|", "\\|") for c in cells) + " |"


def json_schema(name: str) -> str:
    """The JSON Schema of one file by its short name, as text for a file."""
    model = _MODELS[SCHEMA_NAMES[name]]
    schema = {"$schema": DIALECT, **model.model_json_schema(by_alias=True)}
    for each in schema.get("$defs", {}).values():
        each.pop("title", None)
    schema["title"] = SCHEMA_NAMES[name]
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"


def key_rows(name: str) -> list[KeyRow]:
    """Every key of one file, those of curves and shares aside (`amount_rows`)."""
    return list(_rows(_MODELS[SCHEMA_NAMES[name]], ""))


def amount_rows() -> list[KeyRow]:
    """The keys of the tables that may stand in the place of a number."""
    return [*_rows(m.CurveTable, ""), *_rows(m.ShareTable, ""), *_rows(m.MapTable, ""), *_rows(OfSheetTable, "")]


def reference_table(rows: Iterable[KeyRow]) -> str:
    """The rows as a table for the reference."""
    head = "| key | what it may be | default | meaning |\n|---|---|---|---|\n"
    return head + "".join(row.line() + "\n" for row in rows)


def _rows(model: type[BaseModel], prefix: str) -> Iterator[KeyRow]:
    for key, field in fields_of(model).items():
        path = f"{prefix}{key}"
        yield KeyRow(path, allowed(field.annotation, field), default_words(field), field.description or "")
        yield from _below(field.annotation, path)


def _below(annotation: Any, path: str) -> Iterator[KeyRow]:
    """The rows of the tables that stand under a key."""
    union = members(annotation)
    annotation, _ = plain(annotation)
    if union and "number" not in union:
        yield from _kinds(union, path)
    elif isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield from _rows(annotation, path + ".")
    elif get_origin(annotation) is list:
        yield from _below(get_args(annotation)[0], f"{path}[]")
    elif get_origin(annotation) is dict:
        yield from _below(get_args(annotation)[1], f"{path}.NAME")


def _kinds(union: dict[str, Any], path: str) -> Iterator[KeyRow]:
    """Rows of tables of several kinds: what all share once, everything else with the kinds that it is for."""
    yield KeyRow(f"{path}.kind", "one of " + ", ".join(union), "required", "what it is; decides which keys it has")
    having: dict[KeyRow, list[str]] = {}
    for tag, table in union.items():
        for row in _rows(table, path + "."):
            if row.path != f"{path}.kind":
                having.setdefault(row, []).append(tag)
    shared = [row for row, tags in having.items() if len(tags) == len(union)]
    yield from shared
    for row, tags in having.items():
        if row not in shared:
            yield KeyRow(row.path, row.allowed, row.default, f"({', '.join(tags)}) {row.meaning}")
