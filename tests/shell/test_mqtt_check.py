"""A field check told to a real broker: every prompt once, in order, though the broker is killed; where it stands."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from support.broker import Broker, Subscriber, until
from support.driven_check import CONFIG, NAME, STEPS, Rig
from support.mqtt_schema import check
from uphaul.analysis.field_check import News
from uphaul.config.spec import Config, MqttSpec
from uphaul.outputs.mqtt import Mqtt
from uphaul.outputs.mqtt_pace import Pace
from uphaul.people import Act
from uphaul.pipeline import Outcome
from uphaul.present import Presenter
from uphaul.signals import EventKind

pytestmark = pytest.mark.asyncio

PACE = Pace(answer_s=1.0, first_delay_s=0.05, longest_delay_s=0.3, settle_s=60.0, flush_s=0.3, look_s=0.05)
PREFIX = "uphaul/test/"
STATE = f"{PREFIX}v1/check/state"


class Told:
    """The driven check with a broker: every tick is told, and what there was to say is noted."""

    def __init__(self, broker: Broker, folder: Path, config: Config = CONFIG) -> None:
        self.rig = Rig(folder / "a.db", config)
        spec = MqttSpec(host="127.0.0.1", prefix=PREFIX, port=broker.port)
        live = self.rig.live
        self.mqtt = Mqtt(spec, config, folder / "outbox.db", self.rig.people, alerts=lambda: live.alerts, pace=PACE)
        self.presenter = Presenter(config, live, lambda: 0.0)
        self.said: list[News] = []

    def _tick(self, outcome: Outcome, t_ms: int) -> None:
        moment = self.presenter.moment(outcome, t_ms, "2031-03-02T04:05:06.000+00:00")
        self.said += moment.news
        self.mqtt.tell(moment)

    def run(self, start_s: float, stop_s: float) -> None:
        self.rig.run(start_s, stop_s, then=self._tick)

    @contextlib.asynccontextmanager
    async def telling(self) -> AsyncIterator[None]:
        task = asyncio.create_task(self.mqtt.run())
        try:
            yield
            assert not task.done(), task.exception()
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
            self.rig.end()


def results(state: Any) -> list[tuple[str, str, int]]:
    return [(r["step"], r["verdict"], r["attempts"]) for r in state["results"]]


async def test_every_prompt_is_told_once_in_order_and_where_it_stands_is_kept(tmp_path: Path) -> None:
    async with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        told = Told(broker, tmp_path)
        async with told.telling():
            told.run(0, 0.5)
            await until(lambda: subscriber.of("check/state"), "the state before a check")
            before = subscriber.of("check/state")[-1]
            assert (before["title"], before["running"], before["now"], before["results"]) == (
                STEPS.title, False, None, [],
            )  # fmt: skip
            told.rig.begin()
            told.run(0.5, 3)
            await until(lambda: subscriber.of("check/state")[-1]["running"], "a check that runs")
            holding = subscriber.of("check/state")[-1]
            assert (holding["confirmed_by"], holding["now"]["step"], holding["now"]["holding"]) == (
                NAME,
                "key-on",
                True,
            )
            await broker.kill()
            told.run(3, 13)  # the first step passes, the second is stopped by an alert
            await broker.start()
            async with Subscriber(broker, name="late") as late:
                await until(lambda: late.of("check/state") and late.of("check/state")[-1]["alert"], "the state of now")
                now = late.of("check/state")[-1]
                assert (now["alert"], results(now)) == (
                    "EGT high",
                    [("key-on", "passed", 1), ("idle", "stopped by an alert", 1)],
                )
            told.run(13, 40)
            await until(lambda: len(subscriber.stream("check/log")) == len(told.said), "every prompt")
            await until(lambda: results(subscriber.of("check/state")[-1])[1][1:] == ("passed", 2), "the end")
    stream = subscriber.stream("check/log")
    assert [(m["t_ms"], m["kind"], m["step"], m["words"]) for m in stream] == [
        (n.t_ms, n.kind.value, n.step, n.words) for n in told.said
    ]
    assert [m["kind"] for m in stream][-1] == "done"
    assert "stop" in {m["kind"] for m in stream}
    for topic in ("check/state", "check/log"):
        for message in subscriber.of(topic):
            check(topic, message)
    assert {retained for topic, _, retained in subscriber.got if topic.endswith("check/log")} == {False}


async def test_a_skip_and_the_end_by_a_person_are_in_the_state_without_a_prompt(tmp_path: Path) -> None:
    async with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        told = Told(broker, tmp_path)
        async with told.telling():
            told.run(0, 0.5)
            told.rig.begin()
            told.run(0.5, 1)
            told.rig.people.do(Act(EventKind.CHECK_SKIP, "phone", rule="idle", text="no time"))
            told.run(1, 1.5)
            await until(
                lambda: [("idle", "skipped", 0)] in [results(s)[1:] for s in subscriber.of("check/state")], "the skip"
            )
            assert subscriber.of("check/state")[-1]["results"][1]["why"] == "no time"
            told.rig.people.do(Act(EventKind.CHECK_END, "phone"))
            told.run(1.5, 2)
            await until(lambda: not subscriber.of("check/state")[-1]["running"], "the end")
            assert subscriber.of("check/state")[-1]["confirmed_by"] == NAME
            await until(lambda: len(subscriber.stream("v1/events")) == 3, "what people did")
    assert [m["kind"] for m in subscriber.stream("v1/events")] == ["check-begin", "check-skip", "check-end"]


async def test_the_state_is_taken_from_the_broker_where_the_check_is_gone(tmp_path: Path) -> None:
    async with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        told = Told(broker, tmp_path)
        async with told.telling():
            told.run(0, 0.5)
            await until(lambda: subscriber.of("check/state"), "the state")
        (tmp_path / "a.db").unlink()
        without = replace(CONFIG, field_check=None)
        gone = Told(broker, tmp_path, without)
        async with gone.telling():
            gone.run(0, 0.05)
            await until(lambda: subscriber.of("check/state")[-1] is None, "the state taken away")
