"""Converters and amplifiers for type K against values from outside the project, the source in the row."""

from __future__ import annotations

import numpy as np
import pytest
import thermocouple_its90

from uphaul.signals.model import Quality
from uphaul.signals.thermocouple_chips import straight_line_degc
from uphaul.signals.transfer import (
    COARSE_UV_PER_K,
    FINE_UV_PER_K,
    AnalogueAmplifier,
    LinearisedConverter,
    StraightLineConverter,
    TransferError,
    decode_linearised_word,
    decode_straight_line_word,
)

EXACT = thermocouple_its90.TypeK

# fmt: off
# true degC, what the converter reports, its own degC, slope in uV/K. Electromotive forces of thermocouple-its90 1.0.2
# through the data sheet's equation (MAX31855K: slope second-hand, equation from memory; MAX6675: from memory).
REPORTED = [
    (100, 100.01, 25, FINE_UV_PER_K), (200, 197.94, 25, FINE_UV_PER_K), (300, 296.55, 25, FINE_UV_PER_K),
    (400, 398.02, 25, FINE_UV_PER_K), (500, 500.92, 25, FINE_UV_PER_K), (600, 604.16, 25, FINE_UV_PER_K),
    (650, 655.50, 25, FINE_UV_PER_K), (700, 706.48, 25, FINE_UV_PER_K), (750, 756.98, 25, FINE_UV_PER_K),
    (800, 806.93, 25, FINE_UV_PER_K), (900, 905.07, 25, FINE_UV_PER_K), (1000, 1000.76, 25, FINE_UV_PER_K),
    (700, 705.71, 0, FINE_UV_PER_K), (700, 706.68, 60, FINE_UV_PER_K), (650.31, 656.00, 40, FINE_UV_PER_K),
    (500, 504.12, 25, COARSE_UV_PER_K), (600, 608.05, 25, COARSE_UV_PER_K), (700, 711.07, 25, COARSE_UV_PER_K),
    (800, 812.20, 25, COARSE_UV_PER_K),
]
# word, degC, internal degC. Bit map: a public driver's comment; patterns as in the data sheet's tables, from memory.
WORDS = [
    (0x64007F00, 1600.0, 127.0), (0x3E806490, 1000.0, 100.5625), (0x064C4080, 100.75, 64.5), (0x01901900, 25.0, 25.0),
    (0xFFFCFFF0, -0.25, -0.0625), (0xF060EC00, -250.0, -20.0),
]
FAULT_WORDS = [
    (0x00010001, Quality.OPEN_CIRCUIT), (0x00010002, Quality.SHORT_TO_GROUND), (0x00010004, Quality.SHORT_TO_SUPPLY),
    (0x00010000, Quality.UNDECODABLE),  # a fault that names no cause
    (0x00000000, Quality.UNDECODABLE),  # no converter, line low
    (0xFFFFFFFF, Quality.UNDECODABLE),  # no converter, line high: bits that are always 0
]
# word, degC. Data sheet's table of MAX31856, from memory.
LINEARISED = [
    (0x640000, 1600.0), (0x3E8000, 1000.0), (0x064F00, 100.9375), (0x019000, 25.0), (0xFFFF00, -0.0625),
    (0xF06000, -250.0),
]
# degC, V in the table of application note AN-1087 "actual AD849x results" as four public firmware files carry it,
# V of the exact function times 122.4 about 25 degC (thermocouple-its90), degC that 5 mV/K would read.
AMPLIFIER = [
    (0, 0.003, 0.0026, 0.6), (25, 0.125, 0.1250, 25.0), (100, 0.504, 0.5039, 100.8), (200, 0.999, 0.9987, 199.8),
    (400, 2.010, 2.0096, 402.0), (500, 2.529, 2.5294, 505.8), (600, 3.051, 3.0510, 610.2), (700, 3.568, 3.5680, 713.6),
    (800, 4.076, 4.0755, 815.2), (900, 4.571, 4.5713, 914.2),
]
# fmt: on


@pytest.mark.parametrize(("true", "reported", "internal", "slope"), REPORTED)
def test_straight_line_error_is_taken_back(true: float, reported: float, internal: float, slope: float) -> None:
    assert straight_line_degc(reported, internal, slope) == pytest.approx(true, abs=0.02)


def test_straight_line_error_over_the_whole_range() -> None:
    true = np.arange(-40.0, 1201.0, 4.0)
    for internal in (-20.0, 25.0, 70.0):
        mv = np.array([EXACT.emf(t, reference=internal) for t in true.tolist()])
        reading = StraightLineConverter(range_degc=(-50.0, 1210.0)).read(internal + mv / 0.041276, internal)
        assert reading.values == pytest.approx(true, abs=1e-3)
        assert set(reading.quality.tolist()) == {Quality.GOOD}


@pytest.mark.parametrize(("word", "degc", "internal"), WORDS)
def test_words_of_the_straight_line_converter(word: int, degc: float, internal: float) -> None:
    reading, own = decode_straight_line_word(word)
    assert reading.one() == (degc, Quality.GOOD)
    assert own == internal


@pytest.mark.parametrize(("word", "quality"), FAULT_WORDS)
def test_fault_words_of_the_straight_line_converter(word: int, quality: Quality) -> None:
    reading, _ = decode_straight_line_word(word)
    assert reading.one()[1] is quality
    assert np.isnan(reading.one()[0])


def test_a_word_is_decoded_and_corrected_in_one_go() -> None:
    word = (2826 << 18) | (400 << 4)  # 706.5 degC, 25.0 degC inside
    reading = StraightLineConverter().read_words([word, 0x00010001, 0x00000000])
    assert reading.values[0] == pytest.approx(700.0, abs=0.25)  # its step
    assert reading.quality.tolist() == [Quality.GOOD, Quality.OPEN_CIRCUIT, Quality.UNDECODABLE]


@pytest.mark.parametrize(("word", "degc"), LINEARISED)
def test_words_of_the_linearising_converter(word: int, degc: float) -> None:
    assert decode_linearised_word(word).one() == (degc, Quality.GOOD)


@pytest.mark.parametrize(
    ("word", "register", "quality"),  # fault register of MAX31856, from memory
    [
        (0x2BC000, 0x01, Quality.OPEN_CIRCUIT),
        (0x2BC000, 0x02, Quality.SHORT_TO_SUPPLY),
        (0x2BC000, 0x40, Quality.UNDECODABLE),
        (0x2BC000, 0x80, Quality.UNDECODABLE),
        (0x2BC000, 0x3C, Quality.GOOD),  # its own limit comparators are no faults
        (0xFFFFFF, 0x00, Quality.UNDECODABLE),
        (0x2BC000, 0xFFF, Quality.UNDECODABLE),
    ],
)
def test_faults_of_the_linearising_converter(word: int, register: int, quality: Quality) -> None:
    assert decode_linearised_word(word, register).one()[1] is quality


def test_what_is_linearised_on_the_chip_is_not_corrected_again() -> None:
    assert LinearisedConverter().read([25.0, 700.0]).values.tolist() == [25.0, 700.0]


@pytest.mark.parametrize(("true", "table_v", "formula_v", "naive"), AMPLIFIER)
def test_amplifier(true: float, table_v: float, formula_v: float, naive: float) -> None:
    amplifier = AnalogueAmplifier(reference_v=0.2, supply_v=5.5)
    assert amplifier.read(table_v + 0.2).one() == (pytest.approx(true, abs=0.3), Quality.GOOD)
    assert amplifier.read(formula_v + 0.2).one()[0] == pytest.approx(true, abs=0.02)
    assert table_v / 0.005 == pytest.approx(naive, abs=0.1)  # what would be judged without the correction


def test_amplifier_that_is_not_at_25_degc() -> None:
    # no published table: its own compensation of 5 mV/K at the cold junction, worked from the exact package
    mv = EXACT.emf(700.0, reference=45.0)
    reading = AnalogueAmplifier().read(mv * 0.1224 + 0.225, 45.0)
    assert reading.one() == (pytest.approx(700.0, abs=1e-3), Quality.GOOD)


def test_a_5_v_amplifier_ends_between_950_and_980_degc() -> None:
    # common practice: the part saturates there
    assert 950.0 < AnalogueAmplifier().highest_degc < 980.0


@pytest.mark.parametrize(
    ("volts", "quality"),
    [
        (4.95, Quality.OPEN_CIRCUIT),
        (5.2, Quality.SHORT_TO_SUPPLY),
        (0.0, Quality.SHORT_TO_GROUND),
        (np.nan, Quality.UNDECODABLE),
    ],
)
def test_faults_of_the_amplifier(volts: float, quality: Quality) -> None:
    assert AnalogueAmplifier().read(volts).one()[1] is quality


@pytest.mark.parametrize(
    ("degc", "internal", "quality"),
    [
        (1300.0, 25.0, Quality.ABOVE_RANGE),
        (5000.0, 25.0, Quality.ABOVE_RANGE),
        (-60.0, 25.0, Quality.BELOW_RANGE),
        (-900.0, 25.0, Quality.BELOW_RANGE),
        (700.0, 200.0, Quality.UNDECODABLE),
        (np.nan, 25.0, Quality.UNDECODABLE),
    ],
)
def test_ranges_of_the_straight_line_converter(degc: float, internal: float, quality: Quality) -> None:
    value, got = StraightLineConverter().read(degc, internal).one()
    assert got is quality
    assert np.isnan(value)


def test_impossible_descriptions_are_refused() -> None:
    with pytest.raises(TransferError, match="uv_per_k"):
        StraightLineConverter(uv_per_k=5000.0)
    with pytest.raises(TransferError, match="reference_v"):
        AnalogueAmplifier(reference_v=5.0)
