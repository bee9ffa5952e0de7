"""Decoding equals cantools to the bit, on every message of every DBC that other projects test with."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable
from functools import cache

import pytest
from cantools.database.can import Message
from cantools.database.errors import DecodeError, Error
from hypothesis import given, settings
from hypothesis import strategies as st

from support.can_made import REFUSED_BY_CANTOOLS, dbc_message, payloads
from support.can_reference import Reference, dbc_files, load, read_dbc
from uphaul.config.spec import Input
from uphaul.errors import ConfigError
from uphaul.signals import Quality, Sample
from uphaul.sources.can_decode import Decoder, compile_decoders, describe

NOT_NUMBERS = {
    # Texts of 1024 bits and more in J1939 multi-packet messages: as a number, none fits a double.
    "CI.Model",
    "CI.Serial_Number",
    "CI.Unit_Number__Power_Unit_",
    "DI.Driver_1_identification",
    "DI.Driver_2_identification",
    "DISP1.Text_Display_Character",
    "ECUID.ECU_Location",
    "ECUID.ECU_Manufacturer_Name",
    "ECUID.ECU_Part_Number",
    "ECUID.ECU_Serial_Number",
    "ECUID.ECU_Type",
    "SOFT.Software_Identification",
    "VI.Vehicle_Identification_Number",
}


def fields(message: Message) -> list[str]:
    """The names of the message's fields that are numbers."""
    names = dict.fromkeys(s.name for s in message.signals)  # some name two fields alike: the last counts
    return [name for name in names if f"{message.name}.{name}" not in NOT_NUMBERS]


@cache
def databases() -> dict[str, tuple[str, dict[str, Message]]]:
    """(text, messages by name) of every DBC that cantools can read."""
    found = {}
    for name, path in dbc_files().items():
        if name not in REFUSED_BY_CANTOOLS:
            text = read_dbc(path)
            found[name] = text, {m.name: m for m in load(text).messages}
    return found


def inputs(message: str, fields: Iterable[str]) -> list[tuple[int, Input]]:
    return [(i, Input(f"s{i}", "bus", message, field)) for i, field in enumerate(fields)]


@cache
def decoders_of(file: str) -> tuple[Decoder, ...]:
    """Decoders of everything in the file; the columns count a message's `fields`."""
    text, messages = databases()[file]
    return compile_decoders([(file, text)], [pair for m in messages.values() for pair in inputs(m.name, fields(m))])


def run(decoder: Decoder, data: bytes) -> list[Sample]:
    out: list[Sample] = []
    bad = decoder.decode(data, 12.5, out)
    assert bad == sum(s.quality is Quality.UNDECODABLE for s in out)
    assert all(s.t_ms == 12.5 and type(s) is Sample for s in out)
    return out


def bits(value: float) -> bytes:
    """The double's own bits: tells 0.0 from -0.0; NaN by one pattern."""
    return struct.pack("<d", math.nan if math.isnan(value) else value)


def agree(samples: list[Sample], names: list[str], expected: dict[str, float], data: bytes) -> None:
    got = {names[s.signal]: s for s in samples}
    assert len(got) == len(samples)
    assert got.keys() == expected.keys(), data.hex()
    for name, value in expected.items():
        assert bits(got[name].value) == bits(value), (name, data.hex())
        assert got[name].value == value or math.isnan(value)  # as integers too: a double holds 53 bits
        assert got[name].quality == (Quality.UNDECODABLE if math.isnan(value) else Quality.GOOD)


def test_the_files_that_cantools_refuses_are_refused_with_a_place_and_no_others_are() -> None:
    refused = set()
    for name, path in dbc_files().items():
        try:
            describe(read_dbc(path), name)
        except ConfigError as error:
            refused.add(name)
            assert error.problems[0].file == name
    print(f"{len(refused)} of {len(dbc_files())} DBC files cannot be read by cantools: {', '.join(sorted(refused))}")
    assert refused == REFUSED_BY_CANTOOLS
    assert len(dbc_files()) > 60


def test_fields_that_no_double_can_hold_are_refused_by_name() -> None:
    refused = set()
    for file, (text, messages) in databases().items():
        wanted = [pair for m in messages.values() for pair in inputs(m.name, (s.name for s in m.signals))]
        try:
            compile_decoders([(file, text)], wanted)
        except ConfigError as error:
            assert {problem.file for problem in error.problems} == {"canmatrix j1939.dbc"}
            refused |= {problem.key for problem in error.problems}
    assert refused == NOT_NUMBERS


@pytest.mark.parametrize("file", sorted(set(dbc_files()) - REFUSED_BY_CANTOOLS))
def test_every_message_decodes_like_cantools_field_by_field(file: str) -> None:
    _, messages = databases()[file]
    by_name = {decoder.message: decoder for decoder in decoders_of(file)}
    assert by_name.keys() == {name for name, message in messages.items() if fields(message)}
    for name, decoder in by_name.items():
        message = messages[name]
        assert (decoder.frame_id, decoder.extended) == (message.frame_id, message.is_extended_frame)
        names = fields(message)
        expected = Reference(message, names)
        for data in payloads(message, f"{file} {name}", 6 if len(messages) > 100 else 25):
            agree(run(decoder, data), names, dict(expected.values(data)), data)


@pytest.mark.parametrize("file", sorted(set(dbc_files()) - REFUSED_BY_CANTOOLS))
def test_whole_frames_equal_decode_message(file: str) -> None:
    _, messages = databases()[file]
    decoders = {d.message: d for d in decoders_of(file)}
    compared = refused = 0
    for message in messages.values():
        names = fields(message)
        if not names or len(names) < len({s.name for s in message.signals}):
            continue
        decoder = decoders[message.name]
        for data in payloads(message, f"whole {file} {message.name}", 6 if len(messages) > 100 else 25):
            if len(data) != message.length:
                continue
            try:
                decoded = message.decode(data, decode_choices=False)
            except (DecodeError, ValueError):  # unlisted multiplexer number, or fields that do not fit
                refused += 1
                continue
            plain = {
                n: float("nan") if isinstance(v, float) and not math.isfinite(v) else v for n, v in decoded.items()
            }
            overlapping = file in {"issue_63.dbc", "canmatrix j1939.dbc"} and not _fits(message)
            if not overlapping:  # else cantools itself reads the bits of a neighbour
                agree(run(decoder, data), names, plain, data)  # type: ignore[arg-type]
                compared += 1
    print(f"{file}: {compared} frames compared, {refused} refused by cantools")
    # In two files the only message has fields that overlap or reach past its end: cantools refuses every frame.
    never = file in {"bad_message_length.dbc", "issue_63.dbc"} or not any(m.signals for m in messages.values())
    assert (compared == 0) == never


def _fits(message: Message) -> bool:
    try:
        message.refresh(strict=True)
    except Error:
        return False
    finally:
        message.refresh(strict=False)
    return True


@given(dbc_message(), st.data())
@settings(max_examples=150, deadline=None)
def test_any_message_decodes_like_cantools(made: tuple[str, int], data: st.DataObject) -> None:
    text, length = made
    (message,) = load(text).messages
    names = fields(message)
    (decoder,) = compile_decoders([("made.dbc", text)], inputs("M", names))
    expected = Reference(message, names)
    for frame in [*data.draw(st.lists(st.binary(min_size=length, max_size=length), min_size=3, max_size=6))]:
        for cut in (frame, frame[: data.draw(st.integers(0, length))], frame + b"\x55\xaa"):
            agree(run(decoder, cut), names, dict(expected.values(cut)), cut)


HAND_MADE = """VERSION ""
BU_: X
BO_ 2364539904 EEC1: 8 X
 SG_ EngineSpeed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" X
BO_ 2566843904 ET1: 8 X
 SG_ Coolant : 0|8@1+ (1,-40) [-40|210] "degC" X
 SG_ Oil : 16|16@1+ (0.03125,-273) [-273|1734.96875] "degC" X
BO_ 2566845952 IC1: 8 X
 SG_ Boost : 8|8@1+ (2,0) [0|500] "kPa" X
 SG_ Manifold : 16|8@1+ (1,-40) [-40|210] "degC" X
 SG_ Inlet : 24|8@1+ (2,0) [0|500] "kPa" X
 SG_ Exhaust : 40|16@1+ (0.03125,-273) [-273|1734.96875] "degC" X
BO_ 300 Box: 8 X
 SG_ Real : 0|32@1- (1,0) [0|0] "V" X
 SG_ Page M : 32|8@1+ (1,0) [0|0] "" X
 SG_ A m1 : 40|8@1- (1,0) [0|0] "" X
 SG_ B m2 : 40|16@1+ (0.5,0) [0|0] "bar" X

SIG_VALTYPE_ 300 Real : 1;
"""


def decode_one(message: str, names: list[str], data: str, *, factor: float = 1.0, offset: float = 0.0) -> list[Sample]:
    wanted = [(i, Input(f"s{i}", "bus", message, name, factor, offset)) for i, name in enumerate(names)]
    (decoder,) = compile_decoders([("hand.dbc", HAND_MADE)], wanted)
    return run(decoder, bytes.fromhex(data))


@pytest.mark.parametrize(
    ("message", "names", "data", "values"),
    [
        # Layout: canmatrix' j1939.dbc (SPN positions); scales: SAE J1939-71 as public engine manuals print them.
        ("EEC1", ["EngineSpeed"], "FFFFFF803EFFFFFF", [2000.0]),
        ("EEC1", ["EngineSpeed"], "FFFFFF8813FFFFFF", [625.0]),
        ("ET1", ["Coolant", "Oil"], "91FF602FFFFFFFFF", [105.0, 106.0]),
        ("IC1", ["Boost", "Manifold", "Inlet", "Exhaust"], "FF5F4B32FF407AFF", [190.0, 35.0, 100.0, 705.0]),
        ("IC1", ["Boost", "Manifold", "Inlet", "Exhaust"], "FF645A64FF601BFF", [200.0, 50.0, 200.0, -54.0]),
    ],
)
def test_frames_of_a_heavy_engine_read_as_the_standard_says(
    message: str, names: list[str], data: str, values: list[float]
) -> None:
    assert [s.value for s in decode_one(message, names, data)] == values


def test_factor_and_offset_of_the_input_come_after_the_scale_of_the_dbc() -> None:
    (sample,) = decode_one("IC1", ["Boost"], "FF645A64FF601BFF", factor=0.1450377, offset=-1.0)
    assert sample == Sample(0, 12.5, 200 * 0.1450377 + -1.0)


@pytest.mark.parametrize(
    "data", ["0000c07f01050000", "0000807f01050000", "000080ff01050000"], ids=["nan", "inf", "-inf"]
)
def test_a_float_that_is_not_finite_is_undecodable_and_its_neighbours_are_not(data: str) -> None:
    real, page, a = decode_one("Box", ["Real", "Page", "A"], data)
    assert real.quality is Quality.UNDECODABLE
    assert math.isnan(real.value)
    assert (page.value, a.value) == (1, 5)


def test_a_multiplexed_field_that_the_frame_does_not_carry_gives_no_sample() -> None:
    assert [s.signal for s in decode_one("Box", ["A", "B"], "0000000002ff0100")] == [1]
    assert decode_one("Box", ["A", "B"], "0000000007ff0100") == []


@pytest.mark.parametrize(
    ("data", "qualities"),
    [
        ("0000803f02ff01", {"Real": Quality.GOOD, "Page": Quality.GOOD, "B": Quality.GOOD}),
        ("0000803f02ff", {"Real": Quality.GOOD, "Page": Quality.GOOD, "B": Quality.UNDECODABLE}),
        ("0000803f02", {"Real": Quality.GOOD, "Page": Quality.GOOD, "B": Quality.UNDECODABLE}),
        ("0000803f", {"Real": Quality.GOOD, "Page": Quality.UNDECODABLE}),
        ("0000", {"Real": Quality.UNDECODABLE, "Page": Quality.UNDECODABLE}),
        ("", {"Real": Quality.UNDECODABLE, "Page": Quality.UNDECODABLE}),
    ],
)
def test_a_frame_too_short_for_a_field_makes_that_field_undecodable(data: str, qualities: dict[str, Quality]) -> None:
    names = ["Real", "Page", "B"]
    assert {names[s.signal]: s.quality for s in decode_one("Box", names, data)} == qualities


def test_every_missing_name_is_told_with_the_nearest_that_there_is() -> None:
    wanted = [
        (0, Input("egt", "bus", "IC2", "Exhaust")),
        (1, Input("boost", "bus", "IC1", "Bost")),
        (2, Input("rpm", "bus", "EEC1", "EngineSpeed", factor=math.inf)),
    ]
    with pytest.raises(ConfigError) as caught:
        compile_decoders([("hand.dbc", HAND_MADE)], wanted)
    found = [(p.key, p.value, p.nearest) for p in caught.value.problems]
    assert found[:2] == [("signal.egt.from.message", "IC2", "IC1"), ("signal.boost.from.field", "Bost", "Boost")]
    assert "finite" in caught.value.problems[2].allowed


def test_describe_lists_messages_fields_and_units() -> None:
    assert describe(HAND_MADE)["ET1"] == {"Coolant": "degC", "Oil": "degC"}
    assert describe(HAND_MADE)["Box"] == {"Real": "V", "Page": "", "A": "", "B": "bar"}


@pytest.mark.parametrize(
    "text", ["nonsense {", "BO_ x y: 8 X", 'BO_ 1 M: 8 X\n SG_ S : 0|0@1+ (1,0) [0|0] "" X\n', "\0"]
)
def test_a_text_that_is_no_dbc_is_a_configuration_error_naming_the_file(text: str) -> None:
    with pytest.raises(ConfigError, match=r"vehicle\.dbc: text: must be a DBC that can be read"):
        describe(text, "vehicle.dbc")


def test_nothing_of_the_dbc_is_run_as_code() -> None:
    name = "x0_import_os"
    text = HAND_MADE.replace('"rpm"', '"__import__(\\"os\\")"').replace("EngineSpeed", name)
    (decoder,) = compile_decoders([("hand.dbc", text)], inputs("EEC1", [name]))
    code = decoder.decode.__code__
    assert name not in code.co_names + code.co_varnames
    assert not any(isinstance(constant, str) and constant not in {"little", "big"} for constant in code.co_consts)
