"""Reads the drives of a handover from a log, and works out what is told of them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from uphaul.analysis.field_check import FieldCheck, FieldCheckRun, Verdict
from uphaul.analysis.field_check_engine import check_drive
from uphaul.analysis.package import Package, package_bands, parts_key
from uphaul.analysis.pulls import find_pulls
from uphaul.analysis.ratings import headroom
from uphaul.cli.report_case import read_case
from uphaul.config import load
from uphaul.config.spec import Config
from uphaul.errors import UphaulError
from uphaul.live import carried_from_json
from uphaul.log.reader import Log
from uphaul.reports.case import Case
from uphaul.reports.checked import merged
from uphaul.reports.handover_case import Driven, Handover
from uphaul.reports.package_file import SUFFIX, read_package
from uphaul.vehicle.model import Vehicle

__all__ = ["package_beside", "read_handover", "runs_of"]


def read_handover(log: Log, numbers: Sequence[int], directory: Path | None = None) -> Handover:
    """The handover of these drives of `log`, by the field check and build sheet in it, or by those in `directory`.

    The check is run over the recorded drives with what people did in them: what it says is what it said on the way.
    Raises UphaulError where there is no check or nothing of it was done, or where the drives are not of one vehicle.
    """
    cases: list[Case] = []
    for number in sorted(dict.fromkeys(numbers)):
        cases.append(read_case(log, number, cases[-1] if cases else None))
    _same_vehicle(log, cases)
    if directory is not None:
        own = load(directory, check_inputs=False)
        check, vehicle = _check_of(own, f"{directory}"), own.vehicle
        _same_units(own, cases, directory)
        source = f"the drives were looked at by the field check and the build sheet in {directory}, not by their own"
    else:
        check, vehicle = _same_check(log, cases), cases[-1].config.vehicle
        source = "the drives were looked at by the field check and the build sheet that they were driven with"
    drives = tuple(
        Driven(
            case=case,
            runs=runs_of(case, check, vehicle),
            pulls=find_pulls(case.whole, vehicle.sheet, vehicle.tunes),
            used=headroom(case.whole, vehicle.sheet, vehicle.tunes),
        )
        for case in cases
    )
    rows = merged(check, [(d.number, run) for d in drives for run in d.runs])
    if not any(row.tried or row.verdict is Verdict.SKIPPED for row in rows):
        which = f"drive {numbers[0]}" if len(cases) == 1 else "these drives"
        raise UphaulError(
            f"{log.path}: no step of the field check was done in {which}: drive it first ({_told(check)}), or name the "
            "drives in which it was (`uphaul drives` lists them)"
        )
    return Handover(drives, check, vehicle, rows, source)


def _same_units(own: Config, cases: Sequence[Case], directory: Path) -> None:
    """Numbers of a check are in its own configuration's units: of a log in others they would mean something else."""
    units = {s.name: s.unit for s in own.signals}
    for case in cases:
        for signal in case.whole.signals:
            wanted = units.get(signal.name, signal.unit)
            if wanted != signal.unit:
                raise UphaulError(
                    f"{directory}: signal {signal.name} is in {wanted} there and in {signal.unit} in {case.log} drive "
                    f"{case.about.id}: the bands of fieldcheck.toml are in {wanted}. Name one in the log's units"
                )


def runs_of(case: Case, check: FieldCheck, vehicle: Vehicle) -> tuple[FieldCheckRun, ...]:
    """The runs of the check in a drive. Of a drive in several parts, the rules of the last one stand for all."""
    first, last = case.parts[0].info, case.parts[-1].info
    carried = carried_from_json(first.initial_state, case.log)
    names = {r.name for r in case.rules}
    return check_drive(
        check,
        case.whole,
        case.rules,
        vehicle=vehicle,
        carried=[c for c in carried if c.rule in names],
        grid_ms=1000 // last.tick_hz,
    )


def _told(check: FieldCheck) -> str:
    """The first things to do, in words."""
    return "; ".join(step.title for step in check.steps[:3]) + (" ..." if len(check.steps) > 3 else "")


def package_beside(folder: Path, handed: Handover) -> Package:
    """The bands that the other vehicles of the folder make; without any, one that says so. Raises UphaulError."""
    own = handed.vehicle.name
    there = folder.is_dir() and any(p.name.endswith(SUFFIX) for p in folder.iterdir())
    others = [v for v in read_package(folder) if v.vehicle != own] if there else []
    return package_bands(others, parts_key(handed.vehicle.sheet))


def _check_of(config: Config, where: str) -> FieldCheck:
    if config.field_check is None:
        raise UphaulError(
            f"{where}: has no field check: nothing says what one asks for. Put a fieldcheck.toml into the "
            "configuration (config/ has a complete one) and name its folder with --config DIR"
        )
    return config.field_check


def _same_vehicle(log: Log, cases: Sequence[Case]) -> None:
    first = cases[0]
    for other in cases[1:]:
        a, b = first.config.vehicle, other.config.vehicle
        if a.name != b.name:
            raise UphaulError(
                f"{log.path}: drive {first.about.id} is of {a.name or 'a vehicle without a name'}, drive "
                f"{other.about.id} of {b.name or 'a vehicle without a name'}: a handover is of one vehicle"
            )


def _same_check(log: Log, cases: Sequence[Case]) -> FieldCheck:
    """The check of all of them, their build sheets being one."""
    checks = [_check_of(c.config, f"{log.path} drive {c.about.id}") for c in cases]
    for case, check in zip(cases[1:], checks[1:], strict=True):
        what = "build sheet or tunes" if case.config.vehicle != cases[0].config.vehicle else ""
        what = what or ("fieldcheck.toml" if check != checks[0] else "")
        if what:
            raise UphaulError(
                f"{log.path}: {what} changed between drives {cases[0].about.id} and {case.about.id}: name the one that "
                "holds with --config DIR, and both drives are looked at by it"
            )
    return checks[-1]
