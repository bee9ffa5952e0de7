"""CPU of reading a saturated 500 kbit/s bus, ours beside python-can's Notifier with cantools, in one run.

4,400 frames a second (8 bytes, 11-bit ids, typical stuffing), 6 messages of 4 fields, over socketcand on loopback: a
process of its own is the bus, each way of reading runs in a process of its own, and what counts is that process' CPU
time from the first frame on. Run it from the top of the repository::

    python tests/bench/can_bus.py [--seconds 5] [--json]
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

TESTS = Path(__file__).resolve().parents[1]
RATE = 4400
"""Frames a second: 500 kbit/s over some 113 bits a frame (111 without stuffing, ISO 11898-1)."""
IDS = tuple(range(0x100, 0x106))
FIELDS = ("A", "B", "C", "D")

DBC = "\n".join(
    [
        'VERSION ""',
        "BU_: X",
        *(
            line
            for number in IDS
            for line in (
                f"BO_ {number} M{number:X}: 8 X",
                *(f' SG_ {f} : {16 * i}|16@1+ (0.1,-40) [0|0] "degC" X' for i, f in enumerate(FIELDS)),
            )
        ),
        "",
    ]
)

WARM_FRAMES = RATE // 2


def payload(i: int) -> bytes:
    return b"".join((i * 7 + k * 1000 & 0xFFFF).to_bytes(2, "little") for k in range(4))


class Meter:
    """Counts frames or samples; runs from the end of the warm-up until `seconds` have passed."""

    def __init__(self, loop: asyncio.AbstractEventLoop, seconds: float) -> None:
        self.done = loop.create_future()
        self.seconds = seconds
        self.values = 0
        self.began: tuple[float, float, int] | None = None

    def add(self, values: int) -> None:
        self.values += values
        now = time.monotonic()
        if self.began is None:
            if self.values >= WARM_FRAMES * len(FIELDS):
                self.began = now, time.process_time(), self.values
        elif now - self.began[0] >= self.seconds and not self.done.done():
            wall, cpu, values_before = self.began
            frames = (self.values - values_before) / len(FIELDS)
            self.done.set_result(
                {"frames_per_s": frames / (now - wall), "cpu_us_per_frame": (time.process_time() - cpu) / frames * 1e6}
            )


async def ours(port: int, seconds: float) -> dict[str, float]:
    """The source of the daemon."""
    from uphaul.clock import Clock
    from uphaul.config.spec import CanSpec, Input
    from uphaul.sources.can import CanSource

    names = [(f"M{number:X}", field) for number in IDS for field in FIELDS]
    options = (("host", "127.0.0.1"), ("port", port))
    source = CanSource(
        CanSpec("bus", "socketcand", "bus", dbc=(("bench.dbc", DBC),), options=options),
        [(i, Input(f"s{i}", "bus", message, field)) for i, (message, field) in enumerate(names)],
        Clock(),
    )
    meter = Meter(asyncio.get_running_loop(), seconds)
    async with source:
        task = asyncio.create_task(source.read(lambda samples: meter.add(len(samples))))
        result: dict[str, float] = await meter.done
        task.cancel()
    return result


async def notifier(port: int, seconds: float) -> dict[str, float]:
    """python-can's Notifier on the loop, cantools' decode_message for each frame."""
    import can
    import cantools.database

    database = cantools.database.load_string(DBC, database_format="dbc")
    assert isinstance(database, cantools.database.can.Database)
    meter = Meter(asyncio.get_running_loop(), seconds)

    def take(frame: can.Message) -> None:
        decoded = database.decode_message(frame.arbitration_id, frame.data, decode_choices=False)
        meter.add(len(decoded))

    bus = can.Bus(interface="socketcand", channel="bus", host="127.0.0.1", port=port, ignore_config=True)
    reader = can.Notifier(bus, [take], loop=asyncio.get_running_loop())
    result: dict[str, float] = await meter.done
    reader.stop()
    bus.shutdown()
    return result


WAYS: dict[str, Callable[[int, float], Any]] = {"uphaul source": ours, "Notifier + cantools": notifier}


def decoding_alone() -> dict[str, float]:
    """us a frame for decoding and nothing else, best of five."""
    import cantools.database

    from uphaul.config.spec import Input
    from uphaul.sources.can_decode import compile_decoders

    database = cantools.database.load_string(DBC, database_format="dbc")
    assert isinstance(database, cantools.database.can.Database)
    names = [(f"M{number:X}", field) for number in IDS for field in FIELDS]
    decoders = compile_decoders(
        [("bench.dbc", DBC)], [(i, Input(f"s{i}", "bus", *name)) for i, name in enumerate(names)]
    )
    table = {d.frame_id: d.decode for d in decoders}
    frames = [(IDS[i % len(IDS)], bytearray(payload(i))) for i in range(6000)]

    def with_cantools() -> None:
        for number, data in frames:
            database.decode_message(number, data, decode_choices=False)

    def with_ours() -> None:
        out: list[Any] = []
        for i, (number, data) in enumerate(frames):
            if i % 44 == 0:  # a round of the source
                out = []
            table[number](data, 0.0, out)

    def best(run: Callable[[], None]) -> float:
        times = []
        for _ in range(5):
            began = time.process_time()
            run()
            times.append(time.process_time() - began)
        return min(times) / len(frames) * 1e6

    return {"uphaul source": best(with_ours), "Notifier + cantools": best(with_cantools)}


def measure(way: str, port: int, seconds: float) -> dict[str, float]:
    """One way of reading in a process of its own."""
    command = [sys.executable, __file__, "--way", way, "--port", str(port), "--seconds", str(seconds)]
    # Standard error is not ours to show: python-can's socketcand client warns of each line that came in two parts.
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, timeout=seconds + 60)
    result: dict[str, float] = json.loads(done.stdout)
    return result


def run(seconds: float) -> dict[str, Any]:
    """All figures."""
    with tempfile.TemporaryDirectory() as scratch:
        capture = Path(scratch) / "bus.log"
        lines = [f"({i / RATE:.6f}) bus {IDS[i % len(IDS)]:03X}#{payload(i).hex().upper()}" for i in range(RATE)]
        capture.write_text("\n".join([*lines, ""]), encoding="ascii")
        figures: dict[str, Any] = {}
        for way in WAYS:
            hub = subprocess.Popen(
                [sys.executable, "-m", "support.socketcand_hub", "--frames", str(capture), "--repeat"],
                cwd=TESTS,
                stdout=subprocess.PIPE,
                text=True,
                env={**os.environ, "PYTHONPATH": str(TESTS)},
            )
            try:
                assert hub.stdout is not None
                port = int(hub.stdout.readline().split()[1])
                figures[way] = measure(way, port, seconds)
            finally:
                hub.kill()
                hub.communicate()
    for way, alone in decoding_alone().items():
        figures[way]["decode_us_per_frame"] = alone
    ours_, theirs = figures["uphaul source"], figures["Notifier + cantools"]
    figures["ratios"] = {
        "cpu": theirs["cpu_us_per_frame"] / ours_["cpu_us_per_frame"],
        "decoding alone": theirs["decode_us_per_frame"] / ours_["decode_us_per_frame"],
    }
    return figures


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=5.0)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--way", choices=WAYS, help=argparse.SUPPRESS)
    parser.add_argument("--port", type=int, help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.way:
        print(json.dumps(asyncio.run(WAYS[options.way](options.port, options.seconds))))
        return
    figures = run(options.seconds)
    if options.json:
        print(json.dumps(figures, indent=2))
        return
    print(f"{'':22}{'frames/s':>10}{'CPU us/frame':>14}{'% of a core':>13}{'decode alone us':>17}")
    for way in WAYS:
        f = figures[way]
        share = f["frames_per_s"] * f["cpu_us_per_frame"] / 1e4
        print(
            f"{way:22}{f['frames_per_s']:10.0f}{f['cpu_us_per_frame']:14.2f}{share:13.1f}{f['decode_us_per_frame']:17.2f}"
        )
    for name, ratio in figures["ratios"].items():
        print(f"{name}: {ratio:.1f} times as much without our source")


if __name__ == "__main__":
    main()
