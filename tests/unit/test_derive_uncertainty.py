"""How good a computed signal is: carried through whole chains, shared sensors counted once, unknown told as unknown."""

from __future__ import annotations

import math

import numpy as np
import pytest

from uphaul.config import load, sample_directory
from uphaul.config.typical import typical
from uphaul.derive import Computed, Deriver
from uphaul.signals import Signal

MAP, BARO, BACK = (Signal(n, "kPa", 10) for n in ("map", "baro", "back"))


def _signal(name: str, unit: str, per_unit: int = 10) -> Signal:
    return Signal(name, unit, per_unit, computed=True)


BOOST = Computed(_signal("boost", "kPa"), "gauge-pressure", (("absolute", "map"), ("barometric", "baro")))
DRIVE = Computed(_signal("drive", "kPa"), "gauge-pressure", (("absolute", "back"), ("barometric", "baro")))
RATIO = Computed(_signal("drive_ratio", "1"), "ratio", (("numerator", "drive"), ("denominator", "boost")))
SIGNALS = (MAP, BARO, BACK, BOOST.signal, DRIVE.signal, RATIO.signal)
ROW = np.array([[250.0, 100.0, 290.0, np.nan, np.nan, np.nan]])


def _deriver() -> Deriver:
    return Deriver(SIGNALS, [BOOST, DRIVE, RATIO])


def test_independent_sensors_add_as_squares() -> None:
    got = _deriver().uncertainty(ROW, {"map": 3.0, "baro": 4.0})
    assert got["boost"][0] == pytest.approx(5.0)  # JCGM 100:2008, 5.1.2


def test_a_sensor_that_counts_twice_is_counted_once_with_its_sign() -> None:
    got = _deriver().uncertainty(ROW, {"map": 3.0, "baro": 2.0, "back": 4.0})
    # r = (back - baro) / (map - baro) = 190 / 150; dr/dmap = -190/150**2, dr/dback = 1/150,
    # dr/dbaro = (190 - 150)/150**2, by calculus
    parts = (3 * 190 / 150**2, 4 / 150, 2 * 40 / 150**2)
    assert got["drive_ratio"][0] == pytest.approx(math.hypot(*parts), rel=1e-3)


def test_without_the_uncertainty_of_an_input_there_is_none() -> None:
    got = _deriver().uncertainty(ROW, {"map": 3.0, "baro": 2.0})
    assert np.isnan(got["drive"][0])
    assert np.isnan(got["drive_ratio"][0])


def test_what_is_written_with_a_computed_signal_stands_for_what_it_is_made_of() -> None:
    rows = ROW.copy()
    rows[0, 3:5] = 150.0, 190.0
    got = _deriver().uncertainty(rows, {"boost": 3.0, "drive": 4.0})
    assert got["boost"][0] == 3.0
    assert got["drive_ratio"][0] == pytest.approx(math.hypot(3 * 190 / 150**2, 4 / 150), rel=1e-3)


def test_the_result_is_in_the_signals_unit() -> None:
    deep = Computed(_signal("c", "degF"), "compressor-outlet", (("inlet", "t"), ("ratio", "r")), (("efficiency", 1.0),))
    signals = (Signal("t", "K", 10), Signal("r", "1", 1000), deep.signal)
    got = Deriver(signals, [deep]).uncertainty(np.array([[300.0, 1.0, np.nan]]), {"t": 2.0, "r": 0.0})
    assert got["c"][0] == pytest.approx(3.6)  # a kelvin is 1.8 Fahrenheit degrees


def test_an_unknown_reading_has_no_uncertainty() -> None:
    rows = ROW.copy()
    rows[0, 1] = np.nan
    assert np.isnan(_deriver().uncertainty(rows, {"map": 3.0, "baro": 4.0})["boost"][0])


def test_asking_does_not_touch_the_drive() -> None:
    hot = Computed(_signal("need", "s"), "turbo-cooldown", (("gas", "egt"),))
    signals = (Signal("egt", "degC", 4), hot.signal)
    t = 50 * np.arange(100)
    values = np.column_stack((np.linspace(700, 500, 100), np.full(100, np.nan)))
    plain, asked = values.copy(), values.copy()
    one, two = Deriver(signals, [hot]), Deriver(signals, [hot])
    one.run(t, plain)
    two.run(t[:50], asked[:50])
    before = asked.copy()
    two.uncertainty(asked[:50], {"egt": 5.0})
    assert before.tobytes() == asked.tobytes()
    two.run(t[50:], asked[50:])
    assert asked.tobytes() == plain.tobytes()


def test_the_grades_own_noise_goes_on_into_the_power() -> None:
    grade = Computed(
        _signal("grade", "%"), "grade", (("speed", "v"), ("height", "h")), (("height_noise", 2.0), ("window_s", 10.0))
    )
    power = Computed(
        _signal("power", "kW"),
        "wheel-power",
        (("speed", "v"), ("grade", "grade"), ("density", "rho")),
        (("vehicle", 5500.0), ("rolling", 0.008), ("drag_area", 3.2)),
    )
    signals = (Signal("v", "m/s", 100), Signal("h", "m", 10), Signal("rho", "kg/m3", 1000), grade.signal, power.signal)
    row = np.array([[20.0, 500.0, 1.2, 6.0, np.nan]])
    got = Deriver(signals, [grade, power]).uncertainty(row, {"v": 0.0, "rho": 0.0, "h": 30.0})
    # least squares, readings spread evenly over 200 m: sigma * sqrt(12 / n) / length, n = 11 at one a second; an
    # altitude that is off as a whole does not count
    slope = 2.0 * math.sqrt(12 / 11) / 200.0
    assert got["grade"][0] == pytest.approx(100 * slope, rel=1e-6)
    # 5,500 kg at 20 m/s: m g v times the change of the sine, cosine cubed of 6 %
    assert got["power"][0] == pytest.approx(5500 * 9.80665 * 20 * slope / 1000 * (1 + 0.0036) ** -1.5, rel=2e-3)


def test_slopes_have_none_unless_it_is_written() -> None:
    rate = Computed(_signal("rate", "K/s"), "temperature-rate", (("temperature", "egt"),))
    signals = (Signal("egt", "degC", 4), rate.signal)
    deriver = Deriver(signals, [rate])
    assert np.isnan(deriver.uncertainty(np.array([[700.0, 1.0]]), {"egt": 5.0})["rate"][0])
    assert deriver.uncertainty(np.array([[700.0, 1.0]]), {"rate": 0.2})["rate"][0] == 0.2


def test_the_sample_tells_how_good_its_computed_signals_are() -> None:
    told = {t.signal: t for t in typical(load(sample_directory(), check_inputs=False))}
    boost = told["boost"]
    assert boost.value == pytest.approx(160.1)
    assert boost.uncertainty == pytest.approx(math.hypot(2.5, 0.5), rel=1e-3)
    assert told["egt_rate"].value is None
    assert told["egt_rate"].uncertainty is None
    # common practice: road power at 75 km/h is good to 12 to 15 %
    power = told["wheel_power"]
    assert power.value is not None
    assert power.uncertainty is not None
    assert 0.12 <= power.uncertainty / power.value <= 0.15
