"""Which OBD parameters can be read: their names, and field by field the unit and the place in the answer.

Facts only; `uphaul.sources.obd_decode` turns an answer's bytes into values by them. Bytes are counted from A = 0, the
first after the echoed service and PID, and value = raw * mul / div + add. Parameters with a support byte say in it
which of their sensors are fitted; a sensor that is not must never be read as a value.

Source: SAE J1979 / ISO 15031-5 as public code shows it, the standards themselves not at hand: python-OBD 0.7.3 up to
PID 0x5E, scapy 2.8.0 and the tshark 4.0.17 dissector up to 0x63, a vehicle maker's public diagnostic description for
0x6B and 0x70 to 0x79, and for 0x87 one public description alone. 0x76 is laid out like 0x75, for the second turbo
(from memory). Names of parameters are python-OBD's where it has one.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["PIDS", "Pid", "PidField", "find_pid"]


@dataclass(frozen=True, slots=True)
class PidField:
    """One value of an answer, of `length` bytes from byte `at` on, big-endian.

    `flag` is the bit of byte A that tells that the sensor is fitted, 0 if there is none. `wide` is the bit that tells
    instead that it is fitted and its raw value counts fourfold (0: no such bit). `shift` and `bits` pick bits out of
    the byte (`bits` 0: the whole). `top` is a raw value that means "this much or more" (0: there is none). `codes` are
    the raw values that mean something (empty: all do).
    """

    name: str
    unit: str
    at: int = 0
    length: int = 1
    mul: float = 1.0
    div: float = 1.0
    add: float = 0.0
    flag: int = 0
    wide: int = 0
    shift: int = 0
    bits: int = 0
    top: int = 0
    codes: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Pid:
    """One parameter of service 01. `fields` has one entry for plain parameters, named "value"."""

    number: int
    name: str
    fields: tuple[PidField, ...]

    @property
    def text(self) -> str:
        """The number as it is written: ``0x0C``."""
        return f"0x{self.number:02X}"

    def field(self, name: str) -> PidField | None:
        """The field of that name, or None."""
        return next((f for f in self.fields if f.name == name), None)


def _byte(number: int, name: str, unit: str, *, mul: float = 1, div: float = 1, add: float = 0, top: int = 0) -> Pid:
    return Pid(number, name, (PidField("value", unit, 0, 1, mul, div, add, top=top),))


def _word(number: int, name: str, unit: str, *, mul: float = 1, div: float = 1, add: float = 0) -> Pid:
    return Pid(number, name, (PidField("value", unit, 0, 2, mul, div, add),))


def _sensors(
    number: int, name: str, unit: str, names: str, *, length: int, mul: float = 1, div: float = 1, add: float = 0
) -> Pid:
    """A support byte, then one value after another; bit k of the support byte belongs to value k."""
    return Pid(
        number,
        name,
        tuple(
            PidField(each, unit, 1 + length * k, length, mul, div, add, flag=1 << k)
            for k, each in enumerate(names.split())
        ),
    )


def _percent(number: int, name: str) -> Pid:
    return _byte(number, name, "%", mul=100, div=255)


def _degc(number: int, name: str) -> Pid:
    return _byte(number, name, "degC", add=-40)


def _boost(number: int, name: str) -> Pid:
    """Commanded and sensed pressure of two controllers, and a status of each: 1 open, 2 closed loop, 3 faulty."""
    fields = []
    for k, side in enumerate("ab"):
        for j, what in enumerate(("commanded", "sensed")):
            at, flag = 1 + 4 * k + 2 * j, 1 << (3 * k + j)
            fields.append(PidField(f"{what}_{side}", "kPa", at, 2, 1, 32, flag=flag))
        status = PidField(
            f"status_{side}", "1", 9, flag=0x04 if side == "a" else 0x20, shift=2 * k, bits=2, codes=(1, 2, 3)
        )
        fields.append(status)
    return Pid(number, name, tuple(fields))


def _turbo_temperatures(number: int, name: str) -> Pid:
    return Pid(
        number,
        name,
        (
            PidField("compressor_in", "degC", 1, 1, add=-40, flag=0x01),
            PidField("compressor_out", "degC", 2, 1, add=-40, flag=0x02),
            PidField("turbine_in", "degC", 3, 2, 1, 10, -40, flag=0x04),
            PidField("turbine_out", "degC", 5, 2, 1, 10, -40, flag=0x08),
        ),
    )


def _egr_temperatures(number: int, name: str) -> Pid:
    return Pid(
        number,
        name,
        tuple(
            PidField(each, "degC", 1 + k, add=-40, flag=1 << k, wide=0x10 << k)
            for k, each in enumerate(("b1s1", "b1s2", "b2s1", "b2s2"))
        ),
    )


_FOUR = "b1s1 b1s2 b2s1 b2s2"

_ALL = (
    _percent(0x04, "ENGINE_LOAD"),
    _degc(0x05, "COOLANT_TEMP"),
    _byte(0x0B, "INTAKE_PRESSURE", "kPa", top=0xFF),
    _word(0x0C, "RPM", "rpm", div=4),
    _byte(0x0D, "SPEED", "km/h"),
    _degc(0x0F, "INTAKE_TEMP"),
    _word(0x10, "MAF", "g/s", div=100),
    _percent(0x11, "THROTTLE_POS"),
    _word(0x1F, "RUN_TIME", "s"),
    _word(0x23, "FUEL_RAIL_PRESSURE_DIRECT", "kPa", mul=10),
    _percent(0x2C, "COMMANDED_EGR"),
    _percent(0x2F, "FUEL_LEVEL"),
    _byte(0x33, "BAROMETRIC_PRESSURE", "kPa"),
    _word(0x3C, "CATALYST_TEMP_B1S1", "degC", div=10, add=-40),
    _word(0x42, "CONTROL_MODULE_VOLTAGE", "V", div=1000),
    _percent(0x45, "RELATIVE_THROTTLE_POS"),
    _degc(0x46, "AMBIANT_AIR_TEMP"),
    _percent(0x49, "ACCELERATOR_POS_D"),
    _percent(0x4A, "ACCELERATOR_POS_E"),
    _word(0x59, "FUEL_RAIL_PRESSURE_ABS", "kPa", mul=10),
    _percent(0x5A, "RELATIVE_ACCEL_POS"),
    _degc(0x5C, "OIL_TEMP"),
    _word(0x5D, "FUEL_INJECT_TIMING", "deg", div=128, add=-210),
    _word(0x5E, "FUEL_RATE", "L/h", div=20),
    _byte(0x61, "DEMANDED_TORQUE", "%", add=-125),
    _byte(0x62, "ACTUAL_TORQUE", "%", add=-125),
    _word(0x63, "REFERENCE_TORQUE", "N·m"),
    _egr_temperatures(0x6B, "EGR_TEMP"),
    _boost(0x70, "BOOST_CONTROL"),
    _sensors(0x73, "EXHAUST_PRESSURE", "kPa", "bank_1 bank_2", length=2, div=100),
    _sensors(0x74, "TURBO_SPEED", "rpm", "turbo_a turbo_b", length=2, mul=10),
    _turbo_temperatures(0x75, "TURBO_TEMP_A"),
    _turbo_temperatures(0x76, "TURBO_TEMP_B"),
    _sensors(0x77, "CHARGE_COOLER_TEMP", "degC", _FOUR, length=1, add=-40),
    _sensors(0x78, "EXHAUST_TEMP_BANK_1", "degC", "sensor_1 sensor_2 sensor_3 sensor_4", length=2, div=10, add=-40),
    _sensors(0x79, "EXHAUST_TEMP_BANK_2", "degC", "sensor_1 sensor_2 sensor_3 sensor_4", length=2, div=10, add=-40),
    _sensors(0x87, "INTAKE_PRESSURE_WIDE", "kPa", "sensor_a sensor_b", length=2, div=32),
)

PIDS: dict[int, Pid] = {p.number: p for p in _ALL}
"""Every parameter that can be read, by number."""


def find_pid(pid: str | int) -> Pid | None:
    """The parameter of that number (``0x0C``, ``"0x0C"``, ``"0C"``) or name (``"RPM"``), or None."""
    if isinstance(pid, int):
        return PIDS.get(pid)
    text = pid.strip().upper()
    for each in _ALL:
        if text == each.name:
            return each
    digits = text.removeprefix("0X")
    if 1 <= len(digits) <= 2 and all(c in "0123456789ABCDEF" for c in digits):
        return PIDS.get(int(digits, 16))
    return None
