"""Plays a tape at the drive's own pace, faster or slower, with pause and seek; tells what the page shows meanwhile.

Theory of operation. `run` is the one task. The play time runs on from an anchor (`_from_ms` of the drive at
`_from_now_ms` of the clock) `speed` times as fast as the clock; a tick is due when the play time reaches it. Whatever
changes the pace sets a new anchor. In a gap of the drive the play time jumps over all but `LONGEST_GAP_MS` of it. A
machine that cannot keep up plays slower instead of running after the time that was lost.

A seek runs through the drive in slices, so that the page is served meanwhile; it shows what it showed before, marked as
seeking. A newer seek takes the place of one that is under way. In the time to spare a scout goes through the drive
once, so that there are marks to seek from.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

from uphaul.analysis.field_check import most_pressing
from uphaul.clock import Clock
from uphaul.errors import UphaulError
from uphaul.play.tape import LONGEST_GAP_MS, Tape
from uphaul.status import Played, Prompt, Sound, Status

__all__ = ["FASTEST", "SLOWEST", "Player"]

SLOWEST, FASTEST = 0.1, 100.0
GAP_TOLD_MS = 10_000
"""How long, in the drive's time, the page goes on telling of a gap after it."""
LONGEST_WAIT_MS = 50.0
"""Longest wait before looking again whether someone has asked for something."""
BEHIND_MS = 500.0
SLOW_TOLD_MS = 3000.0
TOO_FAST = "This machine does not keep up with that speed: the replay is slower"
SPARE_MS = 10.0
"""The scout takes a step, of about 1 ms, when no tick is due for so long."""
SLICE_STEPS = 8
"""Steps of a seek between two looks at the page: about 10 ms."""


class Player:
    """Of one tape. `label` says in words what is played; `nudge` is called when the page should hear at once.

    `pause`, `go`, `seek` and `set_speed` return at once. Raises UphaulError for a speed out of range.
    """

    def __init__(
        self, tape: Tape, clock: Clock, *, speed: float = 1.0, label: str = "", nudge: Callable[[], None] = lambda: None
    ) -> None:
        self._tape = tape
        self._clock = clock
        self._speed = _in_range(speed)
        self._label = label
        self._scout: Tape | None = tape.scout()
        self.nudge = nudge
        self._paused = False
        self._wanted_ms: int | None = None
        self._held: Status | None = None
        self._sound: Sound | None = None
        self._prompt: Prompt | None = None
        self._slow_till_ms = 0.0
        self._changed = asyncio.Event()
        self._from_ms, self._from_now_ms = float(tape.t_ms), clock.now_ms()

    # -------------------------------------------------------------------------------------------- what can be asked

    def pause(self) -> None:
        """Stand still."""
        self._anchor(self._play_ms())
        self._paused = True
        self._asked()

    def go(self) -> None:
        """Go on; from the beginning where the drive is over."""
        if self._paused and self._wanted_ms is None and self._tape.next_ms is None:
            self._wanted_ms = self._tape.first_ms
        self._anchor(self._play_ms())
        self._paused = False
        self._asked()

    def seek(self, t_ms: int) -> None:
        """Stand at the last tick at or before `t_ms`, the nearest end of the drive for one beyond it."""
        self._wanted_ms = min(max(t_ms, self._tape.first_ms), self._tape.last_ms)
        self._asked()

    def set_speed(self, speed: float) -> None:
        """So many times as fast as life."""
        speed = _in_range(speed)
        self._anchor(self._play_ms())
        self._speed = speed
        self._asked()

    def _asked(self) -> None:
        self._changed.set()
        self.nudge()

    # ------------------------------------------------------------------------------------------------ what is shown

    @property
    def played(self) -> Played:
        """Where the play stands; while it seeks, where it is going to."""
        tape, wanted = self._tape, self._wanted_ms
        return Played(
            t_ms=tape.t_ms if wanted is None else wanted,
            first_ms=tape.first_ms,
            last_ms=tape.last_ms,
            speed=self._speed,
            paused=self._paused,
            seeking=wanted is not None,
        )

    def status(self) -> Status:
        """What the page shows now.

        `tick_age_s` is how long the next tick has been due: what stands still on purpose (paused, seeking, in a gap of
        the drive, at its end) is no reading that came too late.
        """
        told = self._held or self._tape.status()
        slow = TOO_FAST if self._clock.now_ms() < self._slow_till_ms else ""
        notices = tuple(n for n in (self._label, self._gap_words(), slow) if n)
        return replace(
            told,
            replayed=True,
            tick_age_s=self._behind_ms() / 1000.0 / self._speed,
            tunes=(),
            notices=notices + told.notices,
            sound=self._sound,
            prompt=self._prompt,
            played=self.played,
        )

    def _behind_ms(self) -> float:
        """How far the play time is past the next tick, 0 where it need not come."""
        next_ms = self._tape.next_ms
        if self._paused or self._wanted_ms is not None or next_ms is None:
            return 0.0
        return max(self._play_ms() - next_ms, 0.0)

    def _gap_words(self) -> str:
        """Of the gap that the play stands at, or came out of a moment ago."""
        tape = self._tape
        ahead_ms = (tape.next_ms or tape.t_ms) - tape.t_ms
        if ahead_ms > LONGEST_GAP_MS:
            return _gap(ahead_ms)
        if tape.gap is not None and tape.t_ms - tape.gap[0] <= GAP_TOLD_MS:
            return _gap(tape.gap[1])
        return ""

    # ------------------------------------------------------------------------------------------------------ the task

    async def run(self) -> None:
        """Play until cancelled. Raises LogError when the log cannot be read any more."""
        self._anchor(float(self._tape.t_ms))
        self._skip_gap()
        while True:
            self._changed.clear()
            if self._wanted_ms is not None:
                await self._seek(self._wanted_ms)
            elif self._tape.next_ms is None and not self._paused:
                self.pause()
            elif self._paused:
                if not self._scouted():
                    await self._changed.wait()
                await asyncio.sleep(0)
            else:
                await self._play()

    async def _seek(self, wanted_ms: int) -> None:
        tape = self._tape
        if self._held is None:
            self._held = tape.status()
        tape.turn_to(wanted_ms)
        steps = 0
        while tape.skip(wanted_ms):
            steps += 1
            if steps % SLICE_STEPS == 0:
                await asyncio.sleep(0)
            if self._wanted_ms != wanted_ms:
                return
        self._wanted_ms = self._held = None
        self._anchor(float(tape.t_ms))
        self._skip_gap()
        self.nudge()

    def _scouted(self) -> bool:
        """Have the scout take a step; False when it has been everywhere."""
        if self._scout is not None and not self._scout.skip(self._tape.last_ms):
            self._scout = None
        return self._scout is not None

    async def _play(self) -> None:
        next_ms = self._tape.next_ms
        assert next_ms is not None
        wait_ms = (next_ms - self._play_ms()) / self._speed
        if wait_ms > SPARE_MS and self._scouted():
            await asyncio.sleep(0)
            return
        if wait_ms > 0:
            await self._clock.sleep_until(self._clock.now_ms() + min(wait_ms, LONGEST_WAIT_MS))
            return
        behind_ms = self._behind_ms()
        if behind_ms / self._speed > BEHIND_MS:
            self._anchor(float(next_ms))
            self._slow_till_ms = self._clock.now_ms() + SLOW_TOLD_MS
        moment = self._tape.play(int(self._play_ms()))
        if moment is not None:
            if moment.sound is not None:  # numbered here: a presenter counts anew in each part
                number = 1 if self._sound is None else self._sound.number + 1
                self._sound = replace(moment.sound, number=number)
            if moment.news:
                number = 1 if self._prompt is None else self._prompt.number + 1
                self._prompt = Prompt(number, most_pressing(moment.news))
            if moment.changed or moment.sound or moment.events or moment.news:
                self.nudge()
            self._skip_gap()
        await asyncio.sleep(0)

    def _play_ms(self) -> float:
        """The play time: the drive's time that has come."""
        if self._paused:
            return self._from_ms
        return self._from_ms + (self._clock.now_ms() - self._from_now_ms) * self._speed

    def _anchor(self, t_ms: float) -> None:
        self._from_ms, self._from_now_ms = t_ms, self._clock.now_ms()

    def _skip_gap(self) -> None:
        """Let the play time jump over most of a gap that begins here."""
        next_ms = self._tape.next_ms
        if next_ms is not None and next_ms - self._tape.t_ms > LONGEST_GAP_MS:
            self._from_ms += next_ms - self._tape.t_ms - LONGEST_GAP_MS


def _in_range(speed: float) -> float:
    if not SLOWEST <= speed <= FASTEST:
        raise UphaulError(f"speed = {speed:g}: from {SLOWEST:g} to {FASTEST:g} times as fast as life")
    return speed


def _gap(ms: int) -> str:
    s = round(ms / 1000)
    long = f"{s} s" if s < 120 else f"{s // 60} min {s % 60:02d} s"
    return f"The drive has nothing for {long} here; the replay waits {LONGEST_GAP_MS // 1000} s of them"
