"""The judge: which rule's condition is true at which tick. One judge for live ticks and for logged drives.

Theory of operation. A block is cut into pieces at every gap, every change of tune and every 4,096 ticks; a piece has
one set of limits and delays. Each rule gives every tick of a piece a code: beyond, within or neither. The further
conditions (`when`) then turn codes to within or neither, and the delays turn codes into changes of conditions. What is
carried from piece to piece are integers, booleans and int64 sums, so any cutting of a drive gives the same answer.

Unknown tune: every variant (the base rule, then each tune) is asked; beyond if any says so, within only if all do, the
shortest on-delay and the longest off-delay.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from uphaul.errors import UphaulError
from uphaul.rules.delay import BEYOND, NEITHER, WITHIN, Delays
from uphaul.rules.levels import Bound, Level, Levels
from uphaul.rules.measure import Measured, Piece, Reading, make
from uphaul.rules.spec import ABOVE, BELOW, Condition, Kind, Rule, Setting, Share
from uphaul.signals import NO_TUNE, Block, Signal, index_of

__all__ = ["Approach", "Judge"]
PIECE_TICKS = 4096

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Approach:
    """How near a rule came to its limit while its further conditions held.

    `excess` is the measure past the limit, negative for headroom left, in the measure's unit.
    """

    t_ms: int
    excess: float
    value: float
    limit: float
    tune: int


class Judge:
    """Judges consecutive blocks of one drive.

    `signals` are the columns of the blocks; a rule's signal that is not among them is unknown throughout. `tunes` are
    the names of the tunes by number. `grid_ms` divides every tick time (1000 / tick_hz). With `approaches` the
    closest approach of every rule is kept, which costs a little, and in `measured` which rules had a known measure at
    some tick, whether their further conditions held or not.
    """

    def __init__(
        self,
        rules: tuple[Rule, ...],
        signals: tuple[Signal, ...],
        tunes: tuple[str, ...] = (),
        *,
        gap_ms: int = 1000,
        grid_ms: int = 1,
        approaches: bool = False,
    ) -> None:
        self._rules = rules
        self._gap_ms = gap_ms
        self._column = column = index_of(signals)
        self._width = len(signals)
        self._delays = Delays(len(rules))
        self._last_ms: int | None = None
        self._first_ms: int | None = None
        self.approaches: list[Approach | None] | None = [None] * len(rules) if approaches else None
        self.measured: Bools = np.zeros(len(rules), dtype=bool)

        self._threshold = np.array([i for i, r in enumerate(rules) if r.kind is Kind.THRESHOLD], dtype=np.intp)
        self._lost = np.array([i for i, r in enumerate(rules) if r.kind is Kind.LOST], dtype=np.intp)
        self._lost_cols = np.array([column.get(rules[i].signal, -1) for i in self._lost], dtype=np.intp)
        self._grace_ms = np.array([[rules[i].grace_ms] for i in self._lost], dtype=np.int64).reshape(-1, 1)
        made = [(i, make(r, column, signals, tunes, grid_ms)) for i, r in enumerate(rules)]
        self._measured: list[tuple[int, Measured]] = [(i, m) for i, m in made if m is not None]
        owners = [i for i, r in enumerate(rules) for _ in r.when]
        self._owner = np.array(sorted(set(owners)), dtype=np.intp)
        self._owner_start = np.array([owners.index(i) for i in self._owner], dtype=np.intp)
        holds_unknown = [[not rules[i].judge_unknown_when] for i in self._owner]
        self._holds_unknown = np.array(holds_unknown, dtype=bool).reshape(-1, 1)
        self._memory: Bools = np.zeros(len(owners), dtype=bool)
        self._last_when: tuple[Bools, Bools] = np.ones(len(self._owner), dtype=bool), np.zeros(len(self._owner), bool)
        self._sets = {
            n: _Set([tunes[n]] if n >= 0 else [None, *tunes], rules, self._measured, column)
            for n in range(NO_TUNE, len(tunes))
        }

    @property
    def active(self) -> Bools:
        """Which conditions are true now, (rules,)."""
        return self._delays.active

    @property
    def beyond_since_ms(self) -> npt.NDArray[np.int64]:
        """Since when each rule has been past its limit without a break, delayed or not, (rules,); -1: it is not."""
        return self._delays.beyond_since_ms

    @property
    def applies(self) -> Bools:
        """Which rules were judged at the last tick, (rules,): their further conditions held, or count as holding."""
        out = np.ones(len(self._rules), dtype=bool)
        ruled_out, unsure = self._last_when
        out[self._owner] = ~ruled_out & ~(unsure & ~self._holds_unknown[:, 0])
        return out

    def run(self, block: Block) -> list[Condition]:
        """Judge the next block: every change of a condition, in order of tick, then rule."""
        out: list[Condition] = []
        if not self._rules:
            return out
        for piece in self._pieces(block):
            out += self._judge(piece)
        return out

    def _pieces(self, block: Block) -> Iterator[Piece]:
        t, tune, n = block.t_ms, block.tune, len(block)
        if not n:
            return
        before = np.diff(t, prepend=t[0] if self._last_ms is None else self._last_ms)
        gap = before > self._gap_ms
        if self._last_ms is None:
            self._first_ms = int(t[0])
            gap[0] = True
        cut = gap.copy()
        cut[1:] |= tune[1:] != tune[:-1]
        cut[0] = True
        cut[::PIECE_TICKS] = True
        bounds = [*np.flatnonzero(cut).tolist(), n]
        self._last_ms = int(t[-1])
        for a, b in pairwise(bounds):
            rows = np.empty((self._width + 1, b - a))
            rows[:-1] = block.values[a:b].T
            rows[-1] = np.nan
            yield Piece(t[a:b], rows, int(tune[a]), bool(gap[a]))

    def _judge(self, piece: Piece) -> list[Condition]:
        n = len(piece.t_ms)
        codes = np.zeros((len(self._rules), n), dtype=np.int8)
        excess = np.full(codes.shape, np.nan) if self.approaches is not None else None
        chosen = self._sets.get(piece.tune) or self._sets[NO_TUNE]
        readings = self._measure(piece, chosen, codes, excess)
        if excess is not None and not self.measured.all():
            rest = np.flatnonzero(~self.measured)
            self.measured[rest] = ~np.isnan(excess[rest]).all(axis=1)
        self._apply_when(piece, chosen, codes, excess)
        changes = self._delays.run(piece.t_ms, codes, chosen.on_ms, chosen.off_ms, restart=piece.gap)
        if excess is not None:
            self._approach(piece, chosen, readings, excess)
        out = []
        for tick, rule, active in changes:
            value, limit = self._describe(piece, chosen, readings, rule, tick, raised=active)
            out.append(Condition(int(piece.t_ms[tick]), rule, active, value, limit, piece.tune))
        return out

    def _measure(
        self, piece: Piece, chosen: _Set, codes: npt.NDArray[np.int8], excess: Floats | None
    ) -> dict[int, list[Reading]]:
        """Fill in codes before any `when`; the readings of the rules that are evaluated one by one."""
        count = len(self._threshold)
        if count:
            beyond, within, past = chosen.levels[0].evaluate(piece.rows)
            for levels in chosen.levels[1:]:
                more = levels.evaluate(piece.rows)
                beyond = beyond | more[0]
                within = within & more[1]
                past = np.fmax(past, more[2])
            codes[self._threshold] = beyond[:count] * np.int8(BEYOND) + within[:count] * np.int8(WITHIN)
            if excess is not None:
                excess[self._threshold] = past[:count]
        if len(self._lost):
            code = np.where(np.isnan(piece.rows[self._lost_cols]), np.int8(BEYOND), np.int8(WITHIN))
            assert self._first_ms is not None
            code[piece.t_ms - self._first_ms < self._grace_ms] = NEITHER
            codes[self._lost] = code
        readings = {}
        for i, measured in self._measured:
            readings[i] = answers = measured.read(piece, chosen.bounds[i])
            beyond, within = answers[0].beyond, answers[0].within
            for other in answers[1:]:
                beyond, within = beyond | other.beyond, within & other.within
            row = codes[i]
            row[within], row[beyond] = WITHIN, BEYOND
            if excess is not None:
                side = _side(self._rules[i])
                for a in answers:
                    excess[i] = np.fmax(excess[i], (a.measure - a.limit) * side)
        return readings

    def _apply_when(self, piece: Piece, chosen: _Set, codes: npt.NDArray[np.int8], excess: Floats | None) -> None:
        if not len(self._owner):
            return
        beyond, within, past = chosen.when.evaluate(piece.rows)
        unknown = np.isnan(past)
        if piece.gap:
            self._memory[:] = False
        # the latest event up to each tick: odd where it made the condition hold, even where it ended that
        tick = 2 * np.arange(len(piece.t_ms))
        event = np.where(beyond, tick + 1, np.where(within | unknown, tick, -1))
        event[:, 0] = np.where(event[:, 0] < 0, self._memory, event[:, 0])
        holds = np.maximum.accumulate(event, axis=1) & 1 == 1
        self._memory = holds[:, -1].copy()
        ruled_out, unsure = ~holds & ~unknown, unknown
        if len(unknown) > len(self._owner):  # some rule has more than one
            ruled_out = np.logical_or.reduceat(ruled_out, self._owner_start, axis=0)
            unsure = np.logical_or.reduceat(unsure, self._owner_start, axis=0)
        self._last_when = ruled_out[:, -1], unsure[:, -1]
        part = codes[self._owner]
        part[unsure & ~self._holds_unknown] = NEITHER
        part[ruled_out] = WITHIN
        codes[self._owner] = part
        if excess is not None:
            out = ruled_out | (unsure & ~self._holds_unknown)
            excess[self._owner] = np.where(out, np.nan, excess[self._owner])

    def _describe(
        self, piece: Piece, chosen: _Set, readings: dict[int, list[Reading]], rule: int, tick: int, *, raised: bool
    ) -> tuple[float, float]:
        """Value and limit at a tick: of the first variant that is beyond when raised, else of the base."""
        if self._rules[rule].kind is Kind.LOST:
            return float("nan"), float("nan")
        answers, tick = self._answers(piece, chosen, readings, rule, tick)
        return _told(next((a for a in answers if raised and a.beyond[tick]), answers[0]), tick)

    def _answers(
        self, piece: Piece, chosen: _Set, readings: dict[int, list[Reading]], rule: int, tick: int
    ) -> tuple[list[Reading], int]:
        """What each variant of a rule says of a tick of the piece, and that tick's index in the readings."""
        spec = self._rules[rule]
        if spec.kind is not Kind.THRESHOLD:
            return readings[rule], tick
        rows = piece.rows[:, tick : tick + 1]
        x = rows[self._column.get(spec.signal, -1)]
        limits = [(b, b.limit(rows)) for b in chosen.bounds[rule]]
        return [Reading(x, limit, *b.compare(x, limit)) for b, limit in limits], 0

    def _approach(self, piece: Piece, chosen: _Set, readings: dict[int, list[Reading]], excess: Floats) -> None:
        assert self.approaches is not None
        best = np.fmax.reduce(excess, axis=1)
        for rule in np.flatnonzero(~np.isnan(best)).tolist():
            known = self.approaches[rule]
            if known is None or best[rule] > known.excess:
                tick = int(np.flatnonzero(excess[rule] == best[rule])[0])
                answers, at = self._answers(piece, chosen, readings, rule, tick)
                told = [_told(a, at) for a in answers]
                side = _side(self._rules[rule])  # the variant whose headroom it is; an unknown limit has none
                value, limit = next(((v, x) for v, x in told if (v - x) * side == best[rule]), told[0])
                self.approaches[rule] = Approach(int(piece.t_ms[tick]), float(best[rule]), value, limit, piece.tune)


class _Set:
    """All that one tune (or the unknown tune) decides, made once. `names` are its variants, None the base rule."""

    def __init__(
        self,
        names: list[str | None],
        rules: tuple[Rule, ...],
        measured: list[tuple[int, Measured]],
        column: dict[str, int],
    ) -> None:
        settings = [[r.setting(n) for n in names] for r in rules]
        thresholds = [i for i, r in enumerate(rules) if r.kind is Kind.THRESHOLD]
        self.bounds = {i: [m.bound(s) for s in settings[i]] for i, m in measured}
        self.bounds |= {i: [Bound(s.limit, s.deadband, rules[i].side, column) for s in settings[i]] for i in thresholds}
        distinct = dict.fromkeys(tuple(settings[i][v] for i in thresholds) for v in range(len(names)))
        self.levels = [
            Levels([_level(rules[i], s) for i, s in zip(thresholds, variant, strict=True)], column)
            for variant in distinct
        ]
        self.when = Levels([Level(w.signal, w.side, w.limit, w.deadband) for r in rules for w in r.when], column)
        self.on_ms = np.array([min(s.on_delay_ms for s in each) for each in settings], dtype=np.int64)
        self.off_ms = np.array([max(s.off_delay_ms for s in each) for each in settings], dtype=np.int64)


def _side(rule: Rule) -> int:
    """The sign that makes measure less limit an excess."""
    return BELOW if rule.kind is Kind.REACH else ABOVE if rule.kind is Kind.EXPOSURE else rule.side


def _told(answer: Reading, tick: int) -> tuple[float, float]:
    """Value and limit of a reading at a tick."""
    return float(answer.measure[tick]), float(answer.limit[tick if len(answer.limit) > 1 else 0])


def _level(rule: Rule, setting: Setting) -> Level:
    if isinstance(setting.limit, Share):
        raise UphaulError(f"rule {rule.name}: a threshold's limit is a number or a curve, not a share")
    return Level(rule.signal, rule.side, setting.limit, setting.deadband)
