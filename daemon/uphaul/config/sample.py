"""Finds the sample configuration, and makes from it one that runs on the invented vehicle instead of a CAN bus."""

from __future__ import annotations

import json
import re
from pathlib import Path

from uphaul.config.field_check_tables import FIELD_CHECK
from uphaul.config.loader import load_texts
from uphaul.config.model import FILES
from uphaul.config.spec import Config
from uphaul.errors import ConfigError, Problem

__all__ = ["demo_config", "demo_texts", "sample_directory"]

HERE = Path(__file__).resolve().parent.parent
PLACES = (HERE / "sample", HERE.parent.parent / "config")
"""Inside an installed package (put there by the build), or at the top of a checkout."""

OTHER_NAMES = {"mixture": "lambda", "tune_code": "tune"}
"""Signals of the sample whose channel of the invented vehicle has another name."""

_SOURCE = re.compile(r"^\[source\.bus\]\n(?:(?!\[|# --).*\n)*", re.MULTILINE)
_FROM = re.compile(r"^\[signal\.(\w+)\]\n(?:(?!\[).*\n)*?(from = \{.*\})$", re.MULTILINE)


def sample_directory() -> Path:
    """The folder with the sample configuration. Raises ConfigError if this installation has none."""
    for place in PLACES:
        if (place / "signals.toml").is_file():
            return place
    raise ConfigError([Problem("signals.toml", "file", None, "is missing from this installation: install it again")])


def demo_texts(scenario: str, seed: int) -> dict[str, str]:
    """The sample's files with the invented vehicle as their source."""
    folder = sample_directory()
    texts = {name: (folder / name).read_text(encoding="utf-8") for name in (*FILES, FIELD_CHECK)}
    source = (
        "# The invented vehicle drives; nothing is connected.\n[source.demo]\n"
        f'kind = "demo"\nscenario = {json.dumps(scenario, ensure_ascii=False)}\nseed = {seed}\n\n'
    )
    text = _SOURCE.sub(lambda _: source, texts["signals.toml"])
    texts["signals.toml"] = _FROM.sub(_from_demo, text)
    return texts


def demo_config(scenario: str, seed: int = 1) -> Config:
    """The sample configuration on the invented vehicle, driven by `scenario` (a name or a file)."""
    return load_texts(demo_texts(scenario, seed), label="the sample configuration")


def _from_demo(found: re.Match[str]) -> str:
    name = found.group(1)
    channel = OTHER_NAMES.get(name, name)
    return found.group(0).replace(found.group(2), f'from = {{ source = "demo", channel = "{channel}" }}')
