"""Memory and start of the whole daemon, on the invented vehicle and on a CAN bus, beside the same made of libraries.

The daemon runs the sample configuration, log and page included. "First tick" is from the start of the process to the
word that it gives to systemd once its first tick is finished. Beside it, in the same run on the same bus, stands a
process of python-can's Notifier, cantools and an aiohttp page that shows the last values: no ticks, no rules, no log.
Its "first" is the first decoded frame while the page is up. A daemon with a field check under way, whose page is asked
twice a second, is measured too. Run it from the top of the repository::

    python tests/bench/daemon.py [--seconds 30] [--starts 5] [--json]
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import re
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

TESTS = Path(__file__).resolve().parents[1]
ROOT = TESTS.parent
RECORDED_S = 60
TARGET_MB, TARGET_S = 80.0, 1.5

DEMO, BUS, LIBRARIES = "uphaul, invented vehicle", "uphaul, CAN bus", "Notifier + cantools + aiohttp"
CHECKED = "uphaul, CAN bus, field check"
"""The second, with a field check begun at once after the first tick."""


def recording(path: Path) -> None:
    """A minute of the invented vehicle's frames, uphill."""
    from uphaul.config.scenario import load_scenario
    from uphaul.sources.demo_can import schedule

    with path.open("w", encoding="ascii") as out:
        for t_s, message, data in schedule(load_scenario("climb-heat"), seed=1, start_s=400.0, seconds=RECORDED_S):
            number = f"{message.identifier:08X}" if message.extended else f"{message.identifier:03X}"
            out.write(f"({t_s:.6f}) bus {number}#{data.hex()}\n")


def config_for(folder: Path, way: str, port: int) -> Path:
    """The sample configuration on that source."""
    from uphaul.config.sample import demo_texts

    folder.mkdir()
    texts = demo_texts("climb-heat", 1)
    if way in (BUS, CHECKED):
        texts["signals.toml"] = re.sub(
            r"^interface = .*\n^channel = .*\n",
            f'interface = "socketcand"\nchannel = "bus"\noptions = {{ host = "127.0.0.1", port = {port} }}\n',
            (ROOT / "config" / "signals.toml").read_text(encoding="utf-8"),
            count=1,
            flags=re.MULTILINE,
        )
        for dbc in (ROOT / "config").glob("*.dbc"):
            (folder / dbc.name).write_bytes(dbc.read_bytes())
    texts["daemon.toml"] = re.sub(r"^port = \d+", "port = 0", texts["daemon.toml"], flags=re.MULTILINE)
    texts["daemon.toml"] = re.sub(r"^free_mb = \d+", "free_mb = 10", texts["daemon.toml"], flags=re.MULTILINE)
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


class Started:
    """A process, and how long it took until it said READY=1 the way systemd hears it."""

    def __init__(self, arguments: Sequence[str], folder: Path) -> None:
        address = folder / "notify"
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ears:
            ears.bind(str(address))
            ears.settimeout(30)
            environment = {**os.environ, "NOTIFY_SOCKET": str(address)}
            began = time.monotonic()
            with (folder / "stderr").open("w", encoding="utf-8") as errors:
                self.child = subprocess.Popen(
                    [sys.executable, *arguments],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    stderr=errors,
                    env=environment,
                )
            try:
                while b"READY=1" not in ears.recv(4096):
                    pass
            except TimeoutError:
                self.end()
                raise RuntimeError((folder / "stderr").read_text(encoding="utf-8")[-2000:]) from None
            self.first_s = time.monotonic() - began
        address.unlink()

    def resident_mb(self) -> float:
        """Resident memory in 10^6 bytes. Source: proc_pid_status(5), VmRSS in kB of 1024 bytes."""
        text = Path(f"/proc/{self.child.pid}/status").read_text(encoding="ascii")
        found = re.search(r"^VmRSS:\s+(\d+) kB", text, re.MULTILINE)
        assert found is not None
        return int(found.group(1)) * 1024 / 1e6

    def cpu_s(self) -> float:
        """CPU time so far. Source: proc_pid_stat(5), utime and stime, fields 14 and 15."""
        fields = Path(f"/proc/{self.child.pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def end(self) -> None:
        """SIGTERM, and wait."""
        self.child.send_signal(signal.SIGTERM)
        try:
            self.child.wait(10)
        except subprocess.TimeoutExpired:
            self.child.kill()
            self.child.wait()


async def libraries(port: int, dbc: Path) -> None:
    """The same made of libraries alone."""
    import can
    import cantools.database
    from aiohttp import web

    from uphaul.notify import Notifier

    database = cantools.database.load_file(dbc)
    assert isinstance(database, cantools.database.can.Database)
    known = {m.frame_id for m in database.messages}
    last: dict[str, Any] = {}
    first = asyncio.Event()

    def take(frame: can.Message) -> None:
        if frame.arbitration_id in known:
            decoded = database.decode_message(frame.arbitration_id, bytes(frame.data), decode_choices=False)
            assert isinstance(decoded, dict)
            last.update(decoded)
            first.set()

    async def page(request: web.Request) -> web.Response:
        return web.json_response(last)

    app = web.Application()
    app.router.add_get("/", page)
    runner = web.AppRunner(app)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", 0).start()
    bus = can.Bus(interface="socketcand", channel="bus", host="127.0.0.1", port=port, ignore_config=True)
    reader = can.Notifier(bus, [take], loop=asyncio.get_running_loop())
    await first.wait()
    Notifier().ready()
    stop = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    await stop.wait()
    reader.stop()
    bus.shutdown()
    await runner.cleanup()


class Checking:
    """A field check led through at a daemon that runs: begun, and asked for twice a second until the end."""

    def __init__(self, log: Path, said: Path) -> None:
        self._log, self._said = log, said
        self._over = threading.Event()
        self._asked = 0
        self._thread = threading.Thread(target=self._begin)
        self._thread.start()

    def _begin(self) -> None:
        while (found := re.search(r"page on (http://\S+)/", self._said.read_text(encoding="utf-8"))) is None:
            time.sleep(0.1)
        asyncio.run(self._lead(found.group(1)))

    async def _lead(self, url: str) -> None:
        from uphaul.cli.fieldcheck_seat import Seat

        async with Seat(url, self._log) as seat:
            while not self._over.is_set():
                told = await seat.now()
                if told is not None and told["driving"] and not told["check"]["running"]:
                    await seat.act(do="check-begin", text="A. Nobody (invented)")
                self._asked += told is not None and told["check"]["running"]
                await asyncio.sleep(0.5)

    def end(self) -> int:
        """How many answers told of a check under way."""
        self._over.set()
        self._thread.join()
        return self._asked


def measure(way: str, folder: Path, port: int, seconds: float, starts: int) -> dict[str, float]:
    """One way: median start of `starts`, memory and CPU of one that runs for `seconds`."""
    folder.mkdir()
    if way == LIBRARIES:
        arguments = [__file__, "--libraries", str(port)]
    else:
        config = config_for(folder / "config", way, port)
        arguments = ["-m", "uphaul", "run", "--config", str(config), "--log", str(folder / "vehicle.db")]
    firsts = []
    for _ in range(starts):
        started = Started(arguments, folder)
        firsts.append(started.first_s)
        started.end()
    running = Started(arguments, folder)
    checking = Checking(folder / "vehicle.db", folder / "stderr") if way == CHECKED else None
    try:
        began, cpu = time.monotonic(), running.cpu_s()
        peak = 0.0
        while (left := seconds - (time.monotonic() - began)) > 0:
            peak = max(peak, running.resident_mb())
            time.sleep(min(left, 1.0))
        share = (running.cpu_s() - cpu) / (time.monotonic() - began) * 100
        resident = running.resident_mb()
    finally:
        answers = 0 if checking is None else checking.end()
        running.end()
    if way == CHECKED and answers < seconds:
        raise RuntimeError(f"{answers} answers of a check under way in {seconds} s: it did not run")
    return {
        "first_s": statistics.median([*firsts, running.first_s]),
        "slowest_first_s": max([*firsts, running.first_s]),
        "resident_mb": resident,
        "peak_mb": max(peak, resident),
        "cpu_percent": share,
    }


def run(seconds: float, starts: int) -> dict[str, Any]:
    """All figures."""
    figures: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as scratch:
        top = Path(scratch)
        recording(top / "bus.log")
        hub = subprocess.Popen(
            [sys.executable, "-m", "support.socketcand_hub", "--frames", str(top / "bus.log"), "--repeat"],
            cwd=TESTS,
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            assert hub.stdout is not None
            port = int(hub.stdout.readline().split()[1])
            for i, way in enumerate((LIBRARIES, BUS, CHECKED, DEMO)):
                figures[way] = measure(way, top / str(i), port, seconds, starts)
        finally:
            hub.kill()
            hub.communicate()
    theirs = figures[LIBRARIES]
    figures["ratios"] = {
        f"{what} of {way} over {LIBRARIES}": figures[way][key] / theirs[key]
        for way in (BUS, CHECKED, DEMO)
        for what, key in (("memory", "resident_mb"), ("first tick", "first_s"))
    }
    return figures


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--starts", type=int, default=5)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--libraries", type=int, metavar="PORT", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.libraries is not None:
        asyncio.run(libraries(options.libraries, ROOT / "config" / "vehicle.dbc"))
        return
    figures = run(options.seconds, options.starts)
    if options.json:
        print(json.dumps(figures, indent=2))
        return
    print(f"{'':32}{'first tick s':>13}{'slowest':>9}{'resident MB':>13}{'peak':>7}{'CPU %':>7}")
    for way in (DEMO, BUS, CHECKED, LIBRARIES):
        f = figures[way]
        print(
            f"{way:32}{f['first_s']:13.2f}{f['slowest_first_s']:9.2f}{f['resident_mb']:13.1f}"
            f"{f['peak_mb']:7.1f}{f['cpu_percent']:7.1f}"
        )
    for name, ratio in figures["ratios"].items():
        print(f"{name}: {ratio:.2f}")
    for way in (DEMO, BUS, CHECKED):
        f = figures[way]
        met = f["resident_mb"] < TARGET_MB and f["first_s"] < TARGET_S
        print(f"{way}: {'within' if met else 'beyond'} {TARGET_MB:g} MB and {TARGET_S:g} s")


if __name__ == "__main__":
    main()
