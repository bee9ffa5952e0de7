"""Says in plain words what a key of the configuration may hold, from the models; used by problems and reference."""

from __future__ import annotations

import types
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import annotated_types as at
from pydantic import BaseModel, Tag
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from uphaul.config import model as m

__all__ = ["Place", "allowed", "default_words", "fields_of", "locate", "members", "unit_of"]


@dataclass(frozen=True, slots=True)
class Place:
    """Where an error's location leads: the key path, the table it lies in, its field if there is one."""

    path: str
    owner: type[BaseModel] | None
    field: FieldInfo | None
    annotation: Any
    is_name: bool = False


def fields_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """The model's fields by the key that stands in the file."""
    return {f.alias or name: f for name, f in model.model_fields.items()}


def plain(annotation: Any) -> tuple[Any, list[Any]]:
    """`annotation` without Annotated and without None, with the metadata found on the way."""
    found: list[Any] = []
    while True:
        if get_origin(annotation) is Annotated:
            annotation, *extra = get_args(annotation)
            found += extra
            continue
        if get_origin(annotation) in (Union, types.UnionType):
            rest = [a for a in get_args(annotation) if a is not type(None)]
            if len(rest) == 1:
                annotation = rest[0]
                continue
        return annotation, found


def members(annotation: Any) -> dict[str, Any]:
    """The members of a tagged union by tag; empty for anything else."""
    annotation, _ = plain(annotation)
    if get_origin(annotation) not in (Union, types.UnionType):
        return {}
    out: dict[str, Any] = {}
    for each in get_args(annotation):
        inner, extra = plain(each)
        tags = [e.tag for e in extra if isinstance(e, Tag)]
        if tags:
            out[tags[0]] = inner
        elif isinstance(inner, type) and issubclass(inner, BaseModel) and "kind" in inner.model_fields:
            out[get_args(inner.model_fields["kind"].annotation)[0]] = inner
    return out


def locate(root: type[BaseModel], loc: Sequence[str | int]) -> Place:
    """Follow an error's location from the file's model; tags of unions are no part of the path."""
    path, is_name = "", False
    owner: type[BaseModel] | None = None
    field: FieldInfo | None = None
    annotation: Any = root
    for step in loc:
        annotation, _ = plain(annotation)
        union = members(annotation)
        if isinstance(step, str) and step in union:
            annotation = annotation if step == "number" else union[step]
            continue
        if step == "[key]":
            is_name = True
            break
        if isinstance(step, str) and get_origin(annotation) in (Union, types.UnionType):
            # which of several plain types was tried is no part of the path either
            lists = [a for a in get_args(annotation) if get_origin(a) is list and step.startswith("list")]
            annotation = lists[0] if lists else annotation
            continue
        path += f"[{step}]" if isinstance(step, int) else f".{step}" if path else step
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            owner, field = annotation, fields_of(annotation).get(str(step))
            annotation = field.annotation if field else None
        elif get_origin(annotation) in (list, dict):
            annotation = get_args(annotation)[-1]
        else:
            field, annotation = None, None
    return Place(path, owner, field, annotation, is_name)


def _bounds(metadata: Sequence[Any]) -> tuple[str, str]:
    """(bounds of a number, pattern or length of a text) in words."""
    low = high = text = ""
    longest = None
    for each in metadata:
        if isinstance(each, at.Ge):
            low = f"{each.ge:,}"
        elif isinstance(each, at.Gt):
            low = f"above {each.gt:,}"
        elif isinstance(each, at.Le):
            high = f"{each.le:,}"
        elif isinstance(each, at.MaxLen):
            longest = each.max_length
        elif getattr(each, "pattern", None):
            text = m.PATTERNS[each.pattern]
    low, high = low.removesuffix(".0"), high.removesuffix(".0")
    if longest is not None:
        text = (text or "text") + f", at most {longest} characters"
    if low and high:
        return (f"{low}, at most {high}" if low.startswith("above") else f"from {low} to {high}"), text
    if low and not low.startswith("above"):
        low = f"of at least {low}"
    return low or (f"at most {high}" if high else ""), text


def unit_of(field: FieldInfo) -> str:
    """The key's unit, empty if it has none of its own."""
    extra = field.json_schema_extra
    return str(extra["unit"]) if isinstance(extra, dict) and "unit" in extra else ""


def allowed(annotation: Any, field: FieldInfo | None = None) -> str:
    """What may stand there: ``a number from 0 to 3,600, in s``."""
    annotation, extra = plain(annotation)
    metadata = [*extra, *(field.metadata if field else [])]
    metadata += [x for e in extra if isinstance(e, FieldInfo) for x in e.metadata]
    bounds, text = _bounds(metadata)
    unit = unit_of(field) if field else ""
    tail = (f" {bounds}" if bounds else "") + (f", in {unit}" if unit else "")
    union = members(annotation)
    if union:
        words = {"number": "a number", "curve": "{ over, points }", "share": "{ share }"}
        words |= {"text": "text", "list": "a list of numbers", "map": "{ x, y, z }", "sheet": "{ share, of }"}
        if "number" in union:
            return " or ".join(words[tag] for tag in union)
        return "a table whose kind is one of " + ", ".join(union)
    if annotation is float:
        return "a number" + tail
    if annotation is int:
        return "a whole number" + tail
    if annotation is bool:
        return "true or false"
    if annotation is str:
        return text if text.startswith("text") else f"text: {text}" if text else "text"
    if get_origin(annotation) is Literal:
        return "one of " + ", ".join(str(a) for a in get_args(annotation))
    if get_origin(annotation) in (Union, types.UnionType):
        return " or ".join(dict.fromkeys(allowed(a) for a in get_args(annotation) if a is not type(None)))
    if get_origin(annotation) is list:
        return _list_words(get_args(annotation)[0], metadata)
    return "a table"


def _list_words(item: Any, metadata: Sequence[Any]) -> str:
    inner, of_item = plain(item)
    fixed = [x.max_length for x in metadata if isinstance(x, at.MaxLen)]
    if inner is float and fixed == [2]:
        return "a list of two numbers"
    lengths = [x for e in of_item if isinstance(e, FieldInfo) for x in e.metadata] + of_item
    if get_origin(inner) is list and [x.max_length for x in lengths if isinstance(x, at.MaxLen)] != [2]:
        return "a list of lists of numbers"
    if get_origin(inner) is list:
        return "a list of 2 to 100 pairs of numbers"
    if isinstance(inner, type) and issubclass(inner, BaseModel):
        return "a list of tables"
    if members(item):
        return "a list of tables whose kind is one of " + ", ".join(members(item))
    return "a list of " + {str: "texts", float: "numbers", int: "whole numbers"}.get(inner, "values")


def default_words(field: FieldInfo) -> str:
    """The default as it would stand in the file, ``required``, or ``–`` for a key that may be left out."""
    if field.is_required():
        return "required"
    if field.default_factory is not None or field.default is None or field.default is PydanticUndefined:
        return "–"
    value = field.default
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return f'"{value}"' if isinstance(value, str) else str(value)
