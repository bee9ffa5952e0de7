"""The files in which the kernel shows a converter: which device it is, its scales, its readings, its faults.

Sources: Linux, Documentation/ABI/testing/sysfs-bus-iio (names, units, order of offset and scale).
"""

from __future__ import annotations

import contextlib
import errno
import math
import os
import re
from collections.abc import Sequence
from pathlib import Path

from uphaul.config.spec import AdcSpec
from uphaul.errors import SourceError
from uphaul.signals import Quality

__all__ = ["fault_of", "find_device", "number_in", "scale_of"]

MOST_BYTES = 256
"""Longest text of a reading that is looked at."""


def find_device(spec: AdcSpec, channels: Sequence[str]) -> Path:
    """The device's own folder. Raises SourceError when there is none, or more than one that has the `channels`."""
    folder = Path(spec.folder)
    try:
        shown = sorted(path for path in folder.iterdir() if path.name.startswith("iio:device"))
    except OSError:
        raise SourceError(f"ADC {spec.name}: {folder} is not there: no driver has brought a converter") from None
    fits = [path.resolve() for path in shown if _fits(path, spec)]
    if not fits:
        there = ", ".join(filter(None, (_where(path) for path in shown)))
        raise SourceError(f"ADC {spec.name}: no device {_wanted(spec)} (there: {there or 'none'})")
    whole = [path for path in fits if all(_has(path, name) for name in channels)]
    if not whole:
        missing = next(name for name in channels if not _has(fits[0], name))
        raise SourceError(f"ADC {spec.name}: {fits[0].name} ({_where(fits[0])}) has no channel {missing}")
    if len(whole) > 1:
        places = ", ".join(_where(path) for path in whole)
        raise SourceError(f"ADC {spec.name}: more than one device {_wanted(spec)} ({places}): say which bus")
    return whole[0]


def _wanted(spec: AdcSpec) -> str:
    if spec.i2c is not None:
        return f"at I2C address {spec.i2c:#04x}" + ("" if spec.bus is None else f" of bus {spec.bus}")
    return f"at SPI {spec.spi}" if spec.spi is not None else f"labelled {spec.label!r}"


_I2C = re.compile(r"([0-9]+)-(?:[0-9a-f]{4}|a[0-9a-f]{3})")


def _where(path: Path) -> str:
    """The nearest folder above the device that is a place on a bus: ``1-0049`` or ``spi0.1``; empty if none is."""
    for above in path.resolve().parents:
        if _I2C.fullmatch(above.name) or re.fullmatch(r"spi[0-9]+\.[0-9]+", above.name):
            return above.name
    return ""


def _fits(path: Path, spec: AdcSpec) -> bool:
    where = _where(path)
    if spec.i2c is not None:
        place = _I2C.fullmatch(where)
        address = int(where.partition("-")[2], 16) if place else None
        # an address of 10 bits is shown with 0xa000 added (i2c_dev_set_name in the kernel, from memory)
        return place is not None and address in (spec.i2c, spec.i2c | 0xA000) and spec.bus in (None, int(place[1]))
    if spec.spi is not None:
        return where == f"spi{spec.spi}"
    with contextlib.suppress(OSError):
        return _text(str(path / "label")).strip() == spec.label
    return False


def _has(device: Path, name: str) -> bool:
    return (device / f"in_{name}_raw").exists() or (device / f"in_{name}_input").exists()


def scale_of(device: Path, name: str) -> tuple[float, float]:
    """(offset, scale) of a channel, its own or those of its type; thousandths of V or degC = (raw + offset) * scale.

    A channel that has no raw reading is in thousandths already. Raises SourceError when a raw one has no scale.
    """
    if not (device / f"in_{name}_raw").exists():
        return 0.0, 1.0
    # shared by all channels of the type: in_voltage_scale, in_voltage-voltage_scale, in_temp_scale
    shared = re.sub(r"[0-9]+", "", name)
    names = dict.fromkeys((name, shared, re.sub(r"_.*", "", shared)))
    offset, scale = (
        next((number_in(str(p)) for n in names if (p := device / f"in_{n}_{what}").exists()), None)
        for what in ("offset", "scale")
    )
    if scale is None or not math.isfinite(scale):
        raise SourceError(f"{device.name}: channel {name} has no scale")
    return offset or 0.0, scale


def _text(path: str) -> str:
    """The beginning of a file, read in one go as these files want it. Raises OSError."""
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        return os.read(handle, MOST_BYTES).decode("ascii", "replace")
    finally:
        os.close(handle)


def number_in(path: str) -> float:
    """The number that a file says, NaN if it says none. Raises OSError."""
    try:
        return float(_text(path))
    except ValueError:
        return math.nan


def fault_of(device: Path, error: OSError) -> Quality | None:
    """What a thermocouple converter means by a reading that fails, None if it is just a failure.

    A driver that has files for its fault bits is asked by them. One that has none refuses a reading whose fault bit is
    set as invalid; an open circuit is the likeliest of its causes. Source: Linux, sysfs-bus-iio-temperature-max31856
    (fault_oc, fault_ovuv) and drivers/iio/temperature/maxim_thermocouple.c (EINVAL), from memory.
    """
    for name, quality in (("fault_oc", Quality.OPEN_CIRCUIT), ("fault_ovuv", Quality.SHORT_TO_SUPPLY)):
        with contextlib.suppress(OSError):
            if number_in(str(device / name)) == 1.0:
                return quality
    return Quality.OPEN_CIRCUIT if error.errno == errno.EINVAL else None
