"""Converters: what their configuration must say, where their files are found, and what a failed reading means."""

from __future__ import annotations

import asyncio
import errno
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from support.collected import reading
from support.config_files import config_of, problems_of
from support.iio_folder import IioFolder
from uphaul.clock import Clock
from uphaul.config.sensors import highest_v
from uphaul.config.spec import AdcSpec, Input, Wiring
from uphaul.errors import SourceError
from uphaul.signals import Quality
from uphaul.signals.transfer import (
    NTC_CURVES,
    AnalogueAmplifier,
    Beta,
    Bias,
    Burnout,
    Linear,
    LinearisedConverter,
    NtcDivider,
    NtcTable,
    PlainVolts,
    ProbeGuard,
    Ratiometric,
    SteinhartHart,
    StraightLineConverter,
    Table,
    Transfer,
    TransferError,
    TypeK,
)
from uphaul.sources import adc
from uphaul.sources.adc import AdcSource
from uphaul.sources.adc_files import fault_of, find_device, scale_of

# ------------------------------------------------------------------------------------------- configuration

SIGNALS = """
[source.adc]
kind = "adc"
device = { i2c = "0x49", bus = 1 }
rate_hz = 20
full_scale_v = 6.144
divider = { voltage3 = 2 }

[sensor.map400]
kind = "ratiometric"
unit = "kPa"
low_share = 0.1
low_value = 0
high_share = 0.9
high_value = 400

[sensor.probe]
kind = "converter"
straight_line = true
time_constant_s = 2

[signal.map]
unit = "psi"
from = { source = "adc", channel = "voltage0", sensor = "map400", supply = "voltage3", every_s = 0.1 }

[signal.egt]
unit = "degC"
from = { source = "adc", channel = "temp", sensor = "probe", cold = "temp_ambient" }
"""


def config(signals: str = SIGNALS) -> tuple[AdcSpec, tuple[Input, ...]]:
    made = config_of(signals, rules="", vehicle=None)
    (spec,) = made.sources
    assert isinstance(spec, AdcSpec)
    return spec, made.inputs


def test_what_is_configured_is_what_the_source_is_given() -> None:
    spec, inputs = config()
    assert spec == AdcSpec("adc", i2c=0x49, bus=1, divider=(("voltage3", 2.0),))
    assert (inputs[0].field, inputs[1].field) == ("voltage0", "temp")
    assert inputs[0].factor == pytest.approx(1.0 / 6.894757293168361)  # NIST SP 811: psi in kPa
    assert inputs[0].wiring == Wiring("map400", Ratiometric(0.1, 0.0, 0.9, 400.0, "kPa"), "voltage3", None, 2)
    guard = ProbeGuard.of(2.0, finds_slow_break=True, rejoin_s=1.0)
    assert inputs[1].wiring == Wiring("probe", StraightLineConverter(), "temp_ambient", guard, 1)


# (what stands there, what stands there instead, key, part of what is allowed, nearest)
PROBLEMS = [
    ('{ i2c = "0x49", bus = 1 }', "{ bus = 1 }", "source.adc.device", "exactly one of i2c, spi and label", None),
    ('"0x49", bus = 1', '"0x49", spi = "0.0"', "source.adc.device", "exactly one of i2c, spi and label", None),
    ('i2c = "0x49", bus = 1', 'spi = "0.0", bus = 1', "source.adc.device.bus", "left out unless i2c", None),
    ('i2c = "0x49", bus = 1', 'spi = "spi0"', "source.adc.device.spi", "bus and chip select, as 0.1", None),
    ('i2c = "0x49"', 'i2c = "49h"', "source.adc.device.i2c", "an address on an I2C bus", None),
    ('i2c = "0x49"', "i2c = 1024", "source.adc.device.i2c", "an address on an I2C bus", None),
    ("voltage3 = 2", "voltage3 = 0", "source.adc.divider.voltage3", "a number above 0", None),
    ("voltage3 = 2", "in3 = 2", "source.adc.divider.in3", "a channel as the kernel names it", None),
    ("rate_hz = 20", "rate_hz = 0", "source.adc.rate_hz", "above 0, at most 200", None),
    ("rate_hz = 20", "rate_hz = 0.5", "source.adc.rate_hz", "closer than max_age_s, 1 s, or egt is stale", None),
    ("rate_hz = 20", "oversampling = 4", "source.adc.oversampling", "no key of kind adc", "oversample"),
    ("full_scale_v = 6.144", "", "source.adc.full_scale_v", "required, over 5.225 V for voltage0: map400 calls", None),
    ("6.144", "5", "source.adc.full_scale_v", "over 5.225 V for voltage0: map400 calls more a fault", None),
    ("voltage3 = 2", "voltage3 = 0.5", "source.adc.full_scale_v", "over 11 V for voltage3 behind a divider", None),
    ("low_share = 0.1", "low_share = 0.95", "sensor.map400.low_share", "under high_share = 0.9", None),
    ("low_share = 0.1", "fault_below_share = 0.2", "sensor.map400.low_share", "is required", None),
    ("high_value = 400", "high_value = 0", "sensor.map400.high_value", "must differ from low_value", None),
    ('unit = "kPa"', 'unit = "kpsi"', "sensor.map400.unit", "a unit that is known", "psi"),
    ('unit = "kPa"', 'unit = "degC"', "signal.map.unit", "a unit of temperature", None),
    ('"ratiometric"', '"ratio"', "sensor.map400.kind", "must be one of volts, linear, ratiometric", "ratiometric"),
    ("high_value = 400", "high_value = 400\nrail_v = 5", "sensor.map400.rail_v", "it belongs to linear, table", None),
    ("time_constant_s = 2", "", "sensor.probe.time_constant_s", "is required", None),
    ("time_constant_s = 2", "time_constant_s = -1", "sensor.probe.time_constant_s", "above 0, at most 60", None),
    ("straight_line = true", "straight_line = false\nuv_per_k = 41", "sensor.probe.uv_per_k", "left out unless", None),
    ('sensor = "map400"', 'sensor = "map40"', "signal.map.from.sensor", "name of a sensor (map400, probe)", "map400"),
    ('sensor = "map400", ', "", "signal.map.from.sensor", "is required for a source of kind adc", None),
    ('sensor = "map400"', 'sensor = "probe"', "signal.map.from.channel", "must be a temp channel", None),
    ('channel = "voltage0"', 'channel = "in_voltage0"', "signal.map.from.channel", "without in_ and _raw", None),
    (', supply = "voltage3"', "", "signal.map.from.supply", "is required: sensor map400 needs its supply", None),
    ('supply = "voltage3"', 'supply = "temp"', "signal.map.from.supply", "must be a voltage channel", None),
    ('supply = "voltage3"', 'cold = "temp"', "signal.map.from.cold", "left out: sensor map400 does not need it", None),
    (', cold = "temp_ambient"', "", "signal.egt.from.cold", "needs its cold junction measured", None),
    ("every_s = 0.1", "every_s = 2", "signal.map.from.every_s", "closer than max_age_s, 1 s", None),
    ("every_s = 0.1", 'unit = "V"', "signal.map.from.unit", "the sensor has the unit", None),
    ("every_s = 0.1", 'message = "A"', "signal.map.from.message", "is no key for a source of kind adc", None),
]


@pytest.mark.parametrize(
    ("old", "new", "key", "allowed", "nearest"), PROBLEMS, ids=[f"{r[2]}: {r[1]}" for r in PROBLEMS]
)
def test_a_problem_names_its_key(old: str, new: str, key: str, allowed: str, nearest: str | None) -> None:
    assert old in SIGNALS
    found = {p.key: p for p in problems_of(SIGNALS.replace(old, new, 1), rules="", vehicle=None)}
    assert key in found, list(found)
    assert allowed in found[key].allowed
    assert found[key].nearest == nearest


def test_a_probe_must_be_read_often_enough_for_a_break_to_show() -> None:
    slow = SIGNALS.replace('unit = "degC"\n', 'unit = "degC"\nmax_age_s = 10\n').replace(
        'cold = "temp_ambient"', 'cold = "temp_ambient", every_s = 1.5'
    )
    (found,) = problems_of(slow, rules="", vehicle=None)
    assert (found.key, found.value) == ("signal.egt.from.every_s", 1.5)
    assert "within 1 s" in found.allowed


def test_a_faulty_sensor_is_one_problem_however_many_signals_have_it() -> None:
    found = problems_of(SIGNALS.replace("low_share = 0.1", "low_share = 2"), rules="", vehicle=None)
    assert [p.key for p in found] == ["sensor.map400.low_share"]
    found = problems_of(SIGNALS.replace("high_value = 400", "high_value = true"), rules="", vehicle=None)
    assert [p.key for p in found] == ["sensor.map400.high_value"]


# fmt: off
SENSORS: list[tuple[str, Transfer]] = [
    ('kind = "volts"', PlainVolts()),
    ('kind = "volts"\nfault_below_v = 6\nfault_above_v = 18\nbias = "up"', PlainVolts(6.0, 18.0, Bias.UP)),
    ('kind = "linear"\nunit = "bar"\nlow_v = 0.5\nlow_value = 0\nhigh_v = 4.5\nhigh_value = 10\nfault_below_v = 0.25\n'
     'fault_above_v = 4.75\nbias = "floating"', Linear(0.5, 0.0, 4.5, 10.0, "bar", 0.25, 4.75, Bias.FLOATING)),
    ('kind = "ratiometric"\nunit = "kPa"\nlow_share = 0.04\nlow_value = 20\nhigh_share = 0.96\nhigh_value = 250\n'
     'bias = "up"\nsupply_range_v = [4.75, 5.25]',
     Ratiometric(0.04, 20.0, 0.96, 250.0, "kPa", bias=Bias.UP, supply_range_v=(4.75, 5.25))),
    ('kind = "table"\nunit = "kPa"\npoints = [[0.5, 0], [4.5, 100]]\nfault_below = 0.25\nfault_above = 4.75',
     Table(((0.5, 0.0), (4.5, 100.0)), "kPa", 0.25, 4.75)),
    ('kind = "table"\nunit = "kPa"\npoints = [[0.1, 0], [0.9, 100]]\nfault_below = 0.05\nfault_above = 0.95\n'
     'ratiometric = true', Table(((0.1, 0.0), (0.9, 100.0)), "kPa", 0.05, 0.95, True)),
    ('kind = "ntc"\ncurve = "ntc-2.5k-20c"\nfixed_ohm = 1000', NtcDivider(NTC_CURVES["ntc-2.5k-20c"], 1000.0)),
    ('kind = "ntc"\nsteinhart_hart = { a = 1.129e-3, b = 2.341e-4, c = 8.775e-8, range_degc = [-40, 120] }\n'
     'fixed_ohm = 4700\npull_up = false',
     NtcDivider(SteinhartHart(1.129e-3, 2.341e-4, 8.775e-8, (-40.0, 120.0)), 4700.0, False)),
    ('kind = "ntc"\nbeta = { ohm = 2500, at_degc = 20, beta_k = 3545.5 }\nfixed_ohm = 1000',
     NtcDivider(Beta(2500.0, 20.0, 3545.5), 1000.0)),
    ('kind = "ntc"\npoints = [[0, 6000], [50, 800], [100, 190]]\nfixed_ohm = 1000',
     NtcDivider(NtcTable(((0.0, 6000.0), (50.0, 800.0), (100.0, 190.0))), 1000.0)),
    ('kind = "thermocouple"\nburnout = "up"\ntime_constant_s = 2', TypeK(burnout=Burnout.UP)),
    ('kind = "amplifier"\nreference_v = 0.5\nsupply_v = 3.3\ntime_constant_s = 2',
     AnalogueAmplifier(reference_v=0.5, supply_v=3.3)),
    ('kind = "converter"\nstraight_line = false\nrange_degc = [0, 1000]\ntime_constant_s = 2',
     LinearisedConverter((0.0, 1000.0))),
    ('kind = "converter"\nstraight_line = true\nuv_per_k = 41\ntime_constant_s = 2', StraightLineConverter(41.0)),
]
# fmt: on


def built(text: str) -> Transfer:
    channel = 'channel = "temp"' if "converter" in text else 'channel = "voltage0"'
    beside = ""
    if "ratiometric" in text or "ntc" in text:
        beside = ', supply = "voltage1"'
    if "thermocouple" in text or "straight_line = true" in text:
        beside = ', cold = "temp"'
    unit = {"volts": "V", "linear": "bar", "ratiometric": "kPa", "table": "kPa"}.get(text.split('"')[1], "degC")
    _, inputs = config(
        '[source.adc]\nkind = "adc"\ndevice = { label = "x" }\nfull_scale_v = 50\n'
        f'[sensor.it]\n{text}\n[signal.s]\nunit = "{unit}"\n'
        f'from = {{ source = "adc", {channel}, sensor = "it"{beside} }}\n'
    )
    (each,) = inputs
    assert each.wiring is not None
    return each.wiring.sensor


@pytest.mark.parametrize(("text", "sensor"), SENSORS, ids=[t.replace("\n", ", ")[:60] for t, _ in SENSORS])
def test_every_kind_of_sensor_can_be_written(text: str, sensor: Transfer) -> None:
    assert built(text) == sensor


@pytest.mark.parametrize(("text", "sensor"), SENSORS, ids=[t.replace("\n", ", ")[:60] for t, _ in SENSORS])
def test_the_demanded_full_scale_is_where_the_sensor_itself_begins_to_call_a_fault(text: str, sensor: Transfer) -> None:
    edge = highest_v(sensor)
    if sensor.reads == "degC" or text == 'kind = "volts"':
        assert edge is None
        return
    assert edge is not None
    beside = {"supply": getattr(sensor, "supply_range_v", (0, 5.5))[1], "cold junction": -40.0}.get(
        sensor.beside, np.nan
    )
    if isinstance(sensor, AnalogueAmplifier):
        beside = 25.0
    at = np.array([edge * 0.999, edge * 1.001]) * (1000.0 if sensor.reads == "mV" else 1.0)
    found = [Quality(q).known for q in sensor.read(at, [beside, beside]).quality.tolist()]
    assert found == [True, False]


def test_a_broken_probe_is_believed_again_only_where_an_open_circuit_shows() -> None:
    def guard(text: str) -> ProbeGuard:
        _, inputs = config(
            '[source.adc]\nkind = "adc"\ndevice = { label = "x" }\nfull_scale_v = 50\n'
            f'[sensor.it]\nkind = "thermocouple"\ntime_constant_s = 2\n{text}\n[signal.s]\nunit = "degC"\n'
            'from = { source = "adc", channel = "voltage0", sensor = "it", cold = "temp" }\n'
        )
        assert inputs[0].wiring is not None
        assert inputs[0].wiring.guard is not None
        return inputs[0].wiring.guard

    assert guard("").rejoin_s is None
    assert guard('burnout = "down"').rejoin_s == 1.0
    assert guard('burnout = "down"\nrejoin_s = 5').rejoin_s == 5.0
    signals = SIGNALS.replace('kind = "converter"\nstraight_line = true', 'kind = "thermocouple"\nrejoin_s = 1')
    assert "sensor.probe.rejoin_s" in {p.key for p in problems_of(signals, rules="", vehicle=None)}


def test_the_reference_names_every_curve() -> None:
    reference = (Path(__file__).resolve().parents[2] / "config" / "README.md").read_text(encoding="utf-8")
    assert [name for name in NTC_CURVES if f"`{name}`" not in reference] == []


def test_a_plain_voltage_can_have_its_faults_and_no_crossed_ones() -> None:
    reading = PlainVolts(6.0, 18.0).read([0.0, 5.9, 6.0, 12.0, 18.0, 18.1, np.nan])
    assert [Quality(q).words for q in reading.quality.tolist()] == [
        "open circuit", "open circuit", "good", "good", "good", "short to supply", "undecodable"
    ]  # fmt: skip
    assert PlainVolts(6.0, 18.0, Bias.UP).read([0.0, 20.0]).quality.tolist() == [
        Quality.SHORT_TO_GROUND, Quality.OPEN_CIRCUIT
    ]  # fmt: skip
    with pytest.raises(TransferError, match="fault_above_v"):
        PlainVolts(18.0, 6.0)


# --------------------------------------------------------------------------------------------------- files

FILES = {"in_voltage0_raw": "1000", "in_voltage_scale": "1"}


def spec(iio: IioFolder, **more: object) -> AdcSpec:
    return AdcSpec("adc", folder=str(iio.folder), **more)  # type: ignore[arg-type]


@pytest.fixture
def iio(tmp_path: Path) -> IioFolder:
    return IioFolder(tmp_path)


def test_two_devices_at_one_address_must_be_told_apart(iio: IioFolder) -> None:
    iio.plug("i2c-1/1-0049", 0, FILES)
    iio.plug("i2c-3/3-0049", 1, FILES)
    with pytest.raises(SourceError, match=r"more than one device at I2C address 0x49 \(1-0049, 3-0049\)"):
        find_device(spec(iio, i2c=0x49), ["voltage0"])
    assert find_device(spec(iio, i2c=0x49, bus=3), ["voltage0"]).name == "iio:device1"


def test_of_two_devices_of_one_chip_the_one_with_the_channels_is_taken(iio: IioFolder) -> None:
    iio.plug("i2c-1/1-0049/first", 0, {"in_temp_raw": "1"})
    iio.plug("i2c-1/1-0049/second", 1, FILES)
    assert find_device(spec(iio, i2c=0x49), ["voltage0"]).name == "iio:device1"


def test_a_device_below_another_chip_is_found_by_that_chip(iio: IioFolder) -> None:
    iio.plug("i2c-1/1-0034/some-adc", 0, FILES)
    assert find_device(spec(iio, i2c=0x34), ["voltage0"]).name == "iio:device0"


def test_an_address_of_ten_bits_is_shown_with_a000(iio: IioFolder) -> None:
    iio.plug("i2c-1/1-a149", 0, FILES)
    assert find_device(spec(iio, i2c=0x149), ["voltage0"]).name == "iio:device0"


def test_without_a_folder_there_is_no_driver(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="no driver has brought a converter"):
        find_device(AdcSpec("adc", i2c=0x49, folder=str(tmp_path / "none")), [])


# The rows follow Linux, Documentation/ABI/testing/sysfs-bus-iio: (raw + offset) * scale, each for the channel or
# shared by all of its type; processed values have none.
@pytest.mark.parametrize(
    ("channel", "files", "expected"),
    [
        ("voltage0", {"in_voltage0_raw": "1", "in_voltage0_scale": "3", "in_voltage_scale": "2"}, (0.0, 3.0)),
        ("voltage0", {"in_voltage0_raw": "1", "in_voltage_scale": "2", "in_voltage0_offset": "-8"}, (-8.0, 2.0)),
        ("voltage0", {"in_voltage0_raw": "1", "in_voltage_scale": "2", "in_voltage_offset": "-7"}, (-7.0, 2.0)),
        ("voltage0-voltage1", {"in_voltage0-voltage1_raw": "1", "in_voltage-voltage_scale": "2"}, (0.0, 2.0)),
        ("temp_ambient", {"in_temp_ambient_raw": "1", "in_temp_ambient_scale": "62.5"}, (0.0, 62.5)),
        ("temp_ambient", {"in_temp_ambient_raw": "1", "in_temp_scale": "62.5"}, (0.0, 62.5)),
        ("temp0", {"in_temp0_input": "25000", "in_temp_scale": "3"}, (0.0, 1.0)),
    ],
)
def test_the_scale_of_a_channel(
    iio: IioFolder, channel: str, files: dict[str, str], expected: tuple[float, float]
) -> None:
    iio.plug("i2c-1/1-0049", 0, files)
    device = find_device(spec(iio, i2c=0x49), [channel])
    assert scale_of(device, channel) == expected


def test_a_scale_that_is_no_number_is_none(iio: IioFolder) -> None:
    iio.plug("i2c-1/1-0049", 0, FILES | {"in_voltage_scale": "much"})
    with pytest.raises(SourceError, match="channel voltage0 has no scale"):
        scale_of(find_device(spec(iio, i2c=0x49), ["voltage0"]), "voltage0")


@pytest.mark.parametrize(
    ("files", "number", "quality"),
    [
        ({}, errno.EINVAL, Quality.OPEN_CIRCUIT),
        ({}, errno.EIO, None),
        ({}, errno.EREMOTEIO, None),
        ({"fault_oc": "0", "fault_ovuv": "0"}, errno.EIO, None),
        ({"fault_oc": "1", "fault_ovuv": "0"}, errno.EIO, Quality.OPEN_CIRCUIT),
        ({"fault_oc": "0", "fault_ovuv": "1"}, errno.EIO, Quality.SHORT_TO_SUPPLY),
    ],
)
def test_what_a_converter_means_by_a_failed_reading(
    iio: IioFolder, files: dict[str, str], number: int, quality: Quality | None
) -> None:
    iio.plug("spi0/spi0.0", 0, files)
    assert fault_of(iio.path("spi0/spi0.0", ""), OSError(number, "")) is quality


# --------------------------------------------------------------------------------------------- readings


def wired(sensor: Transfer, *, beside: str | None = None, every: int = 1, channel: str = "voltage0") -> Input:
    return Input("s", "adc", "", channel, wiring=Wiring("it", sensor, beside, None, every))


@pytest.mark.asyncio
async def test_oversampling_takes_the_mean_of_so_many_readings(iio: IioFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    iio.plug("i2c-1/1-0049", 0, FILES)
    told = iter(range(100_000))
    monkeypatch.setattr(adc, "number_in", lambda _: float(next(told)))
    source = AdcSource(spec(iio, i2c=0x49, oversample=4, rate_hz=200.0), [(0, wired(PlainVolts()))], Clock())
    async with reading(source) as (got, _):
        await got.until(lambda: len(got.samples) >= 3)
    assert got.values(0)[:3] == [0.0015, 0.0055, 0.0095]  # means of 0..3, 4..7, 8..11 mV


@pytest.mark.asyncio
async def test_a_channel_that_several_signals_need_is_read_once_a_round(
    iio: IioFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    iio.plug("i2c-1/1-0049", 0, FILES | {"in_voltage3_raw": "5000"})
    read: list[str] = []
    true = adc.number_in
    monkeypatch.setattr(adc, "number_in", lambda path: read.append(Path(path).name) or true(path))
    sensor = Ratiometric(0.1, 0.0, 0.9, 400.0, "kPa")
    inputs: Sequence[tuple[int, Input]] = [
        (0, wired(sensor, beside="voltage3")),
        (1, wired(sensor, beside="voltage3", every=3)),
        (2, wired(PlainVolts(), channel="voltage3")),
    ]
    source = AdcSource(spec(iio, i2c=0x49, rate_hz=200.0), inputs, Clock())
    async with reading(source) as (got, _):
        await got.until(lambda: got.batches >= 7)
    rounds = source.health.counters["rounds"]
    assert [read.count(name) for name in ("in_voltage0_raw", "in_voltage3_raw")] == [rounds, rounds]
    assert len(got.values(1)) == len(got.values(0)[::3])


@pytest.mark.asyncio
async def test_a_probe_that_broke_is_broken_still_when_the_device_comes_back(iio: IioFolder) -> None:
    at = "spi0/spi0.0"
    files = {"in_temp_input": "690000"}
    iio.plug(at, 0, files)
    guard = ProbeGuard.of(2.0, finds_slow_break=False)
    probe = Input("egt", "adc", "", "temp", wiring=Wiring("p", LinearisedConverter(), None, guard))
    source = AdcSource(spec(iio, spi="0.0", rate_hz=200.0), [(0, probe)], Clock())
    async with reading(source) as (got, _):
        await got.until(lambda: got.values(0)[-1:] == [690.0])
        iio.set(at, "in_temp_input", "300000")
        await got.until(lambda: got.samples[-1].quality is Quality.OPEN_CIRCUIT)
    iio.unplug(at)
    iio.plug(at, 5, {"in_temp_input": "300000"})
    async with reading(source) as (got, _):
        await got.until(lambda: len(got.samples) >= 5)
    assert {s.quality for s in got.samples} == {Quality.OPEN_CIRCUIT}


@pytest.mark.asyncio
async def test_a_cancellation_that_comes_with_the_answer_is_not_forgotten() -> None:
    spec, inputs = config()
    source = AdcSource(spec, list(enumerate(inputs)), Clock())
    answer: asyncio.Future[int] = asyncio.get_running_loop().create_future()
    source._worker = SimpleNamespace(ask=lambda _: answer)  # type: ignore[assignment]
    asking = asyncio.create_task(source._ask(lambda: 0))
    await asyncio.sleep(0)
    answer.set_result(1)
    asking.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asking
