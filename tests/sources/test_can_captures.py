"""Captures that python-can's and cantools' own tests read, on their way through the source: equal to cantools."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path

import can
import pytest

from support.can_reference import Reference, load, read_dbc
from support.collected import reading
from support.packages import sdist
from uphaul.clock import Clock
from uphaul.config.spec import CanSpec, Input
from uphaul.sources.can import CanSource

pytestmark = pytest.mark.asyncio

CAPTURES = {
    "issue_1256.asc": 1457,
    "issue_1299.asc": 4,
    "issue_1905.blf": 22,
    "logfile.asc": 20,
    "logfile_errorframes.asc": 12,
    "single_frame.asc": 1,
    "single_frame_us_locale.asc": 1,
    "test_CanErrorFrameExt.blf": 2,
    "test_CanErrorFrames.asc": 4,
    "test_CanFdMessage.asc": 3,
    "test_CanFdMessage.blf": 2,
    "test_CanFdMessage64.asc": 2,
    "test_CanFdMessage64.blf": 2,
    "test_CanFdRemoteMessage.asc": 1,
    "test_CanMessage.asc": 2,
    "test_CanMessage.asc.gz": 2,
    "test_CanMessage.blf": 2,
    "test_CanMessage.trc": 2,
    "test_CanMessage2.blf": 2,
    "test_CanMessage_V1_0_BUS1.trc": 11,
    "test_CanMessage_V1_1.trc": 11,
    "test_CanMessage_V1_3.trc": 11,
    "test_CanMessage_V2_0_BUS1.trc": 11,
    "test_CanMessage_V2_1.trc": 11,
    "test_CanRemoteMessage.asc": 3,
}
"""Every capture in python-can 4.6.1's test/data, with its number of frames."""


def captured(path: Path) -> list[can.Message]:
    with can.LogReader(path) as reader:
        frames = list(reader)
    for frame in frames:
        # Some of the BLF files flag frames as standard whose ids have 27 and 29 bits.
        frame.is_extended_id |= frame.arbitration_id > 0x7FF
    return frames


def has_values(frame: can.Message) -> bool:
    return not frame.is_error_frame and not frame.is_remote_frame


def made_up_dbc(frames: Sequence[can.Message]) -> str:
    """A DBC that finds fields of several kinds in each frame of a capture that came without one."""
    longest: dict[int, int] = {}
    for frame in frames:
        if has_values(frame) and frame.data:
            number = frame.arbitration_id | (0x80000000 if frame.is_extended_id else 0)
            longest[number] = max(longest.get(number, 0), len(frame.data))
    lines = ['VERSION ""', "BU_: X"]
    for number, length in longest.items():
        lines.append(f"BO_ {number} M{number:X}: {length} X")
        for byte in range(length):
            kind = ("@1+ (1,0)", "@1- (0.1,-40)")[byte % 2]
            lines.append(f' SG_ Byte{byte} : {8 * byte}|8{kind} [0|0] "" X')
            if byte + 1 < length:
                lines.append(f' SG_ Big{byte} : {8 * byte + 3}|11@0- (0.25,0) [0|0] "" X')
                lines.append(f' SG_ Little{byte} : {8 * byte + 5}|11@1- (-0.03125,7) [0|0] "" X')
    return "\n".join([*lines, ""])


LAST = 0x7FF
LAST_DBC = f"""
BO_ {LAST} Last: 1 X
 SG_ End : 0|8@1+ (1,0) [0|0] "" X
"""
"""A frame of our own that tells when all before it have come through."""


async def through_the_source(frames: Sequence[can.Message], dbc: str) -> CanSource:
    """Send the frames through the source; samples must equal cantools' values, frame by frame. Returns the source."""
    messages = [m for m in load(dbc).messages if m.signals]
    names = [(m.name, s.name) for m in messages for s in m.signals]
    column = {name: i for i, name in enumerate(names)}
    references = {(m.frame_id, m.is_extended_frame): Reference(m, [s.name for s in m.signals]) for m in messages}
    message_names = {(m.frame_id, m.is_extended_frame): m.name for m in messages}
    expected: list[tuple[int, float | None]] = []
    for frame in frames:
        key = (frame.arbitration_id, frame.is_extended_id)
        if has_values(frame) and key in references:
            for field, value in references[key].values(bytes(frame.data)):
                expected.append((column[message_names[key], field], None if math.isnan(value) else value))
    inputs = [(i, Input(f"s{i}", "bus", message, field)) for i, (message, field) in enumerate(names)]
    end = len(names), Input("end", "bus", "Last", "End")
    files = (("capture.dbc", dbc), ("last.dbc", 'VERSION ""\nBU_: X\n' + LAST_DBC))
    source = CanSource(CanSpec("bus", "virtual", "captures", dbc=files), [*inputs, end], Clock())
    with can.Bus(interface="virtual", channel="captures") as sender:
        async with reading(source) as (got, _):
            for frame in frames:
                sender.send(frame)
            sender.send(can.Message(arbitration_id=LAST, is_extended_id=False, data=b"\1"))
            await got.until(lambda: bool(got.samples) and got.samples[-1].signal == len(names))
    assert [(s.signal, None if math.isnan(s.value) else s.value) for s in got.samples[:-1]] == expected
    return source


async def test_the_list_of_captures_is_whole() -> None:
    kinds = {".asc", ".blf", ".trc", ".csv", ".log", ".mf4", ".db", ".gz"}
    assert {p.name for p in (sdist("python-can") / "test" / "data").iterdir() if p.suffix in kinds} == set(CAPTURES)


@pytest.mark.parametrize("name", CAPTURES)
async def test_a_capture_of_python_can_decodes_like_cantools(name: str) -> None:
    frames = captured(sdist("python-can") / "test" / "data" / name)
    assert len(frames) == CAPTURES[name]
    counters = (await through_the_source(frames, made_up_dbc(frames))).health.counters
    assert counters["frames"] == len(frames) + 1
    assert counters["errors"] == sum(frame.is_error_frame for frame in frames)


@pytest.mark.parametrize("kind", ["log", "csv", "asc", "blf", "trc"])
async def test_each_format_that_a_capture_can_be_kept_in_gives_the_same(kind: str, tmp_path: Path) -> None:
    frames = captured(sdist("python-can") / "test" / "data" / "issue_1256.asc")
    with can.Logger(tmp_path / f"capture.{kind}") as writer:
        for frame in frames:
            writer(frame)
    again = captured(tmp_path / f"capture.{kind}")
    assert [bytes(f.data) for f in again] == [bytes(f.data) for f in frames]
    await through_the_source(again, made_up_dbc(frames))


async def test_the_candump_lines_in_the_tests_of_cantools_decode_by_its_own_dbc(tmp_path: Path) -> None:
    tests = sdist("cantools") / "tests"
    text = (tests / "test_command_line.py").read_text(encoding="utf-8")
    lines = re.findall(r"^(\(\d+\.\d+\) \w+ [0-9A-F]+#[0-9A-F]+)$", text, re.MULTILINE)
    assert len(lines) == 8
    (tmp_path / "capture.log").write_text("\n".join([*lines, ""]), encoding="utf-8")
    frames = captured(tmp_path / "capture.log")
    source = await through_the_source(frames, read_dbc(tests / "files" / "dbc" / "socialledge.dbc"))
    assert source.health.counters["decoded"] == 6 + 1  # 0x1F3, there twice, is not in the DBC
