"""JSON Schemas of what is told to a broker, made from the messages. The daemon itself needs none of this.

``python -m uphaul.outputs.mqtt_schema`` prints the text of ``mqtt.schema.json`` beside this file.
"""

from __future__ import annotations

import json
from typing import Any

from pydantic import TypeAdapter

from uphaul.outputs import mqtt_messages as m

__all__ = ["MESSAGES", "json_schema", "schema_text"]

MESSAGES = {
    "availability": m.Availability,
    "about": m.About,
    "alerts/state/RULE": m.AlertState,
    "alerts/log": m.AlertStep,
    "signals": m.Signals,
    "drives": m.DriveStep,
    "events": m.PersonsEvent,
    "notices": m.NoticeTold,
    "check/state": m.CheckState,
    "check/log": m.CheckNews,
    "act/answer": m.Answer,
}
"""The message of each topic, as it is called after the prefix and the version."""

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def json_schema() -> dict[str, Any]:
    """One schema for all: its ``$defs`` have one for each message, which says its topic."""
    inputs: Any = [(name, "serialization", TypeAdapter(kind)) for name, kind in MESSAGES.items()]
    refs, schema = TypeAdapter.json_schemas(inputs)
    for each in schema["$defs"].values():
        each.pop("title", None)
        for key in each.get("properties", {}).values():
            key.pop("title", None)
    for (name, _), ref in refs.items():
        each = schema["$defs"][ref["$ref"].rpartition("/")[2]]
        each["title"] = f"PREFIX/v1/{name}"
    return {"$schema": DIALECT, "title": "Messages, version 1", **schema}


def schema_text() -> str:
    """The schema as text for a file."""
    return json.dumps(json_schema(), indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    print(schema_text(), end="")
