"""Each folder `can_*` here is a case: signals.toml, what comes over the bus, and the samples and counters expected.

`capture.log` is candump text, sent over python-can's in-process bus; `serial.txt` holds the lines of a serial
adapter, sent over a pseudo-terminal. Times of samples are those of reading, so the cases leave them out.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import can
import pytest

from support.can_frames import read
from support.collected import reading
from support.slcan_peer import SlcanPeer
from uphaul.clock import Clock
from uphaul.config.spec import CanSpec, Input
from uphaul.sources.can import CanSource

HERE = Path(__file__).parent
CASES = sorted(path.parent.name for path in HERE.glob("can_*/signals.toml"))

END = 'VERSION ""\nBU_: X\nBO_ 2047 End: 1 X\n SG_ End : 0|8@1+ (1,0) [0|0] "" X\n'
"""A message of the test's own, sent last: when it has come, all has."""


@contextmanager
def serial(case: Path, scratch: Path) -> Iterator[tuple[str, dict[str, Any], Callable[[], None]]]:
    lines = (case / "serial.txt").read_text(encoding="ascii").splitlines()
    with SlcanPeer(link=scratch / "adapter") as peer:
        text = "\r".join([*lines, "t7FF101", ""])
        yield str(peer.path), {"sleep_after_open": 0}, lambda: peer.say(text.encode("ascii"))


@contextmanager
def in_process(case: Path, _: Path) -> Iterator[tuple[str, dict[str, Any], Callable[[], None]]]:
    frames = read(case / "capture.log")
    with can.Bus(interface="virtual", channel=case.name) as sender:

        def send() -> None:
            for frame in [*frames, can.Message(arbitration_id=0x7FF, is_extended_id=False, data=b"\1")]:
                sender.send(frame)

        yield case.name, {}, send


@pytest.mark.parametrize("name", CASES)
@pytest.mark.asyncio
async def test_case(name: str, tmp_path: Path) -> None:
    case = HERE / name
    config = tomllib.loads((case / "signals.toml").read_text(encoding="utf-8"))
    expected = json.loads((case / "expected.json").read_text(encoding="utf-8"))
    bus = config["source"]["bus"]
    names = [*config["signal"], "end"]
    froms = [signal["from"] for signal in config["signal"].values()]
    inputs = [
        Input(name, f["source"], f["message"], f["field"], f.get("factor", 1.0), f.get("offset", 0.0))
        for name, f in zip(names, froms, strict=False)
    ]
    inputs.append(Input("end", "bus", "End", "End"))
    dbc = [(file, (HERE / file).read_text(encoding="utf-8")) for file in bus["dbc"]]
    transport = {"slcan": serial, "virtual": in_process}[bus["interface"]]
    with transport(case, tmp_path) as (channel, options, send):
        senders = bus.get("source_address", 0)
        spec = CanSpec(
            "bus",
            bus["interface"],
            channel,
            dbc=(*dbc, ("end.dbc", END)),
            options=tuple(options.items()),
            protocol=bus.get("protocol", "plain"),
            source_addresses=(senders,) if isinstance(senders, int) else tuple(senders) or None,
        )
        async with reading(source := CanSource(spec, list(enumerate(inputs)), Clock())) as (got, _task):
            send()
            await got.until(lambda: bool(got.samples) and got.samples[-1].signal == len(names) - 1)
            counters = dict(source.health.counters)
            notes = list(source.health.notes)
    counters["frames"] -= 1
    counters["decoded"] -= 1
    samples = [
        [names[s.signal], None if math.isnan(s.value) else round(s.value, 6), s.quality.words] for s in got.samples[:-1]
    ]
    assert samples == expected["samples"]
    assert counters == expected["counters"]
    assert notes == expected.get("notes", [])
    assert source.health.notes == ()  # with the bus closed nobody knows


def test_there_are_cases() -> None:
    assert len(CASES) >= 6
