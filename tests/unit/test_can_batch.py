"""Decoding in batches equals the functions that decode frame by frame, to the bit."""

from __future__ import annotations

import struct
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.can_made import REFUSED_BY_CANTOOLS, dbc_message, payloads
from support.can_reference import dbc_files, load, read_dbc
from uphaul.config.spec import Input
from uphaul.errors import ConfigError
from uphaul.signals import Sample
from uphaul.sources.can_batch import Frames, decode_batch
from uphaul.sources.can_decode import Decoder, compile_decoders

Told = list[tuple[float, bytes, int]]


def frames_of(data: Sequence[bytes]) -> Frames:
    """The frames one ms apart."""
    longest = max((len(d) for d in data), default=0)
    table = np.array([list(d.ljust(longest, b"\0")) for d in data], dtype=np.uint8).reshape(len(data), longest)
    return Frames(np.arange(len(data)) + 0.5, table, np.array([len(d) for d in data], dtype=np.int64))


def one_by_one(decoder: Decoder, data: Sequence[bytes]) -> dict[int, Told]:
    """Time, bits of the value and quality of every sample, by column."""
    out: list[Sample] = []
    for i, frame in enumerate(data):
        decoder.decode(frame, i + 0.5, out)
    told: dict[int, Told] = {want.column: [] for want in decoder.wants}
    for s in out:
        told[s.signal].append((s.t_ms, struct.pack("<d", s.value), int(s.quality)))
    return told


def at_once(decoder: Decoder, data: Sequence[bytes]) -> dict[int, Told]:
    found = decode_batch(decoder.wants, frames_of(data))
    return {
        column: [
            (t, struct.pack("<d", v), q)
            for t, v, q in zip(s.t_ms.tolist(), s.value.tolist(), s.quality.tolist(), strict=True)
        ]
        for column, s in found
    }


@given(dbc_message(), st.data())
@settings(max_examples=200, deadline=None)
def test_any_message_decodes_in_a_batch_as_frame_by_frame(made: tuple[str, int], data: st.DataObject) -> None:
    text, length = made
    (message,) = load(text).messages
    names = [s.name for s in message.signals]
    numbers = data.draw(st.lists(st.sampled_from([(1.0, 0.0), (0.1, -3.0), (1e300, 0.0), (-2.0, 0.0)]), min_size=1))
    wanted = [(i, Input(f"s{i}", "b", "M", n, *numbers[i % len(numbers)])) for i, n in enumerate(names)]
    (decoder,) = compile_decoders([("made.dbc", text)], wanted, j1939=data.draw(st.booleans()))
    frames = data.draw(st.lists(st.binary(min_size=0, max_size=length + 2), min_size=1, max_size=12))
    assert at_once(decoder, frames) == one_by_one(decoder, frames)


@pytest.mark.parametrize("j1939", [False, True])
@pytest.mark.parametrize("file", sorted(dbc_files().keys() - REFUSED_BY_CANTOOLS))
def test_every_message_of_others_decodes_in_a_batch_as_frame_by_frame(file: str, j1939: bool) -> None:
    text = read_dbc(dbc_files()[file])
    messages = {m.name: m for m in load(text).messages}
    wanted = [(i, Input(f"s{i}", "b", m.name, s.name)) for m in messages.values() for i, s in enumerate(m.signals)]
    try:
        decoders = compile_decoders([(file, text)], wanted, j1939=j1939)
    except ConfigError as error:  # texts, which no double holds
        without = {problem.key for problem in error.problems}
        wanted = [(i, item) for i, item in wanted if item.place not in without]
        decoders = compile_decoders([(file, text)], wanted, j1939=j1939)
    assert {d.message for d in decoders} == {item.message for _, item in wanted}
    for decoder in decoders:
        data = payloads(messages[decoder.message], file + decoder.message, 12)
        assert at_once(decoder, data) == one_by_one(decoder, data), decoder.message


def test_a_field_of_nine_bytes_is_exact() -> None:
    text = 'VERSION ""\nBU_: X\nBO_ 256 M: 12 X\n SG_ F : 4|64@1- (1,0) [0|0] "" X\n'
    (decoder,) = compile_decoders([("m.dbc", text)], [(0, Input("s", "b", "M", "F"))])
    data = [bytes(range(16, 28)), b"\xff" * 12, b"\xff" * 8]
    assert at_once(decoder, data) == one_by_one(decoder, data)
