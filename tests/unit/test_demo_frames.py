"""The demo vehicle's CAN frames, packed by hand, are what its DBC says: decoded by cantools."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import can
import cantools
import pytest
from cantools.database.can import Database
from hypothesis import given
from hypothesis import strategies as st

from uphaul.config.scenario import load_scenario
from uphaul.demo import CHANNELS
from uphaul.demo.frames import MESSAGES, Message, pack
from uphaul.sources.demo_can import main, schedule, slcan_text

DBC = Path(__file__).resolve().parents[2] / "config" / "vehicle.dbc"


@pytest.fixture(scope="module")
def database() -> Database:
    loaded = cantools.database.load_file(DBC)
    assert isinstance(loaded, Database)
    return loaded


def test_the_dbc_and_the_messages_agree(database: Database) -> None:
    described = {
        m.name: (m.frame_id, m.is_extended_frame, m.cycle_time, [s.name for s in m.signals], m.length)
        for m in database.messages
    }
    sent = {m.name: (m.identifier, m.extended, m.period_ms, [f.name for f in m.fields], 8) for m in MESSAGES}
    assert described == sent
    for m in database.messages:
        fields = {f.name: f for f in next(x for x in MESSAGES if x.name == m.name).fields}
        for s in m.signals:
            assert (s.unit or "1") == CHANNELS[fields[s.name].channel].unit
    orders = {s.byte_order for m in database.messages for s in m.signals}
    assert orders == {"little_endian", "big_endian"}
    assert any(s.is_signed for m in database.messages for s in m.signals)
    assert any(m.is_extended_frame for m in database.messages)


@given(message=st.sampled_from(MESSAGES), data=st.data())
def test_what_is_packed_is_what_is_decoded(message: Message, data: st.DataObject) -> None:
    database = cantools.database.load_file(DBC)
    readings = {}
    for f in message.fields:
        low, high = (-(2 ** (f.bits - 1)), 2 ** (f.bits - 1) - 2) if f.signed else (0, 2**f.bits - 2)
        readings[f.channel] = data.draw(st.integers(low, high)) * f.factor + f.offset
    packed = pack(message, readings, {})
    assert packed is not None
    assert isinstance(database, Database)
    decoded = database.decode_message(message.identifier, packed)
    assert isinstance(decoded, dict)
    for f in message.fields:
        assert decoded[f.name] == pytest.approx(readings[f.channel], abs=1e-6)


def test_an_open_wire_is_above_every_believable_value(database: Database) -> None:
    for message in MESSAGES:
        readings = {f.channel: math.nan for f in message.fields}
        packed = pack(message, readings, {})
        assert packed is not None
        decoded = database.decode_message(message.identifier, packed)
        assert isinstance(decoded, dict)
        for signal in database.get_message_by_name(message.name).signals:
            value = decoded[signal.name]
            assert isinstance(value, int | float)
            if signal.length > 4:
                assert signal.maximum is not None
                assert value > signal.maximum
            else:
                assert value == 15


def test_a_value_beyond_the_field_is_held_below_the_open_mark() -> None:
    engine = MESSAGES[0]
    packed = pack(engine, {"rpm": 1e9, "map": -5.0, "egt": 20.0, "coolant": 20.0}, {})
    assert packed is not None
    assert packed[:4] == b"\xfe\xff\x00\x00"


def test_a_dropout_silences_its_message() -> None:
    readings = dict.fromkeys(CHANNELS, 1.0)
    assert pack(MESSAGES[0], readings, {"coolant": "dropout"}) is None
    assert pack(MESSAGES[1], readings, {"coolant": "dropout"}) is not None


def test_each_message_comes_at_its_period() -> None:
    frames = list(schedule(load_scenario("climb-heat"), seconds=2.0))
    times = [t for t, _, _ in frames]
    assert times == sorted(times)
    for message in MESSAGES:
        own = [round(t * 1000) for t, m, _ in frames if m is message]
        assert {b - a for a, b in itertools.pairwise(own)} == {message.period_ms}
        assert len(own) == 2000 // message.period_ms


def test_the_frames_tell_the_drive(database: Database) -> None:
    frames = list(schedule(load_scenario("climb-heat"), seed=3, start_s=200.0, seconds=0.5))
    engine = [database.decode_message("EngineBox", data) for _, m, data in frames if m.name == "EngineBox"]
    egt = [e["Egt1"] for e in engine if isinstance(e, dict)]
    assert len(egt) == 25
    assert all(isinstance(v, float) and 620 < v < 740 for v in egt)


def test_a_frame_is_told_as_a_serial_adapter_tells_it() -> None:
    assert slcan_text(MESSAGES[0], bytes(range(8))) == b"t10080001020304050607\r"
    assert slcan_text(MESSAGES[3], b"\x01\xff") == b"T18FF5021201FF\r"


def test_the_program_plays_on_any_bus(capsys: pytest.CaptureFixture[str]) -> None:
    with can.Bus(interface="virtual", channel="demo vehicle") as listener:
        arguments = ["--interface", "virtual", "--channel", "demo vehicle", "--seconds", "0.2", "--speed", "50"]
        assert main([*arguments, "--scenario", "egt-open"]) == 0
        got = []
        while (message := listener.recv(0.0)) is not None:
            got.append(message.arbitration_id)
    assert got.count(0x100) == 10
    assert set(got) == {m.identifier for m in MESSAGES}
    assert f"sent {len(got)} frames" in capsys.readouterr().out


def test_an_unknown_scenario_ends_the_program_with_status_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--interface", "virtual", "--scenario", "climb-hat"]) == 2
    assert "Did you mean 'climb-heat'" in capsys.readouterr().err
