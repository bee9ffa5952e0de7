"""The invented vehicle on a CAN bus, as a process of its own: ``python -m uphaul.sources.demo_can --help``.

Two ways to the bus. ``--interface`` and ``--channel`` open any of python-can's and send there. ``--adapter LINK``
makes a pseudo-terminal that behaves like a serial CAN adapter (the slcan text protocol), to be opened with interface
``slcan`` and channel LINK: a whole vehicle on one machine, without a bus. The frames are those of
``config/vehicle.dbc``, each at its own period.

It sends and never listens: it *is* the vehicle. Not for a real vehicle's bus.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import sys
import time
import tty
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from uphaul.config.lean import without_mdf
from uphaul.config.scenario import load_scenario
from uphaul.demo import Model, Scenario
from uphaul.demo.frames import MESSAGES, Message, pack
from uphaul.errors import UphaulError

__all__ = ["main", "schedule", "slcan_text"]

Send = Callable[[Message, bytes], None]

_STEP_MS = 10


def schedule(
    scenario: Scenario, *, seed: int | None = None, start_s: float = 0.0, seconds: float = float("inf")
) -> Iterator[tuple[float, Message, bytes]]:
    """Every frame with its time in s since `start_s`, in order; messages of one period are spread over it."""
    model = Model(scenario, seed)
    phases = {m.name: i * _STEP_MS for i, m in enumerate(MESSAGES)}
    t_ms = 0
    while t_ms / 1000.0 < seconds:
        due = [m for m in MESSAGES if (t_ms - phases[m.name]) % m.period_ms == 0]
        if due:
            readings = model.step(start_s + t_ms / 1000.0)
            for message in due:
                data = pack(message, readings, model.faulted)
                if data is not None:
                    yield t_ms / 1000.0, message, data
        t_ms += _STEP_MS


def slcan_text(message: Message, data: bytes) -> bytes:
    """One frame as a serial adapter tells it. Source: Linux's slcan driver (from memory)."""
    head = f"T{message.identifier:08X}" if message.extended else f"t{message.identifier:03X}"
    return f"{head}{len(data)}{data.hex().upper()}\r".encode("ascii")


class _Adapter:
    """The pseudo-terminal of ``--adapter``; frames that nobody reads are lost, as with a real one."""

    def __init__(self, link: Path) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self._rest = b""
        self._link = link
        link.symlink_to(os.ttyname(self._slave))

    def send(self, message: Message, data: bytes) -> None:
        with contextlib.suppress(BlockingIOError):
            os.read(self._master, 4096)  # the client's commands need no answer here
        if not self._rest:  # else the cable is full: this frame is lost, the broken one is finished first
            self._rest = slcan_text(message, data)
        with contextlib.suppress(BlockingIOError):
            self._rest = self._rest[os.write(self._master, self._rest) :]

    def close(self) -> None:
        self._link.unlink(missing_ok=True)
        os.close(self._master)
        os.close(self._slave)


def _adapter(link: Path) -> tuple[Send, Callable[[], None]]:
    adapter = _Adapter(link)
    return adapter.send, adapter.close


def _bus(interface: str, channel: str, bitrate: int | None, options: dict[str, str]) -> tuple[Send, Callable[[], None]]:
    with without_mdf():
        import can  # heavy; the adapter does without

    more: dict[str, Any] = {k: int(v) if v.isdigit() else v for k, v in options.items()}
    if bitrate is not None:
        more["bitrate"] = bitrate
    bus = can.Bus(interface=interface, channel=channel, **more)

    def send(message: Message, data: bytes) -> None:
        bus.send(can.Message(arbitration_id=message.identifier, is_extended_id=message.extended, data=data))

    return send, bus.shutdown


def _play(frames: Iterator[tuple[float, Message, bytes]], send: Send, speed: float) -> int:
    count = 0
    began = time.monotonic()
    for t_s, message, data in frames:
        wait_s = t_s / speed - (time.monotonic() - began)
        if wait_s > 0.0:
            time.sleep(wait_s)
        send(message, data)
        count += 1
    return count


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the vehicle until the scenario's end (or ``--seconds``); returns the exit status."""
    parser = argparse.ArgumentParser(prog="python -m uphaul.sources.demo_can", description=__doc__.split("\n")[0])
    parser.add_argument("--interface", help="of python-can, such as slcan, socketcan, socketcand, virtual")
    parser.add_argument("--channel", default="", help="of the interface")
    parser.add_argument("--bitrate", type=int)
    parser.add_argument("--option", action="append", default=[], metavar="KEY=VALUE", help="more for the interface")
    parser.add_argument("--adapter", type=Path, metavar="LINK", help="be a serial CAN adapter at this path instead")
    parser.add_argument("--scenario", default="climb-heat", help="a name or a file")
    parser.add_argument("--seed", type=int, help="instead of the scenario's own")
    parser.add_argument("--start-s", type=float, default=0.0, help="where in the scenario to begin")
    parser.add_argument("--seconds", type=float, help="of the vehicle's time (default: to the scenario's end)")
    parser.add_argument("--speed", type=float, default=1.0, help="how much faster than life")
    given = parser.parse_args(arguments)
    if (given.interface is None) == (given.adapter is None):
        parser.error("give either --interface or --adapter")
    if not given.speed > 0.0:
        parser.error("--speed must be positive")
    options = dict(pair.split("=", 1) if "=" in pair else (pair, "") for pair in given.option)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    try:
        scenario = load_scenario(given.scenario)
    except UphaulError as error:
        print(error, file=sys.stderr)
        return 2
    seconds = scenario.duration_s - given.start_s if given.seconds is None else given.seconds
    frames = schedule(scenario, seed=given.seed, start_s=given.start_s, seconds=seconds)
    send, close = (
        _adapter(given.adapter)
        if given.adapter is not None
        else _bus(given.interface, given.channel, given.bitrate, options)
    )
    print(f"invented vehicle, scenario {scenario.name!r}: sending", flush=True)
    try:
        count = _play(frames, send, given.speed)
    finally:
        close()
    print(f"sent {count} frames")
    return 0


if __name__ == "__main__":
    sys.exit(main())
