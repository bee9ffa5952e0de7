"""Tools of the machine that some tests need and that no Python package brings."""

from __future__ import annotations

import os
import shutil

import pytest

__all__ = ["tool"]


def tool(name: str, package: str) -> str:
    """The path of the program `name`, or the test is left out and says why; under CI that is a failure instead."""
    path = shutil.which(name)
    if path is None:
        what = f"needs {name}: install the package {package}"
        if os.environ.get("CI"):
            pytest.fail(what)
        pytest.skip(what)
    return path
