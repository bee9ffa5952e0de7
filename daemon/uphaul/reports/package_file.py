"""The folder of a package: one JSON file a vehicle, with what its handover pulls did.

A file is made of `format`, `version`, `vehicle`, `parts` (what must be alike, in words) and `sweeps`, one for each tune
and gear: `tune`, `gear`, `pulls`, `rpm` and, over it, the quantities by name with null for unknown. Within a version
keys are only added; a reader passes over those that it doesn't know.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from itertools import pairwise
from math import isfinite, nan
from pathlib import Path
from typing import Any, TypeGuard

from uphaul.analysis.package import Sweep, VehicleSummary
from uphaul.analysis.pull_spread import COURSES
from uphaul.errors import ConfigError, Problem, UphaulError

__all__ = ["SUFFIX", "read_package", "write_summary"]

SUFFIX = ".handover.json"
FORMAT, VERSION = "uphaul handover summary", 1
MOST_BYTES = 5_000_000
MOST_TOLD = 20
LETTERS = 50
"""Of a name in that of its file: file systems take 255 bytes, and a letter has up to four."""
LARGEST = 1e9
"""Of any number in a file, either way: far beyond every quantity in it."""


def write_summary(folder: Path, summary: VehicleSummary) -> Path:
    """Write the vehicle's file into the folder, in place of one of the same vehicle; its path.

    Raises UphaulError when it can't be written, or when another vehicle's file has that name.
    """
    slug = re.sub(r"[\W_]+", "-", summary.vehicle.lower())[:LETTERS].strip("-") or "vehicle"
    path = folder / f"{slug}{SUFFIX}"
    text = json.dumps(_object(summary), ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if path.exists() and (other := _read(path, []).vehicle) != summary.vehicle:
            raise UphaulError(f"{path}: is of {other!r}: give the vehicle a name that differs by more than its marks")
        scratch = path.with_name(path.name + ".part")
        scratch.write_text(text, encoding="utf-8")
        scratch.replace(path)
    except OSError as error:
        raise UphaulError(f"{path}: can't be written: {error.strerror or error}") from error
    return path


def read_package(folder: Path) -> tuple[VehicleSummary, ...]:
    """The vehicles of a folder by the names of their files.

    Raises ConfigError with every fault found, by file and key; UphaulError for a folder that can't be read or has none.
    """
    try:
        paths = sorted(p for p in folder.iterdir() if p.name.endswith(SUFFIX))
    except OSError as error:
        raise UphaulError(f"{folder}: can't be read: {error.strerror or error}") from error
    if not paths:
        raise UphaulError(f"{folder}: holds no file that ends in {SUFFIX}: a handover writes one for each vehicle")
    problems: list[Problem] = []
    found = [_read(path, problems) for path in paths]
    seen: dict[str, str] = {}
    for path, vehicle in zip(paths, found, strict=True):
        if vehicle.vehicle and seen.setdefault(vehicle.vehicle, path.name) != path.name:
            allowed = f"must be another vehicle's name: {seen[vehicle.vehicle]} has it too, and each counts once"
            problems.append(Problem(path.name, "vehicle", vehicle.vehicle, allowed))
    if problems:
        raise ConfigError(problems[:MOST_TOLD])
    return tuple(found)


def _object(summary: VehicleSummary) -> dict[str, object]:
    return {
        "format": FORMAT,
        "version": VERSION,
        "vehicle": summary.vehicle,
        "parts": list(summary.parts),
        "sweeps": [
            {
                "tune": s.tune,
                "gear": s.gear,
                "pulls": s.pulls,
                "rpm": list(s.rpm),
                **{name: [round(x, 4) if isfinite(x) else None for x in course] for name, course in s.courses},
            }
            for s in summary.sweeps
        ],
    }


def _read(path: Path, problems: list[Problem]) -> VehicleSummary:
    """The file's vehicle, as much of it as is right; the faults go to `problems`."""
    nothing = VehicleSummary("", (), ())
    wrong = _Wrong(path.name, problems)
    try:
        if path.stat().st_size > MOST_BYTES:
            wrong("file", path.stat().st_size, f"must be no larger than {MOST_BYTES:,} bytes")
            return nothing
        made = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        wrong("file", None, f"can't be read: {error.strerror or error}")
        return nothing
    except (ValueError, RecursionError) as error:  # no UTF-8, no JSON, or a number of thousands of digits
        wrong("file", None, f"must be JSON in UTF-8: {error}")
        return nothing
    if not isinstance(made, dict) or made.get("format") != FORMAT:
        wrong("format", made.get("format") if isinstance(made, dict) else None, f"must be {FORMAT!r}")
        return nothing
    if made.get("version") != VERSION:
        wrong("version", made.get("version"), f"must be {VERSION}: this program knows no other")
        return nothing
    name, parts, sweeps = made.get("vehicle"), made.get("parts"), made.get("sweeps")
    if not isinstance(name, str) or not name:
        wrong("vehicle", name, "must be a name")
        name = ""
    if not isinstance(parts, list) or not all(isinstance(p, str) for p in parts):
        wrong("parts", parts, "must be a list of words")
        parts = []
    if not isinstance(sweeps, list):
        wrong("sweeps", sweeps, "must be a list with a table for each tune and gear")
        sweeps = []
    read: dict[tuple[str, int], Sweep] = {}
    for i, each in enumerate(sweeps):
        sweep = _sweep(f"sweeps[{i}]", each, wrong)
        if sweep is not None and read.setdefault((sweep.tune, sweep.gear), sweep) is not sweep:
            wrong(f"sweeps[{i}].tune", sweep.tune, f"must come once with gear {sweep.gear}: each vehicle counts once")
    return VehicleSummary(name, tuple(parts), tuple(read.values()))


class _Wrong:
    """Notes faults of one file."""

    def __init__(self, file: str, problems: list[Problem]) -> None:
        self._file, self._problems = file, problems

    def __call__(self, key: str, value: object, allowed: str) -> None:
        short = value if value is None or len(repr(value)) <= 80 else f"{repr(value)[:77]}..."
        self._problems.append(Problem(self._file, key, short, allowed))


def _sweep(key: str, made: Any, wrong: _Wrong) -> Sweep | None:
    if not isinstance(made, dict):
        wrong(key, made, "must be a table")
        return None
    tune, rpm = made.get("tune"), made.get("rpm")
    sound = True
    if not isinstance(tune, str) or not tune:
        wrong(f"{key}.tune", tune, "must be the name of a tune")
        sound = False
    for name in ("gear", "pulls"):
        if not isinstance(made.get(name), int) or isinstance(made[name], bool) or not 1 <= made[name] <= LARGEST:
            wrong(f"{key}.{name}", made.get(name), "must be a whole number of at least 1")
            sound = False
    if not _numbers(rpm) or len(rpm) < 2 or any(not a < b for a, b in pairwise(rpm)):
        wrong(f"{key}.rpm", rpm, "must be at least two rising numbers")
        return None
    courses = []
    for name in COURSES:
        if name not in made:
            continue
        values = made[name]
        if (
            not isinstance(values, list)
            or len(values) != len(rpm)
            or not _numbers([v for v in values if v is not None])
        ):
            wrong(f"{key}.{name}", values, f"must be {len(rpm)} numbers or nulls, one for each of rpm")
            sound = False
        else:
            courses.append((name, tuple(nan if v is None else float(v) for v in values)))
    if not sound:
        return None
    return Sweep(str(tune), made["gear"], made["pulls"], tuple(float(r) for r in rpm), tuple(courses))


def _numbers(values: object) -> TypeGuard[Sequence[float]]:
    return (
        isinstance(values, Sequence)
        and not isinstance(values, str)
        and all(isinstance(v, int | float) and not isinstance(v, bool) and abs(v) <= LARGEST for v in values)
    )
