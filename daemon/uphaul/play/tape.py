"""A recorded drive that is stepped through: at every tick it stands as the daemon would have stood there. Pure.

Theory of operation. A drive has parts, each judged by a row of its own, as its configuration was. A step takes the next
ticks through the row and into a `Presenter`, and never goes past a tick at which the headroom looks: so it does not
matter to what is shown whether the ticks came one by one or several at once. `play` makes a `Moment` of a step, `skip`
only lets the presenter know of it.

`turn_to` makes ready for a later or earlier place: the judge has a memory, so it must have seen what came before.
Copies of it (marks) are laid down on the way, and the nearest one before the place is taken; without one it begins with
the part. Then `skip` goes on from there until nothing is left up to the place. A `scout` lays down marks ahead. That
a copy goes on as the original would is held by a test for every kind of rule: a judge must keep its memory in objects
and arrays of its own, not in views and closures.
"""

from __future__ import annotations

import copy
from bisect import bisect_right, insort
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from uphaul.alerts import Carried
from uphaul.alerts.lifecycle import Alert
from uphaul.analysis.field_check import News
from uphaul.analysis.field_check_follow import CheckFollower
from uphaul.config.spec import Config
from uphaul.log.drives import Part
from uphaul.pipeline import Outcome, Row
from uphaul.pipeline.headroom import LOOK_MS
from uphaul.present import Presenter
from uphaul.signals import Block, Quality
from uphaul.status import Moment, Status

__all__ = ["LONGEST_GAP_MS", "Reel", "Tape"]

READ_TICKS = 2048
"""Ticks that are read at once: a few hundredths of a second's work."""
FIRST_SPACING_MS = 30_000
MOST_MARKS = 64
"""About a megabyte each."""
LONGEST_GAP_MS = 3000
NEVER = -(1 << 40)


@dataclass(frozen=True, slots=True)
class Reel:
    """A part of a drive with what judges and shows it.

    `config` has the part's signals as columns, computed ones filled in, and the rules and tunes to judge by. `carried`
    is what the alerts begin with.
    """

    part: Part
    config: Config
    carried: tuple[Carried, ...] = ()

    def row(self) -> Row:
        """A fresh row for the part."""
        c, part = self.config, self.part
        return Row(c.signals, c.rules, c.tunes, gap_ms=part.gap_ms, grid_ms=part.grid_ms, carried=self.carried)

    def check(self) -> CheckFollower | None:
        """What follows a field check that is driven in the part; None where its configuration has none."""
        c, part = self.config, self.part
        if c.field_check is None:
            return None
        return CheckFollower(
            c.field_check, c.signals, c.tunes, c.rules, c.vehicle, gap_ms=part.gap_ms, grid_ms=part.grid_ms
        )


class _Feed:
    """The ticks of a part that are still to come, in steps."""

    def __init__(self, part: Part, after_ms: int | None) -> None:
        self._last_ms = part.ticks_ms[1]  # a drive that is being logged is played as far as it went
        self._after_ms = NEVER if after_ms is None else after_ms
        self._blocks = part.blocks(None if after_ms is None else after_ms + 1, READ_TICKS)
        self._block: Block | None = None
        self._at = self._stop = self._quality = self._event = 0
        self._read()

    def _read(self) -> None:
        """Have a tick at hand, if there is one."""
        while self._at >= self._stop:
            block = next(self._blocks, None)
            if block is None:
                self._block = None
                return
            self._at = int(np.searchsorted(block.t_ms, self._after_ms, side="right"))
            self._stop = int(np.searchsorted(block.t_ms, self._last_ms, side="right"))
            events = tuple(sorted(block.events, key=lambda e: (e.t_ms, e.seq)))
            self._block = replace(block, events=events)
            self._quality = bisect_right(block.quality, self._after_ms, key=lambda q: q.t_ms)
            self._event = bisect_right(events, self._after_ms, key=lambda e: e.t_ms)

    @property
    def next_ms(self) -> int | None:
        """The time of the tick that comes next, None at the end."""
        return None if self._block is None else int(self._block.t_ms[self._at])

    def take(self, upto_ms: int, look_ms: int) -> Block | None:
        """The next ticks that are not after `upto_ms`, at most up to the first one at or after `look_ms`.

        With them come changes and events of ticks before them that were lost.
        """
        block = self._block
        if block is None:
            return None
        a = self._at
        due = int(np.searchsorted(block.t_ms, upto_ms, side="right"))
        look = int(np.searchsorted(block.t_ms, look_ms)) + 1
        b = min(due, max(look, a + 1), self._stop)
        if b <= a:
            return None
        t_ms = block.t_ms[a:b]
        last = int(t_ms[-1])
        quality = bisect_right(block.quality, last, key=lambda q: q.t_ms)
        event = bisect_right(block.events, last, key=lambda e: e.t_ms)
        piece = Block(
            signals=block.signals,
            t_ms=t_ms.copy(),  # not to keep all that was read in memory with a mark
            values=block.values[a:b].copy(),
            tune=block.tune[a:b].copy(),
            quality=block.quality[self._quality : quality],
            events=block.events[self._event : event],
        )
        self._at, self._quality, self._event = b, quality, event
        self._read()
        return piece


class _Standing:
    """How a part stands after a step, with all that judges and shows it; it is a `uphaul.present.Watched`.

    `looked_ms` is the tick of the headroom's last look, `gap` the end and the length of the last long gap, in ms.
    """

    def __init__(self, reel: Reel, drive: int) -> None:
        self.drive: int | None = drive
        self.block: Block | None = None
        self.qualities = (Quality.GOOD,) * len(reel.config.signals)
        self.ticked_ms: int | None = 0
        self.row = reel.row()
        self.check = reel.check()
        self.check_news: tuple[News, ...] = ()
        self.presenter = Presenter(reel.config, self, lambda: 0.0)  # the player tells the age of what is shown
        self.looked_ms = NEVER
        self.gap: tuple[int, int] | None = None

    @property
    def alerts(self) -> tuple[Alert, ...]:
        """Every alert."""
        return self.row.alerts

    @property
    def applies(self) -> npt.NDArray[np.bool_]:
        """Which rules are judged now, (rules,)."""
        return self.row.judge.applies

    @property
    def flood(self) -> bool:
        """Whether there are more alerts than anyone can take in."""
        return self.row.cycle.flood

    def step(self, block: Block, before_ms: int) -> Outcome:
        """Take in the next ticks; `before_ms` is the one before them."""
        if self.check is not None:
            self.check.before(block, self.row.alerts if block.events else ())
        outcome = self.row.run(block)
        if self.check is not None:
            self.check_news = tuple(self.check.after(block, outcome.transitions))
        if block.quality:
            qualities = list(self.qualities)
            for change in block.quality:
                qualities[change.signal] = change.quality
            self.qualities = tuple(qualities)
        lengths = np.diff(block.t_ms, prepend=before_ms)
        for i in np.flatnonzero(lengths > LONGEST_GAP_MS).tolist():
            self.gap = int(block.t_ms[i]), int(lengths[i])
        self.block = block
        last_ms = int(block.t_ms[-1])
        if last_ms - self.looked_ms >= LOOK_MS:
            self.looked_ms = last_ms
        return outcome

    def copy(self, config: Config) -> _Standing:
        """An independent one; what never changes is shared."""
        shared = (config, config.vehicle, config.field_check, *config.rules, *config.signals, self.block)
        return copy.deepcopy(self, {id(x): x for x in shared})


@dataclass(frozen=True, slots=True)
class _Mark:
    """A copy of how part `number` stood after the tick `t_ms`."""

    number: int
    t_ms: int
    standing: _Standing

    @property
    def at(self) -> tuple[int, int]:
        """What marks are in order of."""
        return self.number, self.t_ms


class _Marks:
    """The marks of a drive in order, none near another."""

    def __init__(self) -> None:
        self._marks: list[_Mark] = []
        self._spacing_ms = FIRST_SPACING_MS

    def before(self, number: int, t_ms: int) -> _Mark | None:
        """The last one of the part at or before that time."""
        at = bisect_right(self._marks, (number, t_ms), key=lambda m: m.at) - 1
        return self._marks[at] if at >= 0 and self._marks[at].number == number else None

    def wanted(self, number: int, t_ms: int) -> bool:
        """Whether none is near."""
        at = bisect_right(self._marks, (number, t_ms), key=lambda m: m.at)
        around = self._marks[max(at - 1, 0) : at + 1]
        return all(m.number != number or abs(m.t_ms - t_ms) >= self._spacing_ms for m in around)

    def add(self, mark: _Mark) -> None:
        """Keep one more; when there are too many, every other one goes."""
        insort(self._marks, mark, key=lambda m: m.at)
        if len(self._marks) > MOST_MARKS:
            del self._marks[::2]
            self._spacing_ms *= 2


class Tape:
    """The drive `drive` (0: without a number) in its parts, each with a tick at least; stands after its first tick."""

    def __init__(self, reels: Sequence[Reel], drive: int = 0, *, _marks: _Marks | None = None) -> None:
        self._reels = reels
        self._drive = drive
        self._marks = _marks or _Marks()
        self.first_ms, self.last_ms = reels[0].part.ticks_ms[0], reels[-1].part.ticks_ms[1]
        self._number = 0
        self._open(0, None)
        self.skip(self.first_ms)

    def scout(self) -> Tape:
        """Another one of the same drive, at its beginning, whose marks are this one's too."""
        return Tape(self._reels, self._drive, _marks=self._marks)

    def _open(self, number: int, mark: _Mark | None) -> None:
        """Stand at the mark, or before the first tick of the part."""
        self._number = number
        reel = self._reels[number]
        self._now = _Standing(reel, self._drive) if mark is None else mark.standing.copy(reel.config)
        self._feed = _Feed(reel.part, None if mark is None else mark.t_ms)

    # ------------------------------------------------------------------------------------------ how it stands now

    @property
    def alerts(self) -> tuple[Alert, ...]:
        """Every alert."""
        return self._now.alerts

    @property
    def check(self) -> CheckFollower | None:
        """What follows the field check of the part, as far as it was played."""
        return self._now.check

    @property
    def t_ms(self) -> int:
        """The tick that it stands at, in the drive's time."""
        block = self._now.block
        return self._reels[self._number].part.ticks_ms[0] if block is None else int(block.t_ms[-1])

    @property
    def next_ms(self) -> int | None:
        """The tick that comes next, None at the end of the drive."""
        if (t_ms := self._feed.next_ms) is not None:
            return t_ms
        following = self._reels[self._number + 1 : self._number + 2]
        return following[0].part.ticks_ms[0] if following else None

    @property
    def gap(self) -> tuple[int, int] | None:
        """The tick that ended the last gap of more than `LONGEST_GAP_MS`, and how long the gap was, in ms."""
        return self._now.gap

    def status(self) -> Status:
        """What a page shows of the drive here."""
        return self._now.presenter.status()

    # ---------------------------------------------------------------------------------------------------- stepping

    def play(self, upto_ms: int) -> Moment | None:
        """Take a step of ticks that are not after `upto_ms`; None when none is left."""
        outcome = self._step(upto_ms)
        if outcome is None:
            return None
        moment = self._now.presenter.moment(outcome, self.t_ms, "")
        self._mark()
        return moment

    def skip(self, upto_ms: int) -> bool:
        """The same without a moment; False when none is left."""
        if self._step(upto_ms) is None:
            return False
        now = self._now
        assert now.block is not None
        now.presenter.take_up(now.block, now.applies)
        self._mark()
        return True

    def _step(self, upto_ms: int) -> Outcome | None:
        if self._feed.next_ms is None and self.next_ms is not None and upto_ms >= self.next_ms:
            self._open(self._number + 1, None)
        block = self._feed.take(upto_ms, self._now.looked_ms + LOOK_MS)
        if block is None:
            return None
        before_ms = self.t_ms
        if self._now.block is None:
            before_ms = self._reels[self._number - 1].part.ticks_ms[1] if self._number else int(block.t_ms[0])
        return self._now.step(block, before_ms)

    # ------------------------------------------------------------------------------------------------ other places

    def turn_to(self, t_ms: int) -> None:
        """Make ready for the last tick at or before `t_ms` (not before the first): `skip` to it until nothing is left.

        Goes on from where it stands where that is nearest.
        """
        begins = [reel.part.ticks_ms[0] for reel in self._reels]
        number = bisect_right(begins, t_ms) - 1
        mark = self._marks.before(number, t_ms)
        from_ms = begins[number] if mark is None else mark.t_ms
        if self._number != number or not from_ms <= self.t_ms <= t_ms:
            self._open(number, mark)

    def _mark(self) -> None:
        """Lay down a mark where none is near, and the part's beginning is not either."""
        begun_ms = self._reels[self._number].part.ticks_ms[0]
        if self.t_ms - begun_ms >= FIRST_SPACING_MS and self._marks.wanted(self._number, self.t_ms):
            self._marks.add(_Mark(self._number, self.t_ms, self._now.copy(self._reels[self._number].config)))
