"""The daemon's messages at a real broker that is absent, killed, frozen, picky about logins, and back again."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import signal
import socket
import sqlite3
import ssl
import subprocess
import sys
import threading
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
import trustme

from support.broker import Broker, Subscriber, until
from support.config_files import config_of
from support.faulty_card import Card
from support.moments import Drive, alert
from support.mqtt_schema import check
from uphaul.alerts import Notice, NoticeKind, State
from uphaul.alerts.lifecycle import Alert
from uphaul.config.spec import Config, MqttSpec
from uphaul.outputs.mqtt import Mqtt
from uphaul.outputs.mqtt_pace import Pace
from uphaul.outputs.outbox import Outbox
from uphaul.people import People
from uphaul.signals import Collector, Event, EventKind
from uphaul.status import Moment

pytestmark = pytest.mark.asyncio

PACE = Pace(answer_s=1.0, first_delay_s=0.05, longest_delay_s=0.3, settle_s=60.0, flush_s=0.3, look_s=0.05)
PREFIX = "uphaul/test/"
ANSWERS = f"{PREFIX}v1/act/answer"


@contextlib.asynccontextmanager
async def telling(mqtt: Mqtt) -> AsyncIterator[None]:
    """The output running, and ended in good order."""
    task = asyncio.create_task(mqtt.run())
    try:
        yield
        assert not task.done(), task.exception()
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


class Rig:
    """One output with everything that it needs, on a broker's address."""

    def __init__(self, broker: Broker, folder: Path, *, outbox: Outbox | None = None, **spec: Any) -> None:
        self._set_up(broker.port, folder, outbox, spec)

    @classmethod
    def at(cls, port: int, folder: Path) -> Rig:
        """On a port where no real broker is."""
        rig = cls.__new__(cls)
        rig._set_up(port, folder, None, {})
        return rig

    def _set_up(self, port: int, folder: Path, outbox: Outbox | None, spec: dict[str, Any]) -> None:
        self.config: Config = config_of()
        self.collector = Collector(self.config.signals, self.config.tunes)
        self.alerts = tuple(Alert(rule) for rule in self.config.rules)
        people = People(self.config, self.collector, lambda: self.alerts)
        self.spec = MqttSpec(**{"host": "127.0.0.1", "prefix": PREFIX, "port": port, **spec})
        self.mqtt = Mqtt(self.spec, self.config, folder / "outbox.db", people, pace=PACE, outbox=outbox)
        self.drive = Drive(self.config)
        self.raised = 0

    def raise_one(self) -> None:
        """An alert is raised, or the one that is there is over, by turns; with the ticks until then."""
        for _ in range(3):
            self.mqtt.tell(self.drive.moment())
        self.raised += 1
        state = State.UNACKNOWLEDGED if self.raised % 2 else State.RETURNED_UNACKNOWLEDGED
        self.mqtt.tell(self.drive.change(alert(self.raised, state)))

    async def drive_until(self, raised: int) -> None:
        """A stretch of the drive, faster than life, with everything else going on meanwhile."""
        while self.raised < raised:
            self.raise_one()
            await asyncio.sleep(0.001)

    async def until_connected(self) -> None:
        await until(lambda: self.mqtt.health.state == "running", "a connection")

    def count(self, name: str) -> int:
        return self.mqtt.health.counters.get(name, -1)


def raises(messages: list[Any]) -> list[int]:
    return [told["alert"]["raise"] for told in messages]


async def test_a_broker_that_comes_late_is_told_every_alert_once_in_order(tmp_path: Path) -> None:
    broker = Broker(tmp_path)
    async with broker:
        async with Subscriber(broker):
            pass  # from now on it is known, and away
        await broker.kill()
        rig = Rig(broker, tmp_path)
        async with telling(rig.mqtt):
            await until(lambda: rig.mqtt.health.state == "waiting", "an attempt that failed")
            assert "Connection refused" in rig.mqtt.health.problem
            assert f"127.0.0.1:{broker.port}" in rig.mqtt.health.problem
            await rig.drive_until(40)
            await until(lambda: rig.count("waiting") >= 41, "messages that wait")
            await broker.start()
            async with Subscriber(broker) as subscriber:
                await rig.drive_until(60)
                await until(lambda: raises(subscriber.stream("alerts/log"))[-1:] == [60], "the last alert")
                assert raises(subscriber.stream("alerts/log")) == list(range(1, 61))
                assert rig.mqtt.health.problem == ""
                await until(lambda: rig.count("waiting") == 0, "nothing left")
        assert rig.count("dropped_alerts") == rig.count("dropped_telemetry") == 0


async def test_a_broker_killed_mid_drive_has_every_alert_once_in_order(tmp_path: Path) -> None:
    async with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        rig = Rig(broker, tmp_path)
        async with telling(rig.mqtt):
            for n in (30, 60, 90):
                await rig.until_connected()
                await rig.drive_until(n)  # and at this very moment, with messages under way:
                await broker.kill()
                await rig.drive_until(n + 15)
                await broker.start()
            await rig.drive_until(120)
            await until(lambda: raises(subscriber.stream("alerts/log"))[-1:] == [120], "the last alert")
            assert raises(subscriber.stream("alerts/log")) == list(range(1, 121))
            assert rig.mqtt.health.restarts >= 3
        assert rig.count("dropped_alerts") == 0


async def test_a_frozen_broker_is_given_up_and_gets_every_alert_once_in_order(tmp_path: Path) -> None:
    async with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        rig = Rig(broker, tmp_path)
        async with telling(rig.mqtt):
            await rig.until_connected()
            await rig.drive_until(20)
            broker.freeze()
            await rig.drive_until(40)
            await until(lambda: "does not answer" in rig.mqtt.health.problem, "the problem's name")
            await until(lambda: rig.mqtt.health.restarts >= 3, "attempts to come through")
            await rig.drive_until(60)
            broker.thaw()
            await rig.drive_until(80)
            await until(lambda: raises(subscriber.stream("alerts/log"))[-1:] == [80], "the last alert")
            assert raises(subscriber.stream("alerts/log")) == list(range(1, 81))
            await until(lambda: rig.mqtt.health.problem == "", "all well")
            async with Subscriber(broker, name="late") as late:
                await until(lambda: late.of("v1/availability"), "availability")
                assert late.of("v1/availability")[0]["state"] == "online"


async def test_what_one_run_left_goes_before_what_the_next_one_tells(tmp_path: Path) -> None:
    async with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        await broker.kill()
        first = Rig(broker, tmp_path)
        async with telling(first.mqtt):
            await until(lambda: first.mqtt.health.state == "waiting", "an attempt that failed")
            await first.drive_until(25)
        await broker.start()
        second = Rig(broker, tmp_path)
        async with telling(second.mqtt):
            await second.drive_until(5)
            await until(lambda: len(subscriber.stream("alerts/log")) == 30, "all of both")
        told = subscriber.stream("alerts/log")
        assert raises(told) == [*range(1, 26), *range(1, 6)]
        assert {m["run"] for m in told[:25]} == {first.mqtt.run_id}
        assert told[25]["before"] == {"run": first.mqtt.run_id, "seq": 25}


async def test_what_is_retained_is_true_after_the_broker_was_away(tmp_path: Path) -> None:
    async with Broker(tmp_path) as broker:
        rig = Rig(broker, tmp_path)
        async with telling(rig.mqtt):
            rig.mqtt.tell(rig.drive.change(alert(1)))
            await rig.until_connected()
            async with Subscriber(broker, name="first") as first:
                await until(lambda: first.of("state/egt-high"), "the state")
                assert first.of("state/egt-high")[-1]["alert"]["state"] == "unacknowledged"
                assert first.of("state/lost:egt")[-1]["alert"]["state"] == "normal"
            await broker.kill()
            rig.mqtt.tell(rig.drive.change(alert(1, State.ACKNOWLEDGED)))
            rig.drive.number = 8  # in another drive it was never raised
            rig.mqtt.tell(rig.drive.moment())
            await broker.start()
            async with Subscriber(broker, name="second") as second:
                await until(
                    lambda: [told["alert"]["state"] for told in second.of("state/egt-high")][-1:] == ["normal"],
                    "the state made true",
                )
                assert second.of("state/egt-high")[-1]["drive"] == 8


async def test_what_the_broker_keeps_of_rules_that_are_gone_is_cleared(tmp_path: Path) -> None:
    async with Broker(tmp_path) as broker:
        for prefix in (f"{PREFIX}old/", PREFIX):
            await drive_a_little(Rig(broker, tmp_path, prefix=prefix))
        async with Subscriber(broker) as subscriber:
            await until(lambda: subscriber.of(f"{PREFIX}v1/alerts/state/egt-high"), "the new state")
            assert subscriber.of("old/v1/alerts/state/egt-high") == []


async def drive_a_little(rig: Rig) -> None:
    async with telling(rig.mqtt):
        rig.mqtt.tell(rig.drive.moment())
        await rig.until_connected()
        await until(lambda: rig.count("waiting") == 0, "nothing left")


async def test_telemetry_that_finds_no_room_is_dropped_first_and_counted(tmp_path: Path) -> None:
    async with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        await broker.kill()
        outbox = Outbox(tmp_path / "outbox.db", limit_bytes=60_000, flush_s=0.05)
        rig = Rig(broker, tmp_path, outbox=outbox)
        rig.drive.step_ms = 1000
        async with telling(rig.mqtt):
            for n in range(600):
                rig.mqtt.tell(rig.drive.moment())
                if n % 20 == 10:
                    rig.raise_one()
            told = rig.drive.t_ms // 1000
            await until(lambda: rig.count("dropped_telemetry") > 300, "telemetry dropped")
            await broker.start()
            await until(
                lambda: rig.count("waiting") == 0 and raises(subscriber.stream("alerts/log"))[-1:] == [30], "all"
            )
            assert raises(subscriber.stream("alerts/log")) == list(range(1, 31))
            await until(lambda: len(subscriber.of("v1/signals")) + rig.count("dropped_telemetry") >= told, "the count")
            times = [each["t_ms"] for each in subscriber.of("v1/signals")]
            assert len(times) + rig.count("dropped_telemetry") == told
            assert times == sorted(times)
            assert times[-1] == rig.drive.t_ms - 1000
            assert rig.count("dropped_alerts") == 0
            assert any("signals were dropped" in note for note in rig.mqtt.health.notes)


async def test_an_end_in_good_order_is_told_apart_from_a_loss(tmp_path: Path) -> None:
    async with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        rig = Rig(broker, tmp_path)
        async with telling(rig.mqtt):
            await rig.until_connected()
            rig.raise_one()
        assert rig.mqtt.health.state == "ended"
        await until(lambda: len(subscriber.of("v1/availability")) == 2, "the end")
        assert subscriber.of("v1/availability") == [
            {"state": "online", "reason": ""},
            {"state": "offline", "reason": "ended"},
        ]
        assert raises(subscriber.stream("alerts/log")) == [1]  # what was told last still went out


async def test_a_card_that_hangs_holds_no_alert_up(tmp_path: Path) -> None:
    card = Card()
    card.gate.clear()
    outbox = Outbox(tmp_path / "outbox.db", limit_bytes=2_000_000, flush_s=0.05, connect=card.connect)
    async with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        rig = Rig(broker, tmp_path, outbox=outbox)
        async with telling(rig.mqtt):
            assert await asyncio.to_thread(card.stalled.wait, 20)
            await rig.drive_until(10)
            await until(lambda: raises(subscriber.stream("alerts/log"))[-1:] == [10], "the alerts from memory")
            card.gate.set()
            await rig.drive_until(20)
            await until(lambda: raises(subscriber.stream("alerts/log"))[-1:] == [20], "the rest")
        assert raises(subscriber.stream("alerts/log")) == list(range(1, 21))


async def test_a_card_that_cannot_be_written_is_told_and_messages_go_from_memory(tmp_path: Path) -> None:
    card = Card()
    card.broken = sqlite3.SQLITE_READONLY
    outbox = Outbox(tmp_path / "outbox.db", limit_bytes=2_000_000, flush_s=0.05, connect=card.connect)
    async with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        rig = Rig(broker, tmp_path, outbox=outbox)
        async with telling(rig.mqtt):
            await rig.drive_until(10)
            await until(lambda: raises(subscriber.stream("alerts/log")) == list(range(1, 11)), "the alerts")
            await until(lambda: "cannot be kept on the card" in rig.mqtt.health.problem, "the problem's name")
            assert rig.mqtt.health.state == "running"


async def test_the_end_does_not_wait_for_a_connection_that_hangs(tmp_path: Path) -> None:
    with socket.socket() as full, contextlib.ExitStack() as queue:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        for _ in range(3):  # more than it queues: whoever comes now is kept waiting
            waiting = queue.enter_context(socket.socket())
            waiting.setblocking(False)
            waiting.connect_ex(full.getsockname())
        rig = Rig.at(full.getsockname()[1], tmp_path)
        async with telling(rig.mqtt):
            rig.raise_one()
            await until(connecting, "an attempt under way")
        assert connecting()  # it is still at it, and nobody minds


def connecting() -> bool:
    return any(thread.name == "mqtt connect" for thread in threading.enumerate())


CHILD = """
import asyncio, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from support.config_files import config_of
from support.moments import Drive, alert
from uphaul.config.spec import MqttSpec
from uphaul.outputs.mqtt import Mqtt
from uphaul.people import People
from uphaul.signals import Collector

async def main():
    config = config_of()
    people = People(config, Collector(config.signals, config.tunes), tuple)
    spec = MqttSpec("127.0.0.1", "uphaul/test/", int(sys.argv[2]))
    mqtt, drive = Mqtt(spec, config, Path(sys.argv[3]), people), Drive(config)
    task = asyncio.create_task(mqtt.run())
    for n in range(1, 1_000_000):
        mqtt.tell(drive.change(alert(n)))
        await asyncio.sleep(0.002)

asyncio.run(main())
"""


def child(broker: Broker, folder: Path) -> subprocess.Popen[bytes]:
    """A process that tells one alert after the other until somebody ends it."""
    tests = str(Path(__file__).parents[1])
    return subprocess.Popen([sys.executable, "-c", CHILD, tests, str(broker.port), str(folder / "outbox.db")])


async def test_the_last_will_tells_of_a_daemon_that_was_killed_and_its_outbox_goes_on(tmp_path: Path) -> None:
    async with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        process = child(broker, tmp_path)
        try:
            await until(lambda: len(subscriber.of("alerts/log")) > 50, "alerts")
            os.kill(process.pid, signal.SIGKILL)
        finally:
            process.kill()
            await asyncio.to_thread(process.wait)
        await until(lambda: len(subscriber.of("v1/availability")) == 2, "the last will")
        assert subscriber.of("v1/availability")[-1] == {"state": "offline", "reason": "lost"}
        before = len(subscriber.stream("alerts/log"))
        rig = Rig(broker, tmp_path)
        async with telling(rig.mqtt):
            rig.raise_one()
            await until(lambda: subscriber.of("alerts/log")[-1]["run"] == rig.mqtt.run_id, "the next run")
            await until(lambda: rig.count("waiting") == 0, "nothing left")
        told = subscriber.of("alerts/log")
        last = [m["seq"] for m in told if m["run"] != rig.mqtt.run_id]
        assert set(last) == set(range(1, max(last) + 1))  # in whatever the kill cut short nothing is missing
        assert max(last) >= before


# ----------------------------------------------------------------------------------------------------- logging in


LIBRARY_DROPS = pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning"
)
"""The client library leaves a socket that was not believed to the collector of garbage; nobody else can close it."""


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    """Signs the certificates of these tests."""
    return trustme.CA()


@pytest.fixture
def certificates(authority: trustme.CA, tmp_path: Path) -> Iterator[tuple[str, ...]]:
    """Lines for a broker with TLS; its authority's certificate lies in ``ca.pem``, a stranger's in ``other.pem``."""
    issued = authority.issue_cert("127.0.0.1")
    issued.private_key_pem.write_to_path(tmp_path / "broker.key")
    issued.cert_chain_pems[0].write_to_path(tmp_path / "broker.pem")
    authority.cert_pem.write_to_path(tmp_path / "ca.pem")
    trustme.CA().cert_pem.write_to_path(tmp_path / "other.pem")
    yield (
        "allow_anonymous true",
        f"certfile {tmp_path}/broker.pem",
        f"keyfile {tmp_path}/broker.key",
        f"cafile {tmp_path}/ca.pem",
    )


@LIBRARY_DROPS
async def test_with_tls_only_a_broker_of_a_known_authority_is_believed(
    certificates: tuple[str, ...], tmp_path: Path
) -> None:
    async with Broker(tmp_path, *certificates) as broker:
        wrong = Rig(broker, tmp_path, tls=True, ca_file=tmp_path / "other.pem")
        async with telling(wrong.mqtt):
            wrong.raise_one()
            await until(lambda: wrong.mqtt.health.restarts >= 2, "attempts")
            assert "is not believed: its certificate does not fit" in wrong.mqtt.health.problem
            assert wrong.count("sent") == 0
        gc.collect()
        login = ssl.create_default_context(cafile=tmp_path / "ca.pem")
        async with Subscriber(broker, tls_context=login) as subscriber:
            right = Rig(broker, tmp_path, tls=True, ca_file=tmp_path / "ca.pem")
            async with telling(right.mqtt):
                await until(lambda: raises(subscriber.of("alerts/log")) == [1], "the alert that waited")
                assert right.mqtt.health.problem == ""


@LIBRARY_DROPS
async def test_a_certificate_for_another_name_is_refused(
    authority: trustme.CA, certificates: tuple[str, ...], tmp_path: Path
) -> None:
    issued = authority.issue_cert("broker.example")
    issued.private_key_pem.write_to_path(tmp_path / "broker.key")
    issued.cert_chain_pems[0].write_to_path(tmp_path / "broker.pem")
    async with Broker(tmp_path, *certificates) as broker:
        rig = Rig(broker, tmp_path, tls=True, ca_file=tmp_path / "ca.pem")
        async with telling(rig.mqtt):
            await until(lambda: rig.mqtt.health.restarts >= 1, "an attempt")
            assert "its certificate does not fit" in rig.mqtt.health.problem
    gc.collect()


async def test_a_broker_that_asks_for_our_certificate_gets_it(
    authority: trustme.CA, certificates: tuple[str, ...], tmp_path: Path
) -> None:
    own = authority.issue_cert("vehicle@example.org")
    own.private_key_pem.write_to_path(tmp_path / "own.key")
    own.cert_chain_pems[0].write_to_path(tmp_path / "own.pem")
    async with Broker(tmp_path, *certificates, "require_certificate true") as broker:
        files = {"ca_file": tmp_path / "ca.pem", "cert_file": tmp_path / "own.pem", "key_file": tmp_path / "own.key"}
        rig = Rig(broker, tmp_path, tls=True, **files)
        async with telling(rig.mqtt):
            await rig.until_connected()


async def test_a_wrong_login_is_named_and_works_once_it_is_right(tmp_path: Path) -> None:
    made = ["mosquitto_passwd", "-b", "-c", str(tmp_path / "logins"), "rig", "right words"]
    await asyncio.to_thread(subprocess.run, made, check=True, capture_output=True)
    secret = tmp_path / "secret"
    secret.write_text("wrong words\n", encoding="utf-8")
    async with Broker(tmp_path, "allow_anonymous false", f"password_file {tmp_path}/logins") as broker:
        rig = Rig(broker, tmp_path, username="rig", password_file=secret)
        async with telling(rig.mqtt):
            await until(lambda: rig.mqtt.health.restarts >= 1, "an attempt")
            assert "refuses the user 'rig': wrong name or password" in rig.mqtt.health.problem
            assert "words" not in repr(rig.mqtt.health)
            secret.unlink()
            await until(lambda: "mqtt.password_file" in rig.mqtt.health.problem, "the file's name")
            secret.write_text("right words\n", encoding="utf-8")
            await rig.until_connected()
            assert rig.mqtt.health.problem == ""


# ----------------------------------------------------------------------------------------------------------- acts


async def test_an_act_by_message_reaches_the_collector_and_is_answered(tmp_path: Path) -> None:
    async with Broker(tmp_path) as broker, Subscriber(broker, ANSWERS) as subscriber:
        old = {"do": "mark", "text": "from before", "id": "old"}
        await subscriber.publish(f"{PREFIX}v1/act", old, retain=True)
        rig = Rig(broker, tmp_path, accept_acts=True)
        rig.alerts[0].state, rig.alerts[0].raises = State.UNACKNOWLEDGED, 3
        async with telling(rig.mqtt):
            await until(lambda: subscribed(broker), "our subscription")
            await subscriber.publish(f"{PREFIX}v1/act", {"do": "quiet", "id": "one"})
            await subscriber.publish(f"{PREFIX}v1/act", {"do": "acknowledge", "rule": "no-such"})
            await subscriber.publish(f"{PREFIX}v1/act", b"{" * 3000)
            await subscriber.publish(f"{PREFIX}v1/act", b'"' + b"x" * 5000 + b'"')
            await until(lambda: len(subscriber.of("act/answer")) == 4, "four answers")
        answers = subscriber.of("act/answer")
        assert [told for told in answers if told["id"] == "one"] == [{"id": "one", "done": 1, "refused": None}]
        refused = " | ".join(told["refused"] for told in answers if told["id"] is None)
        assert "there is no such rule" in refused
        assert "no JSON" in refused
        assert "4096 at most" in refused
        assert rig.count("refused_acts") == 3
        (event,) = rig.collector.collect(0).block(0, all_qualities=True).events
        assert (event.kind, event.rule, event.raise_number, event.actor) == (
            EventKind.ACKNOWLEDGE,
            rig.config.rules[0].name,
            3,
            "mqtt",
        )


def subscribed(broker: Broker) -> bool:
    return any("Sending SUBACK to uphaul" in line for line in broker.said)


async def test_a_flood_of_acts_is_refused(tmp_path: Path) -> None:
    async with Broker(tmp_path) as broker, Subscriber(broker, ANSWERS) as subscriber:
        rig = Rig(broker, tmp_path, accept_acts=True)
        async with telling(rig.mqtt):
            await until(lambda: subscribed(broker), "our subscription")
            for _ in range(30):
                await subscriber.publish(f"{PREFIX}v1/act", {"do": "mark"})
            await until(lambda: len(subscriber.of("act/answer")) >= 30, "answers")
        assert sum(told["done"] == 1 for told in subscriber.of("act/answer")) == 20
        assert len(rig.collector.collect(0).block(0, all_qualities=True).events) == 20


async def test_half_a_character_in_an_act_is_answered_and_ends_nothing(tmp_path: Path) -> None:
    """JSON can spell what no text in UTF-8 can hold (RFC 8259, section 8.2)."""
    async with Broker(tmp_path) as broker, Subscriber(broker, ANSWERS) as subscriber:
        rig = Rig(broker, tmp_path, accept_acts=True)
        async with telling(rig.mqtt):
            await until(lambda: subscribed(broker), "our subscription")
            await subscriber.publish(f"{PREFIX}v1/act", rb'{"do": "mark", "id": "\ud800"}')
            await subscriber.publish(f"{PREFIX}v1/act", rb'{"\udfff": 1, "id": "two"}')
            await until(lambda: len(subscriber.of("act/answer")) == 2, "two answers")
        answers = {a["id"]: a for a in subscriber.of("act/answer")}  # a refusal need not wait for the daemon's loop
        assert answers["?"]["done"] == 1
        assert answers["two"]["refused"].startswith(r"'\udfff': no such key")


async def test_without_leave_no_act_is_heard(tmp_path: Path) -> None:
    async with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        rig = Rig(broker, tmp_path)
        async with telling(rig.mqtt):
            await rig.until_connected()
            await subscriber.publish(f"{PREFIX}v1/act", {"do": "mark"})
            rig.raise_one()
            await until(lambda: subscriber.of("alerts/log"), "something that came later")
        assert subscriber.of("act/answer") == []
        assert rig.collector.collect(0).block(0, all_qualities=True).events == ()


# -------------------------------------------------------------------------------------------------- what is said


async def test_everything_that_is_told_fits_the_published_schema(tmp_path: Path) -> None:
    async with Broker(tmp_path) as broker, Subscriber(broker) as subscriber:
        rig = Rig(broker, tmp_path, accept_acts=True)
        async with telling(rig.mqtt):
            await until(lambda: subscribed(broker), "our subscription")
            for moment in a_bit_of_everything(rig.drive):
                rig.mqtt.tell(moment)
            await subscriber.publish(f"{PREFIX}v1/act", {"do": "mark", "id": "x"})
            await until(lambda: subscriber.of("v1/drives")[-1:] and subscriber.of("act/answer"), "the end of it")
            await until(lambda: rig.count("waiting") == 0, "nothing left")
        await until(lambda: len(subscriber.of("v1/availability")) == 2, "the end")
    seen = set()
    for topic, told, _ in subscriber.got:
        name = topic.removeprefix(f"{PREFIX}v1/")
        if name == "act":
            continue
        name = "alerts/state/RULE" if name.startswith("alerts/state/") else name
        check(name, told)
        seen.add(name)
    assert seen == {
        "about",
        "act/answer",
        "alerts/log",
        "alerts/state/RULE",
        "availability",
        "drives",
        "events",
        "notices",
        "signals",
    }


def a_bit_of_everything(drive: Drive) -> Iterator[Moment]:
    """A short drive in which every kind of message has its place."""
    yield drive.moment()
    for state in State:
        yield drive.change(alert(1, state))
    shelve = Event(drive.t_ms, 0, EventKind.SHELVE, rule="egt-high", actor="phone", end_ms=600_000)
    yield drive.moment(events=(shelve, Event(drive.t_ms, 1, EventKind.MARK, actor="button")))
    yield drive.moment(notices=(Notice(drive.t_ms, NoticeKind.FLOOD),))
    yield drive.change(alert(2, value=None, limit=None, since_s=None, side="", cause="open circuit"))
    drive.number = None
    yield drive.moment()
