"""What people ask for: what can be meant goes to the collector, everything else is refused in words."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from uphaul.alerts import State
from uphaul.alerts.lifecycle import Alert
from uphaul.config.spec import Config, TuneInput
from uphaul.people import KINDS, LONGEST_TEXT, Act, ActError, People, act_from
from uphaul.rules import ABOVE, Action, Kind, Rule, Setting
from uphaul.signals import Collector, Event, EventKind, Signal
from uphaul.vehicle import Tune, Vehicle

EGT = Signal("egt", "degC", 4)
HOT = Rule("egt-hot", Kind.THRESHOLD, "egt", ABOVE, Setting(720.0), Action.EASE)
BOILING = Rule("boiling", Kind.THRESHOLD, "egt", ABOVE, Setting(900.0), Action.STOP)


class Vehicles:
    """People at a vehicle of two rules and two tunes."""

    def __init__(self, *, tune_input: TuneInput | None = None) -> None:
        vehicle = Vehicle("test", (Tune("stock"), Tune("tow")))
        self.config = Config(20, 1000, (), (EGT,), (), (), (HOT, BOILING), vehicle, tune_input=tune_input)
        self.collector = Collector((EGT,), ("stock", "tow"))
        self.alerts = (Alert(HOT), Alert(BOILING))
        self.driving = True
        self.people = People(self.config, self.collector, lambda: self.alerts, driving=lambda: self.driving)

    def ask(self, **told: Any) -> int:
        return self.people.do(act_from(told, "Anna"))

    def events(self) -> tuple[Event, ...]:
        return self.collector.collect(0.0).block(1000).events


def test_quiet_acknowledges_all_that_nobody_has_seen_each_at_its_raise() -> None:
    at = Vehicles()
    at.alerts[0].state, at.alerts[0].raises, at.alerts[0].active = State.UNACKNOWLEDGED, 3, True
    at.alerts[1].state, at.alerts[1].raises = State.LATCHED_UNACKNOWLEDGED, 2
    assert at.ask(do="quiet") == 2
    told = {(e.kind, e.rule, e.raise_number, e.actor) for e in at.events()}
    assert told == {
        (EventKind.ACKNOWLEDGE, "egt-hot", 3, "Anna"),
        (EventKind.ACKNOWLEDGE, "boiling", 2, "Anna"),
    }


def test_quiet_with_nothing_to_quiet_is_no_event() -> None:
    at = Vehicles()
    at.alerts[0].state, at.alerts[0].active = State.ACKNOWLEDGED, True
    assert at.ask(do="quiet") == 0
    assert at.events() == ()


def test_shelving_ends_after_its_minutes_of_the_drive() -> None:
    at = Vehicles()
    at.ask(do="shelve", rule="egt-hot", minutes=2.5)
    (event,) = at.events()
    assert (event.kind, event.rule, event.end_ms) == (EventKind.SHELVE, "egt-hot", 151_000)


def test_a_mark_keeps_its_note_on_one_line() -> None:
    at = Vehicles()
    at.ask(do="mark", text="felt\nflat \x1b[31m here")
    (event,) = at.events()
    assert (event.kind, event.text) == (EventKind.MARK, "felt flat [31m here")


@pytest.mark.parametrize("do", ["mark", "check-begin", "check-end"])
def test_between_drives_nothing_is_taken_that_only_the_log_would_keep(do: str) -> None:
    at = Vehicles()
    at.driving = False
    with pytest.raises(ActError, match="no drive is under way, so nothing would be kept"):
        at.ask(do=do, text="smells of coolant")
    at.ask(do="tune", text="tow")
    at.ask(do="shelve", rule="egt-hot", minutes=2.5)
    assert [e.kind for e in at.events()] == [EventKind.TUNE, EventKind.SHELVE]


def test_a_person_names_the_tune_where_no_input_tells_it() -> None:
    at = Vehicles()
    at.ask(do="tune", text="tow")
    assert at.collector.collect(0.0).tune == 1


def test_where_an_input_tells_the_tune_nobody_else_does() -> None:
    at = Vehicles(tune_input=TuneInput("egt", ((1, "stock"), (2, "tow"))))
    with pytest.raises(ActError, match="read from egt: choose it in the vehicle"):
        at.ask(do="tune", text="tow")


@pytest.mark.parametrize("do", ["shelve", "disable"])
def test_what_says_stop_is_not_set_aside(do: str) -> None:
    at = Vehicles()
    with pytest.raises(ActError, match="says stop cannot be set aside"):
        at.ask(do=do, rule="boiling")
    assert at.events() == ()


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ([], "an act is an object"),
        ({}, "do = 'None': one of quiet, acknowledge"),
        ({"do": "remark", "text": "by a source"}, "do = 'remark'"),
        ({"do": "quiet", "all": True}, "'all': no such key"),
        ({"do": "quiet", "\ud800": True}, "ud800': no such key"),
        ({"do": "acknowledge", "rule": "none"}, "there is no such rule"),
        ({"do": "acknowledge", "rule": 3}, "texts"),
        ({"do": "acknowledge", "rule": "egt-hot", "raise": -1}, "a whole number from 0"),
        ({"do": "acknowledge", "rule": "egt-hot", "raise": True}, "a whole number from 0"),
        ({"do": "shelve", "rule": "egt-hot", "minutes": 0}, "above 0"),
        ({"do": "shelve", "rule": "egt-hot", "minutes": float("nan")}, "above 0"),
        ({"do": "shelve", "rule": "egt-hot", "minutes": 1e9}, "at most 1440"),
        ({"do": "tune", "text": "race"}, "one of the tunes, stock, tow"),
        ({"do": "mark", "text": "x" * (LONGEST_TEXT + 1)}, "characters"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_words(told: object, words: str) -> None:
    at = Vehicles()
    with pytest.raises(ActError, match=words):
        at.people.do(act_from(told, "Anna"))
    assert at.events() == ()


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.sampled_from([*KINDS, "egt-hot"]),
        lambda inner: st.lists(inner) | st.dictionaries(st.sampled_from(["do", "rule", "raise", "minutes"]), inner),
        max_leaves=6,
    )
)
def test_whatever_comes_from_outside_is_an_act_or_refused(told: object) -> None:
    try:
        act = act_from(told, "x")
    except ActError as error:
        assert len(str(error)) < 400
    else:
        assert isinstance(act, Act)
