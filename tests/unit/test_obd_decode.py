"""What the bytes of OBD answers mean.

The rows with a source hold values worked out by other programs or documents, kept here as constants. Where another
program disagrees, the row's comment says with what and why it isn't followed. The standards' own text (SAE J1979,
ISO 15031-5) was not at hand.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys

import pytest

from uphaul.config.obd_pids import PIDS, find_pid
from uphaul.signals import Quality
from uphaul.sources.obd_decode import decode, map_full_scale_kpa
from uphaul.units import find

FITTED = Quality.GOOD
ABSENT = Quality.NOT_FITTED
UNDECODABLE = Quality.UNDECODABLE
nan = math.nan

PLAIN = [
    # (PID, bytes, value); python-OBD 0.7.3, scapy 2.8.0 and tshark 4.0.17 agree unless a comment says otherwise
    (0x04, "80", 50.196),
    (0x04, "64", 39.216),
    (0x05, "7B", 83.0),
    (0x0C, "1AF8", 1726.0),
    (0x0D, "64", 100.0),
    (0x0F, "3C", 20.0),
    (0x10, "1D4C", 75.00),  # scapy gives 0.29: it reads one byte
    (0x11, "40", 25.098),
    (0x23, "0BB8", 30000.0),
    (0x33, "65", 101.0),
    (0x42, "3610", 13.84),
    (0x46, "41", 25.0),
    (0x59, "0BB8", 30000.0),
    (0x5C, "8C", 100.0),
    (0x5D, "6800", -2.0),
    (0x5E, "0320", 40.0),
    (0x61, "AF", 50.0),  # not in python-OBD
    (0x62, "AF", 50.0),  # scapy alone
    (0x63, "01F4", 500.0),  # not in python-OBD
]

WITH_SENSORS = [
    # (PID, bytes, value by field). Source: scapy 2.8.0 and a vehicle maker's public diagnostic description agree
    # unless a comment says otherwise; tshark knows no more than the names of these.
    (0x6B, "01 78 00 00 00", {"b1s1": 80.0}),
    (0x73, "01 2710 0000", {"bank_1": 100.00}),  # two public codes divide by 32, against both sources
    (0x74, "03 07D0 0000", {"turbo_a": 20000.0, "turbo_b": 0.0}),  # scapy gives 2000: it lacks the factor of 10
    (
        0x75,
        "0F 4B 4B 07D0 07D0",
        {"compressor_in": 35.0, "compressor_out": 35.0, "turbine_in": 160.0, "turbine_out": 160.0},
    ),
    (0x77, "01 4B 00 00 00", {"b1s1": 35.0}),
    (0x78, "0F 1D4C 1CE8 0000 0000", {"sensor_1": 710.0, "sensor_2": 700.0, "sensor_3": -40.0, "sensor_4": -40.0}),
    (0x79, "0F 1D4C 1CE8 0000 0000", {"sensor_1": 710.0, "sensor_2": 700.0, "sensor_3": -40.0, "sensor_4": -40.0}),
    (0x87, "01 22F0 0000", {"sensor_a": 279.5}),  # one public description alone
    # scapy has the same values, other flags for side b, and no status byte; the flags are the maker's description's
    (0x70, "03 1F40 1F00 0000 0000 00", {"commanded_a": 250.0, "sensed_a": 248.0}),
    (0x70, "18 0000 0000 1F40 1F00 00", {"commanded_b": 250.0, "sensed_b": 248.0}),
    (0x70, "04 0000 0000 0000 0000 02", {"status_a": 2.0}),
    (0x70, "20 0000 0000 0000 0000 0C", {"status_b": 3.0}),
]


@pytest.mark.parametrize(("number", "data", "value"), PLAIN, ids=lambda v: f"{v:02X}" if isinstance(v, int) else None)
def test_a_plain_parameter(number: int, data: str, value: float) -> None:
    got, quality = decode(PIDS[number], bytes.fromhex(data))["value"]
    assert got == pytest.approx(value, abs=0.0005)
    assert quality is Quality.GOOD


@pytest.mark.parametrize(("number", "data", "fitted"), WITH_SENSORS)
def test_a_parameter_of_several_sensors(number: int, data: str, fitted: dict[str, float]) -> None:
    got = decode(PIDS[number], bytes.fromhex(data))
    assert {name: value for name, (value, quality) in got.items() if quality is FITTED} == pytest.approx(fitted)


@pytest.mark.parametrize(("number", "data", "fitted"), WITH_SENSORS)
def test_a_sensor_that_is_not_fitted_is_absent_and_no_value(number: int, data: str, fitted: dict[str, float]) -> None:
    got = decode(PIDS[number], bytes.fromhex(data))
    others = {name: reading for name, reading in got.items() if name not in fitted}
    assert {quality for _, quality in others.values()} <= {ABSENT}
    assert all(math.isnan(value) for value, _ in others.values())


@pytest.mark.parametrize("number", [number for number, pid in PIDS.items() if pid.fields[0].flag])
def test_without_any_flag_nothing_is_fitted_whatever_the_bytes(number: int) -> None:
    got = decode(PIDS[number], b"\0" + b"\x5a" * 9)
    assert {quality for _, quality in got.values()} == {ABSENT}


def test_the_wide_range_of_exhaust_recirculation_temperatures_counts_fourfold() -> None:
    # Source: the maker's description: flags 0x10 to 0x80, the same bytes times 4 - 40. scapy lacks it.
    got = decode(PIDS[0x6B], bytes.fromhex("21 3C 78 3C 3C"))
    assert got["b1s1"] == (20.0, FITTED)
    assert got["b1s2"] == (440.0, FITTED)
    assert {got["b2s1"][1], got["b2s2"][1]} == {ABSENT}


@pytest.mark.parametrize(
    ("data", "value", "quality"),
    [("FE", 254.0, Quality.GOOD), ("FF", 255.0, Quality.SATURATED), ("00", 0.0, Quality.GOOD)],
)
def test_manifold_pressure_at_its_top_is_a_bound(data: str, value: float, quality: Quality) -> None:
    # Source: SAE J1979 gives PID 0B one byte of 1 kPa, so boost beyond some 154 kPa over sea level is invisible.
    assert decode(PIDS[0x0B], bytes.fromhex(data)) == {"value": (value, quality)}


def test_a_stretched_manifold_pressure_counts_by_its_full_scale() -> None:
    # Source: PID 4F in public code: D * 10 kPa is the full scale of 0B, 0 leaves it at 255.
    assert map_full_scale_kpa(bytes.fromhex("00 00 00 33")) == 510.0
    assert map_full_scale_kpa(bytes.fromhex("00 00 00 00")) is None
    assert map_full_scale_kpa(bytes.fromhex("00 00 00")) is None
    assert decode(PIDS[0x0B], b"\x64", full_scale_kpa=510.0)["value"] == (200.0, Quality.GOOD)
    assert decode(PIDS[0x0B], b"\xff", full_scale_kpa=510.0)["value"] == (510.0, Quality.SATURATED)
    assert decode(PIDS[0x0B], b"\x64", full_scale_kpa=nan)["value"] == (pytest.approx(nan, nan_ok=True), UNDECODABLE)
    assert decode(PIDS[0x33], b"\x64", full_scale_kpa=510.0)["value"] == (100.0, Quality.GOOD)


@pytest.mark.parametrize("code", [0])
def test_a_status_that_means_nothing_is_undecodable(code: int) -> None:
    value, quality = decode(PIDS[0x70], bytes([0x04, *bytes(8), code]))["status_a"]
    assert math.isnan(value)
    assert quality is Quality.UNDECODABLE


@pytest.mark.parametrize("number", PIDS)
def test_an_answer_cut_short_is_undecodable_where_it_does_not_reach(number: int) -> None:
    pid = PIDS[number]
    whole = max(f.at + f.length for f in pid.fields)
    for length in range(whole):
        got = decode(pid, (b"\xff" + b"\x55" * whole)[:length])
        for field in pid.fields:
            value, quality = got[field.name]
            reached = field.at + field.length <= length
            assert (quality is Quality.UNDECODABLE) is not reached
            assert math.isnan(value) is not reached


def test_the_temperatures_of_the_second_turbo_are_laid_out_like_those_of_the_first() -> None:
    # From memory, and what scapy 2.8.0 does.
    data = bytes.fromhex("0F 4B 4B 07D0 07D0")
    assert decode(PIDS[0x76], data) == decode(PIDS[0x75], data)


def test_every_field_has_a_unit_that_is_known_and_a_name_of_its_own() -> None:
    for pid in PIDS.values():
        assert len({f.name for f in pid.fields}) == len(pid.fields)
        assert [f.unit for f in pid.fields if find(f.unit) is None] == []
    assert len({pid.name for pid in PIDS.values()}) == len(PIDS)


@pytest.mark.parametrize(
    ("written", "number"),
    [(12, 0x0C), ("0x0C", 0x0C), ("0c", 0x0C), ("RPM", 0x0C), ("rpm", 0x0C), ("0x", None), ("", None), ("0x1FF", None)],
)
def test_a_parameter_is_found_by_number_or_name(written: str | int, number: int | None) -> None:
    pid = find_pid(written)
    assert (pid.number if pid else None) == number


PYTHON_OBD = """
import json, sys
import obd
from obd.protocols.protocol import Message
units = json.loads(sys.stdin.read())
out = {}
for number, unit in units.items():
    command = obd.commands[1][int(number)]
    values = []
    for raw in range(0, 256 ** (command.bytes - 2), 1 if command.bytes == 3 else 251):
        message = Message([])
        message.data = bytearray([0x41, int(number)]) + raw.to_bytes(command.bytes - 2, "big")
        values.append(command.decode([message]).to(unit).magnitude)
    out[number] = [command.name, values]
print(json.dumps(out))
"""
"""Runs in a process of its own: python-OBD is never loaded beside Uphaul."""

THEIR_UNITS = {
    "kPa": "kilopascal",
    "degC": "celsius",
    "km/h": "kph",
    "%": "percent",
    "g/s": "gps",
    "V": "volt",
    "deg": "degree",
    "L/h": "liter/hour",
    "s": "second",
    "rpm": "rpm",
}


def test_all_that_python_obd_decodes_too_is_equal_over_all_raw_values() -> None:
    shared = {n: THEIR_UNITS[p.fields[0].unit] for n, p in PIDS.items() if n <= 0x5E}
    done = subprocess.run(
        [sys.executable, "-c", PYTHON_OBD], input=json.dumps(shared), capture_output=True, text=True, check=True
    )
    theirs = json.loads(done.stdout)
    assert len(theirs) == len(shared) > 20
    for number, (name, values) in theirs.items():
        pid = PIDS[int(number)]
        assert pid.name == name
        step, length = (1, 1) if len(values) == 256 else (251, 2)
        ours = [decode(pid, (i * step).to_bytes(length, "big"))["value"][0] for i in range(len(values))]
        assert ours == pytest.approx(values, rel=1e-9, abs=1e-9), pid.text
