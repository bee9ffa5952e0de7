"""Checks one file's shape against its model and goes on with what is left when parts of it are wrong.

Theory of operation. A file that does not fit is cut, as little as possible, and checked again, until what is left
fits: a key that may be left out goes alone, for a key that is required its table goes, in the end the whole entry (one
signal, one rule). A wrong kind that is nearly a right one is taken for that one. So other faults come to light.
What was cut is *explained*: that a table then lacks it is no fault of its own. The names of entries that were taken out
stay known, lest one fault make ten. Of a rule whose kind means nothing the keys that all rules have are checked.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from uphaul.config import model as m
from uphaul.config.problems import Problems, nearest
from uphaul.config.vehicle_tables import PartTable
from uphaul.config.words import allowed, fields_of, locate, members

__all__ = ["Shaped", "parse", "shape"]

F = TypeVar("F", bound=m.Table)
Loc = tuple[int | str, ...]

ENTRIES = ("source", "sensor", "signal", "computed", "tune", "part", "step")
"""Top-level tables whose entries are cut out one by one."""

BAD_KIND = ("union_tag_invalid", "union_tag_not_found")
LIMITS = {"above", "below"}

_ERROR_PLACE = re.compile(r" \(at (line \d+, column \d+|end of document)\)$")


@dataclass(frozen=True, slots=True)
class Shaped(Generic[F]):
    """What of a file fits its model.

    `named` are all names of each of its tables, cut ones included; `places` the indices in the file of the rules left;
    `common` the rules whose kind is none, with their indices. `sound` is False for a file of which nothing could be
    read.
    """

    file: str
    data: F
    named: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    places: tuple[int, ...] = ()
    common: tuple[tuple[int, m.RuleBase], ...] = ()
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
    left, common = copy.deepcopy(data), list[tuple[int, m.RuleBase]]()
    while True:
        try:
            return Shaped(file, model.model_validate(left), named, tuple(places), tuple(common))
        except ValidationError as error:
            details = error.errors(include_url=False)
        renamed: dict[Loc, str] = {}
        cuts: dict[Loc, tuple[Loc, str | None]] = {}
        for detail in details:
            loc = here = detail["loc"]
            if loc[0] == "rule" and len(loc) > 1 and isinstance(loc[1], int):
                here = (loc[0], places[loc[1]], *loc[2:])  # as it is counted in the file
                detail["loc"] = here
            meant = _note(model, data, detail, file, problems)
            if detail["type"] == "union_tag_invalid" and meant is not None:
                renamed[loc] = meant
                continue
            if detail["type"] in BAD_KIND and loc[0] == "rule" and len(loc) == 2:
                common += _common(model, data, here, file, problems)
            if loc[-1] == "[key]" and meant is not None and loc[0] in named:
                named[str(loc[0])] += (meant,)  # by which the rest may well speak of it
            cut = _least(model, loc)
            cuts[cut] = (*here[:2], *cut[2:]), meant
        before = copy.deepcopy(left)
        for loc, kind in renamed.items():
            _table_at(left, loc)["kind"] = kind
        for there, meant in cuts.values():
            _explain(there, meant, file, problems)
        for cut in sorted(
            cuts, key=lambda cut: (len(cut), str(cut[0]), cut[1:2] if cut[0] == "rule" else ()), reverse=True
        ):
            _cut(left, cut, places)
        if left == before:  # a finding that leads nowhere: without the whole of it, lest this never end
            for detail in details:
                _cut(left, detail["loc"][:1], places)


def _least(model: type[m.Table], loc: Loc) -> Loc:
    """Where the least part lies that can go with what stands at `loc`, as keys and indices without pydantic's tags."""
    steps: list[tuple[int | str, bool]] = []
    path = ""
    for n, step in enumerate(loc):
        place = locate(model, loc[: n + 1])
        if place.path == path:  # the name of a member of a union, or "[key]"
            continue
        path = place.path
        steps.append((step, isinstance(step, str) and (place.field is None or not place.field.is_required())))
    while len(steps) > 1 and not steps[-1][1] and not (len(steps) == 2 and steps[0][0] in (*ENTRIES, "rule")):
        steps.pop()
    return tuple(step for step, _ in steps)


def _explain(there: Loc, meant: str | None, file: str, problems: Problems) -> None:
    """Keep silent about what only follows from the cut: the key itself, and the one that was `meant` by it."""
    if len(there) == 2 and there[0] in (*ENTRIES, "rule"):
        return  # a whole entry: its name stays known
    table, keys = _path(there[:-1]), {str(there[-1]), meant or str(there[-1])}
    if keys & LIMITS:
        keys |= {*LIMITS, "tune"}  # without it not even the side is known
    problems.explain(file, table, keys)


def _path(steps: Loc) -> str:
    return "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in steps).lstrip(".")


def _table_at(data: Any, steps: Loc) -> Any:
    for step in steps:
        data = data[step]
    return data


def _cut(data: dict[str, Any], steps: Loc, places: list[int]) -> None:
    """Take out what stands there, unless it has gone with what it stood in."""
    try:
        table = _table_at(data, steps[:-1])
        del table[steps[-1]]
    except (KeyError, IndexError, TypeError):
        return
    if steps[0] == "rule":
        if len(steps) == 1:
            places.clear()
        elif len(steps) == 2:
            del places[int(steps[1])]


def _common(
    model: type[m.Table], data: dict[str, Any], loc: Loc, file: str, problems: Problems
) -> list[tuple[int, m.RuleBase]]:
    """The rule there, whose kind means nothing, by the keys that all rules have; none if these are at fault too."""
    place, rule = int(loc[1]), data["rule"][int(loc[1])]
    kinds = members(m.RuleTable)
    known = {key for table in kinds.values() for key in fields_of(table)}
    meant = set[str | None]()
    for key in rule:
        if key not in known:
            hint = nearest(key, known)
            meant.add(hint)
            problems.add(
                file, f"rule[{place}].{key}", rule[key], "is no key of any rule" + _rule_name(data, loc), hint=hint
            )
    shared = {key: value for key, value in rule.items() if key in fields_of(m.RuleBase)}
    try:
        return [(place, m.RuleBase.model_validate(shared))]
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            if detail["type"] != "missing" or detail["loc"][0] not in meant:
                detail["loc"] = (*loc, next(iter(kinds)), *detail["loc"])  # any kind has these keys
                _note(model, data, detail, file, problems)
    return []


def _note(
    model: type[m.Table], data: dict[str, Any], detail: ErrorDetails, file: str, problems: Problems
) -> str | None:
    """Put one of pydantic's findings into our words; the key or kind that was meant, if it is a wrong one of these."""
    kind, loc, value = detail["type"], detail["loc"], detail["input"]
    place = locate(model, loc)
    within = _rule_name(data, loc)
    path, known, hint, meant = place.path, [], None, None
    if kind == "extra_forbidden":
        keys = fields_of(place.owner) if place.owner else {}
        hint = meant = nearest(str(loc[-1]), keys)
        text = _foreign_key(place.owner, str(loc[-1]), () if hint else keys)
    elif kind in ("union_tag_invalid", "union_tag_not_found") and "number" not in members(place.annotation):
        known = list(members(place.annotation))
        path += ".kind"
        value = value.get("kind") if isinstance(value, dict) else value
        meant = nearest(value, known)
        text = "must be one of " + ", ".join(known)
        if kind == "union_tag_not_found":
            text, value = "is required: one of " + ", ".join(known), None
    elif kind == "missing":
        text, value = "is required: " + allowed(place.annotation, place.field), None
    elif place.is_name:
        pattern = detail["ctx"]["pattern"]
        text, value = "must be named with " + m.PATTERNS[pattern], None
        plain = re.sub("[^a-z0-9_]+", "_", str(loc[-2]).casefold())
        hint = meant = plain if re.search(pattern, plain) else None
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
    return meant


def _foreign_key(owner: type[m.Table] | Any, name: str, keys: Iterable[str]) -> str:
    """A key that stands where it does not belong: which kinds of the table have it; if none do, the `keys` it has."""
    instead = ", which has " + ", ".join(keys) if keys else ""
    if owner is None or "kind" not in owner.model_fields:
        return "is no key of this table" + instead
    mine = allowed(owner.model_fields["kind"].annotation).removeprefix("one of ")
    unions = (members(m.RuleTable), members(m.SourceTable), members(m.SensorTable), members(PartTable))
    siblings = next((u for u in unions if mine in u), {})
    having = [tag for tag, each in siblings.items() if name in fields_of(each)]
    return f"is no key of kind {mine}" + (f"; it belongs to {', '.join(having)}" if having else instead)


def _rule_name(data: dict[str, Any], loc: tuple[int | str, ...]) -> str:
    if len(loc) < 2 or loc[0] != "rule" or not isinstance(loc[1], int):
        return ""
    rule = data["rule"][loc[1]]
    name = rule.get("name") if isinstance(rule, dict) else None
    return f" (rule {name!r})" if isinstance(name, str) and len(name) <= 60 else ""
