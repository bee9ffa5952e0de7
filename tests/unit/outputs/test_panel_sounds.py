"""What buzzer and lamp do at which millisecond, and that the driver can tell it apart."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from uphaul.alerts import Notice, NoticeKind, State
from uphaul.analysis.field_check import News, NewsKind
from uphaul.outputs.panel_sounds import (
    CONFIRM,
    LAMPS,
    LATE_MS,
    PROMPTS,
    TONES,
    TRIALS,
    Lamp,
    Player,
    Rhythm,
    Tone,
    trial,
)
from uphaul.rules import Action
from uphaul.status import AlertView, Moment, Sound

NOTE, EASE, STOP = Action.NOTE, Action.EASE, Action.STOP
RAISED, SEEN = State.UNACKNOWLEDGED, State.ACKNOWLEDGED
OVER, HELD = State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED
HELD_SEEN = State.LATCHED_ACKNOWLEDGED


def alert(action: Action, state: State = RAISED, rule: str = "") -> AlertView:
    return AlertView(rule or action.word, action, state, "say", "m", 1.0, 0.0, "kPa", 1.0)


def moment(
    *standing: AlertView,
    sound: Action | None = None,
    notices: tuple[Notice, ...] = (),
    drive: int | None = 1,
    t_ms: int = 0,
    check: Sequence[NewsKind] = (),
) -> Moment:
    call = None if sound is None else Sound(1, sound, sound.word)
    news = tuple(News(t_ms, kind, "pull", "", "words") for kind in check)
    return Moment(0, "", drive, t_ms, None, (), (), standing=standing, sound=call, notices=notices, news=news)


def play(told: dict[int, Moment], to_ms: int, *, step_ms: int = 10) -> list[tuple[bool, bool]]:
    """(buzzer, lamp) at every `step_ms`, with ticks coming all the time."""
    player = Player(0)
    shown = []
    for ms in range(0, to_ms, step_ms):
        if ms in told:
            player.tell(told[ms], ms)
        player.heard(ms)
        lines, _ = player.step(ms)
        shown.append((lines.buzzer, lines.lamp))
    return shown


def spans(on: Sequence[bool], step_ms: int = 10) -> list[int]:
    """How long it is on and off by turns, beginning with on, in ms; an off at the end is left out."""
    found: list[int] = []
    level = False
    for each in on:
        if each != level or not found:
            if not found and not each:
                continue
            found.append(0)
            level = each
        found[-1] += step_ms
    return found[:-1] if found and not level else found


def buzzer(told: dict[int, Moment], to_ms: int) -> list[int]:
    return spans([b for b, _ in play(told, to_ms)])


def lamp(told: dict[int, Moment], to_ms: int) -> list[int]:
    return spans([x for _, x in play(told, to_ms)])


@pytest.mark.parametrize(
    ("told", "to_ms", "expected"),
    [
        ({0: moment(alert(NOTE), sound=NOTE)}, 9000, [200]),
        (
            {0: moment(alert(EASE), sound=EASE)},
            6500,
            [150, 150, 150, 150, 150, 2500, 150, 150, 150, 150, 150],
        ),
        ({0: moment(alert(STOP), sound=STOP)}, 3000, [800, 200, 800, 200, 800]),
        # seen: the call ends at once, whatever it was at
        ({0: moment(alert(EASE), sound=EASE), 200: moment(alert(EASE, SEEN))}, 9000, [150]),
        ({0: moment(alert(STOP), sound=STOP), 500: moment(alert(STOP, SEEN))}, 9000, [500]),
        # a stop that is seen and lasts sounds again when it is called for
        (
            {0: moment(alert(STOP), sound=STOP), 500: moment(alert(STOP, SEEN)), 30_000: moment(sound=STOP)},
            500 + 1000,
            [500],
        ),
        # more urgent takes over at once, and a lesser one does not disturb it
        ({0: moment(alert(EASE)), 100: moment(alert(STOP), alert(EASE), sound=STOP)}, 1100, [100 + 800, 200]),
        ({0: moment(alert(STOP)), 300: moment(alert(STOP), alert(NOTE), sound=NOTE)}, 1000, [800]),
        # where the stop has been seen, an ease beside it still calls
        ({0: moment(alert(STOP, SEEN), alert(EASE))}, 1000, [150, 150, 150, 150, 150]),
    ],
)
def test_tones_by_the_millisecond(told: dict[int, Moment], to_ms: int, expected: list[int]) -> None:
    got = buzzer(told, to_ms)
    assert got == (expected[:-1] if len(expected) % 2 == 0 else expected)


def test_a_stop_that_was_seen_sounds_again_for_three_pulses() -> None:
    told = {
        0: moment(alert(STOP), sound=STOP),
        100: moment(alert(STOP, SEEN)),
        5000: moment(alert(STOP, SEEN), sound=STOP),
    }
    assert buzzer(told, 12_000) == [100, 4900, 800, 200, 800, 200, 800]


def test_what_stood_before_the_panel_was_there_calls_all_the_same() -> None:
    # after a restart within a drive no moment says that it was raised
    assert buzzer({0: moment(alert(EASE))}, 800) == [150, 150, 150, 150, 150]


@pytest.mark.parametrize(
    ("standing", "expected"),
    [
        ((), []),
        ((alert(NOTE),), [1000, 1000, 1000]),
        ((alert(EASE),), [250, 250] * 7 + [250]),
        ((alert(STOP),), [850, 150] * 3 + [850]),
        ((alert(STOP, SEEN),), [4000]),
        ((alert(STOP, SEEN), alert(NOTE)), [1000, 1000, 1000]),
        ((alert(NOTE, SEEN), alert(EASE)), [250, 250] * 7 + [250]),
        ((alert(STOP, OVER),), [1000, 1000, 1000]),
        ((alert(STOP, HELD),), [1000, 1000, 1000]),
        ((alert(STOP, HELD_SEEN),), [4000]),
        ((alert(STOP, HELD_SEEN), alert(EASE, OVER)), [1000, 1000, 1000]),
    ],
)
def test_the_lamp_by_what_stands(standing: tuple[AlertView, ...], expected: list[int]) -> None:
    assert lamp({0: moment(*standing)}, 4000) == expected


def test_a_lamp_that_blinks_is_not_disturbed_by_news() -> None:
    told = {0: moment(alert(NOTE)), 700: moment(alert(NOTE), alert(NOTE, rule="b"), sound=NOTE)}
    assert lamp(told, 4000) == [1000, 1000, 1000]


# ------------------------------------------------------------------------------------------------------ recovery

DOUBLE_TICK = [40, 120, 40]


@pytest.mark.parametrize(
    ("told", "told_again"),
    [
        ([moment(alert(NOTE), sound=NOTE), moment()], True),
        ([moment(alert(EASE), sound=EASE), moment(alert(EASE, SEEN)), moment()], True),
        ([moment(alert(EASE), sound=EASE), moment(alert(EASE, OVER))], True),
        ([moment(alert(EASE), sound=EASE), moment(alert(EASE, HELD))], True),
        # a note that lasts does not keep the driver from hearing that it was enough
        ([moment(alert(EASE), alert(NOTE, SEEN), sound=EASE), moment(alert(NOTE, SEEN))], True),
        ([moment(alert(STOP), alert(EASE, SEEN)), moment(alert(EASE, SEEN))], False),
        # nothing was told: it was muted, or stood unsounded
        ([moment(alert(NOTE)), moment()], False),
        ([moment(), moment()], False),
        # the drive ended with it: that says nothing about the condition
        ([moment(alert(EASE, SEEN), sound=EASE, drive=1, t_ms=900), moment(drive=2, t_ms=0)], False),
        ([moment(alert(EASE), sound=EASE, drive=1, t_ms=900), moment(drive=None, t_ms=950)], False),
    ],
)
def test_back_to_normal_is_told_when_something_was_told_before(told: list[Moment], told_again: bool) -> None:
    at = {i * 3000: each for i, each in enumerate(told)}
    got = spans([b for b, _ in play(at, 3000 * len(told) + 1000)][300 * (len(told) - 1) :])
    assert got == (DOUBLE_TICK if told_again else [])


def test_back_to_normal_is_told_once() -> None:
    told = {0: moment(alert(EASE, OVER), sound=EASE), 2000: moment(), 4000: moment(alert(NOTE)), 6000: moment()}
    assert sum(b for b, _ in play(told, 8000)[200:]) == 0  # it was over at once: told within the first second


# ---------------------------------------------------------------------------------------------------- chattering


def notice(kind: NoticeKind) -> tuple[Notice, ...]:
    return (Notice(0, kind, "ease"),)


def test_a_chattering_ease_is_mute_until_it_has_ended() -> None:
    told = {
        0: moment(alert(EASE), notices=notice(NoticeKind.CHATTERING)),
        3000: moment(alert(EASE, OVER)),
        6000: moment(notices=notice(NoticeKind.CHATTERING_ENDED)),
    }
    assert buzzer(told, 9000) == []
    assert lamp(told, 1000) == [250, 250, 250]  # it shows all the same
    assert buzzer({**told, 9000: moment(alert(EASE), sound=EASE)}, 9700) == [150, 150, 150, 150, 100]


def test_another_ease_beside_a_chattering_one_calls() -> None:
    told = {0: moment(alert(EASE), alert(EASE, rule="b"), notices=notice(NoticeKind.CHATTERING))}
    assert buzzer(told, 400) == [150, 150, 100]


def test_a_stop_is_never_mute() -> None:
    chattering = (Notice(0, NoticeKind.CHATTERING, "stop"),)
    assert buzzer({0: moment(alert(STOP), notices=chattering, sound=STOP)}, 700) == [700]


def test_a_new_drive_begins_without_chattering() -> None:
    told = {
        0: moment(alert(EASE), notices=notice(NoticeKind.CHATTERING), t_ms=500),
        1000: moment(alert(EASE), drive=2, t_ms=0),
    }
    assert buzzer(told, 1300) == [150]


# ---------------------------------------------------------------------------------------------------------- no news


def silent(player: Player, from_ms: int, to_ms: int) -> list[tuple[bool, bool]]:
    steps = (player.step(ms)[0] for ms in range(from_ms, to_ms, 10))
    return [(lines.buzzer, lines.lamp) for lines in steps]


def test_ticks_that_stop_are_told_once_and_shown_for_as_long() -> None:
    player = Player(0)
    player.tell(moment(), 0)
    got = silent(player, 0, 20_000)
    assert got[: LATE_MS // 10] == [(False, False)] * (LATE_MS // 10)
    assert spans([b for b, _ in got]) == [600, 150, 150]
    assert spans([x for _, x in got])[:5] == [80, 170, 80, 2670, 80]
    player.heard(20_000)
    assert silent(player, 20_000, 21_900) == [(False, False)] * 190


def test_without_a_first_moment_it_is_told_as_well() -> None:
    assert spans([b for b, _ in silent(Player(500), 500, 6000)]) == [600, 150, 150]


def test_a_call_goes_on_without_news_and_the_lamp_says_so() -> None:
    player = Player(0)
    player.tell(moment(alert(STOP), sound=STOP), 0)
    got = silent(player, 0, 8000)
    assert spans([b for b, _ in got]) == [800, 200] * 7 + [800]
    assert spans([x for _, x in got][LATE_MS // 10 :])[:3] == [80, 170, 80]
    player.tell(moment(alert(STOP, SEEN)), 8000)
    assert silent(player, 8000, 9000) == [(False, True)] * 100


# ------------------------------------------------------------------------------------------------- test and confirm


def test_the_test_is_one_short_tone_and_a_second_of_light() -> None:
    player = Player(0)
    player.test(0)
    got = silent(player, 0, 1900)
    assert (spans([b for b, _ in got]), spans([x for _, x in got])) == ([100], [1000])


def test_an_alert_does_not_wait_for_the_test() -> None:
    player = Player(0)
    player.test(0)
    player.tell(moment(alert(STOP), sound=STOP), 20)
    got = silent(player, 20, 1900)
    assert spans([b for b, _ in got]) == [800, 200, 800]
    assert spans([x for _, x in got]) == [850, 150, 850]


@pytest.mark.parametrize("standing", [(), (alert(STOP),)])
def test_a_confirmation_is_heard_and_seen_whatever_else_sounds(standing: tuple[AlertView, ...]) -> None:
    player = Player(0)
    player.tell(moment(*standing), 0)
    before = silent(player, 0, 100)
    player.confirm(100)
    got = silent(player, 100, 600)
    assert [b for b, _ in got[:29]] == [False] * 12 + [True] * 5 + [False] * 12
    assert [x for _, x in got[:44]] == [False] * 12 + [True] * 20 + [False] * 12
    assert before[-1] == got[-1] == (bool(standing), bool(standing))


# ---------------------------------------------------------------------------------------------------- field check

NEXT, HOLD, PASSED = NewsKind.NEXT, NewsKind.HOLD, NewsKind.PASSED


@pytest.mark.parametrize("kind", NewsKind)
def test_whatever_a_field_check_has_to_say_is_heard_once_and_lights_a_dark_lamp_meanwhile(kind: NewsKind) -> None:
    told = {500: moment(check=(kind,))}
    assert buzzer(told, 6000) == list(PROMPTS[kind].spans_ms)
    assert lamp(told, 6000) == [PROMPTS[kind].total_ms]


def test_of_several_at_one_tick_the_most_pressing_is_heard() -> None:
    assert buzzer({0: moment(check=(PASSED, NEXT))}, 6000) == list(PROMPTS[PASSED].spans_ms)
    assert buzzer({0: moment(check=(PASSED, NewsKind.DONE))}, 6000) == list(PROMPTS[NewsKind.DONE].spans_ms)
    assert buzzer({0: moment(check=(HOLD, NewsKind.STOP, NEXT))}, 6000) == list(PROMPTS[NewsKind.STOP].spans_ms)


def test_prompts_that_come_fast_wait_for_one_another() -> None:
    told = {0: moment(check=(PASSED,)), 50: moment(check=(HOLD,))}
    assert buzzer(told, 6000) == [*PROMPTS[PASSED].spans_ms, 400, *PROMPTS[HOLD].spans_ms]


@pytest.mark.parametrize("action", [EASE, STOP])
def test_a_call_cuts_a_prompt_off_and_drops_what_waits(action: Action) -> None:
    told = {
        0: moment(check=(NewsKind.FAILED,)),
        100: moment(check=(HOLD,)),
        500: moment(alert(action), sound=action, check=(NewsKind.STOP,)),
        1000: moment(alert(action), check=(NEXT,)),
        1500: moment(alert(action, SEEN)),
    }
    alone = {500: moment(alert(action), sound=action), 1500: moment(alert(action, SEEN))}
    with_check, without = play(told, 8000), play(alone, 8000)
    assert with_check[50:] == without[50:]
    assert any(b for b, _ in with_check[:50])


def test_a_note_sounds_first_and_a_prompt_after_it() -> None:
    noted = {300: moment(alert(NOTE), sound=NOTE), 310: moment(alert(NOTE), check=(HOLD,))}
    told = {0: moment(check=(NewsKind.FAILED,)), **noted}
    begun = [40, 40, 40, 40, 40]  # the failure's first ticks, until the note comes
    assert buzzer(told, 5000) == [*begun, 100, 200, 400, *PROMPTS[HOLD].spans_ms]
    assert lamp(noted, 2300) == [1000]


def test_a_stop_of_a_step_is_heard_where_its_alert_was_seen_before() -> None:
    told = {0: moment(alert(STOP, SEEN), check=(NewsKind.STOP,))}
    assert buzzer(told, 6000) == list(PROMPTS[NewsKind.STOP].spans_ms)


# ---------------------------------------------------------------------------------------------------- told apart


def pulses(rhythm: Rhythm) -> tuple[int, ...]:
    """The lengths of its pulses to a factor of two: what an ear tells apart without a comparison."""
    return tuple(span.bit_length() for span in rhythm.spans_ms[::2])


def test_no_two_tones_have_the_same_pulses() -> None:
    rhythms = [*TONES.values(), *PROMPTS.values(), CONFIRM[0]]
    assert len({(pulses(r), r.again) for r in rhythms}) == len(rhythms)


def test_a_prompt_is_known_by_its_first_ticks() -> None:
    assert all(r.spans_ms[:5] == (40, 40, 40, 40, 40) for r in PROMPTS.values())
    assert not [r for r in (*TONES.values(), CONFIRM[0]) if len(r.spans_ms) >= 5 and max(r.spans_ms[:5]) < 100]


def test_no_two_lamps_blink_alike() -> None:
    assert len({(pulses(r), pulses(Rhythm(r.spans_ms[1:])), r.again) for r in LAMPS.values()}) == len(LAMPS)


def pace_hz(rhythm: Rhythm) -> float:
    return 1000 / (rhythm.spans_ms[0] + rhythm.spans_ms[1])


def test_rates_are_those_of_the_trade() -> None:
    # ISO 7731: pulses of danger signals at 0.2 to 5 Hz (from memory)
    assert all(0.2 <= pace_hz(TONES[t]) <= 5 for t in (Tone.EASE, Tone.STOP))
    # IEC 60073: slow flashing 0.4 to 0.8 Hz, fast 1.4 to 2.8 Hz, on about as long as off (from memory)
    assert 0.4 <= pace_hz(LAMPS[Lamp.NOTE]) <= 0.8
    assert 1.4 <= pace_hz(LAMPS[Lamp.EASE]) <= 2.8
    # IEC 60601-1-8: medium urgency is 3 pulses of 125 to 250 ms, 2.5 to 30 s from row to row (from memory)
    ease = TONES[Tone.EASE].spans_ms
    assert len(ease[::2]) == 3
    assert all(125 <= span <= 250 for span in ease[::2])
    assert 2500 <= ease[-1] <= 30_000
    # photosensitivity: at most 3 flashes a second (WCAG 2.2, success criterion 2.3.1)
    assert all(pace_hz(r) <= 3 for lamp, r in LAMPS.items() if len(r.spans_ms) == 2)
    assert LAMPS[Lamp.LATE].total_ms / 2 >= 1000 / 3


# -------------------------------------------------------------------------------------------------------- properties

STANDING = st.lists(
    st.builds(
        alert,
        st.sampled_from(Action),
        st.sampled_from([RAISED, SEEN, OVER, HELD, HELD_SEEN]),
        st.sampled_from(["a", "b"]),
    ),
    max_size=3,
)
TOLD = st.lists(
    st.tuples(
        st.integers(1, 2500),
        STANDING,
        st.sampled_from([None, NOTE, EASE, STOP]),
        st.booleans(),
        st.lists(st.sampled_from(NewsKind), max_size=2),
    ),
    max_size=4,
)


@settings(max_examples=60, deadline=None)
@given(TOLD)
def test_asking_only_when_due_misses_no_change(
    told: list[tuple[int, list[AlertView], Action | None, bool, list[NewsKind]]],
) -> None:
    often, seldom = Player(0), Player(0)
    often.test(0)
    seldom.test(0)
    lines, look_ms = seldom.step(0)
    now = 0
    for gap_ms, standing, sound, confirm, check in told:
        for ms in range(now, now + gap_ms):
            if ms >= look_ms:
                lines, look_ms = seldom.step(ms)
                assert look_ms > ms
            assert often.step(ms)[0] == lines, ms
        now += gap_ms
        for player in (often, seldom):
            player.tell(moment(*standing, sound=sound, check=check), now)
            if confirm:
                player.confirm(now)
        lines, look_ms = seldom.step(now)


@settings(max_examples=60, deadline=None)
@given(STANDING)
def test_an_alert_to_act_on_that_nobody_has_seen_is_never_silent(standing: list[AlertView]) -> None:
    player = Player(0)
    player.tell(moment(*standing), 0)
    calls = any(a.state is RAISED and a.action >= EASE for a in standing)
    # the longest pause of any call is 2.5 s
    assert any(b for b, _ in silent(player, 10_000, 12_800)) in ((True,) if calls else (True, False))
    assert any(x for _, x in silent(player, 12_800, 16_000))  # late by now, which shows


# ----------------------------------------------------------------------------------------------------------- trials


@pytest.mark.parametrize("word", TRIALS)
def test_a_trial_ends_with_both_off(word: str) -> None:
    ms, seen = 0, []
    lines, then = trial(word, ms)
    while then is not None:
        assert then > ms
        seen.append(lines)
        ms = then
        lines, then = trial(word, ms)
    assert ms <= 6000
    assert any(each.buzzer for each in seen)
    assert (lines.buzzer, lines.lamp) == (False, False)
