"""The player keeps the drive's pace by a clock, stands still when asked to, and says what is shown."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from itertools import pairwise
from pathlib import Path

import pytest

from support.driven_check import CONFIG as CHECKED
from support.driven_check import Rig
from support.played_drive import GAP_MS, LAST_MS, plain, reels
from support.stepped_clock import SteppedClock
from uphaul.analysis.field_check import NewsKind
from uphaul.errors import UphaulError
from uphaul.log import Log
from uphaul.log.drives import log_parts
from uphaul.pipeline import Outcome
from uphaul.play import Player, Reel, Tape
from uphaul.play.player import BEHIND_MS, TOO_FAST

DEADLINE_S = 30.0
NEVER_MS = 1e12


class Play:
    """A player of a drive of a minute, and where it stood whenever its clock moved."""

    def __init__(
        self, tape: Tape | None = None, *, speed: float = 1.0, late_ms: float = 0.0, end_ms: float = NEVER_MS
    ) -> None:
        self.tape = tape or Tape(plain(range(0, 60_001, 50)), 7)
        self.clock = SteppedClock(end_ms, late_ms=late_ms, moved=self._moved)
        self.nudges = 0
        self.at: list[tuple[float, int]] = []
        self.when: dict[float, Callable[[], None]] = {}
        self.player = Player(self.tape, self.clock, speed=speed, label="Replay of drive 7", nudge=self._nudged)

    def _nudged(self) -> None:
        self.nudges += 1

    def _moved(self) -> None:
        self.at.append((self.clock.t_ms, self.tape.t_ms))
        for due in [t for t in self.when if self.clock.t_ms >= t]:
            self.when.pop(due)()

    async def until(self, met: Callable[[], bool]) -> None:
        """Let it play until that is so."""
        for _ in iter(met, True):
            await asyncio.sleep(0)

    async def still(self) -> None:
        """Let it play while it has something to do."""
        for _ in range(50):
            await asyncio.sleep(0)

    @property
    def t_ms(self) -> int:
        return self.player.played.t_ms


@contextlib.asynccontextmanager
async def playing(play: Play) -> AsyncIterator[Play]:
    task = asyncio.create_task(play.player.run())
    try:
        async with asyncio.timeout(DEADLINE_S):
            yield play
        assert not task.done()
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@pytest.mark.asyncio
async def test_prompts_of_a_field_check_are_counted_where_it_is_played_and_not_where_it_is_sought(
    tmp_path: Path,
) -> None:
    rig = Rig(tmp_path / "a.db")
    said: list[NewsKind] = []

    def note(outcome: Outcome, t_ms: int) -> None:
        said.extend(n.kind for n in rig.live.check_news)

    rig.run(0, 0.5)
    rig.begin()
    rig.run(0.5, 13, then=note)
    rig.end()
    with Log.open(tmp_path / "a.db") as log:
        (part,) = log_parts(log, 1)
        async with playing(Play(Tape([Reel(part, CHECKED)], 1), speed=4)) as play:
            await play.until(lambda: play.player.played.paused)
            played = play.player.status().prompt
            assert played is not None
            # all but those that fell on a tick with a more pressing one
            assert 0 < played.number < len(said)
            assert played.kind is NewsKind.STOP
            play.player.seek(0)
            await play.until(lambda: play.t_ms == 0 and not play.player.played.seeking)
            play.player.seek(13_000)
            await play.until(lambda: not play.player.played.seeking)
            assert play.player.status().prompt == played


@pytest.mark.asyncio
@pytest.mark.parametrize("speed", [0.1, 1.0, 4.0, 30.0, 100.0])
async def test_the_drive_goes_on_at_its_own_pace_times_the_speed(speed: float) -> None:
    async with playing(Play(speed=speed)) as play:
        await play.until(lambda: play.player.played.paused)
    assert play.at[-1][1] >= 59_000
    for now_ms, t_ms in play.at:
        assert now_ms * speed - max(100.0, 50.0 * speed) - 0.01 <= t_ms <= now_ms * speed + 0.01


@pytest.mark.asyncio
async def test_every_tick_is_shown_one_after_another_at_life_s_pace() -> None:
    async with playing(Play()) as play:
        await play.until(lambda: play.t_ms >= 5000)
    shown = dict.fromkeys(t for _, t in play.at)
    assert list(shown)[:100] == list(range(0, 5000, 50))


@pytest.mark.asyncio
async def test_at_the_end_it_stands_at_the_last_tick_and_go_begins_anew() -> None:
    async with playing(Play(speed=100)) as play:
        await play.until(lambda: play.player.played.paused)
        assert play.t_ms == 60_000
        assert play.player.status().tick_age_s == 0
        play.player.go()
        await play.until(lambda: 0 < play.t_ms < 60_000)
        assert play.player.played.paused is False


@pytest.mark.asyncio
async def test_paused_it_stands_however_long_and_is_not_called_late() -> None:
    async with playing(Play()) as play:
        play.when[1010.0] = play.player.pause
        await play.until(lambda: play.player.played.paused)
        await play.still()
        stood = play.t_ms
        for _ in range(3):
            play.clock.move(play.clock.t_ms + 100_000)
            await play.still()
            assert (play.t_ms, play.player.status().tick_age_s) == (stood, 0)
        went = play.clock.t_ms
        play.player.go()
        await play.until(lambda: play.t_ms >= stood + 1000)
        assert play.clock.t_ms - went == pytest.approx(1000, abs=60)


@pytest.mark.asyncio
async def test_it_says_how_long_a_tick_has_been_due_when_nothing_moves_it() -> None:
    play = Play(speed=2.0)
    async with playing(play):
        await play.until(lambda: play.t_ms >= 1000)
        behind_s = play.player.status().tick_age_s
        assert behind_s is not None
        assert behind_s <= 0.05
        play.clock.move(play.clock.t_ms + 5000)  # and the loop has not run
        behind_s = play.player.status().tick_age_s
        assert behind_s is not None
        assert behind_s == pytest.approx(5.0, abs=0.06)


@pytest.mark.asyncio
@pytest.mark.parametrize("paused", [True, False])
async def test_a_seek_goes_there_and_leaves_pause_as_it_was(paused: bool) -> None:
    async with playing(Play()) as play:
        if paused:
            play.player.pause()
        for t_ms in (42_020, 3030, 59_000):
            play.player.seek(t_ms)
            assert (play.player.played.seeking, play.t_ms) == (True, t_ms)
            assert play.player.status().tick_age_s == 0
            nudges = play.nudges
            await play.until(lambda: not play.player.played.seeking)
            assert play.nudges > nudges
            assert play.t_ms == t_ms // 50 * 50
            assert play.player.played.paused is paused
        if not paused:
            went = play.clock.t_ms
            await play.until(lambda: play.t_ms >= 59_500)
            assert play.clock.t_ms - went == pytest.approx(500, abs=60)


@pytest.mark.asyncio
async def test_while_it_seeks_it_shows_what_it_showed_before_and_the_loop_lives() -> None:
    async with playing(Play(Tape(reels(1), 7))) as play:
        await play.until(lambda: play.t_ms >= 1000)
        play.player.pause()
        await play.until(lambda: play.player.played.paused)
        before = play.player.status()
        play.player._scout = None  # as if it had not come so far
        play.player.seek(55_000)
        turns = 0
        while play.player.played.seeking:
            shown = play.player.status()
            assert (shown.t_ms, shown.signals, shown.alerts) == (before.t_ms, before.signals, before.alerts)
            turns += 1
            await asyncio.sleep(0)
        assert turns > 10
        assert play.player.status().t_ms == 55_000


@pytest.mark.asyncio
async def test_a_newer_seek_takes_the_place_of_one_that_is_under_way() -> None:
    async with playing(Play()) as play:
        play.player.pause()
        play.player.seek(60_000)
        await asyncio.sleep(0)
        play.player.seek(2000)
        await play.until(lambda: not play.player.played.seeking)
        assert play.t_ms == 2000


@pytest.mark.asyncio
@pytest.mark.parametrize(("asked", "end"), [(-5, 0), (10**15, 60_000)])
async def test_beyond_an_end_of_the_drive_a_seek_means_that_end(asked: int, end: int) -> None:
    async with playing(Play()) as play:
        play.player.pause()
        play.player.seek(asked)
        await play.until(lambda: not play.player.played.seeking)
        assert play.t_ms == end


@pytest.mark.asyncio
async def test_the_speed_can_be_changed_on_the_way() -> None:
    async with playing(Play()) as play:
        play.when[2000.0] = lambda: play.player.set_speed(10.0)
        await play.until(lambda: play.t_ms >= 22_000)
        assert play.clock.t_ms == pytest.approx(4000, abs=60)
        assert play.player.played.speed == 10.0


@pytest.mark.parametrize("speed", [0.0, 0.09, 101.0, -1.0, float("nan"), float("inf")])
def test_no_other_speed_is_taken(speed: float) -> None:
    play = Play()
    with pytest.raises(UphaulError, match=r"from 0\.1 to 100"):
        play.player.set_speed(speed)
    with pytest.raises(UphaulError, match=r"from 0\.1 to 100"):
        Player(play.tape, play.clock, speed=speed)
    assert play.player.played.speed == 1.0


@pytest.mark.asyncio
async def test_a_long_gap_of_the_drive_takes_three_seconds_and_is_told() -> None:
    play = Play(Tape(plain([*range(0, 2001, 50), *range(900_000, 920_001, 50)])))
    async with playing(play):
        await play.until(lambda: play.t_ms >= 2000)
        arrived = play.clock.t_ms
        gap = "The drive has nothing for 14 min 58 s here; the replay waits 3 s of them"
        assert gap in play.player.status().notices
        await play.until(lambda: play.t_ms >= 900_000)
        assert play.clock.t_ms - arrived == pytest.approx(3000, abs=60)
        assert gap in play.player.status().notices
        await play.until(lambda: play.t_ms >= 911_000)
        assert gap not in play.player.status().notices
        behind = [t for _, t in play.at if t == 2000]
        assert behind  # it waited, and nothing was late meanwhile


@pytest.mark.asyncio
async def test_in_a_gap_nothing_is_late() -> None:
    play = Play(Tape(reels(1), 7), speed=4.0)
    ages = []
    play.when |= {t: lambda: ages.append((play.t_ms, play.player.status().tick_age_s)) for t in range(5100, 5700, 50)}
    async with playing(play):
        await play.until(lambda: play.t_ms >= GAP_MS[1] + 500)
    assert {t for t, _ in ages} == {GAP_MS[0]}
    assert {age for _, age in ages} == {0.0}


@pytest.mark.asyncio
async def test_a_machine_that_does_not_keep_up_plays_slower_and_says_so() -> None:
    async with playing(Play(late_ms=BEHIND_MS + 300)) as play:
        await play.until(lambda: play.t_ms >= 5000)
        assert TOO_FAST in play.player.status().notices
        assert play.clock.t_ms > 10_000
        steps = [b - a for (_, a), (_, b) in pairwise(play.at)]
        assert max(steps) <= 50  # and it runs after nothing
    async with playing(Play(late_ms=100)) as play:
        await play.until(lambda: play.t_ms >= 5000)
        assert TOO_FAST not in play.player.status().notices


@pytest.mark.asyncio
async def test_it_is_labelled_a_replay_and_nobody_can_choose_a_tune() -> None:
    async with playing(Play()) as play:
        status = play.player.status()
    assert (status.replayed, status.drive, status.tunes) == (True, 7, ())
    assert status.notices[0] == "Replay of drive 7"
    assert status.played is not None
    assert (status.played.first_ms, status.played.last_ms) == (0, 60_000)


@pytest.mark.asyncio
async def test_alerts_sound_and_each_sound_has_a_number_of_its_own() -> None:
    sounds: list[int] = []

    def note() -> None:
        sound = play.player.status().sound
        if sound is not None and (not sounds or sound.number != sounds[-1]):
            sounds.append(sound.number)

    play = Play(Tape(reels(1), 7), speed=10.0)
    play.player.nudge = note
    async with playing(play):
        await play.until(lambda: play.player.played.paused)
        first = len(sounds)
        assert first > 3
        assert play.t_ms == LAST_MS
        play.player.seek(0)
        await play.until(lambda: not play.player.played.seeking)
        play.player.go()
        await play.until(lambda: play.player.played.paused)
    assert sounds == list(range(1, 2 * first + 1))  # through two parts, and all of them again after going back
