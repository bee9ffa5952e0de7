"""The connection to a broker: makes it, sends what the outbox has, hears acts, and makes it anew when it breaks.

Theory of operation. Everything here runs on the event loop of the connection's thread; `wake` and `stop` may be called
from others. `_take_in` turns what was told into messages of the outbox. `_keep_connected` makes one session after the
other, each with a client of its own: a publish that failed stays queued in a client of this library and would go twice.
A session says that we are online, what we are and how every alert stands, and then sends the outbox's messages a lot at
a time, in order, until one is not acknowledged in time or the connection breaks. Between sessions it waits with
jittered, doubling back-off.

The client's id stays the same from run to run, so that the broker lets go of a connection that only it believes in, and
what still comes over that one is taken in before anything of the new one.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import logging
import random
import socket
import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from itertools import takewhile

import aiomqtt

from uphaul.config.spec import Config, MqttSpec
from uphaul.outputs import mqtt_messages as m
from uphaul.outputs.health import Health
from uphaul.outputs.held import Message, Rank
from uphaul.outputs.mqtt_login import LoginError, login, login_notes, why
from uphaul.outputs.mqtt_news import News, Told, about
from uphaul.outputs.mqtt_pace import Pace
from uphaul.outputs.outbox import Outbox
from uphaul.people import Act, ActError, act_from

__all__ = ["ACTOR", "Link"]

_log = logging.getLogger("uphaul.mqtt")
_library_log = logging.getLogger("uphaul.mqtt.library")
_library_log.setLevel(logging.CRITICAL)  # what breaks is told in our words, once

QOS = 1
LOT = 9
"""Messages of one sort under way at once: two lots are below the 20 that the client library sends without an answer."""
LARGEST_ACT_BYTES = 4096
LONGEST_ID = 100
MOST_ACTS, ACTS_WITHIN_S = 20, 10.0
MOST_INCOMING = 100
ACTOR = "mqtt"

Answer = Callable[[int | None, str | None], None]


class Link:
    """Everything between the outbox and the broker. `told` is what the tick loop hands over.

    `act` does an act on the daemon's loop and calls back from there; `lost` tells how many moments found no room.
    """

    def __init__(
        self,
        spec: MqttSpec,
        config: Config,
        outbox: Outbox,
        *,
        told: deque[Told],
        health: Health,
        act: Callable[[Act, Answer], None],
        run: str,
        pace: Pace,
        loop: asyncio.AbstractEventLoop,
        lost: Callable[[], int],
    ) -> None:
        self._spec, self._config, self._outbox, self._told, self._health = spec, config, outbox, told, health
        self._act, self._pace, self._loop, self._lost = act, pace, loop, lost
        self._news = News(config, spec, run, outbox.before)
        self._topics = self._news.topics
        self._about = m.as_json(about(config, spec, run))
        self._answers: deque[m.Answer] = deque(maxlen=MOST_INCOMING)
        self._acted: deque[float] = deque(maxlen=MOST_ACTS)
        self._rung, self._work, self._stop = asyncio.Event(), asyncio.Event(), asyncio.Event()
        self._stop_by = float("inf")
        self._sent = self._refused = 0
        self._problem = self._complained = ""
        self._denied = ""

    def wake(self) -> None:
        """There is something in `told`. From any thread."""
        with contextlib.suppress(RuntimeError):  # the thread has ended
            self._loop.call_soon_threadsafe(self._rung.set)

    def stop(self, within_s: float) -> None:
        """Send what is left and end. From any thread."""

        def end() -> None:
            self._stop_by = self._loop.time() + within_s
            self._stop.set()
            self._work.set()
            self._rung.set()

        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(end)

    async def run(self) -> None:
        """Until `stop`."""
        await self._until_opened()
        async with asyncio.TaskGroup() as group:
            others = [
                group.create_task(self._take_in(), name="mqtt news"),
                group.create_task(self._look(), name="mqtt health"),
            ]
            await self._keep_connected()
            for task in others:
                task.cancel()
        self._count()

    async def _until_opened(self) -> None:
        """What an earlier run has left comes before what this one tells; a card that hangs is not waited for long."""
        by = self._loop.time() + self._pace.answer_s
        while not self._outbox.opened.done() and not self._stop.is_set() and self._loop.time() < by:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self._pace.look_s):
                    await asyncio.shield(asyncio.wrap_future(self._outbox.opened))

    # ------------------------------------------------------------------------------------------------------ news

    async def _take_in(self) -> None:
        self._rung.set()
        while True:
            await self._rung.wait()
            self._rung.clear()
            self._take_told()

    def _take_told(self) -> None:
        while self._told:
            for each in self._news.take(self._told.popleft()):
                self._outbox.put(each.rank, each.topic, each.payload, each.stream)
            self._work.set()

    async def _look(self) -> None:
        while True:
            self._count()
            if self._outbox.failure is not None:
                raise RuntimeError("the outbox's thread has ended") from self._outbox.failure
            await asyncio.sleep(self._pace.look_s)

    def _count(self) -> None:
        health, dropped = self._health, self._outbox.dropped
        health.counters = {
            "waiting": self._outbox.waiting,
            "sent": self._sent,
            "dropped_telemetry": dropped[Rank.TELEMETRY] + self._lost(),
            "dropped_alerts": dropped[Rank.IMPORTANT],
            "refused_acts": self._refused,
        }
        notes = [*login_notes(self._spec), *self._outbox.notices]
        if self._denied:
            notes.append(self._denied)
        if dropped[Rank.IMPORTANT]:
            notes.append("alerts were dropped: there was no room for them while the broker was away")
        if dropped[Rank.TELEMETRY] or self._lost():
            notes.append("signals were dropped: there was no room for them while the broker was away")
        health.notes = tuple(notes)
        health.problem = self._problem or self._outbox.problem
        if health.problem != self._complained:
            if health.problem:
                _log.warning("%s: it is tried again", health.problem)
            else:
                _log.warning("the broker at %s:%d is told again", self._spec.host, self._spec.port)
            self._complained = health.problem

    # -------------------------------------------------------------------------------------------------- sessions

    async def _keep_connected(self) -> None:
        delay_s, jitter = self._pace.first_delay_s, random.Random(self._news.run)
        while not self._stop.is_set():
            began = self._loop.time()
            try:
                await self._session()
                return
            except* (aiomqtt.MqttError, LoginError) as errors:
                self._problem = why(errors, self._spec)
            self._health.state = "waiting"
            self._health.restarts += 1
            self._count()
            if self._loop.time() - began > self._pace.longest_delay_s:
                delay_s = self._pace.first_delay_s
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(delay_s * jitter.uniform(0.5, 1.0)):
                    await self._stop.wait()
            delay_s = min(delay_s * 2, self._pace.longest_delay_s)

    async def _session(self) -> None:
        """From connecting to the end of the connection; returns when the end was asked for."""
        client = self._client()
        try:
            async with client:
                self._outbox.rewind()
                async with asyncio.TaskGroup() as group:
                    hearing = group.create_task(self._listen(client), name="mqtt listening")
                    await self._speak(client)
                    hearing.cancel()
        finally:
            _let_go(client)

    def _client(self) -> aiomqtt.Client:
        spec, topics = self._spec, self._topics
        name, password, tls = login(spec)
        client = aiomqtt.Client(
            spec.host,
            spec.port,
            identifier=_identity(spec),
            username=name,
            password=password,
            tls_context=tls,
            will=aiomqtt.Will(topics.availability, _availability("offline", "lost"), QOS, retain=True),
            clean_session=True,
            logger=_library_log,
            keepalive=spec.keepalive_s,
            timeout=self._pace.answer_s,
            max_queued_incoming_messages=MOST_INCOMING,
        )
        client.pending_calls_threshold = 2 * LOT
        return client

    async def _speak(self, client: aiomqtt.Client) -> None:
        await self._publish(client, [(self._topics.availability, _availability("online", ""))], retain=True)
        await self._publish(client, [(self._topics.about, self._about)], retain=True)
        self._news.stale = set(self._news.retained)
        self._problem, self._health.state = "", "running"
        self._count()
        cleared = False
        while True:
            self._work.clear()
            if self._news.retained and not cleared:
                await self._clear(client)
                cleared = True
            while self._answers:
                await self._publish(client, [(self._topics.answer, m.as_json(self._answers.popleft()))])
            lot = self._outbox.lot(LOT)
            if isinstance(lot, Future):
                lot = await asyncio.wrap_future(lot)
                self._work.set()
            if lot or self._news.stale:
                await self._send(client, lot)
                self._work.set()
            if self._stop.is_set():
                self._take_told()
                if not self._work.is_set() or self._loop.time() >= self._stop_by:
                    break
            self._outbox.settle()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self._pace.look_s):
                    await self._work.wait()
        await self._publish(client, [(self._topics.availability, _availability("offline", "ended"))], retain=True)

    async def _publish(
        self, client: aiomqtt.Client, messages: Sequence[tuple[str, bytes]], *, retain: bool = False
    ) -> None:
        await asyncio.gather(*(client.publish(topic, payload, QOS, retain) for topic, payload in messages))

    async def _send(self, client: aiomqtt.Client, lot: list[Message]) -> None:
        """Send how alerts stand, and a lot in its order, all at once. Raises what kept any from being acknowledged."""
        news = self._news
        states = [(topic, news.retained[topic]) for topic in sorted(news.stale)[:LOT]]
        sending = [client.publish(topic, payload, QOS, retain=True) for topic, payload in states]
        sending += [client.publish(each.topic, each.payload, QOS) for each in lot]
        done = await asyncio.gather(*sending, return_exceptions=True)
        # one that was acknowledged after one that was not goes again, so that the order stays
        well = len(list(takewhile(lambda each: each is None, done[len(states) :])))
        self._outbox.acknowledged(lot[:well])
        self._sent += well
        for fault in done:
            if fault is not None:
                raise fault
        news.stale -= {topic for topic, payload in states if news.retained[topic] is payload}

    async def _clear(self, client: aiomqtt.Client) -> None:
        """Take from the broker what it keeps of rules that are gone."""
        wanted, there = frozenset(self._news.retained), self._outbox.retained
        self._outbox.keep(wanted | there)
        gone = sorted(there - wanted)
        for i in range(0, len(gone), LOT):
            await self._publish(client, [(topic, b"") for topic in gone[i : i + LOT]], retain=True)
        self._outbox.keep(wanted)

    # ------------------------------------------------------------------------------------------------------ acts

    async def _listen(self, client: aiomqtt.Client) -> None:
        """Take acts, if any are; and notice that the connection breaks."""
        if self._spec.accept_acts:
            codes = await client.subscribe(self._topics.act, QOS)
            refused = any(code if isinstance(code, int) else code.is_failure for code in codes if code not in (0, QOS))
            self._denied = f"the broker does not let us read {self._topics.act}: no acts are taken" if refused else ""
        async for message in client.messages:
            if not message.retain and isinstance(message.payload, bytes) and str(message.topic) == self._topics.act:
                self._asked(message.payload)

    def _asked(self, payload: bytes) -> None:
        """Do what a message asks for, or answer why not."""
        name: str | None = None
        try:
            if len(payload) > LARGEST_ACT_BYTES:
                raise ActError(f"{len(payload)} bytes; {LARGEST_ACT_BYTES} at most")
            now = time.monotonic()
            if len(self._acted) == MOST_ACTS and now - self._acted[0] < ACTS_WITHIN_S:
                raise ActError(f"more than {MOST_ACTS} acts within {ACTS_WITHIN_S:g} s; wait a little")
            self._acted.append(now)
            try:
                asked = json.loads(payload)
            except (ValueError, RecursionError) as error:
                raise ActError('no JSON; an act is an object: {"do": "quiet"}') from error
            if isinstance(asked, dict):
                given = asked.pop("id", None)
                name = given[:LONGEST_ID] if isinstance(given, str) else None
            act = act_from(asked, ACTOR)
        except ActError as error:
            self._answer(name, None, str(error))
            return
        self._act(act, lambda done, refused: self._later(name, done, refused))

    def _later(self, name: str | None, done: int | None, refused: str | None) -> None:
        """The answer, from the daemon's loop."""
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._answer, name, done, refused)

    def _answer(self, name: str | None, done: int | None, refused: str | None) -> None:
        self._refused += refused is not None
        self._answers.append(m.Answer(id=name, done=done, refused=refused))
        self._work.set()


def _availability(state: str, reason: str) -> bytes:
    return m.as_json(m.Availability(state=state, reason=reason))  # type: ignore[arg-type]


def _identity(spec: MqttSpec) -> str:
    """The same for every run on this machine; at most 23 letters and digits, which every broker takes.

    Source: OASIS MQTT 3.1.1, MQTT-3.1.3-5.
    """
    return "uphaul" + hashlib.sha256(f"{socket.gethostname()} {spec.prefix}".encode()).hexdigest()[:16]


def _let_go(client: aiomqtt.Client) -> None:
    """Close a connection that was given up half made: the broker may be frozen and find it later."""
    inner = client._client
    if inner.socket() is not None:
        inner.disconnect()
    # what broke it has been told; asked for whenever it comes, so that nothing complains that nobody did
    client._disconnected.add_done_callback(lambda broke: broke.cancelled() or broke.exception())
