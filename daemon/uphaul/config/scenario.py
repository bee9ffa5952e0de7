"""Finds and reads the scenarios that drive the invented vehicle: those that come with the package, and the owner's."""

from __future__ import annotations

import difflib
from pathlib import Path

from uphaul.demo import Scenario, parse_scenario
from uphaul.errors import ConfigError, Problem

__all__ = ["find_scenario", "load_scenario", "scenario_names"]

_SHIPPED = Path(__file__).parents[1] / "demo" / "scenarios"
_MOST_BYTES = 1_000_000


def scenario_names(directory: Path | None = None) -> list[str]:
    """Names that `find_scenario` knows: those in `directory` and those that come with the package."""
    places = [_SHIPPED] if directory is None else [directory, _SHIPPED]
    return sorted({path.stem for place in places for path in place.glob("*.toml")})


def find_scenario(name: str, directory: Path | None = None) -> Path:
    """The file of a scenario, given by path (it ends in ``.toml`` or has a slash) or by name.

    A relative path is taken from `directory`, the configuration's; a name is looked for there and then among those that
    come with the package. Raises ConfigError when there is none.
    """
    by_path = name.endswith(".toml") or "/" in name
    if by_path:
        candidates = [Path(name) if directory is None else directory / name]
    else:
        candidates = [place / f"{name}.toml" for place in ([] if directory is None else [directory])]
        candidates.append(_SHIPPED / f"{name}.toml")
    for path in candidates:
        if path.is_file():
            return path
    known = scenario_names(directory)
    near = difflib.get_close_matches(Path(name).stem, known, 1)
    allowed = f"must be a scenario's file or one of {', '.join(known)}"
    raise ConfigError([Problem(name, "scenario", name, allowed, *near)])


def load_scenario(name: str, directory: Path | None = None) -> Scenario:
    """The scenario of that name or path. Raises ConfigError when it is missing or wrong."""
    path = find_scenario(name, directory)
    try:
        with path.open("rb") as file:
            text = file.read(_MOST_BYTES + 1)
        if len(text) > _MOST_BYTES:
            raise ConfigError([Problem(str(path), "(whole file)", None, "must be smaller than 1 MB")])
        return parse_scenario(text.decode(), name=path.stem, file=str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError([Problem(str(path), "(whole file)", None, f"cannot be read: {error}")]) from error
