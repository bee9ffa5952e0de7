"""A drive beside a reference drive, cell by cell at the same engine speed and load, with how sure each difference is.

Theory of operation. Both drives are cut into pieces of 2 s; steady pieces are compared with steady ones
(`steady=False`: the others with the others), in cells of engine speed and load (`maps.EDGES`) that both have. Each
quantity (`quantities`) is a number freed of weather and height. Pieces lie at different places within a cell: a
surface of second degree through both drives' pieces (each with a level of its own) moves each to the middle, over
less than a cell; what the iron around the gas has not yet followed is taken out by the same fit.

Neighbouring pieces tell the same thing twice. So pieces of one cell in one block of 30 s count as one observation,
their mean; the scatter of those means about their cell, pooled with that of all cells (a cell has few), is what one
observation is worth; blocks that follow each other and go together count for less (by their correlation r: n (1 - r)
/ (1 + r)). To that come the quantity's `repeat` (sensors from one day to the next) and `doubt` (a share of the
correction made). Nothing is drawn by lot: the same drives give the same figures to the bit.

Source: block means against autocorrelation, as in the literature on simulation output (batch means), from memory; the
sum of squares of independent contributions and the factor 2 for some 95 % are those of the GUM (JCGM 100:2008).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from uphaul.analysis.maps import EDGES
from uphaul.analysis.pieces import PIECE_MS, Pieces
from uphaul.analysis.quantities import QUANTITIES, Quantity, load_role
from uphaul.analysis.whole import WholeDrive
from uphaul.physics.basis import Bools, Floats, Ints
from uphaul.signals import NO_TUNE

__all__ = ["COVERAGE", "Comparison", "Difference", "compare", "compare_pieces"]

COVERAGE = 2.0
"""Standard uncertainties that an uncertainty is given in: some 95 %. Source: GUM, 6.3.3 (from memory)."""

LEAST_PIECES = 3
"""Pieces that a cell needs in each drive. Source: our own choice."""

LEAST_CELLS, LEAST_S = 2, 60.0
"""Fewer cells in common, or less of the drive in them, is "not comparable". Source: our own choice."""

SHRINK = 6.0
"""How many observations the scatter of all cells counts for beside a cell's own. Source: our own choice."""

HEAT_S = 60.0
"""Time in which iron between gas and probe follows the load. Source: our own choice, some minutes to settle wholly."""

UNHELD = 0.9
"""Below this share of the reference's highest pressure, boost control may have nothing to hold. Source: our own
choice."""

SAME_TOP_KPA = 4.0
"""Highest pressures nearer together than that are held by one target. Source: our own choice."""

MOMENT = 0.02
"""Share of a drive in which the tune may be unknown, as when it begins. Source: our own choice."""

_MORE_EDGES = {"oil_temp": tuple(float(x) for x in range(-40, 171, 10))}


@dataclass(frozen=True, slots=True, eq=False)
class Difference:
    """One quantity, drive less reference, over cells (X, Y) as in `CellMap`; NaN where not both drives have the cell.

    `difference` and `uncertainty` (some 95 %, half width) are in `unit`; `corrected` is how much of the plain
    difference was put down to weather and height; `drive_s` and `reference_s` the time in a cell. `overall` is the
    mean over the cells by the time in them, with its `overall_uncertainty`; `share` the share of the drive's time
    with the engine running that it is based on. `reason` says why it is not comparable; then the arrays are empty and
    the overall figures NaN.
    """

    quantity: Quantity
    x: str
    y: str
    x_edges: Floats
    y_edges: Floats
    difference: Floats
    uncertainty: Floats
    corrected: Floats
    reference: Floats
    drive_s: Floats
    reference_s: Floats
    overall: float
    overall_uncertainty: float
    share: float
    reason: str = ""
    moments_ms: tuple[tuple[int, int], ...] = ()

    @property
    def comparable(self) -> bool:
        """Whether there is a result."""
        return not self.reason

    @property
    def relative(self) -> float:
        """The overall difference as a share of the reference's mean reading, NaN for a reading around nothing."""
        weight = np.where(np.isnan(self.difference), 0.0, self.drive_s)
        middle = float((weight * np.nan_to_num(self.reference)).sum() / max(float(weight.sum()), 1e-9))
        return self.overall / middle if abs(middle) > 1e-9 else float("nan")

    def over(self, where: Bools) -> tuple[float, float]:
        """(difference, uncertainty) over a part of the cells; NaN when none of them is in both drives."""
        return _pooled(
            self.difference, self.uncertainty, np.where(where, np.minimum(self.drive_s, self.reference_s), 0.0)
        )


@dataclass(frozen=True, slots=True)
class Comparison:
    """A drive beside a reference: the differences in the order of `QUANTITIES`, and what load was told by.

    `cautions` are plain sentences about what could not be taken into account.
    """

    differences: tuple[Difference, ...]
    load: str
    steady: bool
    cautions: tuple[str, ...] = ()

    def of(self, name: str) -> Difference:
        """The difference of that quantity. Raises KeyError for one that is none."""
        for each in self.differences:
            if each.quantity.name == name:
                return each
        raise KeyError(name)


def compare(drive: WholeDrive, reference: WholeDrive, *, steady: bool = True) -> Comparison:
    """Every quantity of `drive` beside `reference`, freed of weather and height, with the uncertainty of each.

    Only what was driven in the same tune is compared, where both drives tell it.
    """
    return compare_pieces(Pieces(drive), Pieces(reference), steady=steady)


def compare_pieces(here: Pieces, there: Pieces, *, steady: bool = True, only: tuple[str, ...] = ()) -> Comparison:
    """The same of drives that are in pieces already; of the quantities of `only`, when there are any."""
    load = load_role(here, there)
    same, cautions = _same_tune(here, there)
    out = []
    for quantity in QUANTITIES:
        if only and quantity.name not in only:
            continue
        y = load if quantity.y == "load" else quantity.y
        missing = [r for r in dict.fromkeys((*quantity.roles, y)) if not r or not (here.has(r) and there.has(r))]
        if missing or not same:
            reason = "another tune" if not missing else f"no {', '.join(m or 'load' for m in missing)} in both drives"
            out.append(_nothing(quantity, "rpm", y, reason))
        else:
            out.append(_difference(quantity, y, (here, there), same, steady=steady))
    mass = [float(np.nanmedian(p.of("mass"))) if p.has("mass") else float("nan") for p in (here, there)]
    if np.isnan(mass).any():
        cautions.append("the mass of one drive is not known: power at the wheels assumes the mass set up")
    return Comparison(tuple(out), load, steady, tuple(cautions))


def _same_tune(here: Pieces, there: Pieces) -> tuple[set[int], list[str]]:
    """Numbers of the drive's tunes that the reference has too, by name; unknown goes with anything."""
    names, others = here.drive.tunes, there.drive.tunes
    used, reference = _tunes(here), _tunes(there)
    met = {others[i] if 0 <= i < len(others) else "" for i in reference}
    if "" in met or used == {NO_TUNE}:
        return used, ["the tune is not told in both drives: a difference may be the tune's"]
    same = {i for i in used if i == NO_TUNE or (i < len(names) and names[i] in met)}
    return same, [] if same == used else ["part of the drive was driven in a tune that the reference has not"]


def _tunes(p: Pieces) -> set[int]:
    """Numbers of the tunes that were driven in; unknown only where it was for more than a moment."""
    numbers, pieces = np.unique(p.tune, return_counts=True)
    return {n for n, k in zip(numbers.tolist(), pieces.tolist(), strict=True) if n != NO_TUNE or k > MOMENT * len(p)}


def _difference(q: Quantity, y: str, sides: tuple[Pieces, Pieces], tunes: set[int], *, steady: bool) -> Difference:
    here, there = sides
    names = {there.drive.tunes.index(here.drive.tunes[i]) for i in tunes if 0 <= i < len(here.drive.tunes)
             and here.drive.tunes[i] in there.drive.tunes} | {NO_TUNE}  # fmt: skip
    xe, ye = np.array(EDGES["rpm"]), np.array(EDGES.get(y) or _MORE_EDGES[y])
    both_sides = [_Side(q, y, p, (xe, ye), allowed, steady=steady) for p, allowed in ((here, tunes), (there, names))]
    if min(len(s.number) for s in both_sides) < LEAST_PIECES:
        return _nothing(q, "rpm", y, "too little steady running at load in one of the drives")
    ours, theirs = both_sides
    surface = _Surface(ours, theirs)
    blocks = [_Blocks(s, s.number - surface.at(s), (len(xe) - 1) * (len(ye) - 1)) for s in both_sides]
    both = np.flatnonzero((blocks[0].pieces >= LEAST_PIECES) & (blocks[1].pieces >= LEAST_PIECES))
    covered_s = float(blocks[0].pieces[both].sum()) * PIECE_MS / 1000.0
    if len(both) < LEAST_CELLS or covered_s < LEAST_S:
        return _nothing(q, "rpm", y, "the drives have hardly met the same engine speed and load")
    gain = _cell_median(ours.gain, ours.cell, both)
    shift = (blocks[0].mean[both] - blocks[1].mean[both]) * gain
    plain_ours, plain_theirs = (_cell_median(s.reading, s.cell, both) for s in both_sides)
    moved = _cell_median(surface.at(ours), ours.cell, both) - _cell_median(surface.at(theirs), theirs.cell, both)
    corrected = plain_ours - plain_theirs - moved * gain - shift
    variance = sum(_variance(b, both, np.abs(gain)) for b in blocks)
    fixed2 = np.square(q.repeat) + np.square(q.doubt * corrected)
    if q.unheld:
        baros = [_cell_median(s.baro, s.cell, both) for s in both_sides]
        tops = [float(np.quantile(s.reading, 0.99)) for s in both_sides]
        held = abs(tops[0] - tops[1]) <= SAME_TOP_KPA  # control reached its target in both
        unheld = (plain_theirs < UNHELD * np.nanmax(plain_theirs)) | (not held)
        fixed2 += np.square(np.where(unheld, 0.5 * plain_theirs * (baros[0] / baros[1] - 1.0), 0.0))
    uncertainty = COVERAGE * np.sqrt(variance + fixed2)
    shape = len(xe) - 1, len(ye) - 1

    def table(values: Floats) -> Floats:
        out: Floats = np.full(shape[0] * shape[1], np.nan)
        out[both] = values
        return out.reshape(shape)

    seconds = [b.pieces[both].astype(np.float64) * (PIECE_MS / 1000.0) for b in blocks]
    weight = np.minimum(*seconds)
    overall = float(np.average(shift, weights=weight))
    random2 = float((weight * weight * variance).sum() / weight.sum() ** 2)
    fixed2_overall = float(np.average(fixed2, weights=weight))
    running = np.count_nonzero(here.of("rpm") > 300.0) * PIECE_MS / 1000.0
    taken = np.isin(ours.cell, both)
    return Difference(
        quantity=q, x="rpm", y=y, x_edges=xe, y_edges=ye,
        difference=table(shift), uncertainty=table(uncertainty), corrected=table(corrected),
        reference=table(plain_theirs), drive_s=table(seconds[0]), reference_s=table(seconds[1]), overall=overall,
        overall_uncertainty=COVERAGE * float(np.sqrt(random2 + fixed2_overall)),
        share=covered_s / max(running, 1.0),
        moments_ms=_longest(here, ours.at[taken]),
    )  # fmt: skip


class _Side:
    """The pieces of one drive that count: their place `at`, `cell`, `block`, reading, number and gain, all (K,)."""

    def __init__(
        self, q: Quantity, y: str, p: Pieces, edges: tuple[Floats, Floats], tunes: set[int], *, steady: bool
    ) -> None:
        xe, ye = edges
        with np.errstate(all="ignore"):
            reading, number, gain = q.make(p)
        a, b = p.of("rpm"), p.of(y)
        i, j = (np.searchsorted(e, v, side="right") - 1 for e, v in ((xe, a), (ye, b)))
        inside = (i >= 0) & (j >= 0) & (i < len(xe) - 1) & (j < len(ye) - 1)
        roles = ("rpm",) if y == "oil_temp" else ("rpm", y)
        take = inside & np.isfinite(reading) & np.isfinite(number) & np.isfinite(gain) & (p.steady(*roles) == steady)
        take &= np.isin(p.tune, list(tunes))
        at = np.flatnonzero(take)
        self.at, self.cell, self.block = at, (i * (len(ye) - 1) + j)[at], p.block[at]
        self.reading, self.number, self.gain = reading[at], number[at], gain[at]
        self.x, self.y = a[at] / (xe[1] - xe[0]), b[at] / (ye[1] - ye[0])
        self.baro = p.of("baro")[at]
        also = [(p.eased(b, HEAT_S) - b) / (ye[1] - ye[0])] if q.slow else []
        also += [p.of(role) for role in q.beside]
        self.also = [np.nan_to_num(values[at]) for values in also]


class _Blocks:
    """Means of the pieces of each cell and block, and what they say of their cell."""

    def __init__(self, side: _Side, rest: Floats, cells: int) -> None:
        key = side.cell.astype(np.int64) * (1 << 40) + side.block
        keys, inverse, count = np.unique(key, return_inverse=True, return_counts=True)
        self.value: Floats = np.bincount(inverse, weights=rest) / count
        self.cell: Ints = keys >> 40
        self.number: Ints = keys & ((1 << 40) - 1)
        # a block with little in it tells less
        self.weight: Floats = np.minimum(count, 5) / 5.0
        total = np.bincount(self.cell, weights=self.weight, minlength=cells)
        weighed = np.bincount(self.cell, weights=self.weight * self.value, minlength=cells)
        self.mean: Floats = weighed / np.maximum(total, 1e-9)
        self.observations: Floats = total.astype(np.float64)
        self.pieces: Ints = np.bincount(side.cell, minlength=cells).astype(np.int64)
        self.off: Floats = self.value - self.mean[self.cell]
        follows = (self.cell[1:] == self.cell[:-1]) & (self.number[1:] - self.number[:-1] == 1)
        energy = float(np.square(self.off).mean()) if len(self.off) else 0.0
        together = float((self.off[1:] * self.off[:-1])[follows].mean()) if follows.sum() >= 5 else 0.0
        # deviations from the mean of few are correlated against each other: never taken as less than nothing
        self.correlation = min(max(together / energy, 0.0), 0.8) if energy > 0.0 else 0.0


def _variance(b: _Blocks, both: Ints, gain: Floats) -> Floats:
    """Variance of the mean of each cell of `both`, in the unit of the reading."""
    cells = len(b.mean)
    blocks = np.bincount(b.cell, minlength=cells)
    squares = np.bincount(b.cell, weights=b.weight * np.square(b.off), minlength=cells)[both]
    free = np.maximum(blocks[both] - 1, 0)
    pooled = float((squares * np.square(gain)).sum() / max(float(free.sum()), 1.0))
    each = (SHRINK * pooled + squares * np.square(gain)) / (SHRINK + free)
    worth = np.maximum(b.observations[both] * (1.0 - b.correlation) / (1.0 + b.correlation), 0.2)
    return each / worth


class _Surface:
    """How a number goes over a cell: least squares of second degree in speed and load, linear in what else matters.

    Through the pieces of both drives, each with a level of its own, so that what differs between them stays. Fewer
    terms where there are few pieces.
    """

    def __init__(self, *sides: _Side) -> None:
        self._x, self._y = (float(np.concatenate(v).mean()) for v in ([s.x for s in sides], [s.y for s in sides]))
        terms = np.concatenate([self._terms(s) for s in sides])
        number = np.concatenate([s.number for s in sides])
        least = min(len(s.number) for s in sides)
        self._n = terms.shape[1] if least >= 60 else 2 if least >= 20 else 0
        level = np.concatenate([np.full(len(s.number), i) for i, s in enumerate(sides)])
        levels = np.stack([level == i for i in range(len(sides))], axis=1) * 1.0
        terms = np.concatenate((terms[:, : self._n], levels), axis=1)
        take = np.ones(len(terms), dtype=bool)
        for _ in range(2):  # once more without what lies far off
            x = terms[take]
            of = np.linalg.lstsq(x.T @ x, x.T @ number[take], rcond=1e-10)[0]  # small, so quick on long drives
            off = np.abs(number - terms @ of)
            take = off <= 4.0 * 1.4826 * float(np.median(off)) + 1e-12
        self._of = of[: self._n]

    def _terms(self, s: _Side) -> Floats:
        x, y = s.x - self._x, s.y - self._y
        return np.stack((x, y, x * x, x * y, y * y, *s.also), axis=1)

    def at(self, side: _Side) -> Floats:
        """By how much the surface lies over its middle at the side's pieces."""
        out: Floats = self._terms(side)[:, : self._n] @ self._of
        return out


def _cell_median(values: Floats, cell: Ints, cells: Ints) -> Floats:
    order = np.argsort(cell, kind="stable")
    sorted_cells = cell[order]
    starts, stops = np.searchsorted(sorted_cells, cells), np.searchsorted(sorted_cells, cells, side="right")
    return np.array([np.median(values[order[a:b]]) for a, b in zip(starts, stops, strict=True)])


def _pooled(difference: Floats, uncertainty: Floats, weight: Floats) -> tuple[float, float]:
    known = ~np.isnan(difference) & (weight > 0.0)
    if not known.any():
        return float("nan"), float("nan")
    w = weight[known]
    value = float(np.average(difference[known], weights=w))
    # what repeats from cell to cell does not average out: the mean of the uncertainties is the cautious one
    return value, float(np.average(uncertainty[known], weights=w))


def _longest(p: Pieces, at: Ints, most: int = 3) -> tuple[tuple[int, int], ...]:
    """The longest stretches of the pieces `at`, pauses of up to 10 s bridged, in order of time."""
    if not len(at):
        return ()
    cuts = np.flatnonzero(np.diff(p.number[at]) > 5) + 1
    parts = sorted(np.split(at, cuts), key=len)[-most:]
    return tuple(sorted((int(p.first_ms[part[0]]), int(p.last_ms[part[-1]])) for part in parts))


def _nothing(q: Quantity, x: str, y: str, reason: str) -> Difference:
    flat, none, nan = np.zeros(0), np.zeros((0, 0)), float("nan")
    return Difference(q, x, y, flat, flat, none, none, none, none, none, none, nan, nan, 0.0, reason)
