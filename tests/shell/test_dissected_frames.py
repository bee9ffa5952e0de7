"""OBD answers and J1939 ids as tshark dissects them (4.0.17 of Debian 12), beside what Uphaul makes of them."""

from __future__ import annotations

import json
import math
import random
import subprocess
import sys
from pathlib import Path

import pytest

from support.dissector import OBD, dissect
from uphaul.config.obd_pids import PIDS
from uphaul.signals import Quality
from uphaul.sources.j1939 import group_of
from uphaul.sources.obd_decode import decode

# tshark's field of each parameter that it decodes. Of the others it knows the name and no more (6B, 70, 73 to 79), or
# nothing (87).
FIELDS = {
    0x04: "engine_load",
    0x05: "engine_coolant_temp",
    0x0B: "intake_manifold_absolute_pressure",
    0x0C: "engine_rpm",
    0x0D: "vehicle_speed",
    0x0F: "intake_air_temp",
    0x10: "maf_air_flow_rate",
    0x11: "throttle_position",
    0x1F: "engine_uptime",
    0x23: "fuel_rail_gauge_pressure",
    0x2C: "commanded_egr",
    0x2F: "fuel_tank_level_input",
    0x33: "absolute_barometric_pressure",
    0x3C: "catalyst_temp_11",
    0x42: "control_module_voltage",
    0x45: "relative_throttle_position",
    0x46: "ambient_air_temp",
    0x49: "accelerator_pedal_position_D",
    0x4A: "accelerator_pedal_position_E",
    0x59: "fuel_rail_absolute_pressure",
    0x5A: "relative_accelerator_pedal_position",
    0x5C: "engine_oil_temp",
    0x5D: "fuel_injection_timing",
    0x5E: "engine_fuel_rate",
    0x61: "torque_driver_demand_engine",
    0x62: "torque_actual_engine",
    0x63: "torque_reference_engine",
}
NUMBERS = tuple(FIELDS)
ANSWERING = (0x7E8, 0x18DAF110)
"""The engine's computer by ISO 15765-4, with 11 bits and with 29 (from memory, highly sure; tshark takes both so)."""


def single(payload: bytes) -> bytes:
    """A single frame of ISO 15765-2, filled up to 8 bytes."""
    return (bytes([len(payload)]) + payload).ljust(8, b"\0")


def raw_values(length: int) -> list[bytes]:
    """Every value of one byte; of two every 251st, which meets every value of either byte, and the last."""
    return [raw.to_bytes(length, "big") for raw in (*range(0, 256**length, 1 if length == 1 else 251), 256**length - 1)]


@pytest.mark.parametrize("can_id", ANSWERING, ids=["11 bits", "29 bits"])
def test_all_that_tshark_decodes_too_is_equal_over_all_raw_values(can_id: int, tmp_path: Path) -> None:
    assert {n for n in PIDS if n <= 0x63} == set(NUMBERS)
    asked = [(n, raw) for n in NUMBERS for raw in raw_values(PIDS[n].fields[0].length)]
    frames = [(can_id, single(bytes([0x41, n]) + raw)) for n, raw in asked]
    fields = ["obd-ii.mode01_pid", *(f"obd-ii.mode01_{name}" for name in FIELDS.values())]
    rows = dissect(tmp_path, frames, fields, OBD)
    for (number, raw), (told, *texts) in zip(asked, rows, strict=True):
        assert int(told, 0) == number
        value, quality = decode(PIDS[number], raw)["value"]
        saturated = number == 0x0B and raw == b"\xff"
        assert quality is (Quality.SATURATED if saturated else Quality.GOOD)
        theirs = float(texts[NUMBERS.index(number)])
        assert value == pytest.approx(theirs, rel=1e-9, abs=1e-9), (hex(number), raw.hex())


# Parameters whose answers need more than one frame: bytes, and the values of the fitted sensors (sources of both:
# tests/unit/test_obd_decode.py).
LONG = {
    0x70: ("031F401F000000000000", {"commanded_a": 250.0, "sensed_a": 248.0}),
    0x75: ("0F4B4B07D007D0", {"compressor_in": 35, "compressor_out": 35, "turbine_in": 160, "turbine_out": 160}),
    0x78: ("0F1D4C1CE800000000", {"sensor_1": 710.0, "sensor_2": 700.0, "sensor_3": -40.0, "sensor_4": -40.0}),
    0x79: ("0F1D4C1CE800000000", {"sensor_1": 710.0, "sensor_2": 700.0, "sensor_3": -40.0, "sensor_4": -40.0}),
}

ASSEMBLE = """
import json, sys
import obd
from obd.protocols import protocol_can
from uphaul.sources.obd_child import pick
bits, account, answers = json.load(sys.stdin)
protocol = getattr(protocol_can, f"ISO_15765_4_{bits}bit_500k")(account)
out = [pick(protocol(lines), int(number), obd.ECU.ENGINE) for number, lines in answers]
print(json.dumps([None if data is None else data.hex() for data in out]))
"""
"""python-OBD as the source's own process uses it, in a process of its own."""


def consecutive(payload: bytes) -> list[bytes]:
    """A first frame of ISO 15765-2 and those that follow it, filled up to 8 bytes."""
    rest = [payload[i : i + 7] for i in range(6, len(payload), 7)]
    first = (0x1000 | len(payload)).to_bytes(2, "big") + payload[:6]
    return [first, *((bytes([0x21 + i]) + part).ljust(8, b"\0") for i, part in enumerate(rest))]


def line(can_id: int, data: bytes) -> str:
    """A frame as an adapter writes it."""
    return (f"{can_id:03X}" if can_id <= 0x7FF else f"{can_id:08X}") + data.hex().upper()


@pytest.mark.parametrize(("bits", "flow"), [(11, (0x7E8, 0x7E0, 0x7E9)), (29, (0x18DAF110, 0x18DA10F1, 0x18DAF118))])
def test_answers_in_several_frames(bits: int, flow: tuple[int, int, int], tmp_path: Path) -> None:
    engine, tester, gearbox = flow
    frames, answers, ends = [], [], []
    for number, (data, _) in LONG.items():
        parts = consecutive(bytes([0x41, number]) + bytes.fromhex(data))
        go_on = bytes.fromhex("3000000000000000")  # the flow control that the adapter sends by itself
        frames += [(engine, parts[0]), (tester, go_on), *((engine, part) for part in parts[1:])]
        ends.append(len(frames) - 1)
        other = single(bytes([0x7F, 0x01, 0x12]))  # the gearbox says no in the middle of it
        answers.append((number, [line(engine, parts[0]), line(gearbox, other), *(line(engine, p) for p in parts[1:])]))

    fields = ["obd-ii.mode01_pid", "obd-ii.raw_value", "iso15765.reassembled.length"]
    rows = dissect(tmp_path, frames, fields, OBD)
    account = [
        line(gearbox, single(bytes.fromhex("410098180001"))),
        line(engine, single(bytes.fromhex("4100FFFFFFFF"))),
    ]
    done = subprocess.run(
        [sys.executable, "-c", ASSEMBLE],
        input=json.dumps([bits, account, answers]),
        capture_output=True,
        text=True,
        check=True,
    )

    for (number, (data, values)), end, whole in zip(LONG.items(), ends, json.loads(done.stdout), strict=True):
        pid, begin, length = rows[end]
        assert (int(pid, 0), int(length)) == (number, 2 + len(data) // 2)
        assert data.lower().startswith(begin)  # tshark tells the first bytes only
        assert whole == data.lower()
        got = decode(PIDS[number], bytes.fromhex(whole))
        assert {n: v for n, (v, quality) in got.items() if quality is Quality.GOOD} == pytest.approx(values)
        assert all(math.isnan(v) for n, (v, _) in got.items() if n not in values)


# Ids with what cantools and pamoja-can split them into; the rest by a fixed seed.
IDS = (0x0CF00400, 0x18FEEE00, 0x18FEEF00, 0x18FEF600, 0x18FEA600, 0x18EA00F9, 0x1CECFF00, 0x1CEBFF00, 0x18FECA00)


def test_ids_of_j1939_have_the_groups_that_tshark_finds(tmp_path: Path) -> None:
    ids = (*IDS, *random.Random(29).sample(range(0x800, 1 << 29), 3000))
    fields = [f"j1939.{name}" for name in ("pgn", "priority", "src_addr")]
    rows = dissect(tmp_path, [(can_id, bytes(8)) for can_id in ids], fields, ["can.subdissector,j1939"])
    for can_id, row in zip(ids, rows, strict=True):
        assert (group_of(can_id), can_id >> 26, can_id & 0xFF) == tuple(map(int, row)), hex(can_id)
