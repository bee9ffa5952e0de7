"""For every kind of sensor a sweep of the electrical value from short to open: fault, plausible band, fault.

Speed from pulses has no such sweep: no pulses are a standing engine and a broken wire alike, which its module says.
"""

from __future__ import annotations

import numpy as np
import pytest

from uphaul.signals.model import Quality
from uphaul.signals.transfer import (
    NTC_CURVES,
    AnalogueAmplifier,
    Beta,
    Bias,
    Burnout,
    Linear,
    LinearisedConverter,
    NtcDivider,
    Ratiometric,
    SteinhartHart,
    StraightLineConverter,
    Table,
    Transfer,
    TypeK,
)

S = Quality
AUTOMOTIVE, PLAIN = NTC_CURVES["ntc-2.5k-20c"], NTC_CURVES["ntc-10k-3977"]
FITTED = SteinhartHart.through(((5896.0, 0.0), (834.0, 50.0), (187.0, 100.0)), (-40.0, 130.0))
POINTS = ((0.5, 0.0), (2.0, 50.0), (4.5, 100.0))
SHARES = ((0.1, 0.0), (0.4, 50.0), (0.9, 100.0))

# what, description, beside, sweep from and to (its own unit), the fault at either end, where the good values lie
# fmt: off
SWEEPS = [
    ("linear, pulled down", Linear(0.5, 0.0, 4.5, 10.0, "bar", 0.25, 4.75), np.nan, (0.0, 5.0),
     (S.OPEN_CIRCUIT, S.SHORT_TO_SUPPLY), (0.5, 4.5)),
    ("linear, pulled up", Linear(0.5, 0.0, 4.5, 10.0, "bar", 0.25, 4.75, Bias.UP), np.nan, (0.0, 5.0),
     (S.SHORT_TO_GROUND, S.OPEN_CIRCUIT), (0.5, 4.5)),
    ("linear, floating", Linear(0.5, 0.0, 4.5, 10.0, "bar", 0.25, 4.75, Bias.FLOATING), np.nan, (0.0, 5.0),
     (S.SHORT_TO_GROUND, S.SHORT_TO_SUPPLY), (0.5, 4.5)),
    ("linear, falling", Linear(0.5, 10.0, 4.5, 0.0, "bar", 0.25, 4.75, Bias.UP), np.nan, (0.0, 5.0),
     (S.SHORT_TO_GROUND, S.OPEN_CIRCUIT), (0.5, 4.5)),
    ("ratiometric", Ratiometric(0.1, 0.0, 0.9, 400.0, "kPa"), 5.0, (0.0, 5.0),
     (S.OPEN_CIRCUIT, S.SHORT_TO_SUPPLY), (0.5, 4.5)),
    ("ratiometric, low supply", Ratiometric(0.1, 0.0, 0.9, 400.0, "kPa"), 4.6, (0.0, 4.6),
     (S.OPEN_CIRCUIT, S.SHORT_TO_SUPPLY), (0.46, 4.14)),
    ("ratiometric, near its rails", Ratiometric(0.04, 20.0, 0.96, 250.0, "kPa", bias=Bias.UP), 5.1, (0.0, 5.1),
     (S.SHORT_TO_GROUND, S.OPEN_CIRCUIT), (0.204, 4.896)),
    ("table", Table(POINTS, "kPa", 0.25, 4.75), np.nan, (0.0, 5.0),
     (S.OPEN_CIRCUIT, S.SHORT_TO_SUPPLY), (0.5, 4.5)),
    ("ratiometric table", Table(SHARES, "kPa", 0.05, 0.95, True, Bias.UP), 4.8, (0.0, 4.8),
     (S.SHORT_TO_GROUND, S.OPEN_CIRCUIT), (0.48, 4.32)),
    ("ntc table, pull-up", NtcDivider(AUTOMOTIVE, 1000.0), 5.0, (0.0, 5.0),
     (S.SHORT_TO_GROUND, S.OPEN_CIRCUIT), (0.4087, 4.892)),
    ("ntc table, pull-down", NtcDivider(AUTOMOTIVE, 1000.0, pull_up=False), 5.0, (0.0, 5.0),
     (S.OPEN_CIRCUIT, S.SHORT_TO_SUPPLY), (0.108, 4.5913)),
    ("ntc steinhart-hart", NtcDivider(FITTED, 1000.0), 5.0, (0.0, 5.0),
     (S.SHORT_TO_GROUND, S.OPEN_CIRCUIT), (0.42, 4.88)),
    ("ntc four terms, pull-down", NtcDivider(PLAIN, 4700.0, pull_up=False), 5.0, (0.0, 5.0),
     (S.OPEN_CIRCUIT, S.SHORT_TO_SUPPLY), (0.07, 4.81)),
    ("ntc beta", NtcDivider(Beta(2500.0, 20.0, 3545.5), 1000.0), 5.0, (0.0, 5.0),
     (S.SHORT_TO_GROUND, S.OPEN_CIRCUIT), (0.43, 4.9)),
    ("ntc, a pull-up too small for it", NtcDivider(PLAIN, 1000.0), 5.0, (0.0, 5.0),
     (S.SHORT_TO_GROUND, S.OPEN_CIRCUIT), (0.7722, 4.97)),
    ("thermocouple, test current up", TypeK(burnout=Burnout.UP), 25.0, (-78.0, 78.0),
     (S.BELOW_RANGE, S.OPEN_CIRCUIT), (-2.5, 47.8)),
    ("thermocouple, test current down", TypeK(burnout=Burnout.DOWN), 25.0, (78.0, -78.0),
     (S.ABOVE_RANGE, S.OPEN_CIRCUIT), (47.8, -2.5)),
    ("thermocouple, no test current", TypeK(), 25.0, (-78.0, 78.0),
     (S.BELOW_RANGE, S.ABOVE_RANGE), (-2.5, 47.8)),
    ("straight-line converter", StraightLineConverter(), 25.0, (-300.0, 2000.0),
     (S.BELOW_RANGE, S.ABOVE_RANGE), (-36.0, 1180.0)),
    ("linearising converter", LinearisedConverter(), np.nan, (-300.0, 2000.0),
     (S.BELOW_RANGE, S.ABOVE_RANGE), (-40.0, 1200.0)),
    ("amplifier", AnalogueAmplifier(), 25.0, (0.0, 5.0),
     (S.SHORT_TO_GROUND, S.OPEN_CIRCUIT), (0.03, 4.89)),
    ("amplifier with a raised reference", AnalogueAmplifier(reference_v=0.5), 25.0, (0.0, 5.0),
     (S.SHORT_TO_GROUND, S.OPEN_CIRCUIT), (0.32, 4.89)),
]
# fmt: on


@pytest.mark.parametrize(("_what", "sensor", "beside", "sweep", "ends", "good"), SWEEPS, ids=[row[0] for row in SWEEPS])
def test_sweep(
    _what: str,
    sensor: Transfer,
    beside: float,
    sweep: tuple[float, float],
    ends: tuple[Quality, Quality],
    good: tuple[float, float],
) -> None:
    at = np.linspace(*sweep, 20_001)
    reading = sensor.read(at, beside)
    known = np.isfinite(reading.values)

    # exactly fault, band, fault, each in one piece, and the faults of the ends are what is expected
    assert (np.diff(known.astype(int)) != 0).sum() == 2
    assert not known[0]
    assert not known[-1]
    first, last = int(np.argmax(known)), len(at) - 1 - int(np.argmax(known[::-1]))
    assert reading.quality[0] == ends[0]
    assert reading.quality[-1] == ends[1]
    near = {Quality(q) for q in reading.quality[:first].tolist()}
    far = {Quality(q) for q in reading.quality[last + 1 :].tolist()}
    # an amplifier with a raised reference has readings that are neither short nor temperature
    assert near - {Quality.BELOW_RANGE} <= {ends[0]}
    assert far <= {ends[1]}

    # inside the band: bound, good, bound, and the value goes one way
    inside = reading.quality[first : last + 1]
    assert set(inside.tolist()) <= {Quality.GOOD, Quality.SATURATED}
    assert (np.diff((inside == Quality.GOOD).astype(int)) != 0).sum() <= 2
    values = reading.values[first : last + 1]
    clear = values[inside == Quality.GOOD]
    assert (np.diff(clear) > 0).all() or (np.diff(clear) < 0).all()

    # the band holds all that the sensor can mean, and no more than its margins beside it
    low, high = sorted(good)
    is_good = (at >= low + 1e-9) & (at <= high - 1e-9)
    assert (reading.quality[is_good] == Quality.GOOD).all()
    bounds = bool((inside == Quality.SATURATED).any())
    margin = (0.08 if bounds else 0.005) * abs(sweep[1] - sweep[0])
    assert not known[(at < low - margin) | (at > high + margin)].any()


@pytest.mark.parametrize("supply", [4.5, 4.8, 5.0, 5.5])
def test_the_band_moves_with_the_supply(supply: float) -> None:
    for sensor in (Ratiometric(0.1, 0.0, 0.9, 400.0, "kPa"), NtcDivider(AUTOMOTIVE, 1000.0)):
        shares = np.linspace(0.0, 1.0, 998)  # none on an edge, where rounding decides
        assert sensor.read(shares * supply, supply).quality.tolist() == sensor.read(shares * 5.0, 5.0).quality.tolist()


@pytest.mark.parametrize("resistance_ohm", [0.0, 5.0, 1e6, 1e9])
def test_a_wire_with_a_resistance_for_a_sensor(resistance_ohm: float) -> None:
    # a short of some ohm at the connector, and damp in an open one: faults, no temperatures
    for curve in (AUTOMOTIVE, FITTED):
        volts = 5.0 * resistance_ohm / (resistance_ohm + 1000.0)
        expected = Quality.SHORT_TO_GROUND if resistance_ohm < 100.0 else Quality.OPEN_CIRCUIT
        assert NtcDivider(curve, 1000.0).read(volts, 5.0).one()[1] is expected
