"""What buzzer and lamp do at every millisecond, from what is told of the drive: no lines, no clock.

Theory of operation. A `Player` is told every `Moment` and asked, by `step`, what both lines do at a time; it also says
when to ask next. Times are in ms on one clock that only goes forward. The buzzer is one tone at a time, told apart by
rhythm alone, since a plain buzzer has one pitch. In the order in which they win:

1. the confirmation that the button did something, cut into whatever else sounds;
2. the call of the most urgent alert that asks to ease off or to stop and that nobody has seen, again and again;
3. a single tone: `stop` again though seen, a note, "no news", "back to normal", the test at the start. A more urgent
   one cuts a lesser one off; what came too late for its moment is not made up for, because the lamp still shows it;
4. the prompts of a field check, one after the other in a pause of all that: they are cut off by any tone of an alert,
   and during a call they are dropped. Each begins with three quick ticks, as no tone of an alert does; then short is
   well and long is not. The lamp, where nothing else lights it, is lit as long as a prompt sounds.

The call follows what stands now, not what happened, so that a moment that got lost changes nothing. The exception is
chattering, which mutes `ease` from its third raise in a minute until it has ended: it is known by its notices.

"Back to normal" is told once, when something had been told in this drive and nothing asks to ease off or stop any more,
or nothing is true any more.

The lamp blinks for what nobody has seen, the faster the more urgent; what is over and was not seen blinks as a note
does. It is steady when everything is seen and something is still true or held, and dark when nothing stands.

Without a moment for `LATE_MS` nothing is known any more, which must not look like health: a tone of its own, once, and
double flashes for as long as it lasts. A call goes on meanwhile: what was last known was that the driver has to act.

Sources. That urgency is told by the number and pace of pulses is common practice; three pulses for the middle and a
pause of 2.5 s at least between two rows of them are as in IEC 60601-1-8 (from memory), a pulse rate of 0.2 to 5 a
second as in ISO 7731 (from memory), 0.4 to 0.8 flashes a second for slow and 1.4 to 2.8 for fast as in IEC 60073 (from
memory). None of these standards is claimed to be met.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import IntEnum, StrEnum

from uphaul.alerts import NoticeKind, State
from uphaul.analysis.field_check import NewsKind, most_pressing
from uphaul.rules import Action
from uphaul.status import AlertView, Moment

__all__ = [
    "CONFIRM",
    "LAMPS",
    "LATE_MS",
    "PROMPTS",
    "TONES",
    "TRIALS",
    "Lamp",
    "Lines",
    "Player",
    "Rhythm",
    "Tone",
    "trial",
]

LATE_MS = 2000
"""No moment for so long is no news; 40 ticks at the usual rate."""
TEST_LAMP_MS = 1000
TRIAL_MS = 6000
"""How long a fitter hears what would go on for ever."""
MOST_PROMPTS = 4
"""That wait: more would be told when they are long past."""
PROMPT_PAUSE_MS = 400
OVER_UNSEEN = (State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED)
TRUE = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)


@dataclass(frozen=True, slots=True)
class Rhythm:
    """On and off by turns, beginning with on, each for some ms; then from the start if `again`, or off for good."""

    spans_ms: tuple[int, ...]
    again: bool = False

    @property
    def total_ms(self) -> int:
        """How long it takes once."""
        return sum(self.spans_ms)

    def at(self, ms: int) -> tuple[bool, int | None]:
        """(whether it is on `ms` after its beginning, how many ms from its beginning the next span begins).

        None: it is over.
        """
        rounds, rest = divmod(ms, self.total_ms) if self.again else (0, ms)
        end = 0
        for i, span in enumerate(self.spans_ms):
            end += span
            if rest < end:
                return i % 2 == 0, rounds * self.total_ms + end
        return False, None


class Tone(IntEnum):
    """What the buzzer can say, the most urgent last."""

    TEST = 0
    NORMAL = 1
    LATE = 2
    NOTE = 3
    EASE = 4
    STOP = 5


class Lamp(StrEnum):
    """What the lamp can say."""

    OFF = "off"
    TEST = "test"
    SEEN = "seen"
    NOTE = "note"
    EASE = "ease"
    STOP = "stop"
    LATE = "late"


TONES = {
    Tone.TEST: Rhythm((100,)),
    Tone.NORMAL: Rhythm((40, 120, 40)),  # short pulses of a buzzer are soft ones
    Tone.LATE: Rhythm((600, 150, 150)),
    Tone.NOTE: Rhythm((200,)),
    Tone.EASE: Rhythm((150, 150, 150, 150, 150, 2500), again=True),
    Tone.STOP: Rhythm((800, 200), again=True),
}
ONCE = {Tone.EASE: Rhythm((150, 150, 150, 150, 150)), Tone.STOP: Rhythm((800, 200, 800, 200, 800))}
"""What goes on for ever, as a single tone."""
LAMPS = {
    Lamp.TEST: Rhythm((TEST_LAMP_MS,)),
    Lamp.SEEN: Rhythm((60_000,), again=True),  # no off at all: steady
    Lamp.NOTE: Rhythm((1000, 1000), again=True),
    Lamp.EASE: Rhythm((250, 250), again=True),
    Lamp.STOP: Rhythm((850, 150), again=True),
    Lamp.LATE: Rhythm((80, 170, 80, 2670), again=True),
}
CONFIRM = (Rhythm((0, 120, 50, 120)), Rhythm((0, 120, 200, 120)))
"""Of buzzer and lamp: a gap, a tick with a flash, a gap, so that it stands out from whatever it is cut into."""
_TICKS = (40, 40, 40, 40, 40)
PROMPTS = {
    NewsKind.NEXT: Rhythm((*_TICKS, 200, *_TICKS)),
    NewsKind.HOLD: Rhythm(_TICKS),
    NewsKind.PASSED: Rhythm((*_TICKS, 160, 100)),
    NewsKind.BROKEN: Rhythm((*_TICKS, 160, 400)),
    NewsKind.FAILED: Rhythm((*_TICKS, 160, 400, 160, 400)),
    NewsKind.STOP: Rhythm((*_TICKS, 160, 400, 160, 400, 160, 400)),
    NewsKind.DONE: Rhythm((*_TICKS, 160, 100, 160, 100, 160, 400)),
}
"""What a field check has to say; its stop where the alert behind it does not call: it was seen before, or is muted."""
TONE_OF = {Action.NOTE: Tone.NOTE, Action.EASE: Tone.EASE, Action.STOP: Tone.STOP}
LAMP_OF = {Action.NOTE: Lamp.NOTE, Action.EASE: Lamp.EASE, Action.STOP: Lamp.STOP}


@dataclass(frozen=True, slots=True)
class Lines:
    """Whether buzzer and lamp are on."""

    buzzer: bool = False
    lamp: bool = False


class Player:
    """Buzzer and lamp of one panel, from `now_ms` on. Every time handed in is at or after the one before."""

    def __init__(self, now_ms: int) -> None:
        self._heard_ms = now_ms
        self._late = False
        self._call: Tone | None = None
        self._call_ms = now_ms
        self._single: tuple[Tone, int] | None = None
        self._prompt: tuple[NewsKind, int] | None = None
        self._waiting: deque[tuple[NewsKind, int]] = deque(maxlen=MOST_PROMPTS)
        self._confirm_ms: int | None = None
        self._test_ms: int | None = None
        self._lamp, self._lamp_ms = Lamp.OFF, now_ms
        self._shown = Lamp.OFF
        self._told: Action | None = None
        self._place: tuple[int | None, int] = (None, -1)
        self._chattering: set[str] = set()

    def test(self, now_ms: int) -> None:
        """Let the driver know that buzzer and lamp work."""
        self._test_ms = now_ms
        self._sound(Tone.TEST, now_ms)
        self._show(now_ms)

    def confirm(self, now_ms: int) -> None:
        """Let the driver know that the button did something that would not be noticed otherwise."""
        self._confirm_ms = now_ms

    def heard(self, now_ms: int) -> None:
        """The newest moment came at `now_ms`; what it says, if it says anything new, comes by `tell`."""
        if now_ms > self._heard_ms:
            self._heard_ms, self._late = now_ms, False
            self._show(now_ms)

    def tell(self, moment: Moment, now_ms: int) -> None:
        """Take in a moment that came at `now_ms`."""
        self.heard(now_ms)
        self._follow_drive(moment)
        for notice in moment.notices:
            if notice.kind is NoticeKind.CHATTERING:
                self._chattering.add(notice.rule)
            elif notice.kind is NoticeKind.CHATTERING_ENDED:
                self._chattering.discard(notice.rule)
        self._set_call(moment.standing, now_ms)
        if moment.sound is not None and self._call is None:
            self._sound(TONE_OF[moment.sound.action], now_ms)
            self._told = max(self._told or moment.sound.action, moment.sound.action)
        self._recover(moment.standing, now_ms)
        if moment.news and self._call is None:
            self._waiting.append((most_pressing(moment.news), now_ms))
        self._lamp = _lamp_of(moment.standing)
        self._show(now_ms)

    def step(self, now_ms: int) -> tuple[Lines, int]:
        """(what the lines do at `now_ms`, the ms at which to ask again at the latest)."""
        due_ms = self._heard_ms + LATE_MS
        if now_ms >= due_ms and not self._late:
            self._late = True
            self._show(due_ms)
            if self._call is None:
                self._sound(Tone.LATE, due_ms)
        if self._test_ms is not None and now_ms >= self._test_ms + TEST_LAMP_MS:
            ended_ms, self._test_ms = self._test_ms + TEST_LAMP_MS, None
            self._show(ended_ms)
        looks = [] if self._late else [due_ms]
        looks += [] if self._test_ms is None else [self._test_ms + TEST_LAMP_MS]
        begin_ms = self._begin_prompt(now_ms)
        looks += [] if begin_ms is None else [begin_ms]
        buzzer, then_ms = self._buzzer_at(now_ms)
        looks += [] if then_ms is None else [then_ms]
        lamp, then_ms = self._lamp_at(now_ms)
        looks += [] if then_ms is None else [then_ms]
        if self._confirm_ms is not None:
            since_ms = now_ms - self._confirm_ms
            (buzz, buzz_then), (light, light_then) = (rhythm.at(since_ms) for rhythm in CONFIRM)
            if buzz_then is None and light_then is None:
                self._confirm_ms = None
            else:
                buzzer = buzz if buzz_then is not None else buzzer
                lamp = light if light_then is not None else lamp
                looks += [self._confirm_ms + then for then in (buzz_then, light_then) if then is not None]
        return Lines(buzzer, lamp), min(looks, default=now_ms + LATE_MS)

    # ------------------------------------------------------------------------------------------------- what is told

    def _follow_drive(self, moment: Moment) -> None:
        """What was told or chattered in another drive says nothing in this one."""
        drive, t_ms = self._place
        if moment.drive != drive or moment.t_ms < t_ms:
            self._chattering.clear()
            self._told = None
        self._place = moment.drive, moment.t_ms

    def _set_call(self, standing: tuple[AlertView, ...], now_ms: int) -> None:
        calling = [
            a.action
            for a in standing
            if a.state is State.UNACKNOWLEDGED
            and (a.action is Action.STOP or (a.action is Action.EASE and a.rule not in self._chattering))
        ]
        call = TONE_OF[max(calling)] if calling else None
        if call is not self._call:
            self._call, self._call_ms = call, now_ms
            self._single = self._prompt = None
            self._waiting.clear()
        if calling:
            self._told = max(self._told or Action.NOTE, *calling)

    def _recover(self, standing: tuple[AlertView, ...], now_ms: int) -> None:
        if self._told is None or self._call is not None:
            return
        left = max((a.action for a in standing if a.state in TRUE), default=None)
        if left is None or left < min(self._told, Action.EASE):
            self._told = left
            self._sound(Tone.NORMAL, now_ms)

    def _sound(self, tone: Tone, now_ms: int) -> None:
        """A single tone, unless a more urgent one is under way."""
        if self._single is not None:
            running, since_ms = self._single
            if running > tone and _single(running).at(now_ms - since_ms)[1] is not None:
                return
        self._single, self._prompt = (tone, now_ms), None

    def _begin_prompt(self, now_ms: int) -> int | None:
        """Begin the next prompt when all else is silent; the ms at which to ask again, None: nothing waits."""
        while self._waiting:
            kind, told_ms = self._waiting[0]
            free_ms = told_ms
            if self._single is not None:
                tone, since_ms = self._single
                free_ms = max(free_ms, since_ms + _single(tone).total_ms + PROMPT_PAUSE_MS)
            if self._prompt is not None:
                before, since_ms = self._prompt
                free_ms = max(free_ms, since_ms + PROMPTS[before].total_ms + PROMPT_PAUSE_MS)
            if now_ms < free_ms:
                return free_ms
            self._prompt = kind, free_ms
            self._waiting.popleft()
        return None

    def _show(self, now_ms: int) -> None:
        """Let the lamp show what it has to; a rhythm that goes on is not begun anew."""
        shown = self._lamp
        if self._late:
            shown = Lamp.LATE
        elif shown is Lamp.OFF and self._test_ms is not None:
            shown = Lamp.TEST
        if shown is not self._shown:
            self._shown, self._lamp_ms = shown, now_ms

    # ------------------------------------------------------------------------------------------------ what it makes

    def _buzzer_at(self, now_ms: int) -> tuple[bool, int | None]:
        if self._call is not None:
            return _played(TONES[self._call], self._call_ms, now_ms)
        if self._prompt is not None:
            kind, since_ms = self._prompt
            return _played(PROMPTS[kind], since_ms, now_ms)
        if self._single is not None:
            tone, since_ms = self._single
            return _played(_single(tone), since_ms, now_ms)
        return False, None

    def _lamp_at(self, now_ms: int) -> tuple[bool, int | None]:
        if self._shown is Lamp.OFF and self._prompt is not None:
            kind, since_ms = self._prompt
            end_ms = since_ms + PROMPTS[kind].total_ms
            return now_ms < end_ms, end_ms if now_ms < end_ms else None
        if self._shown is Lamp.OFF:
            return False, None
        return _played(LAMPS[self._shown], self._lamp_ms, now_ms)


def _single(tone: Tone) -> Rhythm:
    return ONCE.get(tone, TONES[tone])


def _played(rhythm: Rhythm, since_ms: int, now_ms: int) -> tuple[bool, int | None]:
    on, then = rhythm.at(now_ms - since_ms)
    return on, None if then is None else since_ms + then


def _lamp_of(standing: tuple[AlertView, ...]) -> Lamp:
    unseen = [a.action for a in standing if a.state is State.UNACKNOWLEDGED]
    if unseen:
        return LAMP_OF[max(unseen)]
    if any(a.state in OVER_UNSEEN for a in standing):
        return Lamp.NOTE
    return Lamp.SEEN if standing else Lamp.OFF


# ---------------------------------------------------------------------------------------------------------- trials

TRIALS: dict[str, tuple[Rhythm, Rhythm | None]] = {
    "test": (TONES[Tone.TEST], LAMPS[Lamp.TEST]),
    "note": (TONES[Tone.NOTE], LAMPS[Lamp.NOTE]),
    "ease": (TONES[Tone.EASE], LAMPS[Lamp.EASE]),
    "stop": (TONES[Tone.STOP], LAMPS[Lamp.STOP]),
    "normal": (TONES[Tone.NORMAL], None),
    "no-news": (TONES[Tone.LATE], LAMPS[Lamp.LATE]),
    **{f"check-{kind}": (rhythm, Rhythm((rhythm.total_ms,))) for kind, rhythm in PROMPTS.items()},
}
"""What a fitter can have played, by word."""


def trial(word: str, ms: int) -> tuple[Lines, int | None]:
    """(what the lines do `ms` into the trial of that `word` of `TRIALS`, when to ask again). None: it is over."""
    tone, light = TRIALS[word]
    length_ms = TEST_LAMP_MS if word == "test" else TRIAL_MS
    if ms >= length_ms:
        return Lines(), None
    buzzer, then = tone.at(ms)
    lit, lit_then = (False, None) if light is None else light.at(ms)
    if then is None and lit_then is None:
        return Lines(), None
    return Lines(buzzer, lit), min(t for t in (then, lit_then, length_ms) if t is not None)
