"""Which drive is laid beside another: ``--against`` of the commands for a drive that somebody complains about."""

from __future__ import annotations

from pathlib import Path

from uphaul.errors import UphaulError
from uphaul.log.drives import is_log, pick_drive
from uphaul.log.reader import Log

__all__ = ["AGAINST", "BY_ITSELF", "beside"]

AGAINST = "another drive of LOG by its number, or one of another log: LOG2#N, or LOG2 for its last drive"
BY_ITSELF = "by default the log's reference, which a handover names; `none` for none"
NONE = "none"


def beside(log: Path, drive: int, against: str | None) -> tuple[Path, int] | None:
    """(log, number) of the drive that `against` names, the log's reference for None; None where there is none.

    Raises UphaulError for one that is none. A file whose own name holds a ``#`` is taken as it is named.
    """
    if against == NONE:
        return None
    if against is None:
        with Log.open(log) as file:
            reference = file.reference()
        return None if reference is None or reference.drive == drive else (log, reference.drive)
    path, number = _named(log, against)
    with Log.open(path) as file:
        found = pick_drive(file, number)
    if found == drive and path.samefile(log):
        raise UphaulError(
            f"--against {against}: is the drive itself; name another one, a good one of the same vehicle ({AGAINST})"
        )
    return path, found


def _named(log: Path, against: str) -> tuple[Path, int | None]:
    if against.isdecimal():
        return log, int(against)
    name, mark, number = against.rpartition("#")
    if mark and number.isdecimal() and not Path(against).exists():
        path, drive = Path(name), int(number)
    else:
        path, drive = Path(against), None
    if not path.is_file():
        raise UphaulError(f"--against {against}: there is no file {path}; name {AGAINST}")
    if not is_log(path):
        raise UphaulError(f"--against {against}: {path} is no log; name {AGAINST}")
    return path, drive
