"""Starts, owns and stops everything: the one task group of the daemon.

Theory of operation. `App.run` opens the log, takes up a drive that a restart broke off, and runs until `stop` is
called: one task a source, one for the ticks, and the page's server. The tick task waits for the clock's next grid
time, runs one tick, and tells systemd that a tick was finished; a tick that comes too late is skipped, never made up
for. Stopping ends the drive and gives the log a deadline. An error that nobody expected ends the process, and systemd
starts it again. A page whose port is taken is no such error: it is told, and tried again while the drive goes on.
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING

from uphaul.alerts.cause import cause_of
from uphaul.clock import Clock
from uphaul.config.spec import Config
from uphaul.errors import LogError, UphaulError
from uphaul.housekeeping import WallClock, log_notices, log_view, power_cut
from uphaul.hub import Hub
from uphaul.journal import Journal
from uphaul.live import Live, pick_up
from uphaul.log.reader import Log
from uphaul.log.writer import LogWriter
from uphaul.notify import Notifier
from uphaul.outputs.health import Health as OutputHealth
from uphaul.people import People
from uphaul.present import Presenter
from uphaul.rules import Condition
from uphaul.signals import Collector, Sample
from uphaul.sources.base import Health as SourceHealth
from uphaul.sources.base import WallTime, supervise
from uphaul.sources.make import make_source
from uphaul.sources.on_request import OnRequest
from uphaul.status import Moment, SourceView, Status
from uphaul.web.access import Access, store_path
from uphaul.web.acting import add_acting
from uphaul.web.check import add_check
from uphaul.web.pairing import add_access
from uphaul.web.sensors import add_sensors
from uphaul.web.server import keep_trying, make_app, serve
from uphaul.web.state import WebState

if TYPE_CHECKING:
    from aiohttp.web import Application

    from uphaul.alerts.lifecycle import Alert
    from uphaul.outputs.mqtt import Mqtt
    from uphaul.outputs.panel import Panel

__all__ = ["App"]

_log = logging.getLogger("uphaul")

MOST_UNTOLD = 400
"""Moments that wait for an output: 20 s of them."""
CLOSE_S = 1.2
"""The log's share of the two seconds that the daemon has to end."""
ANCHOR_EVERY_MS = 600_000
UNDER_WAY = "Field check under way: listen"
"""All that the driver's page shows of one."""
SLOW_MS = 60_000
"""A tick that was left out is told of for so long."""


class App:
    """The daemon on one configuration. `log_path` None logs nothing; `ready` is told the page's port (0: no page).

    `heard` is told every change of a condition as it happens, and of a lost signal why. With `needs_page` there is no
    start without the page; else a port that is taken is tried again later.
    """

    def __init__(
        self,
        config: Config,
        log_path: Path | None,
        *,
        clock: Clock | None = None,
        boot_id: str | None = None,
        ready: Callable[[int], None] | None = None,
        heard: Callable[[Condition, str], None] | None = None,
        needs_page: bool = False,
    ) -> None:
        self._config = config
        self._log_path = log_path
        self._clock = clock or Clock()
        self._boot_id = boot_id or Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        self._ready = ready
        self._heard = heard
        self._needs_page = needs_page
        self._page = "no page"
        self._stop = asyncio.Event()
        tune = config.tune_input
        self.collector = Collector(
            config.signals,
            config.tunes,
            tune_signal=None if tune is None else tune.signal,
            tune_reading=None if tune is None else tune.reading(config.tunes),
        )
        self._sources = [make_source(spec, config, self._clock) for spec in config.sources]
        self._inputs = OnRequest(config, self._clock, self._sources)
        self._journal = Journal(self._sources)
        self._notifier = Notifier()
        self._writer: LogWriter | None = None
        self._live = Live(config, self.collector, None, self._boot_id)
        self._presenter = Presenter(config, self._live, self._clock.now_ms, speed=lambda: self._clock.speed)
        live = self._live
        self._people = People(config, self.collector, lambda: live.alerts, driving=lambda: live.drive is not None)
        self._hub: Hub[Moment] = Hub()
        self._web = WebState(self.status)
        self._access = None if log_path is None else Access(store_path(log_path), config.web.look)
        self._panel = _panel(config, self._people)
        self._mqtt = _mqtt(config, log_path, self._people, lambda: self._live.alerts)
        self._wall_clock = WallClock()
        self._anchored_ms = 0
        self._told: dict[str, WallTime] = {}
        self.skipped_ticks = 0
        self._skipped_ms = 0.0

    def stop(self) -> None:
        """Ask `run` to end; returns at once."""
        self._stop.set()

    async def run(self) -> None:
        """Run until `stop`. Raises UphaulError when the log (or a page that is needed) cannot be had at the start."""
        if self._log_path is not None:
            self._writer = LogWriter(self._log_path, limits=self._config.log)
            self._live.record_to(self._writer)
        try:
            self._take_up()
            async with contextlib.AsyncExitStack() as stack:
                web = self._config.web
                port = await self._serve(stack) if web.host else 0
                async with asyncio.TaskGroup() as group:
                    tasks = [group.create_task(self._tick_loop(), name="ticks")]
                    for i, source in enumerate(self._sources):
                        run = supervise(source, self._take, seed=i)
                        tasks.append(group.create_task(run, name=f"source {source.name}"))
                    if self._panel is not None:
                        told = self._hub.subscribe(MOST_UNTOLD, name="panel")
                        tasks.append(group.create_task(self._panel.run(told), name="panel"))
                    if self._mqtt is not None:
                        tasks.append(group.create_task(self._mqtt.run(), name="mqtt"))
                    if web.host and not port:
                        later = keep_trying(self._web_app, web.host, web.port, self._page_told)
                        tasks.append(group.create_task(later, name="page"))
                    if self._ready is not None:
                        self._ready(port)
                    await self._stop.wait()
                    self._notifier.stopping()
                    self._hub.close()
                    self._live.stop("daemon stopped")
                    for task in tasks:
                        task.cancel()
        finally:
            if self._writer is not None and not await asyncio.to_thread(self._writer.close, CLOSE_S):
                left = self._writer.health
                lost = left.pending_ticks + left.lost_ticks
                _log.error(
                    "the log could not be finished (%s): %d ticks are lost", left.problem or "no time left", lost
                )

    def _take(self, samples: Sequence[Sample]) -> None:
        self.collector.add(samples)
        self._inputs.take(samples)

    def _web_app(self) -> Application:
        web = self._config.web
        app = make_app(self._web, access=self._access)
        invented = any(s.kind == "demo" for s in self._config.sources)  # the readings, whatever the vehicle is called
        add_sensors(app, self._inputs.rows, self._config.vehicle.name, invented=invented)
        live = self._live
        add_check(
            app,
            lambda: live.check,
            self._config.vehicle.name,
            invented=invented,
            driving=lambda: live.drive is not None,
            may_act=lambda request: self._access is not None and self._access.actor(request) is not None,
        )
        if self._access is not None:
            add_access(app, self._access, host=web.host, names=web.names)
            add_acting(app, self._access, self._people.do)
        return app

    async def _serve(self, stack: contextlib.AsyncExitStack) -> int:
        """Serve the page; its port, or 0 where that must wait."""
        web = self._config.web
        try:
            port = await stack.enter_async_context(serve(self._web_app(), web.host, web.port))
        except UphaulError as error:
            if self._needs_page:
                raise
            self._page_told(0, str(error))
            return 0
        self._page = f"page on http://{web.host}:{port}/"
        return port

    def _page_told(self, port: int, problem: str) -> None:
        """Tell the journal and the service manager whether there is a page; the same trouble only once."""
        before = self._page
        self._page = f"page on http://{self._config.web.host}:{port}/" if port else f"no page: {problem}"
        if self._page == before:
            return
        if port:
            _log.warning("the %s is there now", self._page)
        else:
            _log.warning("%s. Watching and logging go on without the page, and it is tried again.", problem)
        self._notifier.status(self._page)

    def _take_up(self) -> None:
        """Go on with the drive that the log was left with, or note which one the next drive continues."""
        live = self._live
        left = None if self._writer is None else self._writer.open_drive
        if left is None or self._log_path is None:
            return
        if left.boot_id != self._boot_id:
            live.continue_from(left.drive)
            return
        last_ms = left.began_boot_ms + (left.last_t_ms or 0)
        if not 0 <= self._clock.now_ms() - last_ms < max(self._config.drive.hold_ms, 1):
            return
        try:
            with Log.open(self._log_path) as log:
                carried, blocks = pick_up(log, left.drive, self._config)
        except LogError as error:  # damaged: the writer will set it aside; the drive begins anew rather than not at all
            _log.error("%s: drive %d cannot be gone on with, another is begun", error, left.drive)
            live.continue_from(left.drive)
            return
        live.resume(
            left.drive,
            left.began_boot_ms,
            last_ms,
            carried,
            blocks,
            taken_up=lambda piece: self._presenter.take_up(piece, live.applies),
        )

    async def _tick_loop(self) -> None:
        tick_ms = 1000 // self._config.tick_hz
        n = ceil(self._clock.now_ms() / tick_ms) + 1
        while True:
            await self._clock.sleep_until(n * tick_ms)
            late = int(self._clock.now_ms() // tick_ms) - n
            if late > 0:
                self.skipped_ticks += late
                self._skipped_ms = self._clock.now_ms()
                n += late
            self._one_tick(n * tick_ms)
            n += 1

    def _one_tick(self, now_ms: int) -> None:
        if self._writer is not None and self._writer.failure is not None:
            raise RuntimeError("the log's thread has ended") from self._writer.failure
        live = self._live
        wall = datetime.datetime.now(datetime.UTC)
        utc = wall.isoformat(timespec="milliseconds")
        begun = live.drive
        for source in self._sources:
            self.collector.notes(source.name, source.health.notes)
        outcome = live.tick(now_ms, utc)
        if self._heard is not None:
            for change in outcome.conditions:
                rule = self._config.rules[change.rule]
                self._heard(change, cause_of(rule, self._config.signals, live.qualities, self._config.computed))
        self._tell(self._presenter.moment(outcome, now_ms, utc))
        self._anchor(now_ms, wall, fresh=live.drive != begun)
        self._anchor_by_sources(now_ms, fresh=live.drive != begun)
        self._journal.look(None if self._writer is None else self._writer.health)
        if live.ticks == 1:
            self._notifier.ready(self._page)
        self._notifier.watchdog()

    def _tell(self, moment: Moment) -> None:
        """Let the outputs know of a finished tick; none of them can hold it up."""
        self._hub.publish(moment)
        if self._mqtt is not None:
            self._mqtt.tell(moment)
        self._web.ticked()
        if moment.changed or moment.sound or moment.events or moment.news:
            self._web.nudge()

    def _anchor(self, now_ms: int, wall: datetime.datetime, *, fresh: bool) -> None:
        """Note the wall clock beside the drive's time: at its start, every ten minutes, and when it steps."""
        live = self._live
        stepped = self._clock.speed == 1 and self._wall_clock.look(now_ms, wall.timestamp() * 1000)
        if live.drive is None or self._writer is None or live.block is None:
            return
        if fresh or stepped or now_ms - self._anchored_ms >= ANCHOR_EVERY_MS:
            self._writer.anchor(int(live.block.t_ms[0]), wall.isoformat(timespec="milliseconds"), "system")
            self._anchored_ms = now_ms

    def _anchor_by_sources(self, now_ms: int, *, fresh: bool) -> None:
        """Note the time that a source has told beside this tick's; a new drive takes the one that was told last."""
        live = self._live
        for source in self._sources:
            told = source.anchors[-1] if source.anchors else self._told.get(source.name) if fresh else None
            source.anchors.clear()
            if told is None or now_ms - told.t_ms > ANCHOR_EVERY_MS:
                continue
            self._told[source.name] = told
            if live.drive is not None and self._writer is not None and live.block is not None:
                utc = told.utc + datetime.timedelta(milliseconds=now_ms - told.t_ms)
                self._writer.anchor(int(live.block.t_ms[0]), utc.isoformat(timespec="milliseconds"), told.source)

    def status(self) -> Status:
        """What the page shows now."""
        told = self._presenter.status()
        sources = tuple(_view(s.name, s.health) for s in self._sources)
        outputs = tuple(o for o in (self._panel, self._mqtt) if o is not None)
        late = self.skipped_ticks
        lately = late and self._clock.now_ms() - self._skipped_ms < SLOW_MS * self._clock.speed
        slow = (f"The computer is too slow for it: {late} ticks left out since the start",) if lately else ()
        notes = tuple(f"{part.name}: {note}" for part in (*self._sources, *outputs) for note in part.health.notes)
        tune = self._live.tune_note
        check = (UNDER_WAY,) if self._live.check is not None and self._live.check.running else ()
        asks = (f"{tune[0].upper()}{tune[1:]}: choose it anew, this one or another",) if tune else ()
        writer = self._writer
        health = None if writer is None else writer.health
        return replace(
            told,
            sources=sources,
            outputs=tuple(_view(o.name, o.health) for o in outputs),
            log=log_view(health, driving=self._live.drive is not None),
            notices=log_notices(health, self._config.log) + told.notices + check + asks + slow + notes,
            clock=self._wall_clock.words(self._clock.now_ms(), self._told.values()),
            power_cut="" if writer is None else power_cut(writer.open_drive, writer.broken_off, self._boot_id),
        )


def _panel(config: Config, people: People) -> Panel | None:
    if config.panel is None:
        return None
    from uphaul.outputs.panel import Panel  # what isn't configured costs no memory

    return Panel(config.panel, people)


def _mqtt(
    config: Config, log_path: Path | None, people: People, alerts: Callable[[], tuple[Alert, ...]]
) -> Mqtt | None:
    if config.mqtt is None:
        return None
    from uphaul.outputs.mqtt import Mqtt

    outbox = None if log_path is None else log_path.with_name(f"{log_path.stem}.outbox")
    return Mqtt(config.mqtt, config, outbox, people, alerts=alerts)


def _view(name: str, health: SourceHealth | OutputHealth) -> SourceView:
    return SourceView(name, health.state, health.problem, health.restarts)
