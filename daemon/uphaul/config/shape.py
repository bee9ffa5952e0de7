"""Checks one file's shape against its model and goes on with what is left when parts of it are wrong.

Theory of operation. A file that does not fit is cut: each faulty entry (one signal, one rule, one top-level key) is
taken out and the rest is checked again, so that the faults of other files and other entries still come to light. The
names of entries that were taken out stay known, lest one fault make ten.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from uphaul.config import model as m
from uphaul.config.problems import Problems, nearest
from uphaul.config.words import allowed, fields_of, locate, members

__all__ = ["Shaped", "parse", "shape"]

F = TypeVar("F", bound=m.Table)

ENTRIES = ("source", "sensor", "signal", "computed", "tune")
"""Top-level tables whose entries are cut out one by one."""

_ERROR_PLACE = re.compile(r" \(at (line \d+, column \d+|end of document)\)$")


@dataclass(frozen=True, slots=True)
class Shaped(Generic[F]):
    """What of a file fits its model.

    `named` are all names of each of its tables, cut ones included; `places` the indices in the file of the rules left.
    `sound` is False for a file of which nothing could be read.
    """

    file: str
    data: F
    named: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    places: tuple[int, ...] = ()
    sound: bool = True


def parse(text: str, file: str, problems: Problems) -> dict[str, Any] | None:
    """The TOML as plain data, or None with the place of the fault noted."""
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except ValueError as error:  # TOMLDecodeError, or a number of thousands of digits
        message = str(error)
        place = _ERROR_PLACE.search(message)
        what = _ERROR_PLACE.sub("", message)
        problems.add(file, place.group(1) if place else "text", None, f"is not TOML: {what[:1].lower() + what[1:]}")
    except RecursionError:
        problems.add(file, "text", None, "is nested too deeply to be a configuration")
    return None


def shape(model: type[F], data: dict[str, Any], file: str, problems: Problems) -> Shaped[F]:
    """`data` as `model`, faults noted and cut out."""
    named = {k: tuple(v) for k, v in data.items() if isinstance(v, dict)}
    rules = data.get("rule")
    if isinstance(rules, list):
        named["rule"] = tuple(r["name"] for r in rules if isinstance(r, dict) and isinstance(r.get("name"), str))
    places = list(range(len(rules))) if isinstance(rules, list) else []
    try:
        return Shaped(file, model.model_validate(data), named, tuple(places))
    except ValidationError as error:
        details = error.errors(include_url=False)
    cut: set[tuple[str | int, ...]] = set()
    for detail in details:
        _note(model, data, detail, file, problems)
        loc = detail["loc"]
        entry = loc[0] in ENTRIES or (loc[0] == "rule" and len(loc) > 1)
        cut.add(tuple(loc[: 2 if entry else 1]))
    left = {k: v for k, v in data.items() if (k,) not in cut}
    for table in ENTRIES:
        if isinstance(left.get(table), dict):
            left[table] = {k: v for k, v in left[table].items() if (table, k) not in cut}
    if isinstance(left.get("rule"), list):
        places = [i for i in places if ("rule", i) not in cut]
        left["rule"] = [left["rule"][i] for i in places]
    else:
        places = []
    return Shaped(file, model.model_validate(left), named, tuple(places))


def _note(model: type[m.Table], data: dict[str, Any], detail: ErrorDetails, file: str, problems: Problems) -> None:
    """Put one of pydantic's findings into our words."""
    kind, loc, value = detail["type"], detail["loc"], detail["input"]
    place = locate(model, loc)
    within = _rule_name(data, loc)
    path, known, hint = place.path, [], None
    if kind == "extra_forbidden":
        keys = fields_of(place.owner) if place.owner else {}
        hint = nearest(str(loc[-1]), keys)
        text = _foreign_key(place.owner, str(loc[-1]))
    elif kind in ("union_tag_invalid", "union_tag_not_found") and "number" not in members(place.annotation):
        known = list(members(place.annotation))
        path += ".kind"
        value = value.get("kind") if isinstance(value, dict) else value
        text = "must be one of " + ", ".join(known)
        if kind == "union_tag_not_found":
            text, value = "is required: one of " + ", ".join(known), None
    elif kind == "missing":
        text, value = "is required: " + allowed(place.annotation, place.field), None
    elif place.is_name:
        text, value = "must be named with " + m.PATTERNS[detail["ctx"]["pattern"]], None
    elif kind == "literal_error":
        text = "must be " + allowed(place.annotation, place.field)
        known = text.removeprefix("must be one of ").split(", ")
    elif kind in ("too_long", "too_short"):
        context = detail["ctx"]
        limit = f"at most {context['max_length']}" if "max_length" in context else f"at least {context['min_length']}"
        text, value = f"must have {limit} entries, not {context['actual_length']}", None
    else:
        text = "must be " + allowed(place.annotation, place.field)
    problems.add(file, path, value, text + within, known=known, hint=hint)


def _foreign_key(owner: type[m.Table] | Any, name: str) -> str:
    """A key that stands where it does not belong: which kinds of the table have it, if any do."""
    if owner is None or "kind" not in owner.model_fields:
        return "is no key of this table"
    mine = allowed(owner.model_fields["kind"].annotation).removeprefix("one of ")
    unions = (members(m.RuleTable), members(m.SourceTable), members(m.SensorTable))
    siblings = next((u for u in unions if mine in u), {})
    having = [tag for tag, each in siblings.items() if name in fields_of(each)]
    return f"is no key of kind {mine}" + (f"; it belongs to {', '.join(having)}" if having else "")


def _rule_name(data: dict[str, Any], loc: tuple[int | str, ...]) -> str:
    if len(loc) < 2 or loc[0] != "rule" or not isinstance(loc[1], int):
        return ""
    rule = data["rule"][loc[1]]
    name = rule.get("name") if isinstance(rule, dict) else None
    return f" (rule {name!r})" if isinstance(name, str) and len(name) <= 60 else ""
