"""What a broker costs in libraries: none without one, and with one no more than its own."""

from __future__ import annotations

import subprocess
import sys

import pytest

NEVER = {"pydantic", "jsonschema", "pyarrow", "pandas"}
"""What checks files, or is for the workshop, and not for a daemon that runs."""


def loaded_by(module: str) -> set[str]:
    """The top-level modules of a process of its own that imported `module`."""
    code = f"import sys, {module}; print(*sorted({{name.partition('.')[0] for name in sys.modules}}))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    return set(done.stdout.split())


@pytest.mark.parametrize(
    ("module", "library"), [("uphaul.outputs.mqtt", set[str]()), ("uphaul.outputs.mqtt_link", {"aiomqtt", "paho"})]
)
def test_the_library_is_loaded_with_the_connection_alone(module: str, library: set[str]) -> None:
    modules = loaded_by(module)
    assert modules & {"aiomqtt", "paho"} == library
    assert modules & NEVER == set()
