"""The drives of a handover: what each was checked for, its pulls and its use of ratings, and all of it together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from uphaul.analysis.field_check import FieldCheck, FieldCheckRun, Verdict
from uphaul.analysis.package import Package, Placement, placed
from uphaul.analysis.pulls import Pull
from uphaul.analysis.ratings import Use, Used
from uphaul.reports.case import Case
from uphaul.reports.checked import BAD, Checked, outcome
from uphaul.reports.words import and_list
from uphaul.vehicle.model import Tune, Vehicle

__all__ = ["Driven", "Handover", "Kept", "OfDrive", "Placed", "Written"]


@dataclass(frozen=True, slots=True, eq=False)
class Driven:
    """One drive, with the runs of the check in it."""

    case: Case
    runs: tuple[FieldCheckRun, ...]
    pulls: tuple[Pull, ...]
    used: Used

    @property
    def number(self) -> int:
        """Of the drive in its log."""
        return self.case.about.id


@dataclass(frozen=True, slots=True)
class OfDrive:
    """The highest use of a rating, and the drive that it was in."""

    drive: int
    use: Use


@dataclass(frozen=True, slots=True)
class Placed:
    """A pull of the handover: its number on the page, counted from 1, the drive, and the pull."""

    number: int
    drive: Driven
    pull: Pull

    @property
    def words(self) -> str:
        """``Pull 2: tow, gear 3``."""
        gear = "gear unknown" if self.pull.gear is None else f"gear {self.pull.gear}"
        return f"Pull {self.number}: {self.pull.tune or 'tune unknown'}, {gear}"


@dataclass(frozen=True, slots=True)
class Kept:
    """Whether a drive was made the reference of the vehicle, and what there is to say of it."""

    drive: int | None
    words: str


@dataclass(frozen=True, slots=True)
class Written:
    """Who hands which vehicle to whom, as they wrote it; empty where they did not.

    `registration` is its plate or fleet number, `odometer` what it shows, with its unit.
    """

    customer: str = ""
    workshop: str = ""
    registration: str = ""
    odometer: str = ""


@dataclass(frozen=True, eq=False)
class Handover:
    """All of it. `drives` from the oldest to the newest; `rows` are the results of the check over all of them.

    `source` says where the results come from; `package` are the bands that other vehicles make, None: not asked for.
    """

    drives: tuple[Driven, ...]
    check: FieldCheck
    vehicle: Vehicle
    rows: tuple[Checked, ...]
    source: str
    package: Package | None = None
    kept: Kept = Kept(None, "")
    written: Written = Written()

    @property
    def newest(self) -> Driven:
        """The newest drive."""
        return self.drives[-1]

    @property
    def reference(self) -> Driven:
        """The drive that later ones are to be compared with: the newest with a pull in it, else the newest."""
        return next((d for d in reversed(self.drives) if d.pulls), self.newest)

    @property
    def failed(self) -> bool:
        """Whether something failed, was stopped by an alert, or could not be measured."""
        return any(row.verdict in BAD for row in self.rows)

    @property
    def past(self) -> tuple[str, ...]:
        """Parts that the drives used past a rating, each once. No tune raises one, and no check has to fail by it."""
        titles = {p.name: p.title or p.name for p in self.vehicle.sheet.parts}
        return tuple(dict.fromkeys(titles.get(o.use.part, o.use.part) for o in self.uses() if o.use.past))

    @property
    def outcome(self) -> str:
        """What came of it in a sentence or two: the checks, then the parts that went past a rating."""
        past = f" Past a rating: {and_list(list(self.past))}." if self.past else ""
        return outcome(self.rows) + past

    @property
    def lacking(self) -> str:
        """Why the vehicle can't be handed over as good, or empty: something failed, or was not done and not skipped, or
        a part was used past its rating.

        An alert that stands keeps steps from being done, so what was not done is no good sign.
        """
        why = []
        if self.failed:
            why.append("a check failed")
        elif undone := sum(row.verdict is Verdict.OPEN for row in self.rows):
            asked = sum(row.verdict is not Verdict.EXCUSED for row in self.rows)
            why.append(f"{undone} of {asked} steps were not done")
        elif not any(row.verdict is Verdict.PASSED for row in self.rows):
            why.append("nothing passed")
        if self.past:
            why.append(f"a part was used past its rating: {and_list(list(self.past))}")
        return " and ".join(why)

    @property
    def good(self) -> bool:
        """Whether all that was not skipped or excused passed, and no part was used past its rating."""
        return not self.lacking

    @property
    def weight(self) -> str:
        """How the outcome stands out: ``bad``, ``open`` where something was not done, empty for neither."""
        if self.failed or self.past:
            return "bad"
        return "open" if self.lacking or any(row.verdict is Verdict.SKIPPED for row in self.rows) else ""

    @property
    def invented(self) -> bool:
        """Whether any of the drives is one of the invented vehicle."""
        return any(d.case.invented for d in self.drives) or "invented" in self.vehicle.name.casefold()

    @property
    def confirmed_by(self) -> tuple[str, ...]:
        """Who confirmed the cautions of the runs, each once."""
        return tuple(dict.fromkeys(r.confirmed_by for d in self.drives for r in d.runs if r.confirmed_by))

    def tune(self, name: str | None) -> Tune | None:
        """A tune of the vehicle by its name."""
        return next((t for t in self.vehicle.tunes if t.name == name), None)

    def uses(self) -> tuple[OfDrive, ...]:
        """The highest use of each rating over all drives, the weakest part on top."""
        best: dict[tuple[str, str], OfDrive] = {}
        for driven in self.drives:
            for use in driven.used.uses:
                key = (use.part, use.rating)
                if key not in best or use.judged.share > best[key].use.judged.share:
                    best[key] = OfDrive(driven.number, use)
        return tuple(sorted(best.values(), key=lambda o: -o.use.judged.share))

    def not_told(self) -> tuple[tuple[str, str, str], ...]:
        """Ratings that no drive tells of: part, rating, why."""
        told = {(o.use.part, o.use.rating) for o in self.uses()}
        missing = {(p, r): (p, r, why) for d in self.drives for p, r, why in d.used.missing if (p, r) not in told}
        return tuple(missing.values())

    def placements(self) -> tuple[tuple[Placed, Placement], ...]:
        """Where each pull lies in each band of the package; none without one."""
        if self.package is None:
            return ()
        return tuple(
            (each, placed(each.pull, band))
            for each in self.placed()
            for band in self.package.bands
            if (band.tune, band.gear) == (each.pull.tune, each.pull.gear)
        )

    def placed(self) -> tuple[Placed, ...]:
        """All pulls of all drives in the order of time."""
        return tuple(Placed(i, d, p) for i, (d, p) in enumerate(_each(self.drives), 1))


def _each(drives: Sequence[Driven]) -> Iterator[tuple[Driven, Pull]]:
    for driven in drives:
        for pull in driven.pulls:
            yield driven, pull
