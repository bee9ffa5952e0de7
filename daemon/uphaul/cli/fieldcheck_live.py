"""``uphaul fieldcheck --config DIR``: leads through the check in a terminal while it is driven, for the passenger.

Theory of operation. Where a daemon records to the configuration's log, the terminal takes a seat at it, and leaves the
check running when it goes. Where none does, the daemon is run here, and ends with the command. Either way the daemon
does all that counts (`fieldcheck_seat`): this module asks it twice a second, prints what it has to say, and sends what
is typed.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import shutil
import signal
import sys
from collections import deque
from collections.abc import AsyncIterator
from dataclasses import dataclass, replace
from math import ceil
from pathlib import Path
from typing import Any

import click

from uphaul.app import App
from uphaul.cli.fieldcheck_seat import Seat
from uphaul.cli.pair import check_user
from uphaul.cli.run import DEFAULT_LOG
from uphaul.config import load
from uphaul.config.spec import Config
from uphaul.errors import UphaulError
from uphaul.log.claims import recorded_elsewhere

__all__ = ["show"]

LOOK_S = 0.5
BEGIN_WITHIN_S = 10.0
HERE = "127.0.0.1"
ANY_HOST = ("", "0.0.0.0", "::")
GOOD = ("passed", "skipped", "not needed")
HELP = 'Type "skip" and a reason to leave the step out, "end" to end the check.'
LONGEST_TYPED = 4096


@dataclass(slots=True)
class _Asked:
    """What the command was called with. `name` confirms the cautions, empty: it is asked for."""

    name: str
    as_json: bool
    own: bool


def show(directory: Path, log: Path | None, *, name: str, port: int | None, as_json: bool) -> bool:
    """Lead through the check until it is over; whether nothing in it failed or was left undone. Raises UphaulError."""
    logging.basicConfig(format="%(levelname)s %(name)s: %(message)s", level=logging.WARNING)
    config = load(directory)
    path = log or config.log.path or directory / DEFAULT_LOG
    check_user(path, f"fieldcheck --config {directory} --log {path}")
    if recorded_elsewhere(path):
        return asyncio.run(_attached(config, path, port, _Asked(name, as_json, own=False)))
    if config.field_check is None:
        raise UphaulError(f"{directory}: has no fieldcheck.toml with a step in it; config/ has a complete one")
    return asyncio.run(_own(config, path, _Asked(name, as_json, own=True)))


async def _attached(config: Config, path: Path, port: int | None, asked: _Asked) -> bool:
    """At the daemon that is running."""
    web = config.web
    if not web.host:
        raise UphaulError(f"{path}: a daemon records to it without a page ([web] host is empty): end it first")
    if not (port or web.port):
        raise UphaulError("daemon.toml: web.port = 0: the daemon takes any free port and tells it: name it with --port")
    async with Seat(f"http://{HERE if web.host in ANY_HOST else web.host}:{port or web.port}", path) as seat:
        return await _Lead(seat, asked).run()


async def _own(config: Config, path: Path, asked: _Asked) -> bool:
    """At a daemon of our own, which ends with us; a configuration without a page gets one for this machine alone."""
    bound: asyncio.Future[int] = asyncio.get_running_loop().create_future()
    web = config.web if config.web.host else replace(config.web, host=HERE, port=0)
    app = App(replace(config, web=web), path, ready=bound.set_result, needs_page=True)
    running = asyncio.create_task(app.run(), name="daemon")
    leading: asyncio.Task[bool] | None = None
    try:
        either: set[asyncio.Future[Any]] = {running, bound}
        await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
        if bound.done():
            url = f"http://{HERE if web.host in ANY_HOST else web.host}:{bound.result()}"
            leading = asyncio.create_task(_seated(url, path, asked), name="terminal")
            either = {running, leading}
            await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
    finally:
        app.stop()
        if leading is not None and not leading.done():
            leading.cancel()
        await running
    assert leading is not None
    return await leading


async def _seated(url: str, path: Path, asked: _Asked) -> bool:
    async with Seat(url, path) as seat:
        return await _Lead(seat, asked).run()


class _Lead:
    """Leads through one check from a seat."""

    def __init__(self, seat: Seat, asked: _Asked) -> None:
        self._seat, self._asked = seat, asked
        self._stop = asyncio.Event()
        self._typed: deque[str] = deque()
        self._typing = True
        self._heard = 0
        self._ending = False
        self._step = ""
        self._silent = False
        self._line = ""

    async def run(self) -> bool:
        """Until the check is over."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, self._stop.set)
        async with self._reading():
            told = await self._answer()
            check = told["check"]
            if check is None:
                raise UphaulError(
                    "the daemon's configuration has no field check: fieldcheck.toml says what one asks for"
                )
            if told["invented"]:
                self._say("Invented demo data: no real vehicle, person or place.")
            self._say(check["title"])
            if check["running"]:
                self._say(f"It is under way; the cautions were confirmed by {check['confirmed_by']}.")
                self._heard = check["said"]
            elif not await self._begin(check):
                return False
            return await self._follow()

    # ------------------------------------------------------------------------------------------------ beginning

    async def _begin(self, check: dict[str, Any]) -> bool:
        """Have the cautions confirmed and begin as soon as there is a drive; False: it was not to be."""
        self._say("Before anybody drives:")
        for caution in check["cautions"]:
            self._say(f"  - {caution}")
        name = self._asked.name or await self._ask_name()
        if not name:
            return False
        if not (await self._answer())["driving"]:
            self._say("Switch the ignition on: a check is kept with its drive.")
        while not self._stop.is_set():
            told = await self._answer()
            if told["driving"]:
                self._heard = told["check"]["said"]
                problem = await self._seat.act(do="check-begin", text=name)
                if problem:
                    raise UphaulError(problem)
                return await self._begun()
            await self._pause()
        return False

    async def _begun(self) -> bool:
        """Whether it is under way, which takes a tick."""
        try:
            async with asyncio.timeout(BEGIN_WITHIN_S):
                while not (await self._answer())["check"]["running"]:
                    await self._pause(0.1)
        except TimeoutError:
            raise UphaulError("the check did not begin: the daemon's page tells how the drive stands") from None
        return True

    async def _ask_name(self) -> str:
        self._say("Name of the one who has read this and sees to it, then Enter:")
        while not self._stop.is_set():
            if self._typed:
                name = self._typed.popleft().strip()
                if name:
                    return name
            elif not self._typing:
                raise UphaulError("nobody confirmed the cautions: name the one who sees to them with --by NAME")
            await self._pause(0.1)
        return ""

    # ------------------------------------------------------------------------------------------------- following

    async def _follow(self) -> bool:
        leave = "Ctrl-C " + ("ends check and daemon." if self._asked.own else "leaves it running at the daemon.")
        self._say(f"For the passenger: the driver looks at the road and listens. {HELP} {leave}")
        while True:
            told = await self._answer()
            check = told["check"]
            if check is None:
                raise UphaulError("the daemon has started again without a field check")
            news = check["news"][-(check["said"] - self._heard) :] if check["said"] > self._heard else []
            self._heard = check["said"]
            self._tell(news, check)
            if not check["running"]:
                return await self._over(check)
            if any(n["kind"] == "done" for n in news):
                await self._act(do="check-end")
            if self._stop.is_set() and not self._asked.own:
                self._say("It goes on at the daemon; the same command takes a seat again.")
                return False
            if self._stop.is_set() and not self._ending:
                self._ending = True
                await self._act(do="check-end")
            self._show_state(check)
            while self._typed:
                await self._obeyed(self._typed.popleft(), check)
            await self._pause()

    def _tell(self, news: list[dict[str, Any]], check: dict[str, Any]) -> None:
        for each in news:
            if self._asked.as_json:
                click.echo(json.dumps(each, ensure_ascii=False))
            else:
                self._say(f"{_clock(each['t_ms'])}  {each['words']}", bell=True)
        step = check.get("step")
        if step is not None and step["key"] != self._step:
            self._step = step["key"]
            self._say(f"         {step['do']}")

    def _show_state(self, check: dict[str, Any]) -> None:
        """Show where it stands, on the last line of a terminal."""
        if not sys.stdout.isatty() or self._asked.as_json:
            return
        if check.get("alert"):
            words = f"! {check['alert']}"
        elif check.get("holding_s") is not None and check.get("left_s") is not None:
            left_s = ceil(check["left_s"])
            words = f"Hold it: {left_s} s more" if left_s else "Held for long enough; more is measured too"
        else:
            words = "Still missing: " + ", ".join(check.get("missing", ())) if check.get("missing") else ""
        words = words[: shutil.get_terminal_size().columns - 1]
        if words != self._line:
            self._line = words
            click.echo(f"\r\x1b[K{words}", nl=False)

    async def _obeyed(self, line: str, check: dict[str, Any]) -> None:
        """Do what was typed."""
        word, _, reason = line.strip().partition(" ")
        step = check.get("step")
        if word == "end" and not reason:
            await self._act(do="check-end")
        elif word == "skip" and reason.strip() and step is not None:
            await self._act(do="check-skip", rule=step["key"], text=reason.strip())
        elif word:
            self._say(HELP)

    async def _act(self, **act: object) -> None:
        problem = await self._seat.act(**act)
        if problem:
            self._say(problem)

    async def _over(self, check: dict[str, Any]) -> bool:
        runs = await self._seat.runs()
        good = bool(check["steps"]) and all(s["verdict"] in GOOD for s in check["steps"])
        if self._asked.as_json:
            click.echo(json.dumps({"kind": "run", **(runs[-1] if runs else {})}, ensure_ascii=False))
            return good
        self._say("")
        for line in told_steps(check["steps"]):
            self._say(line)
        self._say("")
        self._say(
            "It is kept with its drive: `uphaul fieldcheck LOG` tells the same, `uphaul handover` writes the page."
        )
        return good

    # ---------------------------------------------------------------------------------------------- both directions

    async def _answer(self) -> dict[str, Any]:
        """How it stands, as soon as the daemon answers."""
        while True:
            told = await self._seat.now()
            if told is not None:
                self._silent = False
                return told
            if not self._silent:
                self._silent = True
                self._say("No answer from the daemon: what is shown is old. It is asked again.")
            if self._stop.is_set():
                raise UphaulError("the daemon does not answer")
            await self._pause()

    async def _pause(self, seconds: float = LOOK_S) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._stop.wait()

    def _say(self, words: str, *, bell: bool = False) -> None:
        """A line for people, above the one that shows where it stands."""
        clear = "\r\x1b[K" if self._line else ""
        self._line = ""
        sound = "\a" if bell and sys.stdout.isatty() else ""
        click.echo(f"{clear}{words}{sound}", err=self._asked.as_json)

    @contextlib.asynccontextmanager
    async def _reading(self) -> AsyncIterator[None]:
        """Take in what is typed, line by line, without waiting for it."""
        loop, handle, held = asyncio.get_running_loop(), sys.stdin.fileno(), bytearray()

        def read() -> None:
            piece = os.read(handle, LONGEST_TYPED)
            if not piece:
                self._typing = False
                loop.remove_reader(handle)
            held.extend(piece)
            *lines, rest = bytes(held).split(b"\n")
            held[:] = rest[-LONGEST_TYPED:]
            self._typed += [line.decode(errors="replace") for line in lines]

        try:
            loop.add_reader(handle, read)
        except (PermissionError, ValueError):  # a file or nothing: nobody types
            self._typing = False
        try:
            yield
        finally:
            with contextlib.suppress(ValueError):
                loop.remove_reader(handle)


def told_steps(steps: list[dict[str, Any]]) -> list[str]:
    """What came of every step, as the check's page is told, in lines."""
    lines = [(m["name"], m["value"], m["band"], "outside" if m["outside"] else "") for s in steps for m in s["lines"]]
    widths = [max((len(line[i]) for line in lines), default=0) for i in range(3)]
    out = []
    for step in steps:
        tries = f", at attempt {step['attempts']}" if step["attempts"] > 1 else ""
        out.append(f"{step['title']}: {step['verdict']}{tries}" + (f" ({step['why']})" if step["why"] else ""))
        if step.get("gaps"):
            out.append(f"    judged over gaps: {step['gaps']}")
        for m in step["lines"]:
            beyond = "outside" if m["outside"] else ""
            line = f"    {m['name']:{widths[0]}}  {m['value']:>{widths[1]}}  {m['band']:{widths[2]}}  {beyond}"
            out.append(line.rstrip())
    return out


def _clock(t_ms: int) -> str:
    minutes, ms = divmod(t_ms, 60_000)
    return f"{minutes:4d}:{ms // 1000:02d}"
