"""What a moment comes to for a broker, and what is retained of the alerts."""

from __future__ import annotations

import json
from math import inf, nan
from typing import Any

import pytest

from support.config_files import config_of
from support.moments import Drive, alert
from support.mqtt_schema import check
from uphaul.alerts import State
from uphaul.config.spec import MqttSpec
from uphaul.outputs import mqtt_messages as m
from uphaul.outputs.held import Rank
from uphaul.outputs.mqtt_news import Aside, News, Told, ToSend, about
from uphaul.outputs.mqtt_schema import schema_text
from uphaul.signals import Event, EventKind
from uphaul.status import Moment

CONFIG = config_of()
RULES = {rule.name for rule in CONFIG.rules}


def news_of(**spec: Any) -> News:
    return News(CONFIG, MqttSpec(**{"host": "b", "prefix": "p/", **spec}), "run")


def take(news: News, moment: Moment, *, due: bool = False, aside: tuple[Aside, ...] | None = None) -> list[ToSend]:
    return news.take(Told(moment, due, aside))


def told(messages: list[ToSend], topic: str) -> list[Any]:
    return [json.loads(each.payload) for each in messages if each.topic == f"p/v1/{topic}"]


def state(news: News, rule: str = "egt-high") -> str:
    kept = json.loads(news.retained[f"p/v1/alerts/state/{rule}"])
    check("alerts/state/RULE", kept)
    return str(kept["alert"]["state"])


def test_the_published_schema_is_made_from_the_messages() -> None:
    from support.mqtt_schema import SCHEMA

    assert json.loads(schema_text()) == SCHEMA


def test_every_tick_with_changes_makes_steps_in_their_order_and_numbers_them() -> None:
    news, drive = news_of(), Drive(CONFIG)
    first = take(news, drive.moment(changed=(alert(1), alert(2, rule="lost:egt"))))
    second = take(news, drive.moment(changed=(alert(1, State.ACKNOWLEDGED),)))
    steps = told(first + second, "alerts/log")
    assert [(s["seq"], s["run"], s["alert"]["rule"], s["alert"]["raise"]) for s in steps] == [
        (1, "run", "egt-high", 1),
        (2, "run", "lost:egt", 2),
        (3, "run", "egt-high", 1),
    ]
    assert {e.rank for e in first + second} == {Rank.IMPORTANT}
    assert [e.stream for e in second] == [("run", 3)]


def test_the_first_of_a_run_says_where_the_last_one_ended() -> None:
    spec = MqttSpec("b", "p/")
    news, drive = News(CONFIG, spec, "run", {"p/v1/alerts/log": ("old", 17)}.get), Drive(CONFIG)
    steps = told(take(news, drive.change(alert())) + take(news, drive.change(alert())), "alerts/log")
    assert [s["before"] for s in steps] == [{"run": "old", "seq": 17}, None]


def test_a_drive_begins_ends_and_is_gone_on_with() -> None:
    news, drive = news_of(), Drive(CONFIG)
    out = take(news, drive.moment())
    drive.number = None
    out += take(news, drive.moment())
    drive.number = 8
    out += take(news, drive.moment())
    drive.number = 9
    out += take(news, drive.moment())
    steps = [(s["kind"], s["number"]) for s in told(out, "drives")]
    assert steps == [("begins", 7), ("ends", 7), ("begins", 8), ("ends", 8), ("begins", 9)]

    resumed, later = news_of(), Drive(CONFIG)
    later.t_ms = 90_000
    assert [s["kind"] for s in told(take(resumed, later.moment()), "drives")] == ["goes-on"]


def test_signals_are_told_when_they_are_due_with_faults_in_words() -> None:
    news, drive = news_of(), Drive(CONFIG)
    assert told(take(news, drive.moment()), "signals") == []
    (signals,) = told(take(news, drive.moment(), due=True), "signals")
    names = [s.name for s in CONFIG.signals]
    assert signals["values"] == {names[0]: 50, names[1]: None, **dict.fromkeys(names[2:], 1.5)}
    assert signals["faults"] == {names[1]: "open circuit"}
    check("signals", signals)


@pytest.mark.parametrize(("chosen", "names"), [(("boost", "rpm"), ["boost", "rpm"]), ((), None)])
def test_only_the_chosen_signals_are_told(chosen: tuple[str, ...], names: list[str] | None) -> None:
    news, drive = news_of(signals=chosen), Drive(CONFIG)
    signals = told(take(news, drive.moment(), due=True), "signals")
    assert [list(s["values"]) for s in signals] == ([] if names is None else [names])


def test_a_mark_is_told_with_who_made_it() -> None:
    news, drive = news_of(), Drive(CONFIG)
    mark = Event(0, 0, EventKind.MARK, actor="button", text="smoke")
    (event,) = told(take(news, drive.moment(events=(mark,))), "events")
    check("events", event)
    assert (event["kind"], event["actor"], event["text"]) == ("mark", "button", "smoke")


@pytest.mark.parametrize("kind", EventKind)
def test_whatever_a_person_can_do_is_in_the_schema(kind: EventKind) -> None:
    (event,) = told(take(news_of(), Drive(CONFIG).moment(events=(Event(0, 0, kind, actor="page"),))), "events")
    check("events", event)
    assert event["kind"] == kind


def test_from_the_first_moment_every_rule_has_its_state() -> None:
    news = news_of()
    take(news, Drive(CONFIG).moment())
    assert set(news.retained) == {f"p/v1/alerts/state/{rule}" for rule in RULES} == news.stale
    assert {state(news, rule) for rule in RULES} == {"normal"}


def test_what_stands_at_the_start_is_retained_without_a_step() -> None:
    news = news_of()
    out = take(news, Drive(CONFIG).moment(standing=(alert(4, State.LATCHED_UNACKNOWLEDGED),)))
    assert told(out, "alerts/log") == []
    assert state(news) == "latched-unacknowledged"


def test_what_is_out_of_sight_at_the_start_is_not_taken_for_normal() -> None:
    news = news_of()
    take(news, Drive(CONFIG).moment(), aside=(Aside("egt-high", State.SHELVED, 2),))
    assert state(news) == "shelved"
    kept = json.loads(news.retained["p/v1/alerts/state/egt-high"])["alert"]
    assert (kept["over"], kept["act"], kept["raise"]) == (True, "set aside for now", 2)


def test_a_shelved_alert_stays_shelved_until_it_is_told_otherwise() -> None:
    news, drive = news_of(), Drive(CONFIG)
    take(news, drive.change(alert(1, State.SHELVED)))
    take(news, drive.moment())
    assert state(news) == "shelved"
    drive.number = 8
    take(news, drive.moment(), aside=())
    assert state(news) == "normal"


def test_an_alert_that_a_new_drive_forgets_is_normal() -> None:
    news, drive = news_of(), Drive(CONFIG)
    take(news, drive.change(alert(1)))
    assert state(news) == "unacknowledged"
    news.stale.clear()
    drive.number = 8
    out = take(news, drive.moment(), aside=())
    assert told(out, "alerts/log") == []
    assert state(news) == "normal"
    assert news.stale == {"p/v1/alerts/state/egt-high"}


def test_states_that_stay_are_not_told_again() -> None:
    news, drive = news_of(), Drive(CONFIG)
    standing = (alert(1),)
    take(news, drive.moment(standing=standing))
    news.stale.clear()
    take(news, drive.moment(standing=standing), due=True)
    assert news.stale == set()


def test_who_we_are_is_told_with_units_and_rules() -> None:
    message = json.loads(m.as_json(about(CONFIG, MqttSpec("b", "p/", signals=("rpm",)), "run")))
    check("about", message)
    assert message["signals"] == [{"name": "rpm", "unit": "rpm", "meaning": "", "computed": False}]
    assert {rule["name"] for rule in message["rules"]} == RULES
    assert message["invented"] is message["replayed"] is False


@pytest.mark.parametrize(
    ("value", "shown"),
    [(1850.0, 1850), (-0.5, -0.5), (0.1 + 0.2, 0.3), (nan, None), (inf, None), (None, None), (51.123456, 51.123456)],
)
def test_numbers_are_what_json_can_hold(value: float | None, shown: float | None) -> None:
    assert m.number(value) == shown
