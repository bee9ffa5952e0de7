"""By which rules and tunes ``uphaul replay`` judges a part of a drive."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from uphaul.config import load_rules
from uphaul.errors import UphaulError
from uphaul.log.drives import Part
from uphaul.rules import Rule
from uphaul.vehicle import Vehicle

__all__ = ["all_tunes", "rules_of"]


def all_tunes(known: Sequence[str], rules: Sequence[Rule]) -> tuple[str, ...]:
    """The drive's tunes, then those that only the rules know."""
    return tuple(dict.fromkeys((*known, *(name for r in rules for name, _ in (*r.tunes, *r.expected)))))


def rules_of(path: Path, part: Part, vehicle: Vehicle) -> tuple[Rule, ...]:
    """The rules of a file, for a drive that need not have every signal they read. Raises UphaulError."""
    try:
        words = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not a UTF-8 text file"
        raise UphaulError(f"{path}: {reason}") from error
    return load_rules(words, str(path), part.signals, vehicle, allow_unknown=True)
