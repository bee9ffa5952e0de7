"""Changes single keys in the text of a rules file and leaves every other character of it alone, comments included."""

from __future__ import annotations

import difflib
import math
import pickle
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from uphaul.errors import UphaulError

__all__ = ["KEYS", "Edit", "Key", "changed", "diff", "edit_of", "keys_of"]

KEYS = ("above", "below", "deadband", "on_delay_s", "off_delay_s", "allowed_s", "within_s")
"""What can be moved: limit, deadband, delays, and what exposure and reach rules allow. In rule and tune alike."""

Value = float | tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Edit:
    """One key of a rule, or of its table for a tune, and its new value: for a curve the y of every knot.

    `share` values (of a deadband or limit that is a share) are given as the share.
    """

    rule: str
    tune: str
    key: str
    value: Value


@dataclass(frozen=True, slots=True)
class Key:
    """One key as it stands in the file. `kind`: number, share or curve; `knots` are the x of a curve over `over`."""

    tune: str
    key: str
    kind: str
    value: Value
    over: str = ""
    knots: tuple[float, ...] = ()


def edit_of(told: object) -> Edit:
    """An edit as the page sends it. Raises UphaulError for what cannot be meant."""
    if not isinstance(told, dict) or not {"rule", "key", "value"} <= told.keys() <= {"rule", "tune", "key", "value"}:
        raise UphaulError("an edit has rule, key, value and perhaps tune")
    rule, tune, key, value = told["rule"], told.get("tune", ""), told["key"], told["value"]
    if not isinstance(rule, str) or not isinstance(tune, str):
        raise UphaulError("rule and tune of an edit are names")
    if key not in KEYS:
        raise UphaulError(f"key: one of {', '.join(KEYS)}, not {key!r}")
    if isinstance(value, list):
        return Edit(rule, tune, key, tuple(_number(v, key) for v in value))
    return Edit(rule, tune, key, _number(value, key))


def keys_of(text: str) -> dict[str, list[Key]]:
    """By rule, what can be moved in it, in the order of `KEYS`, the rule's own keys before those of its tunes."""
    out: dict[str, list[Key]] = {}
    for table in _rules(_parsed(text)):
        found = _of_table(table, "")
        for name, tuned in table.get("tune", {}).items():
            found += _of_table(tuned, str(name))
        out[str(table.get("name", ""))] = found
    return out


def changed(text: str, edits: Sequence[Edit]) -> str:
    """The text with the edits made. Raises UphaulError for one that has no place in it."""
    if not edits:
        return text
    document = _parsed(text)
    tables = {str(t.get("name", "")): t for t in _rules(document)}
    for edit in edits:
        if edit.rule not in tables:
            raise UphaulError(f"rule {edit.rule!r}: the rules file has none of that name")
        table: Any = tables[edit.rule]
        if edit.tune:
            table = table.get("tune", {}).get(edit.tune)
            if table is None:
                raise UphaulError(f"rule {edit.rule!r}: it has no table for the tune {edit.tune!r}")
        _put(table, edit)
    import tomlkit

    out: str = tomlkit.dumps(document)
    return out


def diff(before: str, after: str, name: str) -> str:
    """What was changed, as a unified diff; empty when nothing was."""
    lines = difflib.unified_diff(
        before.splitlines(keepends=True), after.splitlines(keepends=True), f"{name} of the drive", f"{name} changed"
    )
    return "".join(line if line.endswith("\n") else f"{line}\n" for line in lines)


def _number(value: object, key: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise UphaulError(f"{key}: a number, not {value!r}")
    return float(value)


def _parsed(text: str) -> Any:
    """The text as a document of its own. Parsing takes several times as long as unpacking what was parsed before."""
    return pickle.loads(_packed(text))


@lru_cache(maxsize=4)
def _packed(text: str) -> bytes:
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        return pickle.dumps(tomlkit.parse(text))
    except TOMLKitError as error:
        raise UphaulError(f"the rules file cannot be read: {error}") from error


def _rules(document: Any) -> list[Any]:
    return list(document.get("rule", ()))


def _of_table(table: Any, tune: str) -> list[Key]:
    out = []
    for key in KEYS:
        value = table.get(key)
        if isinstance(value, int | float) and not isinstance(value, bool):
            out.append(Key(tune, key, "number", float(value)))
        elif isinstance(value, dict) and "share" in value:
            out.append(Key(tune, key, "share", float(value["share"])))
        elif isinstance(value, dict) and "points" in value:
            points = [(float(x), float(y)) for x, y in value["points"]]
            xs, ys = tuple(x for x, _ in points), tuple(y for _, y in points)
            out.append(Key(tune, key, "curve", ys, str(value.get("over", "")), xs))
    return out


def _put(table: Any, edit: Edit) -> None:
    old = table.get(edit.key)
    where = f"rule {edit.rule!r}{f' tune {edit.tune!r}' if edit.tune else ''}: {edit.key}"
    if isinstance(old, dict) and "points" in old:
        if not isinstance(edit.value, tuple) or len(edit.value) != len(old["points"]):
            raise UphaulError(f"{where}: a number for each of its {len(old['points'])} knots")
        for point, y in zip(old["points"], edit.value, strict=True):
            if float(point[1]) != y:
                point[1] = _plain(y)
        return
    if isinstance(edit.value, tuple):
        raise UphaulError(f"{where}: it is no curve, so it takes one number")
    if isinstance(old, dict) and "share" in old:
        if float(old["share"]) != edit.value:
            old["share"] = _plain(edit.value)
    elif old is None:
        if edit.key in ("above", "below") or edit.tune:
            raise UphaulError(f"{where}: the file does not have that key")
        _insert(table, edit.key, _plain(edit.value))
    elif float(old) != edit.value:
        table[edit.key] = _plain(edit.value)


def _insert(table: Any, key: str, value: float) -> None:
    """A key that the rule left at its default, on a line after the last of the keys of its kind.

    Appended by the library it would stand behind the comments that head the next rule.
    """
    before = table[[k for k in ("name", *KEYS) if k in table][-1]].trivia
    end = "\r\n" if before.trail.startswith("\r\n") else "\n"
    before.trail = f"{before.trail or end}{key} = {value}{end}"


def _plain(value: float) -> float | int:
    return int(value) if value == int(value) else round(value, 6)
