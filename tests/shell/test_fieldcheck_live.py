"""A field check led through in a terminal, at a daemon of its own and at one that runs; killed, replayed, looked at.

The vehicle is a process of its own on a socketcand bus and knows nothing of it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pty
import signal
import subprocess
import sys
import threading
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from support.bus_check import drive_it, write_check
from support.bus_vehicle import Vehicle, socketcand_hub
from support.daemon import Daemon, Process, command, eventually, running
from support.gps_peers import free_port
from uphaul.cli.fieldcheck_seat import Seat
from uphaul.log import Log
from uphaul.web.access import Access, store_path

NAME = "T. Echnician (invented)"


class Road:
    """The vehicle on its bus, a configuration that reads it, and where its log goes."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        hub = socketcand_hub()
        stack.enter_context(running(hub))
        self.vehicle = Vehicle(hub)
        self.page = free_port()
        self.config = write_check(folder / "config", int(hub.wait_for("listening ").split()[1]), page=self.page)
        self.log = folder / "vehicle.db"
        self._stack = stack
        self._still = threading.Event()

    def daemon(self) -> Daemon:
        """One that runs; ended with the test at the latest."""
        daemon = Daemon(self.config, self.log)
        self._stack.enter_context(running(daemon))
        return daemon

    def terminal(self, *more: str, by: str = NAME) -> Process:
        """The command that leads through the check."""
        named = ("--by", by) if by else ()
        arguments = ["fieldcheck", "--config", str(self.config), "--log", str(self.log), *named, *more]
        seat = Process([sys.executable, "-m", "uphaul", *arguments], stream="stdout", stdin=True)
        self._stack.enter_context(running(seat))
        return seat

    def hold(self, *readings: float) -> threading.Event:
        """Go on with these readings until the event is set, which the end of the test does at the latest."""
        over = threading.Event()

        def go_on() -> None:
            while not over.is_set():
                self.vehicle.drive(0.1, *readings)

        thread = threading.Thread(target=go_on)
        thread.start()
        self._stack.callback(thread.join)
        self._stack.callback(over.set)
        return over

    def kept(self) -> list[dict[str, Any]]:
        """The results of every check that is kept with the first drive."""
        with Log.open(self.log) as log:
            return [
                {"title": c.title, "t_ms": [c.t_ms, c.end_ms], "confirmed_by": c.confirmed_by, **json.loads(c.results)}
                for c in log.field_checks(1)
            ]


@pytest.fixture
def road(tmp_path: Path) -> Iterator[Road]:
    with ExitStack() as stack:
        yield Road(tmp_path, stack)


def verdicts(run: dict[str, Any]) -> dict[str, str]:
    return {r["step"]: r["verdict"] for r in run["results"]}


def test_without_a_daemon_one_is_run_until_the_check_is_over(road: Road) -> None:
    seat = road.terminal()
    off = road.hold(0, 25, 98)
    seat.wait_for("   0:0")  # begun
    off.set()
    drive_it(road.vehicle)
    seat.wait_for("It is kept with its drive")
    assert ended(seat) == 0
    told = "\n".join(seat.said)
    assert told.index("  - Closed road.") < told.index("Key on, engine off: hold it")
    words = ["Key on, engine off: passed", "Start it, let it idle.", "Idle: hold it", "Idle: passed", "Full pedal.",
             "Loaded pull: passed", "all steps are done", "at most 700"]  # fmt: skip
    assert sorted(words, key=told.index) == words
    (run,) = road.kept()
    assert (run["confirmed_by"], set(verdicts(run).values())) == (NAME, {"passed"})
    assert Access(store_path(road.log)).devices == ()  # its seat is given up


def test_a_seat_at_a_running_daemon_is_taken_left_and_taken_again(road: Road) -> None:
    daemon = road.daemon()
    road.hold(0, 25, 98)
    eventually(lambda: daemon.status()["drive"], "a drive")
    first = road.terminal(by="")
    first.wait_for("Name of the one who has read this")
    first.say(f"  {NAME}")
    first.wait_for("   0:0", within_s=30)
    killed = road.terminal()
    killed.wait_for("It is under way")
    assert killed.end(signal.SIGKILL)[0] == -signal.SIGKILL
    assert first.end(signal.SIGINT)[0] == 1  # the check is not over
    assert "It goes on at the daemon; the same command takes a seat again." in first.rest()
    second = road.terminal()
    second.wait_for(f"It is under way; the cautions were confirmed by {NAME}.")
    second.wait_for("         Start it")
    second.say("fly")
    second.wait_for('Type "skip" and a reason')
    second.say("skip no fuel in it")
    second.wait_for("   0:")  # another step is next
    second.say("end")
    second.wait_for("It is kept with its drive")
    assert ended(second) == 1
    assert "Idle: skipped (no fuel in it)" in second.said
    assert daemon.child.poll() is None
    eventually(lambda: not Access(store_path(road.log)).devices, "no seat is left")
    eventually(road.kept, "what came of it, in the log")
    assert verdicts(road.kept()[0]) == {"key-on": "passed", "idle": "skipped", "pull": "not done"}


def test_a_terminal_shows_on_its_last_line_what_is_missing_and_how_long_to_hold(road: Road) -> None:
    road.hold(0, 25, 98)
    ours, its = pty.openpty()
    arguments = ["fieldcheck", "--config", str(road.config), "--log", str(road.log)]
    child = subprocess.Popen([sys.executable, "-m", "uphaul", *arguments], stdin=its, stdout=its, stderr=its)
    os.close(its)
    shown = bytearray()

    def read() -> None:
        with contextlib.suppress(OSError):  # its end of the terminal is closed
            while piece := os.read(ours, 4096):
                shown.extend(piece)

    reader = threading.Thread(target=read)
    reader.start()
    try:
        eventually(lambda: b"then Enter:" in shown, "the question for a name")
        os.write(ours, f"{NAME}\n".encode())
        for words in (b"Hold it: 1 s more", b"Key on, engine off: passed\a", b"Still missing: rpm 600 too low"):
            eventually(lambda words=words: words in shown, words.decode())
        assert b"\r\x1b[K" in shown
        os.write(ours, b"end\n")
        assert child.wait(20) == 1
    finally:
        child.kill()
        child.wait()
        reader.join()
        os.close(ours)
    assert "Pull: not done" in shown.decode().replace("Loaded pull", "Pull")


def test_live_killed_and_resumed_replayed_and_looked_at_later_are_the_same_run(road: Road) -> None:
    daemon = road.daemon()
    seat = road.terminal("--json")
    off = road.hold(0, 25, 98)
    seat.wait_for('{"t_ms"')
    off.set()
    road.vehicle.drive(2.0, 0, 25, 98)
    idle = road.hold(780, 180, 100)
    while json.loads(seat.wait_for('{"t_ms"'))["step"] != "idle":
        pass
    eventually(lambda: road.log.exists() and ticks(road.log) > 40, "what the kill is to leave")
    assert daemon.end(signal.SIGKILL)[0] == -signal.SIGKILL
    daemon = road.daemon()
    eventually(lambda: checked(road.page)["check"]["running"], "the check goes on")
    while json.loads(seat.wait_for('{"t_ms"'))["kind"] != "passed":
        pass
    idle.set()
    drive_it(road.vehicle, off_s=0)
    live = json.loads(seat.wait_for('{"kind": "run"'))
    assert ended(seat) == 0
    assert (live.pop("kind"), set(verdicts(live).values())) == ("run", {"passed"})
    assert get(road.page, "/check-runs.json")["runs"] == [live]
    steps = checked(road.page)["check"]["steps"]
    assert daemon.end()[0] == 0

    assert road.kept() == [live]
    with Log.open(road.log) as log:
        assert len(log.drives()) == 1 and log.drives()[0].ticks < log.drives()[0].duration_s * 20 - 10  # it was killed
    later = json.loads(command("fieldcheck", str(road.log), "--json", "--keep"))
    (looked,) = later["runs"]
    assert (looked.pop("drive"), looked) == (1, live)
    assert later["kept"] == [{"drive": 1, "words": "is kept already"}]
    port = free_port()
    arguments = ["replay", str(road.log), "--live", "--speed", "100", "--port", str(port)]
    with running(Process([sys.executable, "-m", "uphaul", *arguments], stream="stdout")) as replay:
        replay.wait_for("  page")
        eventually(lambda: get(port, "/check-runs.json")["runs"] == [live], "the same run, replayed", within_s=60)
        assert checked(port)["check"]["steps"] == steps


def test_the_sample_s_check_ten_times_as_fast_as_life_is_the_same_run_later(tmp_path: Path) -> None:
    """The daemon itself on the invented vehicle, its whole rules and check; a busy machine loses ticks, and no more."""
    log, scenario = tmp_path / "demo.db", tmp_path / "cold.toml"
    text = (Path(__file__).parents[2] / "replays" / "check-cold.toml").read_text(encoding="utf-8")
    assert "crank_s = 16\n" in text and "from_s = 75\n" in text
    later = text.replace("crank_s = 16\n", "crank_s = 120\n").replace("from_s = 75\n", "from_s = 400\n")
    scenario.write_text(later, encoding="utf-8")  # at this pace sixteen seconds are none
    arguments = ["demo", "--scenario", str(scenario), "--speed", "10", "--port", "0", "--log", str(log)]

    async def lead(url: str) -> dict[str, Any]:
        """Until two steps are done, and a moment longer."""
        async with Seat(url, log) as seat:
            assert await seat.act(do="check-begin", text=NAME) == ""
            async with asyncio.timeout(120):
                while True:
                    runs = await seat.runs()
                    if runs and sum(bool(r["attempts"]) for r in runs[-1]["results"]) >= 2:
                        break
                    await asyncio.sleep(0.2)
            assert await seat.act(do="check-end") == ""
            async with asyncio.timeout(20):
                while True:
                    told = await seat.now()
                    if told is not None and not told["check"]["running"]:
                        break
                    await asyncio.sleep(0.1)
            (run,) = await seat.runs()
            return run

    with running(Process([sys.executable, "-m", "uphaul", *arguments], stream="stdout")) as demo:
        url = demo.wait_for("  page").split()[-1].rstrip("/")
        live = asyncio.run(lead(url))
        assert demo.end(signal.SIGINT)[0] == 0
    (looked,) = json.loads(checked_later(log))["runs"]
    assert (looked.pop("drive"), looked) == (1, live)
    assert live["confirmed_by"] == NAME and "passed" in verdicts(live).values()


def checked_later(log: Path) -> str:
    """What a look at the log says; its steps are not all done, which the exit status says."""
    done = subprocess.run(
        [sys.executable, "-m", "uphaul", "fieldcheck", str(log), "--json"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 1, done.stderr
    return done.stdout


def test_what_cannot_be_led_through_is_named(road: Road) -> None:
    road.hold(0, 25, 98)
    unnamed = road.terminal(by="")
    assert unnamed.child.stdin is not None
    unnamed.child.stdin.close()
    unnamed.child.stdin = None
    assert ended(unnamed) == 2
    (road.config / "fieldcheck.toml").unlink()
    assert "fieldcheck.toml" in led(road, status=2)
    daemon = road.daemon()
    assert "no page of one answers" in led(road, "--port", str(free_port()), status=2)
    assert "no field check" in led(road, status=2)
    assert daemon.child.poll() is None


def ended(process: Process) -> int:
    """Its exit status, once it has ended by itself."""
    process.child.wait(30)
    return process.end()[0]


def led(road: Road, *more: str, status: int) -> str:
    where = ("--config", str(road.config), "--log", str(road.log))
    return command("fieldcheck", *where, "--by", NAME, *more, status=status)


def get(port: int, path: str) -> dict[str, Any]:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=5) as answer:
        told: dict[str, Any] = json.load(answer)
        return told


def checked(port: int) -> dict[str, Any]:
    return get(port, "/check.json")


def ticks(path: Path) -> int:
    with Log.open(path) as log:
        return sum(d.ticks for d in log.drives())
