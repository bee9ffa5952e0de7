"""Tells a broker what happens: takes the moments from the tick loop, and runs the connection in a thread of its own.

Theory of operation. `tell` is called with every moment; one without news costs about a microsecond, one with news is
appended to a queue, and nothing that has to arrive is ever dropped there. `run` starts two threads: the outbox's, which
keeps messages on the card, and the connection's, which has an event loop of its own (`mqtt_link`). The MQTT library
blocks while it looks up a name, connects and agrees on encryption; in its own thread that holds up neither ticks nor
the end of the daemon. Acts that come in are handed back to the daemon's loop.

Whatever the broker or the card do ends nothing: it is told in `health`, in the journal once, and tried again. An error
of our own goes up from `run`. As `run` is cancelled the connection has `END_S` to send what is left and to say that
this is the end, and the outbox `KEEP_S` to bring the rest to the card; the next start goes on with it.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import threading
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

from uphaul.alerts.lifecycle import Alert
from uphaul.config.spec import Config, MqttSpec
from uphaul.errors import UphaulError
from uphaul.outputs.health import Health
from uphaul.outputs.mqtt_news import ASIDE, Aside, Told
from uphaul.outputs.mqtt_pace import Pace
from uphaul.outputs.outbox import Outbox
from uphaul.people import Act, People
from uphaul.status import CheckView, Moment

if TYPE_CHECKING:
    from uphaul.outputs.mqtt_link import Link

__all__ = ["Mqtt"]

END_S = 0.5
KEEP_S = 0.3
MOST_TOLD = 1000
"""Moments that wait for the connection's thread before those with signals alone are dropped: a quarter of an hour."""
NEVER_BEFORE = -1


class Mqtt:
    """One broker. Making it touches nothing and imports no MQTT library; `run` does.

    `outbox_path` is the outbox's file (beside the log; None: memory only). `alerts` gives every alert as it stands: it
    is asked at the first moment of the daemon and of every drive for those that are out of sight. `health` tells how
    it is doing: counters `waiting`, `sent`, `dropped_telemetry`, `dropped_alerts`, `refused_acts`. `pace` and `outbox`
    are for tests.
    """

    def __init__(
        self,
        spec: MqttSpec,
        config: Config,
        outbox_path: Path | None,
        people: People,
        *,
        alerts: Callable[[], Sequence[Alert]] = tuple,
        pace: Pace = Pace(),  # noqa: B008  (frozen)
        outbox: Outbox | None = None,
    ) -> None:
        self.name = "mqtt"
        self.health = Health()
        self.run_id = secrets.token_hex(8)
        self._spec, self._config, self._people, self._alerts, self._pace = spec, config, people, alerts, pace
        self._outbox = outbox or Outbox(
            outbox_path, limit_bytes=spec.outbox_mb * 1_000_000, settle_s=pace.settle_s, flush_s=pace.flush_s
        )
        self._told: deque[Told] = deque()
        self._lost = 0
        self._due_ms = 0
        self._drive: int | None = NEVER_BEFORE
        self._check: CheckView | None = None
        self._link: Link | None = None
        self._main: asyncio.AbstractEventLoop | None = None

    def tell(self, moment: Moment) -> None:
        """Take in one tick; returns at once. Call it with every moment, in order, from the loop that `run` is on."""
        due, fresh = moment.now_ms >= self._due_ms, moment.drive != self._drive
        news = (
            fresh or moment.changed or moment.events or moment.notices or moment.news or moment.check is not self._check
        )
        self._check = moment.check
        if due:
            self._due_ms = (moment.now_ms // self._spec.telemetry_ms + 1) * self._spec.telemetry_ms
        elif not news:
            return
        if len(self._told) >= MOST_TOLD and not news:
            self._lost += 1
            return
        aside = None
        if fresh:
            self._drive = moment.drive
            aside = tuple(Aside(a.rule.name, a.state, a.raises) for a in self._alerts() if a.state in ASIDE)
        self._told.append(Told(moment, due, aside))
        if self._link is not None:
            self._link.wake()

    async def run(self) -> None:
        """Keep telling until cancelled. Raises only for an error of our own."""
        self._main = asyncio.get_running_loop()
        ended: asyncio.Future[None] = self._main.create_future()
        thread = threading.Thread(target=self._live, args=(self._main, ended), name="mqtt", daemon=True)
        self._outbox.start()
        thread.start()
        try:
            await asyncio.shield(ended)
        finally:
            if self._link is not None:
                self._link.stop(END_S)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(END_S):
                    await asyncio.wait([ended])
            await asyncio.to_thread(self._outbox.close, KEEP_S)
            self.health.state = "ended"

    # ------------------------------------------------------------------------------------------- acts, on the loop

    def _act(self, act: Act, answer: Callable[[int | None, str | None], None]) -> None:
        """Do what somebody asked for by message, and answer."""
        try:
            answer(self._people.do(act), None)
        except UphaulError as error:
            answer(None, str(error))

    # ------------------------------------------------------------------------------------- the connection's thread

    def _live(self, main: asyncio.AbstractEventLoop, ended: asyncio.Future[None]) -> None:
        failure: BaseException | None = None
        try:
            from uphaul.outputs.mqtt_link import Link  # its library costs memory, and only who has a broker pays

            def act(act: Act, answer: Callable[[int | None, str | None], None]) -> None:
                with contextlib.suppress(RuntimeError):  # the daemon is ending
                    main.call_soon_threadsafe(self._act, act, answer)

            with asyncio.Runner() as runner:
                loop = runner.get_loop()
                loop.set_default_executor(_Impatient())
                self._link = Link(
                    self._spec,
                    self._config,
                    self._outbox,
                    told=self._told,
                    health=self.health,
                    act=act,
                    run=self.run_id,
                    pace=self._pace,
                    loop=loop,
                    lost=lambda: self._lost,
                )
                runner.run(self._link.run())
        except BaseException as error:
            failure = error

        def tell() -> None:
            if not ended.done():
                if failure is None:
                    ended.set_result(None)
                else:
                    ended.set_exception(failure)

        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody is left to be told
            main.call_soon_threadsafe(tell)


class _Impatient(ThreadPoolExecutor):
    """Runs each call in a thread that nobody waits for as the process ends: a look-up of a name may take minutes."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Begin the call at once."""
        future: Future[Any] = Future()

        def work() -> None:
            if not future.set_running_or_notify_cancel():
                return
            try:
                future.set_result(fn(*args, **kwargs))
            except BaseException as error:
                future.set_exception(error)

        threading.Thread(target=work, name="mqtt connect", daemon=True).start()
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Nothing is waited for."""
