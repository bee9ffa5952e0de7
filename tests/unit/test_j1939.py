"""J1939: our table of facts, codes in the place of values, trouble codes and long messages, against other programs.

Sources, named beside each table: canmatrix 1.3.3 `j1939.dbc` (position, length and parameter number only: its scales
are all 1), pretty-j1939 0.0.6 (scales), can-j1939 2.0.12 (packing of trouble codes), tshark and cantools for ids and
values of the vectors. The text of the standard was not read.
"""

from __future__ import annotations

import importlib
import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.can_reference import CANMATRIX, load, read_dbc
from support.packages import wheel
from uphaul.config.spec import Input
from uphaul.signals import Quality, Sample
from uphaul.sources.can_decode import compile_decoders
from uphaul.sources.j1939 import (
    ANNOUNCEMENT,
    DM1,
    FORGET_MS,
    PACKET,
    SHOWN_CODES,
    SPN_WORDS,
    Assembler,
    Network,
    TroubleCode,
    Troubles,
    bounds_of,
    filter_of,
    group_of,
    parse_dm1,
)

TEXT = (Path(__file__).resolve().parents[2] / "config" / "j1939.dbc").read_text(encoding="utf-8")
OURS = load(TEXT, strict=True)
FIELDS = [(m, s) for m in OURS.messages for s in m.signals]


def spn_of(signal: Any) -> int:
    return int(signal.dbc.attributes["SPN"].value)


# ------------------------------------------------------------------------------------------- the table of facts

# field, parameter, id from the engine, bytes counted from 1, scale, offset, top. Ids: cantools' frame_id_pack, split
# by tshark and pamoja-can to the same group, priority and sender. The last column is the evidence for the scale.
FACTS = [
    ("Rpm", 190, 0x0CF00400, (4, 5), 0.125, 0, 8031.875, "pretty-j1939"),
    ("ActualTorque", 513, 0x0CF00400, (3, 3), 1, -125, 125, "pretty-j1939"),
    ("Pedal", 91, 0x0CF00300, (2, 2), 0.4, 0, 100, "from memory, highly sure"),
    ("Coolant", 110, 0x18FEEE00, (1, 1), 1, -40, 210, "pretty-j1939"),
    ("OilTemp", 175, 0x18FEEE00, (3, 4), 0.03125, -273, 1734.96875, "pretty-j1939"),
    ("OilPressure", 100, 0x18FEEF00, (4, 4), 4, 0, 1000, "pretty-j1939"),
    ("WheelSpeed", 84, 0x18FEF100, (2, 3), 1 / 256, 0, 250.99609375, "pretty-j1939"),
    ("FilterInletPressure", 81, 0x18FEF600, (1, 1), 0.5, 0, 125, "an engine maker's CAN manual"),
    ("Boost", 102, 0x18FEF600, (2, 2), 2, 0, 500, "an engine maker's CAN manual: 20 mbar a bit, 0 to 5 bar"),
    ("ManifoldTemp", 105, 0x18FEF600, (3, 3), 1, -40, 210, "the same manual"),
    ("AirInletPressure", 106, 0x18FEF600, (4, 4), 2, 0, 500, "public code, and from memory"),
    ("ExhaustTemp", 173, 0x18FEF600, (6, 7), 0.03125, -273, 1734.96875, "two pieces of public code"),
    ("Baro", 108, 0x18FEF500, (1, 1), 0.5, 0, 125, "from memory, highly sure"),
    ("AmbientTemp", 171, 0x18FEF500, (4, 5), 0.03125, -273, 1734.96875, "from memory, highly sure"),
    ("AirInletTemp", 172, 0x18FEF500, (6, 6), 1, -40, 210, "from memory, highly sure"),
    ("Boost1", 1127, 0x18FEA600, (1, 2), 0.125, 0, 8031.875, "two public sources"),
    ("Boost2", 1128, 0x18FEA600, (3, 4), 0.125, 0, 8031.875, "two public sources"),
    ("Boost3", 1129, 0x18FEA600, (5, 6), 0.125, 0, 8031.875, "two public sources"),
    ("Boost4", 1130, 0x18FEA600, (7, 8), 0.125, 0, 8031.875, "two public sources"),
    ("TurbineInletTemp", 1180, 0x18FE9800, (1, 2), 0.03125, -273, 1734.96875, "public code"),
    ("ExhaustPressure", 1209, 0x18FE9200, (2, 3), 1 / 128, -250, 251.9921875, "from memory, medium sure"),
    ("TurboSpeed", 103, 0x18FEDD00, (2, 3), 4, 0, 257020, "from memory, highly sure"),
    ("FuelRate", 183, 0x18FEF200, (1, 2), 0.05, 0, 3212.75, "from memory, highly sure"),
    ("Battery", 168, 0x18FEF700, (5, 6), 0.05, 0, 3212.75, "pretty-j1939 (its bytes 3 and 4 are wrong)"),
    ("TransOilTemp", 177, 0x18FEF800, (5, 6), 0.03125, -273, 1734.96875, "from memory, highly sure"),
]


def test_the_table_of_facts_has_every_field() -> None:
    assert {name for name, *_ in FACTS} == {s.name for _, s in FIELDS}


@pytest.mark.parametrize("fact", FACTS, ids=[f[0] for f in FACTS])
def test_a_field_is_as_the_facts_have_it(fact: tuple[Any, ...]) -> None:
    name, spn, can_id, (first, last), scale, offset, top, _ = fact
    ((message, signal),) = [(m, s) for m, s in FIELDS if s.name == name]
    assert (message.frame_id, spn_of(signal)) == (can_id, spn)
    assert (signal.start, signal.length) == (8 * (first - 1), 8 * (last - first + 1))
    assert (signal.scale, signal.offset, signal.minimum) == (scale, offset, offset)
    assert signal.maximum == pytest.approx(top, abs=1e-9)


def test_position_length_and_parameter_are_those_of_canmatrix() -> None:
    database = load(read_dbc(wheel("canmatrix", CANMATRIX) / "canmatrix" / "j1939.dbc"))
    theirs = {}
    for message in database.messages:
        for signal in message.signals:
            if signal.dbc and "SPN" in signal.dbc.attributes:
                place = (group_of(message.frame_id), signal.start, signal.length, signal.byte_order)
                theirs.setdefault(spn_of(signal), set()).add(place)
    for message, signal in FIELDS:
        place = (group_of(message.frame_id), signal.start, signal.length, signal.byte_order)
        assert place in theirs[spn_of(signal)], signal.name


def test_scales_are_those_of_pretty_j1939_where_it_has_the_parameter() -> None:
    path = wheel("pretty-j1939", "0.0.6") / "pretty_j1939" / "J1939db.json"
    theirs = json.loads(path.read_text(encoding="utf-8"))["J1939SPNdb"]
    both = [(s, theirs[str(spn_of(s))]) for _, s in FIELDS if str(spn_of(s)) in theirs]
    assert len(both) == 7
    for signal, entry in both:
        there = entry["Resolution"], entry["Offset"], entry["SPNLength"]
        assert (signal.scale, signal.offset, signal.length) == there, signal.name


def test_every_parameter_of_the_table_has_words_for_people() -> None:
    assert {spn_of(s) for _, s in FIELDS} == set(SPN_WORDS)


# ------------------------------------------------------------------------------------------------------ values

# Source: cantools 45.1.0 with the scales above. None: a code in the place of a value.
VECTORS = [
    ("EngineSpeed", "FFFFFF803EFFFFFF", {"Rpm": 2000.0, "ActualTorque": None}),
    ("EngineSpeed", "FFFFFF8813FFFFFF", {"Rpm": 625.0}),
    ("EngineTemperature", "91FF602FFFFFFFFF", {"Coolant": 105, "OilTemp": 106.0}),
    (
        "InletExhaust",
        "FF5F4B32FF407AFF",
        {"FilterInletPressure": None, "Boost": 190, "ManifoldTemp": 35, "AirInletPressure": 100, "ExhaustTemp": 705.0},
    ),
    (
        "InletExhaust",
        "FF645A64FF601BFF",
        {"Boost": 200, "ManifoldTemp": 50, "AirInletPressure": 200, "ExhaustTemp": -54},
    ),
    ("VehicleSpeed", "FF0050FFFFFFFFFF", {"WheelSpeed": 80.0}),
    ("EnginePressure", "FFFFFF64FFFFFFFF", {"OilPressure": 400}),
    ("Ambient", "CAFFFF602540FFFF", {"Baro": 101.0, "AmbientTemp": 26.0, "AirInletTemp": 24}),
    ("TurboBoost", "D007FFFFFFFFFFFF", {"Boost1": 250.0, "Boost2": None}),
    ("Fuel", "2003FFFFFFFFFFFF", {"FuelRate": 40.0}),
]


def decoded(message: str, names: list[str], data: bytes, text: str = TEXT) -> dict[str, Sample]:
    inputs = [(i, Input(name, "bus", message, name)) for i, name in enumerate(names)]
    (decoder,) = compile_decoders([("j1939.dbc", text)], inputs, j1939=True)
    out: list[Sample] = []
    bad = decoder.decode(data, 1.0, out)
    assert bad == sum(s.quality is Quality.UNDECODABLE for s in out)
    return {names[s.signal]: s for s in out}


@pytest.mark.parametrize(("message", "data", "expected"), VECTORS)
def test_values(message: str, data: str, expected: dict[str, float | None]) -> None:
    got = decoded(message, list(expected), bytes.fromhex(data))
    for name, value in expected.items():
        if value is None:
            assert math.isnan(got[name].value) and got[name].quality is Quality.NOT_FITTED
        else:
            assert got[name].value == pytest.approx(value, abs=1e-9) and got[name].quality is Quality.GOOD


def made(length: int, sign: str = "+") -> str:
    return f'VERSION ""\nBU_: X\nBO_ 2566843904 M: 8 X\n SG_ F : 0|{length}@1{sign} (1,0) [0|0] "" X\n'


GOOD, ABSENT, BAD = Quality.GOOD, Quality.NOT_FITTED, Quality.UNDECODABLE


# Source: SAE J1939-71's ranges as can-j1939 2.0.12 has them (MAX_8 250, NOT_VALID_8 254, NOT_AVAILABLE_8 255, MAX_16
# 64255, 0xFE00, 0xFF00); of 2 bits and of 32 from memory, highly sure; of 3 to 7 bits from memory.
@pytest.mark.parametrize(
    ("length", "raw", "quality"),
    [
        *[(8, raw, GOOD) for raw in (0, 250)],
        *[(8, raw, BAD) for raw in (251, 252, 253, 254)],
        (8, 255, ABSENT),
        *[(16, raw, GOOD) for raw in (0, 0x00FF, 0x00FE, 64255)],
        *[(16, raw, BAD) for raw in (0xFB00, 0xFBFF, 0xFC00, 0xFDFF, 0xFE00, 0xFEFF)],
        *[(16, raw, ABSENT) for raw in (0xFF00, 0xFF7F, 0xFFFF)],
        *[(32, raw, GOOD) for raw in (0, 0xFFFF, 0xFAFFFFFF)],
        *[(32, raw, BAD) for raw in (0xFB000000, 0xFE000000, 0xFEFFFFFF)],
        *[(32, raw, ABSENT) for raw in (0xFF000000, 0xFFFFFFFF)],
        *[(2, raw, quality) for raw, quality in enumerate((GOOD, GOOD, BAD, ABSENT))],
        (4, 13, GOOD),
        (4, 14, BAD),
        (4, 15, ABSENT),
        (3, 6, GOOD),
        (3, 7, ABSENT),
        (1, 1, GOOD),
    ],
)
def test_codes_in_the_place_of_a_value(length: int, raw: int, quality: Quality) -> None:
    data = raw.to_bytes(4, "little") + bytes(4)
    for frame in (data, data[: -(-length // 8)]):  # the second way goes field by field, for frames that are short
        sample = decoded("M", ["F"], frame, made(length))["F"]
        assert sample.quality is quality
        assert sample.value == raw if quality is GOOD else math.isnan(sample.value)


def test_the_codes_of_can_j1939_are_on_the_right_side_of_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    theirs = can_j1939(monkeypatch).ControllerApplication.FieldValue
    assert bounds_of(8) == (theirs.MAX_8, theirs.NOT_AVAILABLE_8)
    assert bounds_of(16) == (theirs.MAX_16, theirs.NOT_AVAILABLE_16)
    assert theirs.MAX_8 < theirs.NOT_VALID_8 < theirs.NOT_AVAILABLE_8
    assert theirs.MAX_16 < theirs.NOT_VALID_16 < theirs.NOT_AVAILABLE_16


def test_texts_and_signed_fields_have_no_such_codes() -> None:
    assert bounds_of(33) is None and bounds_of(64) is None and bounds_of(1) is None
    assert decoded("M", ["F"], b"\xff" * 8, made(8, "-"))["F"].value == -1


def test_a_plain_bus_has_no_such_codes() -> None:
    inputs = [(0, Input("oil", "bus", "EngineTemperature", "OilTemp"))]
    (decoder,) = compile_decoders([("j1939.dbc", TEXT)], inputs)
    out: list[Sample] = []
    decoder.decode(b"\xff" * 8, 0.0, out)
    assert out[0].value == pytest.approx(1774.97, abs=0.005)  # cantools 45.1.0 reads so too: hence the codes


# --------------------------------------------------------------------------------------------------------- ids


# Source: tshark and pamoja-can split these ids so; cantools' frame_id_pack makes them.
@pytest.mark.parametrize(
    ("can_id", "group"),
    [
        (0x0CF00400, 61444),
        (0x18FEEE00, 65262),
        (0x1CFEEEFE, 65262),
        (0x18EA00F9, 59904),
        (0x1CECFF00, ANNOUNCEMENT),
        (0x1CEBFF00, PACKET),
        (0x18FECA00, DM1),
        (0x19FEEE00, 65262 + 0x10000),
    ],
)
def test_the_group_of_an_id(can_id: int, group: int) -> None:
    assert group_of(can_id) == group


@given(st.integers(0, 2**29 - 1), st.integers(0, 2**29 - 1), st.booleans())
def test_a_filter_passes_what_is_of_its_group_and_sender_and_nothing_else(wanted: int, other: int, near: bool) -> None:
    if near:
        other = wanted ^ (other & 0x1C00FF00)  # another priority, another last byte of the group or address
    group, sender = group_of(wanted), wanted & 0xFF
    number, mask = filter_of(group, sender)
    assert (other & mask == number & mask) == (group_of(other) == group and other & 0xFF == sender)
    number, mask = filter_of(group, None)
    assert (other & mask == number & mask) == (group_of(other) == group)


# ----------------------------------------------------------------------------------------------- trouble codes


def can_j1939(monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.syspath_prepend(str(wheel("can-j1939", "2.0.12")))
    return importlib.import_module("j1939")


# Source: can-j1939 2.0.12: its DTC packs SPN 110, FMI 0, once as 0x0100006E; SPN 102, FMI 18, 5 times as 0x05120066.
@pytest.mark.parametrize(("data", "code"), [("6E000001", (110, 0, 1)), ("66001205", (102, 18, 5))])
def test_a_trouble_code(data: str, code: tuple[int, int, int]) -> None:
    assert parse_dm1(bytes.fromhex(f"00FF{data}FFFF")) == ((), (TroubleCode(*code),))


def test_trouble_codes_are_unpacked_as_can_j1939_packs_them(monkeypatch: pytest.MonkeyPatch) -> None:
    packer = importlib.import_module("j1939.diagnostic_messages") if can_j1939(monkeypatch) else None
    assert packer is not None
    for spn in (1, 110, 255, 256, 65535, 65536, 0x1FFFF, 0x20000, 0x55555, 0x7FFFE):
        for fmi in (0, 1, 18, 31):
            for count in (0, 1, 126):
                packed = packer.DTC(spn=spn, fmi=fmi, oc=count).dtc.to_bytes(4, "little")
                assert parse_dm1(b"\0\xff" + packed)[1] == (TroubleCode(spn, fmi, count),)


# Source: can-j1939 2.0.12's DtcLamp: keys pl, awl, rsl, mil from the lowest two bits up; 1 is on.
@pytest.mark.parametrize(
    ("key", "name"), [("pl", "protect"), ("awl", "warning"), ("rsl", "stop"), ("mil", "malfunction")]
)
def test_lamps(key: str, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    can_j1939(monkeypatch)
    lamp = importlib.import_module("j1939.diagnostic_messages").DtcLamp()
    for status in (lamp.ON, lamp.ON_SLOW_FLASH, lamp.ON_FAST_FLASH):
        assert parse_dm1(bytes([*lamp.get_data({key: status}), 0, 0, 0, 0, 255, 255]))[0] == (name,)
    assert parse_dm1(bytes([*lamp.get_data({key: lamp.OFF}), 0, 0, 0, 0, 255, 255]))[0] == ()


@pytest.mark.parametrize("data", ["00FF00000000FFFF", "00FFFFFFFFFFFFFF", "FFFF00000000", "00FF000000000000"])
def test_a_message_without_codes(data: str) -> None:
    assert parse_dm1(bytes.fromhex(data)) == ((), ())


@pytest.mark.parametrize("data", ["", "00", "00FF6E0000", "00FF6E00000112", "00FF6E0000016600120501"])
def test_a_message_that_holds_no_whole_number_of_codes(data: str) -> None:
    with pytest.raises(ValueError, match="2 bytes of lamps and 4 for each code"):
        parse_dm1(bytes.fromhex(data))


def test_a_code_in_words() -> None:
    assert TroubleCode(110, 0, 1).words == "SPN 110 (coolant temperature), FMI 0 (far too high), 1 time"
    assert TroubleCode(7777, 25, None).words == "SPN 7777, FMI 25"


def codes(count: int) -> bytes:
    return b"\0\xff" + b"".join((1000 + i).to_bytes(2, "little") + b"\x03\x01" for i in range(count))


def test_codes_stand_until_the_sender_says_otherwise_or_falls_silent() -> None:
    troubles = Troubles()
    troubles.update(0, codes(2), 0.0)
    troubles.update(3, codes(1), 0.0)
    assert len(troubles.notes) == 3
    troubles.update(0, codes(0) + bytes(4) + b"\xff\xff", 100.0)
    assert [note.split(":")[0] for note in troubles.notes] == ["trouble code from address 3"]
    troubles.sweep(FORGET_MS)
    assert len(troubles.notes) == 1
    troubles.sweep(FORGET_MS + 1)
    assert troubles.notes == ()


def test_of_very_many_codes_the_rest_is_a_count() -> None:
    troubles = Troubles()
    troubles.update(0, codes(SHOWN_CODES + 5), 0.0)
    assert len(troubles.notes) == SHOWN_CODES + 1
    assert troubles.notes[-1] == "5 more trouble codes from address 0"


# ----------------------------------------------------------------------------------------------- long messages

# Source: tshark 4 reads these as an announcement of 14 bytes of group 65226 in 2 packets, and a packet.
ANNOUNCED = bytes.fromhex("200E0002FFCAFE00")
PACKETS = [bytes.fromhex("0104FF6E00000166"), bytes.fromhex("020012059C040302")]
WHOLE = bytes.fromhex("04FF6E000001660012059C040302")


def assembled(*steps: tuple[float, bytes]) -> tuple[Assembler, list[tuple[int, bytes]]]:
    """What came out of announcements (they begin with 0x20) and packets at their times in ms."""
    assembler, out = Assembler(), []
    for t_ms, data in steps:
        if data[:1] == b"\x20":
            assembler.announce(0, data, t_ms)
        elif (message := assembler.packet(0, data, t_ms)) is not None:
            out.append(message)
    return assembler, out


def test_a_long_message_is_put_together() -> None:
    assembler, out = assembled((0, ANNOUNCED), (50, PACKETS[0]), (100, PACKETS[1]))
    assert (out, assembler.broken) == ([(DM1, WHOLE)], 0)


@pytest.mark.parametrize(
    "steps",
    [
        pytest.param([(50, PACKETS[1])], id="the first packet is missing"),
        pytest.param([(50, PACKETS[0]), (100, b"\x03" + bytes(7))], id="the last is missing"),
        pytest.param([(50, PACKETS[0]), (60, PACKETS[0]), (100, PACKETS[1])], id="one comes twice"),
        pytest.param([(50, PACKETS[0]), (801, PACKETS[1])], id="the last is late"),
        pytest.param([(50, PACKETS[0][:5]), (100, PACKETS[1])], id="one is too short"),
        pytest.param([(50, b"")], id="one is empty"),
        pytest.param([(50, b"\0" + bytes(7))], id="one has number 0"),
    ],
)
def test_a_message_with_a_fault_comes_to_nothing_and_is_counted_once(steps: list[tuple[float, bytes]]) -> None:
    assembler, out = assembled((0, ANNOUNCED), *steps)
    assert (out, assembler.broken) == ([], 1)


@pytest.mark.parametrize(
    "announcement",
    [
        "200E0003FFCAFE00",  # three packets for 14 bytes
        "200E0001FFCAFE00",
        "20080002FFCAFE00",  # 8 bytes need no such message
        "20FFFFFFFFCAFE00",  # more than 255 packets hold
        "20FA06FFFFCAFE00",  # 1786 bytes
        "200E0002FFCAFE",
        "20",
    ],
)
def test_an_announcement_that_makes_no_sense_is_counted_and_its_packets_left_alone(announcement: str) -> None:
    assembler, out = assembled((0, bytes.fromhex(announcement)), (50, PACKETS[0]), (100, PACKETS[1]))
    assert (out, assembler.broken) == ([], 1)


def test_the_longest_message_there_can_be() -> None:
    data = bytes(range(255)) * 7
    steps = [(float(i), bytes([i + 1]) + data[7 * i : 7 * i + 7]) for i in range(255)]
    assembler = Assembler()
    assembler.announce(0, bytes.fromhex("20F906FFFFCAFE00"), 0)
    out = [message for t_ms, packet in steps if (message := assembler.packet(0, packet, t_ms)) is not None]
    assert out == [(DM1, data)]


def test_another_announcement_before_the_end_gives_the_first_message_up() -> None:
    assembler, out = assembled((0, ANNOUNCED), (10, PACKETS[0]), (20, ANNOUNCED), (30, PACKETS[0]), (40, PACKETS[1]))
    assert (out, assembler.broken) == ([(DM1, WHOLE)], 1)


def test_a_message_that_just_stops_is_counted_when_its_time_is_over() -> None:
    assembler, _ = assembled((0, ANNOUNCED), (50, PACKETS[0]))
    assembler.sweep(800)
    assert assembler.broken == 0
    assembler.sweep(801)
    assert assembler.broken == 1
    assembler.sweep(5000)
    assert assembler.broken == 1


@given(st.lists(st.tuples(st.sampled_from([0x18FECA00, 0x1CECFF00, 0x1CEBFF00, 0x1CECFF05]), st.binary(max_size=8))))
def test_no_frame_can_break_it(frames: list[tuple[int, bytes]]) -> None:
    network = Network({}, None)
    for i, (can_id, data) in enumerate(frames):
        decode = network.get(can_id)
        assert decode is not None
        assert decode(data, float(i), []) == 0
        network.sweep(float(i))
    assert network.assembler.broken + network.troubles.malformed <= 2 * len(frames)


# ----------------------------------------------------------------------------------------------------- network


def test_only_the_senders_that_are_listened_to_are_heard() -> None:
    groups = {61444: lambda data, t_ms, out: 7}
    assert Network(groups, (0, 5)).get(0x0CF00405) is groups[61444]
    assert Network(groups, (0, 5)).get(0x0CF00406) is None
    assert Network(groups, (0, 5)).get(0x18FECA06) is None
    assert Network(groups, None).get(0x0CF004FE) is groups[61444]


def test_a_long_message_of_a_wanted_group_is_decoded_like_a_frame() -> None:
    seen: list[bytes | bytearray] = []

    def decode(data: bytes | bytearray, t_ms: float, out: list[Sample]) -> int:
        seen.append(data)
        return 3

    network = Network({DM1: decode}, (0,))
    for can_id, data, bad in ((0x1CECFF00, ANNOUNCED, 0), (0x1CEBFF00, PACKETS[0], 0), (0x1CEBFF00, PACKETS[1], 3)):
        handle = network.get(can_id)
        assert handle is not None and handle(data, 0.0, []) == bad
    assert seen == [WHOLE]
    assert len(network.troubles.notes) == 4


def test_the_filters_pass_all_that_is_answered_and_little_else() -> None:
    network = Network({61444: lambda data, t_ms, out: 0, 59904: lambda data, t_ms, out: 0}, (0, 3))

    def passes(can_id: int) -> bool:
        return any(can_id & mask == number & mask for number, mask in network.filters)

    for can_id in (0x0CF00400, 0x18F00403, 0x18EA0B00, 0x18FECA00, 0x1CECFF03, 0x1CEBFF00):
        assert network.get(can_id) is not None and passes(can_id)
    for can_id in (0x0CF00401, 0x18FEEE00, 0x18FECA04):
        assert network.get(can_id) is None and not passes(can_id)
    assert all(number & mask == number for number, mask in network.filters)
