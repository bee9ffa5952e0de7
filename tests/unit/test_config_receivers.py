"""Sources of kinds pulse and gps in a configuration: what they become, and what is wrong with them."""

from __future__ import annotations

import pytest

from uphaul.config import load_texts
from uphaul.config.gps import GPS_CHANNELS
from uphaul.config.spec import Config, GpsSpec, Input, PulseSpec
from uphaul.errors import ConfigError
from uphaul.signals.pulse import PulseWheel
from uphaul.units import UNITS

LINE = 'chip = "/dev/gpiochip0"\nline = 17\n'
WHEEL = "teeth = 60\nmissing = 2\n"
COUNTER = 'counter = "counter0/count0"\n'


def config_of(source: str, origin: str = 'source = "x"', signal: str = 'unit = "rpm"') -> Config:
    text = f"[source.x]\n{source}\n[signal.y]\n{signal}\nfrom = {{ {origin} }}\n"
    return load_texts({"signals.toml": text, "rules.toml": ""})


def pulse(keys: str, **more: str) -> Config:
    return config_of(f'kind = "pulse"\n{keys}', **more)


def gps(channel: str, signal: str, keys: str = "") -> Config:
    return config_of(f'kind = "gps"\n{keys}', f'source = "x", channel = "{channel}"', signal)


def test_pulses_of_a_wheel_on_a_line() -> None:
    config = pulse(LINE + WHEEL + 'edge = "falling"\nbias = "pull-up"\nlowest_rpm = 100\nhighest_rpm = 4500')
    wheel = PulseWheel.crank(60, 2, lowest_rpm=100, highest_rpm=4500)
    assert config.sources == (
        PulseSpec("x", wheel, chip="/dev/gpiochip0", line=17, edge="falling", bias="pull-up", every_ms=50, gate_ms=500),
    )
    assert config.inputs == (Input("y", "x", "", "rpm"),)


def test_pulses_of_an_alternator_in_a_counter() -> None:
    keys = (
        'counter = "W terminal/count1"\nfolder = "/invented"\npole_pairs = 6\nratio = 2.5\ngate_s = 0.25\nevery_s = 0.1'
    )
    wheel = PulseWheel.alternator(6, 2.5, lowest_rpm=60, highest_rpm=6000)
    spec = PulseSpec("x", wheel, counter="W terminal/count1", folder="/invented", every_ms=100, gate_ms=250)
    assert pulse(keys).sources == (spec,)


@pytest.mark.parametrize(
    ("keys", "place", "words"),
    [
        (WHEEL, "source.x.chip", "is required, with `line`; or `counter`"),
        ('chip = "/dev/gpiochip0"\n' + WHEEL, "source.x.line", "is required"),
        ("line = 17\n" + WHEEL, "source.x.chip", "is required"),
        ('chip = "/dev/gpiochip0"\nline = -1\n' + WHEEL, "source.x.line", "must be a number from 0, or a name"),
        (LINE + COUNTER + WHEEL, "source.x.chip", "must be left out where `counter` is"),
        ('counter = "counter0"\n' + WHEEL, "source.x.counter", "must name a device and its count, as counter0/count0"),
        ('counter = "../0/count0"\n' + WHEEL, "source.x.counter", "must name a device and its count"),
        (LINE, "source.x.teeth", "is required, or `pole_pairs`"),
        (LINE + WHEEL + "pole_pairs = 6\n", "source.x.teeth", "must be left out where `pole_pairs` is"),
        (LINE + "pole_pairs = 6\n", "source.x.ratio", "is required for an alternator"),
        (LINE + "pole_pairs = 6\nratio = 2.5\nmissing = 1\n", "source.x.missing", "must be left out for an alternator"),
        (LINE + "teeth = 4\nmissing = 2\n", "source.x.teeth", "must leave 3 teeth beside the gap"),
        (LINE + WHEEL + "lowest_rpm = 7000\n", "source.x.lowest_rpm", "must be over 0 and below highest_rpm"),
        # one tooth at 60 rpm: 1 s from edge to edge, by hand
        (COUNTER + "teeth = 1\n", "source.x.gate_s", "must be at least 1, in s"),
        (LINE + "teeth = 1\n", "signal.y.max_age_s", "must be at least 1.05, in s, or the signal is stale between"),
        (LINE + WHEEL + "tooth = 1\n", "source.x.tooth", ""),
    ],
)
def test_pulses_that_do_not_go_together(keys: str, place: str, words: str) -> None:
    with pytest.raises(ConfigError) as caught:
        pulse(keys)
    assert [p.key for p in caught.value.problems if words in p.allowed].count(place) == 1


def test_pulses_have_no_channel_and_are_speeds_of_rotation() -> None:
    with pytest.raises(ConfigError, match=r"signal\.y\.from\.channel = 'rpm': is no key for a source of kind pulse"):
        pulse(LINE + WHEEL, origin='source = "x", channel = "rpm"')
    with pytest.raises(ConfigError, match=r"signal\.y\.unit = 'Hz': must be a unit of rotation"):
        pulse(LINE + WHEEL, signal='unit = "Hz"')


def test_a_receiver() -> None:
    config = gps("speed", 'unit = "km/h"')
    assert config.sources == (GpsSpec("x", "127.0.0.1", 2947, None, 30.0),)
    assert config.inputs == (Input("y", "x", "", "speed", pytest.approx(3.6)),)
    keys = 'host = "192.0.2.1"\nport = 1\ndevice = "/dev/invented0"\nsilent_after_s = 5.0'
    assert gps("fix", 'unit = "1"', keys).sources == (GpsSpec("x", "192.0.2.1", 1, "/dev/invented0", 5.0),)


@pytest.mark.parametrize("channel", GPS_CHANNELS)
def test_every_channel_has_a_unit_that_is_known(channel: str) -> None:
    assert GPS_CHANNELS[channel] in UNITS
    assert gps(channel, f'unit = "{GPS_CHANNELS[channel]}"').inputs == (Input("y", "x", "", channel),)


def test_a_position_is_kept_finely_unless_its_owner_wants_it_coarse() -> None:
    # a degree of latitude is 10,000 km / 90 by the metre's first definition: 111 km; 0.1 m need a millionth of it
    assert gps("latitude", 'unit = "deg"').signals[0].per_unit == 1_000_000
    assert gps("longitude", 'unit = "deg"').signals[0].per_unit == 1_000_000
    assert gps("longitude", 'unit = "deg"\nper_unit = 100').signals[0].per_unit == 100
    assert gps("track", 'unit = "deg"').signals[0].per_unit == 100


def test_a_channel_that_is_not_there_is_named_with_the_nearest() -> None:
    with pytest.raises(ConfigError, match=r"from\.channel = 'latitud': must be one of .* Did you mean 'latitude'\?"):
        gps("latitud", 'unit = "deg"')
