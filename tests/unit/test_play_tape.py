"""A recorded drive that is stepped through shows at every place what the judge gives there, however one came there."""

from __future__ import annotations

import functools
from dataclasses import replace
from math import isnan
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.played_drive import CHANGED_MS, GAP_MS, LAST_MS, RULES, plain, reels
from uphaul.alerts import State
from uphaul.alerts.lifecycle import Alert
from uphaul.analysis.field_check import News
from uphaul.pipeline import Row
from uphaul.play import Reel, Tape
from uphaul.play import tape as tape_module
from uphaul.present import Presenter
from uphaul.rules import Kind
from uphaul.signals import Block, Event, EventKind, Quality
from uphaul.status import Status


class Straight:
    """The plain way: one tick after another through a row and a presenter, as the daemon does."""

    def __init__(self, reel: Reel) -> None:
        part, config = reel.part, reel.config
        self.row = Row(
            part.signals, config.rules, config.tunes, gap_ms=part.gap_ms, grid_ms=part.grid_ms, carried=reel.carried
        )
        self.drive: int | None = 7
        self.block: Block | None = None
        self.qualities = (Quality.GOOD,) * len(part.signals)
        self.ticked_ms: int | None = 0
        self.check = reel.check()
        self.check_news: tuple[News, ...] = ()
        self.presenter = Presenter(config, self, lambda: 0.0)

    @property
    def alerts(self) -> tuple[Alert, ...]:
        return self.row.alerts

    @property
    def applies(self) -> npt.NDArray[np.bool_]:
        return self.row.judge.applies

    @property
    def flood(self) -> bool:
        return self.row.cycle.flood

    def tick(self, block: Block) -> None:
        outcome = self.row.run(block)
        qualities = list(self.qualities)
        for change in block.quality:
            qualities[change.signal] = change.quality
        self.block, self.qualities = block, tuple(qualities)
        self.presenter.moment(outcome, 0, "")


def lasting(status: Status) -> Status:
    """Without what is told once, as it happens: sounds, and what went back to normal. Unknown is equal to unknown."""
    signals = tuple(replace(s, value=None if s.value is None or isnan(s.value) else s.value) for s in status.signals)
    return replace(status, signals=signals, sound=None, recovered=())


@functools.cache
def straight(seed: int) -> dict[int, Status]:
    """What is shown at every tick of the drive."""
    shown = {}
    for reel in reels(seed):
        run = Straight(reel)
        for block in reel.part.blocks():
            for i in range(len(block)):
                run.tick(block.part(i, i + 1))
                shown[int(block.t_ms[i])] = lasting(run.presenter.status())
    return shown


def stands(tape: Tape, t_ms: int) -> Status:
    """Go there, and what is shown then."""
    tape.turn_to(t_ms)
    while tape.skip(t_ms):
        pass
    return lasting(tape.status())


def expected(seed: int, t_ms: int) -> tuple[int, Status]:
    """The last tick until then, and what is to be shown."""
    shown = straight(seed)
    at = max(t for t in shown if t <= t_ms)
    return at, shown[at]


def test_the_drive_is_worth_playing() -> None:
    assert {r.kind for r in RULES} == set(Kind)  # copies of each are gone on with
    raised = {a.rule for status in straight(1).values() for a in status.alerts}
    assert raised >= {
        "egt-high",
        "egt-note",
        "oil-low",
        "coolant-hot",
        "coolant-soon",
        "egt-fast",
        "egt-long",
        "egt-off",
        "lost:oil",
    }
    states = {a.state for status in straight(1).values() for a in (*status.alerts, *status.aside)}
    assert states >= {State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.SHELVED, State.LATCHED_UNACKNOWLEDGED}


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(1, 3), places=st.lists(st.integers(0, LAST_MS + 1000), min_size=1, max_size=6))
def test_wherever_one_seeks_it_shows_what_a_straight_run_shows_there(seed: int, places: list[int]) -> None:
    tape = Tape(reels(seed), 7)
    for t_ms in places:
        status = stands(tape, t_ms)
        at, shown = expected(seed, t_ms)
        assert tape.t_ms == at
        assert status == shown


@settings(max_examples=8, deadline=None)
@given(data=st.data())
def test_played_in_any_steps_and_sought_between_it_shows_the_same(data: Any) -> None:
    tape = Tape(reels(2), 7)
    for _ in range(data.draw(st.integers(1, 4))):
        stands(tape, data.draw(st.integers(0, LAST_MS)))
        upto = tape.t_ms
        for _ in range(data.draw(st.integers(1, 30))):
            upto += data.draw(st.integers(1, 400))
            while tape.play(upto) is not None:
                pass
            at, shown = expected(2, upto)
            assert (tape.t_ms, lasting(tape.status())) == (at, shown)


def test_with_few_marks_or_many_it_shows_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    for spacing_ms, most in ((500, 3), (500, 64), (7000, 64), (1 << 40, 64)):
        monkeypatch.setattr(tape_module, "FIRST_SPACING_MS", spacing_ms)
        monkeypatch.setattr(tape_module, "MOST_MARKS", most)
        tape = Tape(reels(1), 7)
        for t_ms in (80_000, 55_000, 12_345, 59_999, 60_000, 500, LAST_MS, 35_000):
            assert stands(tape, t_ms) == expected(1, t_ms)[1]


def test_what_a_scout_has_seen_the_tape_need_not_see_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tape_module, "FIRST_SPACING_MS", 5000)
    tape = Tape(reels(1), 7)
    scout = tape.scout()
    while scout.skip(LAST_MS):
        pass
    tape.turn_to(58_000)
    assert 53_000 <= tape.t_ms <= 58_000
    assert stands(tape, 58_000) == expected(1, 58_000)[1]
    assert stands(scout, 58_000) == stands(tape, 58_000)


def test_the_judge_says_the_same_of_all_ticks_at_once() -> None:
    tape = Tape(reels(3), 7)
    for t_ms in (5000, 33_000, 59_950, 61_000, 88_000):
        stands(tape, t_ms)
        reel = reels(3)[t_ms >= CHANGED_MS]
        (block,) = reel.part.blocks()
        row = reel.row()
        row.run(block.part(0, int(np.searchsorted(block.t_ms, t_ms, side="right"))))
        assert [(a.rule.name, a.state, a.active, a.raises, a.true_ms) for a in tape.alerts] == [
            (a.rule.name, a.state, a.active, a.raises, a.true_ms) for a in row.alerts
        ]


def test_the_parts_follow_each_other_with_their_own_rules() -> None:
    tape = Tape(reels(1), 7)
    stands(tape, CHANGED_MS - 1)
    assert tape.next_ms == CHANGED_MS
    assert {a.rule.base.limit for a in tape.alerts if a.rule.name == "egt-high"} == {700.0}
    assert tape.play(CHANGED_MS) is not None
    assert {a.rule.base.limit for a in tape.alerts if a.rule.name == "egt-high"} == {650.0}


def test_a_step_never_goes_past_what_is_due() -> None:
    tape = Tape(plain(range(0, 1000, 50)))
    assert (tape.t_ms, tape.next_ms) == (0, 50)
    assert tape.play(49) is None
    assert tape.play(99) is not None
    assert (tape.t_ms, tape.next_ms) == (50, 100)
    assert tape.play(10_000) is not None
    assert tape.t_ms == 250  # the headroom looks there
    while tape.play(10_000):
        pass
    assert (tape.t_ms, tape.next_ms) == (950, None)


def test_a_gap_is_known_before_and_after_it() -> None:
    tape = Tape(reels(1), 7)
    stands(tape, 25_000)
    assert (tape.t_ms, tape.next_ms, tape.gap) == (*GAP_MS, None)
    stands(tape, 30_000)
    assert tape.gap == (GAP_MS[1], GAP_MS[1] - GAP_MS[0])
    stands(tape, 10_000)
    assert tape.gap is None


def test_what_a_person_did_at_a_tick_that_was_lost_comes_with_the_next() -> None:
    (reel,) = plain([0, 50, 100, 300, 350])
    (block,) = reel.part.blocks()
    mark = Event(200, 0, EventKind.MARK, actor="invented")
    before = Event(-50, 0, EventKind.MARK, actor="invented")
    block = replace(block, events=(before, mark))
    part = replace(reel.part, blocks=lambda start_ms=None, rows=0: iter([block]))
    tape = Tape([replace(reel, part=part)])
    seen = []
    while (next_ms := tape.next_ms) is not None:
        moment = tape.play(next_ms)
        assert moment is not None
        seen.append((moment.t_ms, moment.events))
    assert seen == [(50, ()), (100, ()), (300, (mark,)), (350, ())]


def test_a_drive_that_is_still_being_logged_ends_where_it_did_when_it_was_opened() -> None:
    (reel,) = plain(range(0, 1000, 50))
    tape = Tape([replace(reel, part=replace(reel.part, ticks_ms=(0, 500)))])
    while tape.skip(10_000):
        pass
    assert (tape.t_ms, tape.next_ms, tape.last_ms) == (500, None, 500)
