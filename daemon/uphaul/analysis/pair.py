"""A drive beside its reference, with what several signs need: pieces, comparison, drag."""

from __future__ import annotations

from uphaul.analysis.comparison import Comparison, Difference, compare_pieces
from uphaul.analysis.drag import Drag, drag
from uphaul.analysis.pieces import Pieces
from uphaul.analysis.pull_beside import USUAL, Beside, Course, Usual, beside, courses
from uphaul.analysis.whole import WholeDrive

__all__ = ["Pair"]


class Pair:
    """A drive and its reference (or none), with what several signs need."""

    def __init__(self, drive: WholeDrive, reference: WholeDrive | None) -> None:
        self.here = Pieces(drive)
        self.there = Pieces(reference) if reference is not None else None
        self.comparison: Comparison | None = None
        self.drag: Drag | None = None
        self._moving: dict[str, Difference] = {}
        self._courses: tuple[tuple[Course, ...], tuple[Course, ...]] | None = None
        if self.there is not None:
            self.comparison = compare_pieces(self.here, self.there)
            needed = ("rpm", "fuel", "speed", "wheel_power")
            in_gear = all(p.has("gear") or p.has("gear_by_ratio") for p in (self.here, self.there))
            if in_gear and self.here.has(*needed) and self.there.has(*needed):
                self.drag = drag(self.here, self.there)

    def difference(self, name: str) -> Difference | None:
        """The difference of a quantity where both drives were steady, else where neither was, for what follows at
        once."""
        if self.comparison is None or self.there is None:
            return None
        found = self.comparison.of(name)
        if not found.comparable and not found.quantity.slow:
            if name not in self._moving:
                self._moving[name] = compare_pieces(self.here, self.there, steady=False, only=(name,)).of(name)
            found = self._moving[name]
        return found if found.comparable else None

    def in_pulls(self, name: str) -> Beside | None:
        """The difference of a quantity of `pull_beside.USUAL` in full-load pulls; None where no two pulls met."""
        if self.there is None:
            return None
        if self._courses is None:
            self._courses = courses(self.here.drive), courses(self.there.drive)
        return beside(name, *self._courses)

    def all_in_pulls(self) -> tuple[tuple[Usual, Beside], ...]:
        """Every quantity that is told of pulls, in the order of `pull_beside.USUAL`."""
        return tuple((usual, found) for name, usual in USUAL.items() if (found := self.in_pulls(name)) is not None)
