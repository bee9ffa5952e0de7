"""Computed signals: order, units, resolution, and the same bits for any cutting."""

from __future__ import annotations

import math

import numpy as np
import pytest

from uphaul.derive import Computed, Deriver, in_order
from uphaul.errors import UphaulError
from uphaul.signals import Signal


def _measured(name: str, unit: str, per_unit: int = 100) -> Signal:
    return Signal(name, unit, per_unit)


def _computed(
    name: str,
    unit: str,
    formula: str,
    inputs: dict[str, str],
    *,
    per_unit: int = 1000,
    low: float = -math.inf,
    high: float = math.inf,
    constants: dict[str, float] | None = None,
) -> Computed:
    signal = Signal(name, unit, per_unit, low, high, computed=True)
    return Computed(signal, formula, tuple(inputs.items()), tuple((constants or {}).items()))


def _run(measured: list[Signal], computed: list[Computed], rows: list[list[float]]) -> np.ndarray:
    """The computed columns for rows of measured values."""
    signals = (*measured, *(c.signal for c in computed))
    values = np.full((len(rows), len(signals)), np.nan)
    values[:, : len(measured)] = rows
    Deriver(signals, computed).run(50 * np.arange(len(rows)), values)
    return values[:, len(measured) :]


MAP, BARO = _measured("map", "kPa"), _measured("baro", "kPa")
BOOST = {"absolute": "map", "barometric": "baro"}
RATIO = {"numerator": "back", "denominator": "boost"}


def test_boost_and_pressure_ratio() -> None:
    computed = [
        _computed("boost", "kPa", "gauge-pressure", BOOST),
        _computed("pressure_ratio", "1", "pressure-ratio", {"outlet": "map", "inlet": "baro"}),
    ]
    got = _run([MAP, BARO], computed, [[233.05, 101.33], [233.05, 84.56]])
    # by the definitions: 233.05 - 101.33; 233.05 / 84.56 = 2.7560 rounded to 1/1000
    assert got == pytest.approx(np.array([[131.72, 2.300], [148.49, 2.756]]), abs=5e-4)


def test_units_are_the_owners() -> None:
    # 30 psi is 2.06843 bar, 14.5038 psi is 1 bar: NIST SP 811 appendix B
    inputs = [_measured("map", "psi", 10_000), _measured("baro", "bar", 10_000)]
    got = _run(inputs, [_computed("boost", "bar", "gauge-pressure", BOOST, per_unit=100_000)], [[30.0, 1.0]])
    assert got[0, 0] == pytest.approx(1.06843, abs=1e-5)


def test_a_difference_of_temperatures_has_no_zero_point() -> None:
    inputs = [_measured("hot", "degC"), _measured("cold", "degF")]
    computed = [
        _computed("rise_c", "degC", "difference", {"minuend": "hot", "subtrahend": "cold"}),
        _computed("rise_f", "degF", "difference", {"minuend": "hot", "subtrahend": "cold"}),
    ]
    # 212 degF is 100 degC, and a kelvin is 1.8 Fahrenheit degrees: NIST SP 811 appendix B
    assert _run(inputs, computed, [[150.0, 212.0]])[0] == pytest.approx([50.0, 90.0], abs=1e-9)


def test_a_computed_signal_may_read_one_that_stands_after_it() -> None:
    computed = [
        _computed(
            "drive_ratio", "1", "ratio", {"numerator": "back", "denominator": "boost"}, constants={"least": 20.0}
        ),
        _computed("boost", "kPa", "gauge-pressure", BOOST, per_unit=10),
        _computed("back", "kPa", "gauge-pressure", {"absolute": "turbine_in", "barometric": "baro"}, per_unit=10),
    ]
    rows = [[250.0, 100.0, 310.0], [110.0, 100.0, 310.0]]
    got = _run([MAP, BARO, _measured("turbine_in", "kPa")], computed, rows)
    assert got[0].tolist() == [1.4, 150.0, 210.0]
    assert np.isnan(got[1, 0])  # a boost of 10 kPa is below what the ratio needs
    assert got[1, 1:].tolist() == [10.0, 210.0]


def test_the_result_is_on_its_grid_of_counts_and_in_its_range() -> None:
    computed = [_computed("boost", "kPa", "gauge-pressure", BOOST, per_unit=4, low=-20.0, high=300.0)]
    got = _run([MAP, BARO], computed, [[200.13, 100.0], [401.0, 100.0], [50.0, 100.0], [math.nan, 100.0]])
    assert got[0, 0] == 100.25  # 100.13 is nearest to 100 1/4
    assert np.isnan(got[1:, 0]).all()


def test_the_range_holds_for_the_value_that_is_judged() -> None:
    computed = [_computed("boost", "kPa", "gauge-pressure", BOOST, per_unit=1, high=100.0)]
    assert _run([MAP, BARO], computed, [[200.4, 100.0]])[0, 0] == 100.0


def test_a_formula_whose_input_is_not_there_is_unknown() -> None:
    got = _run([MAP], [_computed("boost", "kPa", "gauge-pressure", BOOST)], [[200.0]])
    assert np.isnan(got[0, 0])


def test_computed_signals_that_read_each_other_are_refused() -> None:
    ring = [
        _computed("a", "kPa", "difference", {"minuend": "b", "subtrahend": "map"}),
        _computed("b", "kPa", "difference", {"minuend": "a", "subtrahend": "map"}),
    ]
    with pytest.raises(UphaulError, match="read each other: a, b"):
        Deriver((MAP, *(c.signal for c in ring)), ring)


def test_only_the_ring_is_named() -> None:
    reads = {"a": ["b"], "b": ["a"], "after": ["a"], "before": ["map"], "last": ["after", "before"]}
    assert in_order(reads) == (["before"], ["a", "b"])


def test_a_unit_that_does_not_fit_is_refused() -> None:
    wrong = [_computed("boost", "degC", "gauge-pressure", BOOST)]
    with pytest.raises(UphaulError, match="unit needs a unit of pressure"):
        Deriver((MAP, BARO, wrong[0].signal), wrong)
