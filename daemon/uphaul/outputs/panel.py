"""The dash panel: plays on buzzer and lamp what the driver is to know, and brings the button's presses to `People`.

Theory of operation. The lines are driven by a thread of the panel's own, so that the rhythms go on, and "no news" is
told, also when the event loop is held up; it waits for edges of the button, for news, and for the next change of a
rhythm, whichever comes first. `run`, on the event loop, hands it the moments and takes presses from it. What the lines
do is decided in `panel_sounds`, what a press means in `button`.

The thread opens the lines and keeps them. A chip that is not there, is busy or goes is tried again with jittered,
doubling back-off (1 s to 30 s) and named in `health` and once in the journal; what is told meanwhile is kept and shows
as soon as the lines are there. What no retry can mend (no library, no such line) ends the panel and nothing else.

When `run` ends, for whatever reason, both lines are switched off. If the process dies, the kernel takes the lines back,
and the resistor at the transistor switches them off.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import random
import select
import threading
import time
from collections import deque
from collections.abc import Callable

from uphaul.config.spec import PanelSpec
from uphaul.hub import Subscription
from uphaul.outputs.button import Button, Press
from uphaul.outputs.health import Health
from uphaul.outputs.panel_lines import Opener, PanelError, PanelLines, open_lines
from uphaul.outputs.panel_sounds import Player, trial
from uphaul.people import Act, ActError, People
from uphaul.status import Moment

__all__ = ["ACTOR", "Panel", "play_trial"]

_log = logging.getLogger("uphaul.panel")

ACTOR = "button"
NS_PER_MS = 1_000_000
LOOK_MS = 5000
"""The lines are set again so often, so that a chip that went silently is noticed."""
REST_MS = 10
END_S = 1.0
"""How long the thread may take to end; a chip behind a slow bus may hold it."""
STUCK = "the button has been held for over 10 s: stuck, or its wire is shorted"
GONE = select.POLLHUP | select.POLLERR | select.POLLNVAL


class Panel:
    """Buzzer, lamp and button of one vehicle. Making it touches nothing; `run` does.

    `health` tells how it is doing. `open_lines`, `monotonic_ns` (CLOCK_MONOTONIC, as the kernel stamps edges) and the
    delays are for tests.
    """

    def __init__(
        self,
        spec: PanelSpec,
        people: People,
        *,
        open_lines: Opener = open_lines,
        monotonic_ns: Callable[[], int] = time.monotonic_ns,
        first_delay_s: float = 1.0,
        longest_delay_s: float = 30.0,
        seed: int = 0,
    ) -> None:
        self.name = "panel"
        self.health = Health()
        self._spec, self._people = spec, people
        self._open_lines, self._now_ns = open_lines, monotonic_ns
        self._first_delay_s, self._longest_delay_s = first_delay_s, longest_delay_s
        self._jitter = random.Random(seed)
        self._news: deque[tuple[int, Moment]] = deque()
        self._confirms: deque[int] = deque()
        self._heard_ms = 0
        self._ending = False
        self._wake_fd = -1
        self._complained = ""

    async def run(self, subscription: Subscription[Moment]) -> None:
        """Play what `subscription` brings until it ends or the panel can't be had at all; off when this ends."""
        loop = asyncio.get_running_loop()
        ended: asyncio.Future[None] = loop.create_future()
        self._heard_ms = self._now_ms()
        self._ending = False
        self._wake_fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        thread = threading.Thread(target=self._live, args=(loop, ended), name="panel", daemon=True)
        thread.start()
        follow = loop.create_task(self._follow(subscription), name="panel moments")
        try:
            done, _ = await asyncio.wait({follow, ended}, return_when=asyncio.FIRST_COMPLETED)
            for each in done:
                each.result()  # what was unexpected goes up
        finally:
            follow.cancel()
            subscription.close()
            self._ending = True
            self._wake()
            await asyncio.to_thread(thread.join, END_S)
            fd, self._wake_fd = self._wake_fd, -1
            if not thread.is_alive():  # else it may still wait on it
                os.close(fd)
            self.health.state = "ended"

    def _now_ms(self) -> int:
        return self._now_ns() // NS_PER_MS

    # ------------------------------------------------------------------------------------------ on the event loop

    async def _follow(self, subscription: Subscription[Moment]) -> None:
        standing: object = None
        async for moment in subscription:
            now_ms = self._heard_ms = self._now_ms()
            # the same tuple stands until an alert changes: most ticks say nothing new, and wake nobody
            if moment.standing is not standing or moment.sound or moment.notices or moment.news:
                standing = moment.standing
                self._news.append((now_ms, moment))
                self._wake()

    def _wake(self) -> None:
        if self._wake_fd >= 0:
            os.eventfd_write(self._wake_fd, 1)

    def _act(self, press: Press) -> None:
        """Do what the button was pressed for, and let the driver know if nothing else does.

        A press that quiets something is answered by the quiet; one that finds nothing to quiet by a tick, so that the
        driver knows that the button works.
        """
        try:
            if press is Press.MARK:
                self._people.mark(ACTOR)
            elif self._people.do(Act(None, ACTOR)):
                return
        except ActError as error:
            _log.warning("the button: %s", error)
            return
        self._confirms.append(self._now_ms())
        self._wake()

    # --------------------------------------------------------------------------------------------- in the thread

    def _live(self, loop: asyncio.AbstractEventLoop, ended: asyncio.Future[None]) -> None:
        failure: BaseException | None = None
        try:
            self._keep(loop)
        except BaseException as error:
            failure = error

        def tell() -> None:
            if ended.done():
                return
            if failure is None:
                ended.set_result(None)
            else:
                ended.set_exception(failure)

        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody is left to be told
            loop.call_soon_threadsafe(tell)

    def _keep(self, loop: asyncio.AbstractEventLoop) -> None:
        """Open the lines, play, and open them again when they go."""
        player = Player(self._now_ms())
        delay_s, tested = self._first_delay_s, False
        while not self._ending:
            opened_ns = None
            try:
                with contextlib.closing(self._open_lines(self._spec)) as lines:
                    opened_ns = self._now_ns()
                    self._well()
                    if not tested:
                        player.test(self._now_ms())
                        tested = True
                    self._play(lines, player, loop)
                return
            except PanelError as error:
                self._complain(str(error))
                if not error.retry:
                    self.health.state = "ended"
                    return
                if opened_ns is not None and self._now_ns() - opened_ns > self._longest_delay_s * 1e9:
                    delay_s = self._first_delay_s
            self.health.state = "waiting"
            self.health.restarts += 1
            self._wait(delay_s * self._jitter.uniform(0.5, 1.0), player)
            delay_s = min(delay_s * 2, self._longest_delay_s)

    def _play(self, lines: PanelLines, player: Player, loop: asyncio.AbstractEventLoop) -> None:
        """Play until the end is asked for. Raises PanelError when the lines have gone."""
        button = Button(pressed=lines.pressed(), now_ns=self._now_ns())
        poll = select.poll()
        poll.register(self._wake_fd, select.POLLIN)
        poll.register(lines.fd, select.POLLIN)
        shown, shown_ms = None, 0
        while not self._ending:
            now_ns = self._now_ns()  # before the edges are taken: none that came before it is missed
            edges = lines.edges()
            presses = [press for edge in edges for press in button.edge(edge.t_ns, pressed=edge.pressed)]
            presses += button.step(now_ns)
            for press in presses:
                with contextlib.suppress(RuntimeError):  # the loop is closed: all ends
                    loop.call_soon_threadsafe(self._act, press)
            self.health.problem = STUCK if button.stuck else ""
            self._take_in(player)
            now_ms = self._now_ms()
            wanted, look_ms = player.step(now_ms)
            if wanted != shown or now_ms - shown_ms >= LOOK_MS:
                lines.set(wanted)
                shown, shown_ms = wanted, now_ms
            due_ms = min(look_ms, shown_ms + LOOK_MS)
            if button.due_ns is not None:
                due_ms = min(due_ms, button.due_ns // NS_PER_MS + 1)
            if edges:  # a while without asking for more: noise on an open input must not take the processor
                due_ms = min(due_ms, now_ms + REST_MS)
            poll.modify(lines.fd, 0 if edges else select.POLLIN)
            for fd, event in poll.poll(max(due_ms - now_ms, 0)):
                if fd == self._wake_fd:
                    self._woken()
                elif event & GONE:
                    raise lines.gone()

    def _take_in(self, player: Player) -> None:
        while self._news:
            at_ms, moment = self._news.popleft()
            player.tell(moment, at_ms)
        while self._confirms:
            player.confirm(self._confirms.popleft())
        player.heard(self._heard_ms)

    def _wait(self, seconds: float, player: Player) -> None:
        """Until then, or until the end is asked for; what is told is taken in meanwhile."""
        until_ns = time.monotonic_ns() + round(seconds * 1e9)
        poll = select.poll()
        poll.register(self._wake_fd, select.POLLIN)
        while not self._ending and (left_ns := until_ns - time.monotonic_ns()) > 0:
            if poll.poll(left_ns / NS_PER_MS):
                self._woken()
            self._take_in(player)

    def _woken(self) -> None:
        with contextlib.suppress(BlockingIOError):
            os.eventfd_read(self._wake_fd)

    # ------------------------------------------------------------------------------------------------------ words

    def _well(self) -> None:
        self.health.state, self.health.problem = "running", ""
        if self._complained:
            self._complained = ""
            _log.warning("the panel on %s is there now", self._spec.chip)

    def _complain(self, problem: str) -> None:
        self.health.problem = problem
        if problem != self._complained:
            self._complained = problem
            _log.warning("%s. Watching and logging go on without buzzer, lamp and button.", problem)


def play_trial(
    spec: PanelSpec, word: str, *, open_lines: Opener = open_lines, wait: Callable[[float], None] = time.sleep
) -> None:
    """Play what `word` of `panel_sounds.TRIALS` stands for, and return.

    Raises PanelError when the lines can't be had.
    """
    with contextlib.closing(open_lines(spec)) as lines:
        at_ms = 0
        wanted, then_ms = trial(word, at_ms)
        while then_ms is not None:
            lines.set(wanted)
            wait((then_ms - at_ms) / 1000.0)
            at_ms = then_ms
            wanted, then_ms = trial(word, at_ms)
