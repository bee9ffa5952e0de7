"""The sample configuration with its commented examples for other vehicles made active."""

from __future__ import annotations

import functools
import re

from uphaul.config import load_texts, sample_directory
from uphaul.config.model import FILES
from uphaul.config.spec import Config

__all__ = ["uncommented", "whole_sample"]

_EXAMPLE = re.compile(r"^# \[\[?[a-z_.]+\]\]?$")


def uncommented(text: str) -> str:
    """`text` with every commented table made one: from a line ``# [name]`` to the next line that is no setting."""
    out, inside = [], False
    for line in text.splitlines():
        inside = bool(_EXAMPLE.match(line)) or (inside and line.startswith("# "))
        out.append(line[2:] if inside else line)
    return "\n".join(out) + "\n"


@functools.cache
def whole_sample() -> Config:
    """The sample with every example; its inputs are not held against the DBC, which lacks the examples' messages."""
    folder = sample_directory()
    texts = {name: uncommented((folder / name).read_text(encoding="utf-8")) for name in FILES}
    return load_texts(texts, check_inputs=False)
