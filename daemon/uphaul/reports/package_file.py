"""The folder of a package: one JSON file a vehicle, with what its handover pulls did.

A file is made of `format`, `version`, `vehicle`, `parts` (what must be alike, in words) and `sweeps`, one for each tune
and gear: `tune`, `gear`, `pulls`, `rpm` and, over it, the quantities by name with null for unknown. Within a version
keys are only added; a reader passes over those that it doesn't know.
"""

from __future__ import annotations

import json
import re
from math import isfinite, nan
from pathlib import Path
from typing import Any

from uphaul.analysis.package import Sweep, VehicleSummary
from uphaul.analysis.pull_curve import GRID_RPM
from uphaul.analysis.pull_spread import COURSES
from uphaul.errors import ConfigError, Problem, UphaulError

__all__ = ["SUFFIX", "read_package", "summary_file"]

SUFFIX = ".handover.json"
FORMAT, VERSION = "uphaul handover summary", 1
MOST_BYTES = 5_000_000
MOST_TOLD = 20
LETTERS = 50
"""Of a name in that of its file: file systems take 255 bytes, and a letter has up to four."""
MOST = {"gear": 30, "pulls": 1000}
"""Whole numbers of a sweep, from 1 on."""
RPM = (100.0, 10_000.0)
RANGES = {
    "power_kw": (-1000.0, 2000.0), "torque_nm": (-10_000.0, 20_000.0), "boost_kpa": (-100.0, 1000.0),
    "egt_degc": (-50.0, 1400.0), "mixture": (0.1, 50.0), "charge_degc": (-50.0, 500.0),
}  # fmt: skip
"""What a quantity of `COURSES` can be at all, in its unit. Source: our own judgement: what lies beyond is a slip of
unit or place, as Pa for kPa or power among the temperatures, and would bend the band."""


def summary_file(folder: Path, summary: VehicleSummary) -> tuple[Path, bytes]:
    """The vehicle's file in the folder, which is made where there is none, and what is to be written there.

    It takes the place of one of the same vehicle. Raises UphaulError when the folder can't be made, or when another
    vehicle's file has that name.
    """
    slug = re.sub(r"[\W_]+", "-", summary.vehicle.lower())[:LETTERS].strip("-") or "vehicle"
    path = folder / f"{slug}{SUFFIX}"
    text = json.dumps(_object(summary), ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if path.exists() and (other := _read(path, []).vehicle) != summary.vehicle:
            raise UphaulError(f"{path}: is of {other!r}: give the vehicle a name that differs by more than its marks")
    except OSError as error:
        raise UphaulError(f"{path}: can't be written: {error.strerror or error}") from error
    return path, text.encode()


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
    if type(made.get("version")) is not int or made["version"] != VERSION:
        wrong("version", made.get("version"), f"must be {VERSION}: this program knows no other")
        return nothing
    name, parts, sweeps = made.get("vehicle"), made.get("parts"), made.get("sweeps")
    if not isinstance(name, str) or not name:
        wrong("vehicle", name, "must be a name")
        name = ""
    if not isinstance(parts, list) or not all(isinstance(p, str) and p for p in parts):
        wrong("parts", parts, "must be a list of words, none of them empty")
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
    for name, most in MOST.items():
        if type(made.get(name)) is not int or not 1 <= made[name] <= most:
            wrong(f"{key}.{name}", made.get(name), f"must be a whole number from 1 to {most:,}")
            sound = False
    if not isinstance(rpm, list) or len(rpm) < 2:
        wrong(f"{key}.rpm", rpm, "must be a list of at least two engine speeds")
        return None
    if not _speeds(f"{key}.rpm", rpm, wrong):
        return None
    courses = []
    for name in COURSES:
        if name not in made:
            continue
        values = made[name]
        if not isinstance(values, list) or len(values) != len(rpm):
            wrong(f"{key}.{name}", values, f"must be {len(rpm)} numbers or nulls, one for each of rpm")
            sound = False
        elif not _within(f"{key}.{name}", values, name, wrong):
            sound = False
        else:
            courses.append((name, tuple(nan if v is None else float(v) for v in values)))
    if not sound:
        return None
    return Sweep(str(tune), made["gear"], made["pulls"], tuple(float(r) for r in rpm), tuple(courses))


def _speeds(key: str, rpm: list[Any], wrong: _Wrong) -> bool:
    """Whether they are those of the grid that pulls are told on, rising; the first that is not is named."""
    low, high = RPM
    for i, x in enumerate(rpm):
        if not _number(x, low, high) or x % GRID_RPM:
            allowed = f"must be an engine speed from {low:g} to {high:g} rpm, a multiple of {GRID_RPM:g}"
        elif i and not rpm[i - 1] < x:
            allowed = f"must be more than the one before it, {rpm[i - 1]:g}"
        else:
            continue
        wrong(f"{key}[{i}]", x, allowed)
        return False
    return True


def _within(key: str, values: list[Any], quantity: str, wrong: _Wrong) -> bool:
    """Whether they are numbers that the quantity can have, or null; the first that is not is named."""
    low, high = RANGES[quantity]
    unit = "" if COURSES[quantity] == "1" else f" {COURSES[quantity]}"
    for i, x in enumerate(values):
        if x is not None and not _number(x, low, high):
            wrong(f"{key}[{i}]", x, f"must be a number from {low:g} to {high:g}{unit}, or null where it is not known")
            return False
    return True


def _number(x: object, low: float, high: float) -> bool:
    return isinstance(x, int | float) and not isinstance(x, bool) and low <= x <= high
