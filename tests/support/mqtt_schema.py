"""Checks messages against the published schema, more strictly than a subscriber should: no key is unknown to it."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import jsonschema

__all__ = ["SCHEMA", "check"]

SCHEMA: dict[str, Any] = json.loads(
    (Path(__file__).parents[2] / "daemon" / "uphaul" / "outputs" / "mqtt.schema.json").read_text(encoding="utf-8")
)
STRICT = copy.deepcopy(SCHEMA)
for _each in STRICT["$defs"].values():
    _each["additionalProperties"] = False
BY_TOPIC = {each["title"].removeprefix("PREFIX/v1/"): name for name, each in SCHEMA["$defs"].items() if "title" in each}


def check(topic: str, message: object) -> None:
    """Raise jsonschema.ValidationError unless `message` is one of that topic (without prefix and version)."""
    schema = {**STRICT, "$ref": f"#/$defs/{BY_TOPIC[topic]}"}
    jsonschema.Draft202012Validator(schema).validate(message)
