"""Lengths of CAN frames and the load of a bus: published bounds, and frames built bit by bit here."""

from __future__ import annotations

import can
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from uphaul.sources.can_load import BusLoad, LoadMeter, frame_bits, most_stuff_bits

# Extended, data bytes, bits without stuffing, bits at worst, frames a second at 250, 500 and 1000 kbit/s of the worst.
# Source: ISO 11898-1 (classic frames and the gap behind them), by hand; the worst by Davis, Burns, Bril and Lukkien,
# Real-Time Systems 35 (2007), from memory, highly sure.
LENGTHS = [
    (False, 8, 111, 135, (1851.9, 3703.7, 7407.4)),
    (True, 8, 131, 160, (1562.5, 3125.0, 6250.0)),
    (False, 0, 47, 55, (4545.5, 9090.9, 18181.8)),
    (True, 0, 67, 80, (3125.0, 6250.0, 12500.0)),
]


@pytest.mark.parametrize(("extended", "data_bytes", "bits", "worst", "rates"), LENGTHS)
def test_published_lengths(
    extended: bool, data_bytes: int, bits: int, worst: int, rates: tuple[float, float, float]
) -> None:
    assert frame_bits(data_bytes, extended=extended) == bits
    assert bits + most_stuff_bits(data_bytes, extended=extended) == worst
    for bitrate, rate in zip((250_000, 500_000, 1_000_000), rates, strict=True):
        load = BusLoad(rate, rate * bits, rate * worst)
        assert load.percent(bitrate)[1] == pytest.approx(100.0, abs=5e-3)  # rates of one decimal


@pytest.mark.parametrize("n", range(9))
def test_the_worst_is_the_short_formula_of_the_paper(n: int) -> None:
    # Davis et al.: 55 + 10 n and 80 + 10 n
    assert frame_bits(n, extended=False) + most_stuff_bits(n, extended=False) == 55 + 10 * n
    assert frame_bits(n, extended=True) + most_stuff_bits(n, extended=True) == 80 + 10 * n


# ------------------------------------------------------------------------------------------- frames bit by bit


def bits_of(value: int, length: int) -> list[int]:
    return [value >> i & 1 for i in range(length - 1, -1, -1)]


def crc15(bits: list[int]) -> int:
    """The check sum of a classic frame, generator 0x4599."""
    register = 0
    for bit in bits:
        turn = bit ^ register >> 14
        register = (register << 1 & 0x7FFF) ^ (0x4599 if turn else 0)
    return register


def exact_bits(can_id: int, data: bytes, *, extended: bool) -> int:
    """Bits on the wire with the stuff bits that this very frame needs, and the gap of 3 behind it."""
    head = [0, *bits_of(can_id, 11), 0, 0, 0]  # start, id, RTR, IDE, r0
    if extended:
        head = [0, *bits_of(can_id >> 18, 11), 1, 1, *bits_of(can_id & 0x3FFFF, 18), 0, 0, 0]  # SRR, IDE; RTR, r1, r0
    body = [*head, *bits_of(len(data), 4), *(bit for byte in data for bit in bits_of(byte, 8))]
    body += bits_of(crc15(body), 15)
    stuffed, run, last = 0, 0, -1
    for bit in body:
        run = run + 1 if bit == last else 1
        last = bit
        if run == 5:
            stuffed, run, last = stuffed + 1, 1, 1 - bit
    return len(body) + stuffed + 1 + 2 + 7 + 3  # CRC delimiter, acknowledgement, end of frame, gap


def test_the_check_sum_is_that_of_the_catalogue() -> None:
    # CRC-15/CAN of "123456789" is 0x059E in the catalogue of parametrised CRC algorithms, from memory, highly sure
    assert crc15([bit for byte in b"123456789" for bit in bits_of(byte, 8)]) == 0x059E


@pytest.mark.parametrize(
    ("can_id", "data", "extended", "bits"),
    [  # counted by another such encoder, written apart from this one
        (0x7DF, "02010C0000000000", False, 123),
        (0x7E8, "04410C1AF8000000", False, 122),
        (0x0CF00400, "FFFFFF803EFFFFFF", True, 146),
    ],
)
def test_exact_lengths(can_id: int, data: str, extended: bool, bits: int) -> None:
    assert exact_bits(can_id, bytes.fromhex(data), extended=extended) == bits


@given(st.booleans(), st.integers(0, 2**29 - 1), st.binary(max_size=8))
@example(False, 0, bytes(8))
@example(False, 0x078, b"\x3c\x3c\x3c\x3c\x3c\x3c\x3c\x3c")
@example(True, 0x1FFFFFFF, b"\xff" * 8)
@example(True, 0x03E0F83E, b"\x0f\x83\xe0\xf8\x3e\x0f\x83\xe0")
def test_every_frame_lies_between_the_two_lengths(extended: bool, number: int, data: bytes) -> None:
    can_id = number if extended else number & 0x7FF
    least = frame_bits(len(data), extended=extended)
    exact = exact_bits(can_id, data, extended=extended)
    assert least <= exact <= least + most_stuff_bits(len(data), extended=extended)


# --------------------------------------------------------------------------------------------------- the meter


def test_a_meter_says_the_load_of_the_last_window() -> None:
    meter = LoadMeter(10.0)
    for _ in range(1000):
        meter.add(can.Message(arbitration_id=0x100, is_extended_id=False, data=bytes(8)))
        meter.add(can.Message(arbitration_id=0x18FEEE00, data=bytes(8)))
        meter.add(can.Message(arbitration_id=0x101, is_extended_id=False, is_remote_frame=True, dlc=8))
        meter.add(can.Message(is_error_frame=True))
    assert not meter.look(10.9)
    assert meter.load is None
    assert meter.look(12.0)
    # by hand, over 2 s: 111 + 131 + 47 bits and 135 + 160 + 55, a thousand times
    assert meter.load == BusLoad(1500.0, 144_500.0, 175_000.0)
    assert meter.load.percent(500_000) == pytest.approx((28.9, 35.0))
    assert meter.load.words(500_000) == "bus load 29 to 35 % of 500 kbit/s, 1,500 frames/s"
    assert "bus load 144 to 175 kbit/s, 1,500 frames/s" in meter.load.words(None)
    assert meter.look(13.0)
    assert meter.load == BusLoad(0.0, 0.0, 0.0)


def test_the_timing_that_python_can_sets_an_adapter_to_for_a_bit_rate() -> None:
    # python-can 4.6.1; the 87.5 % are those of can-utils' can-calc-bit-timing too. 8 MHz, 16 parts of a bit by hand.
    timing = can.BitTiming.from_sample_point(f_clock=8_000_000, bitrate=500_000, sample_point=87.5)
    assert (timing.brp, timing.tseg1, timing.tseg2) == (1, 13, 2)
    assert 8_000_000 / (timing.brp * (1 + timing.tseg1 + timing.tseg2)) == 500_000
