"""A capture becomes the drive that the daemon would have recorded, and what cannot be taken is counted and named."""

from __future__ import annotations

import gzip
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from math import ceil
from pathlib import Path

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.captures import BEGUN_S, FORMATS, driven, write
from support.config_files import RULES, SIGNALS, config_of
from uphaul.config import load, load_texts
from uphaul.config.spec import CanSpec, Config
from uphaul.errors import DriveFileError
from uphaul.exchange.capture import Capture, pick_source
from uphaul.exchange.capture_file import ID, Batch, Reading, Rest, read_batches
from uphaul.signals import Block, Collector, EventKind, Sample
from uphaul.sources.can_decode import compile_decoders

ROOT = Path(__file__).parents[2]
SAMPLE = load(ROOT / "config")


def frame(
    t_s: float, data: bytes = b"\x00\x10\x00\x20\x00\x01\x02\x03", number: int = 0x100, **more: object
) -> can.Message:
    return can.Message(timestamp=BEGUN_S + t_s, arbitration_id=number, is_extended_id=False, data=data, **more)  # type: ignore[arg-type]


def joined(blocks: Sequence[Block]) -> Block:
    return Block(
        blocks[0].signals,
        np.concatenate([b.t_ms for b in blocks]),
        np.concatenate([b.values for b in blocks]),
        np.concatenate([b.tune for b in blocks]),
        tuple(q for b in blocks for q in b.quality),
        tuple(e for b in blocks for e in b.events),
    )


def taken(path: Path, config: Config, *, channel: str | None = None, frames: int = 500) -> tuple[Block, Capture]:
    """The capture's ticks, read in small batches in this process."""
    capture = Capture(config, pick_source(config, None), channel=channel)
    return joined(list(capture.blocks(read_batches(path, frames)))), capture


def as_driven(frames: Sequence[can.Message], config: Config) -> Block:
    """What the daemon makes of the frames: decoded one by one, collected tick by tick."""
    spec = pick_source(config, None)
    columns = {s.name: i for i, s in enumerate(config.signals)}
    inputs = [(columns[item.signal], item) for item in config.inputs if item.source == spec.name]
    table = {(d.frame_id, d.extended): d for d in compile_decoders(spec.dbc, inputs)}
    tune = config.tune_input
    collector = Collector(
        config.signals,
        config.tunes,
        tune_signal=None if tune is None else tune.signal,
        tune_reading=None if tune is None else tune.reading(config.tunes),
    )
    grid_ms = 1000 // config.tick_hz
    times = [round((f.timestamp - frames[0].timestamp) * 1000, 3) for f in frames]
    left = iter(zip(times, frames, strict=True))
    pair = next(left, None)
    ticks = []
    for tick in range(0, grid_ms * ceil(times[-1] / grid_ms) + 1, grid_ms):
        out: list[Sample] = []
        while pair is not None and pair[0] <= tick:
            decoder = table.get((pair[1].arbitration_id, pair[1].is_extended_id))
            if decoder is not None:
                decoder.decode(pair[1].data, pair[0], out)
            pair = next(left, None)
        collector.add(out)
        ticks.append(collector.collect(tick).block(tick, all_qualities=not ticks))
    return joined(ticks)


def assert_same(found: Block, expected: Block) -> None:
    assert found.t_ms.tolist() == expected.t_ms.tolist()
    assert np.array_equal(found.values, expected.values, equal_nan=True)
    assert found.tune.tolist() == expected.tune.tolist()
    assert found.quality == expected.quality


@pytest.mark.parametrize("kind", FORMATS)
def test_every_format_gives_the_drive_that_the_daemon_would_have_recorded(kind: str, tmp_path: Path) -> None:
    frames = list(driven(20.0))
    block, capture = taken(write(tmp_path / f"drive.{kind}", frames), SAMPLE)
    assert_same(block, as_driven(frames, SAMPLE))
    assert capture.begun_s == pytest.approx(BEGUN_S, abs=0.001)
    assert (capture.report.frames, capture.report.decoded) == (len(frames), len(frames))
    assert capture.report.lines() == []


def test_a_packed_text_is_read(tmp_path: Path) -> None:
    frames = list(driven(3.0))
    plain = write(tmp_path / "drive.asc", frames)
    packed = tmp_path / "packed.asc.gz"
    packed.write_bytes(gzip.compress(plain.read_bytes()))
    assert_same(taken(packed, SAMPLE)[0], taken(plain, SAMPLE)[0])


def test_another_process_reads_the_same(tmp_path: Path) -> None:
    path = write(tmp_path / "drive.blf", driven(5.0))
    with closing(Reading(path)) as reading:
        whole = list(reading.batches())
    here = list(read_batches(path))
    assert whole[-1] == here[-1] == Rest()
    for a, b in zip(whole[:-1], here[:-1], strict=True):
        assert isinstance(a, Batch)
        assert isinstance(b, Batch)
        assert (a.t_s.tolist(), a.key.tolist(), a.data) == (b.t_s.tolist(), b.key.tolist(), b.data)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([0.0, 0.001, 0.012345, 0.05, 0.3, 2.5]),
            st.sampled_from([0x100, 0x100, 0x101, 0x102, 0x7FF]),
            st.binary(max_size=8),
        ),
        min_size=1,
        max_size=60,
    ),
    st.integers(1, 40),
)
def test_any_frames_in_any_batches_are_collected_as_on_the_bus(made: list[tuple[float, int, bytes]], size: int) -> None:
    t_s, frames = 0.0, []
    for pause_s, number, data in made:
        t_s += pause_s
        frames.append(frame(t_s, data, number))
    if not any(f.arbitration_id != 0x7FF for f in frames):
        frames[0].arbitration_id = 0x100
    capture = Capture(SAMPLE, pick_source(SAMPLE, None))
    found = joined(list(capture.blocks(batches(frames, size))))
    assert_same(found, as_driven(frames, SAMPLE))
    assert capture.report.unknown.total() == sum(f.arbitration_id == 0x7FF for f in frames)


def batches(frames: Sequence[can.Message], size: int) -> Iterator[Batch | Rest]:
    """As the reader makes them of a file."""
    from uphaul.exchange.capture_file import _batch

    channels: dict[object, int] = {}
    for i in range(0, len(frames), size):
        yield _batch(list(frames[i : i + size]), channels, 0)
    yield Rest()


# -- what cannot be taken as it is --------------------------------------------------------------------------------


def one_bad(write_bad: Callable[[list[can.Message]], None], tmp_path: Path, kind: str = "blf") -> tuple[Block, Capture]:
    frames = list(driven(10.0))
    write_bad(frames)
    return taken(write(tmp_path / f"bad.{kind}", frames), SAMPLE)


def test_frames_that_nobody_reads_are_counted_by_id(tmp_path: Path) -> None:
    def bad(frames: list[can.Message]) -> None:
        frames[3:3] = [can.Message(timestamp=frames[3].timestamp, arbitration_id=0x7AB, is_extended_id=False)] * 3
        frames[9:9] = [can.Message(timestamp=frames[9].timestamp, arbitration_id=0x18FEEE00)]

    _, capture = one_bad(bad, tmp_path)
    assert capture.report.lines() == ["4 frames of ids that no input reads: 7AB (3), 18FEEE00 (1)"]


def test_short_frames_and_their_readings_are_counted_by_name(tmp_path: Path) -> None:
    def bad(frames: list[can.Message]) -> None:
        for f in [f for f in frames if f.arbitration_id == 0x100][:5]:
            f.data, f.dlc = f.data[:6], 6

    _, capture = one_bad(bad, tmp_path)
    assert capture.report.lines() == [
        "5 frames too short for all that is read from them: EngineBox (5)",
        "5 readings that cannot be decoded, taken as unknown: coolant (5)",
    ]


def test_error_and_remote_frames_are_counted_and_carry_nothing(tmp_path: Path) -> None:
    def bad(frames: list[can.Message]) -> None:
        frames[2:2] = [can.Message(timestamp=frames[2].timestamp, is_error_frame=True)]
        frames[5:5] = [frame(0.02, b"", is_remote_frame=True, dlc=8, channel=0)]

    block, capture = one_bad(bad, tmp_path)
    assert capture.report.lines() == ["1 error frames", "1 remote frames, which carry no data"]
    assert_same(block, as_driven(list(driven(10.0)), SAMPLE))


def test_frames_written_a_little_late_are_put_in_order_and_counted(tmp_path: Path) -> None:
    def bad(frames: list[can.Message]) -> None:
        frames[40], frames[43] = frames[43], frames[40]
        frames[900], frames[930] = frames[930], frames[900]

    block, capture = one_bad(bad, tmp_path, "csv")
    frames = list(driven(10.0))
    assert_same(block, as_driven(frames, SAMPLE))
    assert capture.report.moved > 0
    assert "written late, by up to" in capture.report.lines()[0]


def test_time_that_goes_back_is_an_error_naming_the_frame(tmp_path: Path) -> None:
    def bad(frames: list[can.Message]) -> None:
        for f in frames[500:]:
            f.timestamp -= 3600.0

    with pytest.raises(DriveFileError, match=r"frame 501 goes back by 3599\.99 s"):
        one_bad(bad, tmp_path, "csv")


def test_stamps_that_are_mixed_up_are_an_error(tmp_path: Path) -> None:
    def bad(frames: list[can.Message]) -> None:
        for i in range(0, len(frames) - 1, 2):
            frames[i].timestamp, frames[i + 1].timestamp = frames[i + 1].timestamp + 0.02, frames[i].timestamp

    with pytest.raises(DriveFileError, match="mixed up"):
        one_bad(bad, tmp_path, "csv")


def test_stamps_from_line_to_line_are_an_error(tmp_path: Path) -> None:
    path = write(tmp_path / "drive.asc", driven(3.0))
    path.write_text(path.read_text().replace("timestamps absolute", "timestamps relative"))
    (rest,) = read_batches(path)
    assert isinstance(rest, Rest)
    assert "count from line to line" in rest.error


@pytest.mark.parametrize("kind", ["asc", "csv", "log", "trc"])
def test_a_text_cut_within_its_last_line_loses_that_line_and_says_so(kind: str, tmp_path: Path) -> None:
    frames = list(driven(5.0))
    path = write(tmp_path / f"drive.{kind}", frames)
    lines = path.read_bytes().splitlines(keepends=True)
    keep = 400
    path.write_bytes(b"".join(lines[:keep]) + lines[keep][: len(lines[keep]) // 2])
    block, capture = taken(path, SAMPLE)
    assert 300 < capture.report.decoded <= keep
    assert_same(block, as_driven(frames[: capture.report.decoded], SAMPLE))
    assert any("last line" in line or "cannot be read beyond" in line for line in capture.report.lines())


def test_a_last_digit_that_was_cut_is_no_value(tmp_path: Path) -> None:
    path = write(tmp_path / "drive.log", [frame(0.0), frame(0.1)])
    path.write_bytes(path.read_bytes().rstrip(b"\n rRtT")[:-1])
    _, capture = taken(path, config_of())
    assert capture.report.decoded == 1


@pytest.mark.parametrize("share", [0.3, 0.62, 0.99])
def test_a_binary_capture_that_was_cut_off_is_read_as_far_as_it_goes(share: float, tmp_path: Path) -> None:
    frames = list(driven(120.0))
    path = write(tmp_path / "drive.blf", frames)
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * share)])
    block, capture = taken(path, SAMPLE, frames=4000)
    assert 0 < capture.report.decoded < len(frames)
    assert_same(block, as_driven(frames[: capture.report.decoded], SAMPLE))
    assert any("cut off" in line for line in capture.report.lines())


@pytest.mark.parametrize("kind", [*FORMATS, "mf4"])
def test_rubbish_is_an_error_naming_the_file(kind: str, tmp_path: Path) -> None:
    path = tmp_path / f"rubbish.{kind}"
    path.write_bytes(b"\x00\xff no capture at all \n" * 50)
    capture = Capture(SAMPLE, pick_source(SAMPLE, None))
    with closing(Reading(path)) as reading, pytest.raises(DriveFileError, match=r"rubbish|not one frame"):
        list(capture.blocks(reading.batches()))


def test_a_capture_of_another_vehicle_is_an_error_that_lists_its_ids(tmp_path: Path) -> None:
    path = write(tmp_path / "other.blf", [frame(i / 10, number=0x3A0 + i % 2, channel=0) for i in range(20)])
    with pytest.raises(DriveFileError, match=r"none of 20 frames.*EngineBox \(100\).*3A0 \(10\), 3A1 \(10\).*DBC"):
        taken(path, SAMPLE)


def two_buses(tmp_path: Path) -> Path:
    other = [replace_channel(f, 1) for f in driven(5.0)]
    for f in other:
        f.data = bytearray(8)
    both = sorted([*driven(5.0), *other], key=lambda f: f.timestamp)
    return write(tmp_path / "two.blf", both)


def replace_channel(message: can.Message, channel: int) -> can.Message:
    message.channel = channel
    return message


def test_two_buses_in_one_capture_are_never_mixed(tmp_path: Path) -> None:
    path = two_buses(tmp_path)
    with pytest.raises(DriveFileError, match=r"several buses \('0', '1'\).*--channel"):
        taken(path, SAMPLE)
    frames = list(driven(5.0))
    block, capture = taken(path, SAMPLE, channel="0")
    assert_same(block, as_driven(frames, SAMPLE))
    assert capture.report.lines() == [f"{len(frames)} frames of other buses of the capture"]


def test_a_long_silence_is_a_gap_and_told(tmp_path: Path) -> None:
    frames = [frame(t / 10, channel=0) for t in range(20)] + [frame(7200 + t / 10, channel=0) for t in range(20)]
    block, capture = taken(write(tmp_path / "gap.blf", frames), config_of())
    assert len(block) < 1300
    assert int(np.diff(block.t_ms).max()) == 7200_000 - (1900 + 60_000)
    assert capture.report.lines() == [
        "never in the capture, so unknown throughout: map, baro",
        "no frame for 7198 s after 1.9 s: the drive has a gap there",
    ]


def test_the_bus_is_named_where_the_configuration_has_several() -> None:
    config = config_of()
    (bus,) = config.sources
    assert isinstance(bus, CanSpec)
    two = replace(config, sources=(bus, replace(bus, name="other")))
    assert pick_source(two, "other").name == "other"
    with pytest.raises(DriveFileError, match=r"several CAN buses \(bus, other\).*--source"):
        pick_source(two, None)
    with pytest.raises(DriveFileError, match="no such CAN bus"):
        pick_source(two, "third")
    with pytest.raises(DriveFileError, match="no CAN bus"):
        pick_source(replace(config, sources=()), None)


# -- J1939 --------------------------------------------------------------------------------------------------------

J1939 = SIGNALS.replace('kind = "can"', 'kind = "can"\nprotocol = "j1939"')


def test_trouble_codes_become_remarks_and_go_again(tmp_path: Path) -> None:
    code = bytes([0x40, 0xFF, 110, 0, 0, 1, 0xFF, 0xFF])
    dm1 = [can.Message(timestamp=BEGUN_S + t, arbitration_id=0x18FECA00, data=code, channel=0) for t in (2.0, 3.0)]
    frames = sorted([frame(t / 10, channel=0) for t in range(120)] + dm1, key=lambda f: f.timestamp)
    block, _ = taken(write(tmp_path / "j.blf", frames), config_of(J1939), frames=7)
    told = [(e.t_ms, e.kind, e.actor, e.text) for e in block.events]
    what = "trouble code from address 0: SPN 110 (coolant temperature), FMI 0 (far too high), 1 time"
    lamps = "lamps on at address 0: malfunction"
    assert told[:2] == [(2000, EventKind.REMARK, "bus", what), (2000, EventKind.REMARK, "bus", lamps)]
    assert [(t, text) for t, _, _, text in told[2:]] == [(8050, f"no longer: {what}"), (8050, f"no longer: {lamps}")]


def long_message(group: int, sender: int, data: bytes, t_s: float) -> list[can.Message]:
    """A broadcast in packets of seven bytes, 50 ms apart, after its announcement (SAE J1939-21, from memory)."""
    packets = -(-len(data) // 7)
    size = len(data).to_bytes(2, "little")
    head = bytes([0x20]) + size + bytes([packets, 0xFF]) + group.to_bytes(3, "little")
    frames = [can.Message(timestamp=BEGUN_S + t_s, arbitration_id=0x1CECFF00 | sender, data=head, channel=0)]
    for i in range(packets):
        part = bytes([i + 1]) + data[7 * i : 7 * i + 7].ljust(7, b"\xff")
        at = BEGUN_S + t_s + 0.05 * (i + 1)
        frames.append(can.Message(timestamp=at, arbitration_id=0x1CEBFF00 | sender, data=part, channel=0))
    return frames


LONG = """VERSION ""
BU_: Box
BO_ 2566844416 Longer: 10 Box
 SG_ Egt : 64|16@1+ (0.03125,-273) [0|0] "degC" Box
BO_ 2364539904 Engine: 8 Box
 SG_ Speed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" Box
"""
"""Made up, but for the place of the engine's speed."""

LONG_SIGNALS = """
[source.bus]
kind = "can"
interface = "virtual"
channel = "test"
protocol = "j1939"
dbc = "small.dbc"
[signal.rpm]
unit = "rpm"
range = [0, 6000]
from = { source = "bus", message = "Engine", field = "Speed" }
[signal.egt]
unit = "degC"
range = [-40, 1100]
location = "pre-turbine"
from = { source = "bus", message = "Longer", field = "Egt" }
"""


@pytest.mark.parametrize("size", [1, 3, 1000])
def test_groups_senders_and_long_messages_are_told_as_on_the_bus(size: int, tmp_path: Path) -> None:
    config = load_texts({"signals.toml": LONG_SIGNALS, "rules.toml": RULES, "small.dbc": LONG})

    def engine(t_s: float, rpm: int, sender: int = 0, priority: int = 3) -> can.Message:
        data = b"\xff" * 3 + (rpm * 8).to_bytes(2, "little") + b"\xff" * 3
        number = priority << 26 | 0xF00400 | sender
        return can.Message(timestamp=BEGUN_S + t_s, arbitration_id=number, data=data, channel=0)

    group = (2566844416 & ID) >> 8 & 0x3FFFF
    far = ((600 + 273) * 32).to_bytes(2, "little")
    frames = [engine(0.0, 1000), engine(0.1, 1100, priority=6), engine(0.15, 4000, sender=17), engine(1.0, 1200)]
    frames += long_message(group, 0, b"\xff" * 8 + far, 0.2)
    frames += long_message(group, 0, b"\xff" * 8 + far, 0.6)[:-1]
    frames.sort(key=lambda f: f.timestamp)
    capture = Capture(config, pick_source(config, None))
    block = joined(list(capture.blocks(batches(frames, size))))
    told = {t: (rpm, egt) for t, (rpm, egt) in zip(block.t_ms.tolist(), block.values.tolist(), strict=True)}
    assert [told[t][0] for t in (0, 50, 100, 150, 1000)] == [1000, 1000, 1100, 1100, 1200]
    assert np.isnan(told[250][1])
    assert told[300][1] == 600.0
    assert capture.report.other_senders == 1
    assert capture.report.lines() == ["1 frame of senders that are not listened to (`source_addresses`)"]
