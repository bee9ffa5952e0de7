"""The tables of a converter and of sensors: what turns a voltage or a temperature into a value, one kind a table.

Every key of a sensor is a field of the description of the same kind in `uphaul.signals.transfer`, which has the last
word on it.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from uphaul.config.tables import LONGEST_S, Table, key, table

__all__ = [
    "AdcTable",
    "AmplifierTable",
    "BetaTable",
    "ConverterTable",
    "DeviceTable",
    "LinearTable",
    "NtcSensorTable",
    "PointsTable",
    "ProbeTable",
    "RatiometricTable",
    "SensorTable",
    "SteinhartHartTable",
    "ThermocoupleTable",
    "VoltsTable",
]

Pair = Annotated[list[float], Field(min_length=2, max_length=2)]
Side = Literal["down", "up", "floating"]

BIAS = "where a broken wire leaves the input: a resistor pulls it down or up, or nothing does"
SUPPLY = "[lowest, highest] supply the sensor works on; outside nothing is known"


class DeviceTable(Table):
    """Which converter of the board: one of `i2c`, `spi` and `label`."""

    i2c: str | int | None = key("its address on an I2C bus, as 0x49", None)
    bus: int | None = key("number of the I2C bus, where several have that address", None, ge=0, le=255)
    spi: str | None = key("its SPI bus and chip select, as 0.1", None, max_length=20)
    label: str | None = key("its label in the board's device tree", None, min_length=1, max_length=80)


class AdcTable(Table):
    """An analogue-to-digital or thermocouple converter that a driver of the kernel reads."""

    kind: Literal["adc"] = key("what the source is")
    device: DeviceTable = key("which converter: { i2c }, { i2c, bus }, { spi } or { label }")
    rate_hz: float = key("rounds of reading a second", 20.0, unit="Hz", gt=0, le=200)
    oversample: int = key("readings of a channel in a round, of which the mean is taken", 1, ge=1, le=64)
    full_scale_v: float | None = key(
        "highest voltage that the converter can tell; required for sensors that call a high voltage a fault",
        None,
        unit="V",
        gt=0,
        le=1000,
    )
    divider: dict[str, Annotated[float, Field(gt=0)]] = table(
        "volts at the wire for one at the converter, by channel: 2 for two equal resistors; left out: 1"
    )
    folder: str = key("where the kernel shows its converters", "/sys/bus/iio/devices", min_length=1, max_length=1000)


class VoltsTable(Table):
    """A voltage that is itself the signal."""

    kind: Literal["volts"] = key("what the sensor is")
    fault_below_v: float | None = key("a reading below is a fault; left out: none is", None, unit="V")
    fault_above_v: float | None = key("a reading above is a fault; left out: none is", None, unit="V")
    bias: Side = key(BIAS, "down")


class LinearTable(Table):
    """A straight line between two rated voltages."""

    kind: Literal["linear"] = key("what the sensor is")
    unit: str = key("unit of low_value and high_value")
    low_v: float = key("lower rated voltage", unit="V")
    low_value: float = key("value at the lower rated end, in `unit`")
    high_v: float = key("upper rated voltage", unit="V")
    high_value: float = key("value at the upper rated end, in `unit`")
    fault_below_v: float = key("a reading below is a fault", unit="V")
    fault_above_v: float = key("a reading above is a fault", unit="V")
    bias: Side = key(BIAS, "down")
    rail_v: float = key("where a pull-up or the sensor's electronics end", 5.0, unit="V", gt=0, le=100)
    tolerance_v: float = key("so far beyond a rated end the line still counts", 0.025, unit="V", ge=0, le=1)


class RatiometricTable(Table):
    """A straight line between two shares of the supply, which is measured beside it."""

    kind: Literal["ratiometric"] = key("what the sensor is")
    unit: str = key("unit of low_value and high_value")
    low_share: float = key("lower rated end as a share of the supply: 0.1 is 0.5 V of 5 V")
    low_value: float = key("value at the lower rated end, in `unit`")
    high_share: float = key("upper rated end as a share of the supply: 0.9 is 4.5 V of 5 V")
    high_value: float = key("value at the upper rated end, in `unit`")
    fault_below_share: float | None = key("a lower share is a fault; left out: half of low_share", None)
    fault_above_share: float | None = key("a higher share is a fault; left out: half way from high_share to 1", None)
    bias: Side = key(BIAS, "down")
    supply_range_v: Pair = key(SUPPLY, [4.5, 5.5], unit="V")
    tolerance_share: float = key("so far beyond a rated end the line still counts", 0.005, ge=0, le=0.1)


class PointsTable(Table):
    """Straight lines between points, never beyond them."""

    kind: Literal["table"] = key("what the sensor is")
    unit: str = key("unit of the values")
    points: list[Pair] = key("[volts or share of the supply, value] pairs", min_length=2, max_length=100)
    fault_below: float = key("a reading below is a fault: volts, or a share of the supply")
    fault_above: float = key("a reading above is a fault: volts, or a share of the supply")
    ratiometric: bool = key("the points are shares of the supply, which is measured beside it", False)
    bias: Side = key(BIAS, "down")
    rail_v: float = key("where a pull-up or the sensor's electronics end", 5.0, unit="V", gt=0, le=100)
    supply_range_v: Pair = key(SUPPLY, [4.5, 5.5], unit="V")


class SteinhartHartTable(Table):
    """1/T = a + b L + square L^2 + c L^3 with L = ln(R / ohm), T in K."""

    a: float = key("constant term")
    b: float = key("factor of L")
    c: float = key("factor of the cube of L")
    square: float = key("factor of the square of L, where a data sheet gives four", 0.0)
    ohm: float = key("resistance that R is divided by", 1.0, unit="ohm")
    range_degc: Pair = key("[coldest, hottest] temperature it holds for", unit="degC")


class BetaTable(Table):
    """1/T = 1/T0 + ln(R / ohm) / beta_k with T in K."""

    ohm: float = key("resistance at `at_degc`", unit="ohm")
    at_degc: float = key("temperature at which the sensor has `ohm`", 25.0, unit="degC")
    beta_k: float = key("the constant of the material", unit="K")
    range_degc: Pair = key("[coldest, hottest] temperature it holds for", [-40.0, 130.0], unit="degC")


class NtcSensorTable(Table):
    """A resistor that falls with temperature, in a divider whose supply is measured. One of the four curves."""

    kind: Literal["ntc"] = key("what the sensor is")
    curve: str | None = key("name of a curve that comes with the program", None)
    steinhart_hart: SteinhartHartTable | None = key("the curve by Steinhart and Hart's coefficients", None)
    beta: BetaTable | None = key("the curve by one point and a constant: several K off at its ends", None)
    points: list[Pair] | None = key(
        "the curve by [degC, ohm] pairs, degC rising and ohm falling", None, min_length=2, max_length=100
    )
    fixed_ohm: float = key("the other resistor of the divider", unit="ohm", gt=0)
    pull_up: bool = key("true: the fixed resistor goes to the supply; false: to ground", True)
    rail_margin: float = key("share of the supply at either rail that can't be resolved", 0.005)
    supply_range_v: Pair = key(SUPPLY, [4.5, 5.5], unit="V")


class ProbeTable(Table):
    """What all probes in exhaust gas have."""

    range_degc: Pair = key(
        "[lowest, highest] temperature that can be; outside is a fault", [-40.0, 1200.0], unit="degC"
    )
    time_constant_s: float = key(
        "how fast the probe can follow: a sheath of 3 mm has 2 to 4, take the shorter; a reading that moves faster "
        "is a broken wire",
        unit="s",
        gt=0,
        le=60,
    )
    rejoin_s: float | None = key(
        "a broken probe is believed again after so long steady; left out: 1 where an open circuit shows, else never",
        None,
        unit="s",
        gt=0,
        le=LONGEST_S,
    )


class ThermocoupleTable(ProbeTable):
    """A bare type K thermocouple, its terminals' temperature measured beside it."""

    kind: Literal["thermocouple"] = key("what the sensor is")
    burnout: Literal["up", "down", "none"] = key("where a test current drives an open thermocouple", "none")
    cold_range_degc: Pair = key("[lowest, highest] temperature of the terminals", [-40.0, 125.0], unit="degC")


class AmplifierTable(ProbeTable):
    """Type K behind an analogue amplifier of nominally 5 mV/K, read by its exact equation."""

    kind: Literal["amplifier"] = key("what the sensor is")
    reference_v: float = key("voltage on its reference pin: the output at 0 degC", 0.0, unit="V")
    supply_v: float = key("its supply", 5.0, unit="V", gt=0, le=40)
    headroom_v: float = key("so close under its supply the circuit counts as open", 0.1, unit="V")
    ground_v: float = key("an output below is a short to ground", 0.02, unit="V")


class ConverterTable(ProbeTable):
    """Type K behind a converter that gives a temperature, through a driver of the kernel."""

    kind: Literal["converter"] = key("what the sensor is")
    straight_line: bool = key(
        "true: it takes the thermocouple for a straight line and is corrected; false: it linearises by itself"
    )
    uv_per_k: float | None = key("slope of that line; left out: 41.276 (with straight_line = true)", None, unit="uV/K")


SensorTable = Annotated[
    VoltsTable
    | LinearTable
    | RatiometricTable
    | PointsTable
    | NtcSensorTable
    | ThermocoupleTable
    | AmplifierTable
    | ConverterTable,
    Field(discriminator="kind"),
]
