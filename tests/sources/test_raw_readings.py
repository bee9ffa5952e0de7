"""What CAN, OBD and GPS sources keep for the person at the wiring: as it came, before it became a value."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import can
import cantools.database
import pytest

from support.can_frames import parse
from support.collected import Collected, reading
from support.elm_peer import ElmPeer
from support.gps_peers import GpsdPeer
from uphaul.clock import Clock
from uphaul.config import load_texts
from uphaul.config.spec import CanSpec, GpsSpec, Input, ObdSpec
from uphaul.sources.base import RawReading
from uphaul.sources.can import CanSource
from uphaul.sources.gps import GpsSource
from uphaul.sources.obd import ObdSource
from uphaul.sources.watch import Watch

HERE = Path(__file__).parent
BOX = (HERE / "box.dbc").read_text(encoding="utf-8")
J1939 = (HERE / "../../config/j1939.dbc").read_text(encoding="utf-8")
END = 'VERSION ""\nBU_: X\nBO_ 2047 End: 1 X\n SG_ End : 0|8@1+ (1,0) [0|0] "" X\n'
"""A message of the test's own, sent last: when it has come, all has."""


async def _can(
    channel: str, dbc: str, places: Sequence[str], frames: Sequence[str], *, keep: bool = True, j1939: bool = False
) -> Mapping[str, RawReading]:
    """The raw readings of those `message.field` after these candump frames."""
    inputs = [Input(f"s{i}", "bus", *place.split(".")) for i, place in enumerate([*places, "End.End"])]
    protocol = "j1939" if j1939 else "plain"
    texts = ("test.dbc", dbc), ("end.dbc", END)
    spec = CanSpec("bus", "virtual", channel, dbc=texts, protocol=protocol, source_addresses=(0, 11))
    source = CanSource(spec, list(enumerate(inputs)), Clock())
    if keep:
        source.keep_readings()
    with can.Bus(interface="virtual", channel=channel) as sender:
        async with reading(source) as (got, _):
            for frame in [*frames, "7FF#01"]:
                sender.send(parse(f"(0.0) bus {frame}"))
            await got.until(lambda: bool(got.values(len(places))))
    return source.readings()


@pytest.mark.asyncio
async def test_the_number_of_a_can_field_before_it_is_scaled_is_that_of_cantools() -> None:
    frame = "100#B51D070AF9000000"
    fields = ["Egt1", "Boost", "Trim"]  # two byte orders, one with a sign
    found = await _can("raw-plain", BOX, [f"EngineBox.{f}" for f in fields], ["100#0000000000000000", frame])
    message = cantools.database.load_string(BOX, "dbc").get_message_by_name("EngineBox")
    expected = message.decode(bytes.fromhex(frame[4:]), decode_choices=False, scaling=False)
    assert {f: found[f"EngineBox.{f}"].counts for f in fields} == {f: expected[f] for f in fields}
    assert expected["Trim"] < 0
    assert {r.frame for key, r in found.items() if key != "End.End"} == {"0x100"}
    assert all(math.isnan(r.value) for r in found.values())


@pytest.mark.asyncio
async def test_the_load_of_the_bus_stands_beside_with_frames_that_nobody_wants() -> None:
    inputs = [(0, Input("egt", "bus", "EngineBox", "Egt1"))]
    source = CanSource(CanSpec("bus", "virtual", "raw-load", 500_000, dbc=(("box.dbc", BOX),)), inputs, Clock())
    source.keep_readings()
    with can.Bus(interface="virtual", channel="raw-load") as sender:
        async with reading(source) as (got, _):
            for frame in ["7E5#0102030405060708"] * 5000 + ["100#B51D070AF9000000"]:
                sender.send(parse(f"(0.0) bus {frame}"))
            while "frames/s" not in "".join(source.health.notes):
                seen = len(got.samples)
                sender.send(parse("(0.0) bus 100#B51D070AF9000000"))
                await got.until(lambda seen=seen: len(got.samples) > seen)  # type: ignore[misc]
            (note,) = source.health.notes
    assert source.health.notes == ()
    assert re.fullmatch(r"bus load \d+ to \d+ % of 500 kbit/s, [0-9,]+ frames/s", note)
    least, most, frames = (int(n.replace(",", "")) for n in re.findall(r"[0-9,]+(?= to| %| frames)", note))
    # by hand: 111 to 135 bits a frame
    assert frames > 1000
    assert (least, most) == pytest.approx((frames * 111 / 5000, frames * 135 / 5000), abs=0.6)


@pytest.mark.asyncio
async def test_a_page_that_a_frame_has_not_leaves_its_field_and_what_never_came_has_no_number() -> None:
    frames = ["200#0091000000000000", "200#0164000000000000", "200#0764000000000000"]
    found = await _can("raw-paged", BOX, ["Paged.OilTemp", "Paged.OilPressure", "ET1.Coolant"], frames)
    # by hand: the second byte of pages 0 and 1; page 7 has neither
    assert (found["Paged.OilTemp"].counts, found["Paged.OilPressure"].counts) == (0x91, 0x64)
    assert (found["ET1.Coolant"].counts, found["ET1.Coolant"].frame) == (None, "0x18FEEE00")


@pytest.mark.asyncio
async def test_a_frame_too_short_for_its_field_has_no_number() -> None:
    found = await _can("raw-short", BOX, ["EngineBox.Trim"], ["100#B51D070AF9000000", "100#B51D"])
    assert found["EngineBox.Trim"].counts is None


@pytest.mark.asyncio
async def test_a_j1939_field_names_its_group_and_who_sent_it() -> None:
    frames = ["0CF00400#FFFFFF803EFFFFFF", "18F0040B#FFFFFF8813FFFFFF", "18F00403#FFFFFF0000FFFFFF"]
    places = ["EngineSpeed.Rpm", "EngineTemperature.Coolant"]
    found = await _can("raw-j1939", J1939, places, frames, j1939=True)
    # by hand: bytes 4 and 5, the low one first; 0x0CF004 is group 0xF004 at priority 3, the last byte the
    # sender; nobody listens to sender 3
    assert found["EngineSpeed.Rpm"].counts == 0x1388
    assert found["EngineSpeed.Rpm"].frame == "PGN 61444 from 11"
    assert found["EngineTemperature.Coolant"].frame == "PGN 65262"


@pytest.mark.asyncio
async def test_a_daemon_keeps_nothing() -> None:
    assert await _can("raw-none", BOX, ["EngineBox.Egt1"], ["100#B51D070AF9000000"], keep=False) == {}


TROUBLE = "18FECA00#00FF6E0003010000"
"""A DM1 of sender 0: parameter 110, failure mode 3. By hand: lamps off, then 6E 00 03 and a count of 1."""


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("dbc", "place", "before", "frame", "found"),
    [
        # by hand: 0x03E8, the low byte first
        (BOX, "EngineBox.Egt1", [], "100#E803000000000000", (1000, "0x100")),
        (J1939, "EngineSpeed.Rpm", [TROUBLE], "0CF00400#FFFFFF8813FFFFFF", (0x1388, "PGN 61444 from 0")),
    ],
    ids=["plain", "j1939"],
)
async def test_a_bus_that_is_open_lends_its_readings_and_takes_them_back(
    dbc: str, place: str, before: list[str], frame: str, found: tuple[int, str]
) -> None:
    channel = f"raw-lent-{place}"
    inputs = [Input("value", "bus", *place.split(".")), Input("end", "bus", "End", "End")]
    protocol = "j1939" if before else "plain"
    texts = ("test.dbc", dbc), ("end.dbc", END)
    spec = CanSpec("bus", "virtual", channel, dbc=texts, protocol=protocol)
    source = CanSource(spec, list(enumerate(inputs)), Clock())
    with can.Bus(interface="virtual", channel=channel) as sender:

        async def send(got: Collected, frames: Sequence[str]) -> None:
            rounds = len(got.values(1))
            for each in [*frames, "7FF#01"]:
                sender.send(parse(f"(0.0) bus {each}"))
            await got.until(lambda: len(got.values(1)) > rounds)

        async with reading(source) as (got, _):
            await send(got, [*before, frame])
            assert source.readings() == {}
            noted = source.health.notes
            source.lend_readings(True)
            await send(got, [])  # the round that was under way may still have gone without
            await send(got, [frame])
            assert (source.readings()[place].counts, source.readings()[place].frame) == found
            assert source.health.notes == noted  # trouble codes stand as before
            source.lend_readings(False)
            await send(got, [])
            await send(got, [frame])
            assert source.readings() == {}
            assert len(got.values(0)) == 3
    assert len(noted) == len(before)


@pytest.mark.asyncio
async def test_the_bytes_of_an_obd_answer(tmp_path: Path) -> None:
    case = HERE / "obd_normal"
    config = load_texts({"signals.toml": (case / "signals.toml").read_text(encoding="utf-8"), "rules.toml": ""})
    answers = {0x00: "BE 1F A8 13", 0x0C: "1A F8", 0x05: "7B", 0x20: "80 00 00 01", 0x40: "00 00 00 01",
               0x60: "00 00 01 01", 0x80: "02 00 00 00", 0x78: "0F 1D 4C 1C E8 00 00 00 00"}  # fmt: skip
    with ElmPeer(tmp_path / "adapter", answers) as peer:
        peer.settle()
        (spec,) = config.sources
        assert isinstance(spec, ObdSpec)
        source = ObdSource(replace(spec, port=str(peer.link)), list(enumerate(config.inputs)), Clock())
        source.keep_readings()
        async with reading(source) as (got, _):
            await got.until(lambda: all(got.values(i) for i in range(4)), within_s=20)
    found = source.readings()
    assert {place: found[place].text for place in ("0x0C.value", "0x05.value", "0x78.sensor_1", "0x78.sensor_2")} == {
        "0x0C.value": answers[0x0C],
        "0x05.value": answers[0x05],
        "0x78.sensor_1": answers[0x78],
        "0x78.sensor_2": answers[0x78],
    }
    assert "0x87.sensor_a" not in found  # the vehicle never answered


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("case", "said"),
    [
        ("gps_normal", {
            "latitude": "TPV lat -40.25", "longitude": "TPV lon -120.5", "altitude": "TPV altMSL 120.5",
            "speed": "TPV speed 18.52", "track": "TPV track 87.5", "fix": "TPV mode 3", "satellites": "SKY uSat 8",
            "hdop": "SKY hdop 0.9",
        }),
        # the fix is lost: no position holds, and the mode says why
        ("gps_no_fix", {"latitude": "TPV mode 1", "altitude": "TPV mode 1", "fix": "TPV mode 1"}),
    ],
)  # fmt: skip
async def test_what_gpsd_said(case: str, said: dict[str, str]) -> None:
    lines = (HERE / case / "gpsd.txt").read_bytes()
    peer = GpsdPeer([lines])
    text = (HERE / case / "signals.toml").read_text(encoding="utf-8").replace("PORT", str(peer.port))
    config = load_texts({"signals.toml": text, "rules.toml": ""})
    (spec,) = config.sources
    assert isinstance(spec, GpsSpec)
    source = GpsSource(spec, list(enumerate(config.inputs)), Clock())
    source.keep_readings()
    reports = lines.count(b'"TPV"') + lines.count(b'"SKY"')
    async with peer, reading(source) as (got, _):
        await got.until(lambda: source.health.counters["reports"] == reports)
    found = {channel: r.text for channel, r in source.readings().items()}
    assert {channel: found[channel] for channel in said} == said


@pytest.mark.asyncio
async def test_a_watch_asks_for_them_and_tells_the_frame_beside_the_field() -> None:
    signals = (
        '[source.bus]\nkind = "can"\ninterface = "virtual"\nchannel = "raw-watch"\ndbc = "box.dbc"\n'
        '[signal.egt]\nunit = "degC"\nrange = [-40, 600]\n'
        'from = { source = "bus", message = "EngineBox", field = "Egt1" }\n'
    )
    config = load_texts({"signals.toml": signals, "rules.toml": "", "box.dbc": BOX})
    watch = Watch(config, Clock())
    (row,) = watch.rows()
    assert (row.counts, row.frame, row.quality) == (None, "0x100", "no reading yet")
    with can.Bus(interface="virtual", channel="raw-watch") as sender:
        (source,) = watch.sources
        async with reading(source) as (got, _):
            sender.send(parse("(0.0) bus 100#E803000000000000"))
            await got.until(lambda: bool(got.samples))
            watch.take(got.samples)
    (row,) = watch.rows()
    # by hand: 0x03E8 is 1000, by 0.1 and less 40 that is 60 degC
    assert (row.channel, row.frame, row.counts, row.value) == ("EngineBox.Egt1", "0x100", 1000, 60.0)
    assert row.age_s is not None
