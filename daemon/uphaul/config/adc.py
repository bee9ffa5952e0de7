"""Checks what signals.toml says about a converter and what hangs on its channels."""

from __future__ import annotations

import re
from collections.abc import Mapping

from uphaul.config import model as m
from uphaul.config.amounts import Scope
from uphaul.config.sensors import Sensor, highest_v
from uphaul.config.spec import AdcSpec, Wiring
from uphaul.signals import Signal
from uphaul.signals.transfer import AnalogueAmplifier, Beside, Ratiometric, Table, Transfer
from uphaul.signals.transfer import NtcDivider as Ntc

__all__ = ["adc_wiring", "build_adc"]

CHANNEL = re.compile(r"(voltage|temp)[0-9a-z_-]{0,40}")
CHANNEL_WORDS = (
    "must be a channel as the kernel names it, without in_ and _raw: voltage0, voltage0-voltage1, temp_ambient"
)
SPI = re.compile(r"[0-9]{1,3}\.[0-9]{1,3}")
HIGHEST_I2C = 0x3FF
"""Addresses have 7 bits, or 10. Source: the I2C-bus specification."""


def build_adc(scope: Scope, key: str, name: str, table: m.AdcTable) -> AdcSpec:
    """The source; an address that can be none is a problem."""
    device = table.device
    given = [way for way in ("i2c", "spi", "label") if getattr(device, way) is not None]
    if len(given) != 1:
        scope.wrong(f"{key}.device", None, "needs exactly one of i2c, spi and label")
    if device.bus is not None and "i2c" not in given:
        scope.wrong(f"{key}.device.bus", device.bus, "must be left out unless i2c is given")
    if device.spi is not None and not SPI.fullmatch(device.spi):
        scope.wrong(f"{key}.device.spi", device.spi, "must be bus and chip select, as 0.1")
    for channel in table.divider:
        if not CHANNEL.fullmatch(channel):
            scope.wrong(f"{key}.divider.{channel}", None, CHANNEL_WORDS)
    return AdcSpec(
        name=name,
        i2c=_address(scope, f"{key}.device.i2c", device.i2c),
        bus=device.bus,
        spi=device.spi,
        label=device.label,
        rate_hz=table.rate_hz,
        oversample=table.oversample,
        divider=tuple(table.divider.items()),
        folder=table.folder,
    )


def _address(scope: Scope, key: str, value: str | int | None) -> int | None:
    if value is None:
        return None
    try:
        number = value if isinstance(value, int) else int(value, 16)
    except ValueError:
        number = -1
    if not 0 < number <= HIGHEST_I2C:
        scope.wrong(key, value, "must be an address on an I2C bus, as 0x49")
    return number


def adc_wiring(
    scope: Scope,
    key: str,
    origin: m.FromTable,
    *,
    table: m.AdcTable,
    sensors: Mapping[str, Sensor | None],
    signal: Signal | None,
) -> Wiring | None:
    """What hangs on the channel, or None with the problems noted. `sensors` has None for those at fault."""
    before = len(scope.problems)
    if origin.unit is not None:
        scope.wrong(f"{key}.unit", origin.unit, "must be left out for a source of kind adc: the sensor has the unit")
    for each in ("channel", "supply", "cold"):
        channel = getattr(origin, each)
        if channel is not None and not CHANNEL.fullmatch(channel):
            scope.wrong(f"{key}.{each}", channel, CHANNEL_WORDS)
    name = origin.sensor or ""
    if name not in sensors:
        words = ", ".join(sensors) if sensors else "none is written"
        scope.wrong(f"{key}.sensor", name, f"must be the name of a sensor ({words})", known=sensors)
        return None
    sensor = sensors[name]
    if sensor is None or len(scope.problems) > before:
        return None
    transfer = sensor.transfer
    _check_beside(scope, key, origin, transfer)
    channel = origin.channel or ""
    if channel.startswith("temp") != (transfer.reads == "degC"):
        allowed = (
            f"must be a {'temp' if transfer.reads == 'degC' else 'voltage'} channel: {name} reads {transfer.reads}"
        )
        scope.wrong(f"{key}.channel", channel, allowed)
    if channel.startswith("voltage"):
        _check_scale(scope, key, origin, table, transfer)
    every = _every(scope, key, origin, table=table, sensor=sensor, signal=signal)
    return Wiring(name, transfer, origin.supply or origin.cold, sensor.guard, every)


def _check_beside(scope: Scope, key: str, origin: m.FromTable, transfer: Transfer) -> None:
    """A sensor that needs its supply or its terminals measured has the channel for it, and no other."""
    needed = {Beside.SUPPLY_V: "supply", Beside.COLD_DEGC: "cold"}.get(transfer.beside)
    for each, kind in (("supply", "voltage"), ("cold", "temp")):
        channel = getattr(origin, each)
        if channel is not None and each != needed:
            scope.wrong(f"{key}.{each}", channel, f"must be left out: sensor {origin.sensor} does not need it")
        elif channel is not None and not channel.startswith(kind):
            scope.wrong(f"{key}.{each}", channel, f"must be a {kind} channel")
        elif channel is None and each == needed and not isinstance(transfer, AnalogueAmplifier):
            scope.wrong(
                f"{key}.{each}", None, f"is required: sensor {origin.sensor} needs its {transfer.beside} measured"
            )


def _check_scale(scope: Scope, key: str, origin: m.FromTable, table: m.AdcTable, transfer: Transfer) -> None:
    """The converter can tell what the sensor calls a fault, and a supply that is too high."""
    dividers = table.divider
    needs = [(origin.channel or "", highest_v(transfer), f"{origin.sensor} calls more a fault")]
    if origin.supply is not None and isinstance(transfer, Ratiometric | Table | Ntc):
        needs.append((origin.supply, transfer.supply_range_v[1], f"it measures the supply of {origin.sensor}"))
    place = f"source.{origin.source}.full_scale_v"
    least = [(v / dividers.get(channel, 1.0), channel, why) for channel, v, why in needs if v is not None]
    if table.full_scale_v is None:
        if least and not scope.problems.noted(place):
            volts, channel, why = max(least)
            scope.wrong(place, None, f"is required, over {volts:.4g} V for {channel}: {why} ({key})")
        return
    for volts, channel, why in least:
        if not table.full_scale_v > volts:
            divided = f" behind a divider of {dividers[channel]:g}" if channel in dividers else ""
            allowed = f"must be over {volts:.4g} V for {channel}{divided}: {why} ({key})"
            scope.wrong(place, table.full_scale_v, allowed)


def _every(
    scope: Scope, key: str, origin: m.FromTable, *, table: m.AdcTable, sensor: Sensor, signal: Signal | None
) -> int:
    """Rounds from one reading to the next; so seldom that signal or guard could not work is a problem."""
    wanted_s = 1.0 / table.rate_hz if origin.every_s is None else origin.every_s
    every = max(round(wanted_s * table.rate_hz), 1)
    interval_s = every / table.rate_hz
    place = f"{key}.every_s" if origin.every_s is not None else f"source.{origin.source}.rate_hz"
    value = origin.every_s if origin.every_s is not None else table.rate_hz
    if signal is not None and interval_s * 1000 >= signal.max_age_ms:
        allowed = f"must keep readings closer than max_age_s, {signal.max_age_ms / 1000:g} s, or {signal.name} is stale"
        scope.wrong(place, value, allowed)
    elif sensor.guard is not None and interval_s > sensor.guard.blind_after_s / 2.0:
        allowed = f"must keep readings within {sensor.guard.blind_after_s / 2.0:g} s: a broken wire is told by the step"
        scope.wrong(place, value, allowed)
    return every
