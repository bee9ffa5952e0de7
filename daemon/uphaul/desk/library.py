"""The plotting library's own files, served from the installed package: nothing of it lies in this project."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

from uphaul.errors import UphaulError

__all__ = ["SCRIPTS", "check", "scripts"]

SCRIPTS = ("bokeh.min.js", "bokeh-api.min.js")
NEEDED = {"bokeh": "draws the drive", "tomlkit": "changes the rules file without touching its comments"}


def check() -> None:
    """Raises UphaulError with the command to install what is missing."""
    lacking = [name for name in NEEDED if find_spec(name) is None]
    if lacking:
        why = "; ".join(f"{name} {NEEDED[name]}" for name in lacking)
        raise UphaulError(f"the drive page needs what is not installed ({why}): pip install 'uphaul[workshop]'")


def scripts() -> dict[str, Path]:
    """Where the library's scripts lie. Raises UphaulError."""
    check()
    spec = find_spec("bokeh")
    assert spec is not None
    assert spec.origin is not None
    folder = Path(spec.origin).parent / "server" / "static" / "js"
    found = {name: folder / name for name in SCRIPTS}
    for path in found.values():
        if not path.is_file():
            raise UphaulError(f"{path}: the installed bokeh lacks this file; pip install --upgrade 'uphaul[workshop]'")
    return found
