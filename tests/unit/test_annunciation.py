"""What is said first, and when it sounds."""

from __future__ import annotations

from uphaul.alerts import State
from uphaul.alerts.annunciation import instruction, listed, sounds
from uphaul.alerts.lifecycle import Alert
from uphaul.rules import ABOVE, Action, Kind, Rule, Setting


def alert(name: str, action: Action, *, rank: int = 50, raised: int = 0, active: bool = True) -> Alert:
    rule = Rule(name, Kind.THRESHOLD, "x", ABOVE, Setting(1.0), action, rank, f"say {name}", f"again {name}")
    state = State.UNACKNOWLEDGED if active else State.RETURNED_UNACKNOWLEDGED
    return Alert(rule, state=state, active=active, raised_ms=raised)


def test_the_strongest_action_then_the_shortest_time_to_damage_then_the_first_comes_first() -> None:
    alerts = [
        alert("late", Action.EASE, rank=10, raised=5),
        alert("early", Action.EASE, rank=10, raised=1),
        alert("slow", Action.EASE, rank=30),
        alert("over", Action.STOP, active=False),
        alert("stop", Action.STOP, rank=90, raised=9),
    ]
    assert [a.rule.name for a in listed(alerts)] == ["stop", "early", "late", "slow", "over"]
    told = instruction(alerts)
    assert told is not None
    assert (told.say, told.others) == ("say stop", 3)


def test_silence_while_nothing_is_wrong() -> None:
    assert instruction([alert("over", Action.STOP, active=False)]) is None


def test_a_condition_that_keeps_coming_back_says_so() -> None:
    repeating = alert("hot", Action.EASE)
    repeating.repeating = True
    told = instruction([repeating])
    assert told is not None
    assert told.say == "say hot. again hot"


def test_a_stop_sounds_again_every_30_s_even_when_acknowledged() -> None:
    stop = alert("oil", Action.STOP, raised=1000)
    stop.state = State.ACKNOWLEDGED
    heard = [t for t in range(0, 100_000, 50) if sounds(stop, t - 50, t)]
    assert heard == [1000, 31_000, 61_000, 91_000]
    stop.active = False
    assert not sounds(stop, 30_950, 31_000)


def test_others_sound_once_and_not_while_they_chatter() -> None:
    ease = alert("hot", Action.EASE, raised=1000)
    assert [t for t in range(0, 100_000, 50) if sounds(ease, t - 50, t)] == [1000]
    ease.chattering = True
    assert not sounds(ease, 950, 1000)
