"""Units against NIST SP 811 and, over a grid, against Pint."""

from __future__ import annotations

import numpy as np
import pint
import pytest

from uphaul.units import UNITS, canonical, compatible, convert, find

# value, unit, other unit, expected, source. SP 811 is NIST Special Publication 811 (2008), appendix B.
PUBLISHED = [
    (1.0, "psi", "Pa", 6894.757293, "SP 811, exact lbf/in2"),
    (1.0, "bar", "Pa", 100_000.0, "SP 811, exact"),
    (101.325, "kPa", "bar", 1.01325, "SP 811, 1 atm exact"),
    (1.0, "inHg", "Pa", 3386.389, "SP 811, conventional (from memory, highly sure; at 32 degF it is 3386.38)"),
    (1.0, "mmHg", "Pa", 133.3224, "SP 811, conventional (as Pint 0.24.4 has it)"),
    (1.0, "inH2O", "Pa", 249.0889, "SP 811, conventional (from memory, highly sure; at 4 degC it is 249.082)"),
    (1.0, "hp", "kW", 0.74569987, "SP 811, 550 ft lbf/s"),
    (1.0, "PS", "kW", 0.73549875, "SP 811, metric horsepower"),
    (1.0, "lb/(hp·h)", "g/kWh", 608.2774, "SP 811 by hand: 453.59237 g over 0.74569987 kW h"),
    (1.0, "kg/s", "lb/min", 132.2774, "SP 811 by hand from the exact pound"),
    (20.0, "psi", "kPa", 137.895, "SP 811 by hand"),
    (29.921255, "inHg", "kPa", 101.325, "SP 811 by hand"),
    (760.0, "mmHg", "kPa", 101.325, "SP 811: 1 atm is 760 mmHg but for a part in 7 million"),
    (30.0, "psi", "bar", 2.06843, "SP 811 by hand"),
    (200.0, "kPa", "psi", 29.0075, "SP 811 by hand"),
    (131.725, "kPa", "psi", 19.105, "SP 811 by hand"),
]


@pytest.mark.parametrize(("value", "unit", "other", "expected", "source"), PUBLISHED)
def test_published_factors(value: float, unit: str, other: str, expected: float, source: str) -> None:
    assert convert(value, unit, other) == pytest.approx(expected, rel=1e-5), source
    assert convert(expected, other, unit) == pytest.approx(value, rel=1e-5), source


def test_conventional_columns_are_not_those_of_a_temperature() -> None:
    # SP 811 lists 32 degF and 60 degF as units of their own: 3376.85 and 248.84 Pa are another day's columns
    assert abs(convert(1.0, "inHg", "Pa") - 3376.85) > 5.0
    assert abs(convert(1.0, "inH2O", "Pa") - 248.84) > 0.2


# Units whose name Pint does not know, as multiples of its own.
IN_PINT = {
    "inH2O": (2.54, "cmH2O"),
    "PS": (1.0, "metric_horsepower"),
    "lb/(hp·h)": (1.0, "pound / horsepower / hour"),
    "g/kWh": (1.0, "gram / kilowatt / hour"),
    "L/h": (1.0, "liter / hour"),
    "m/s2": (1.0, "meter / second ** 2"),
    "kg/m3": (1.0, "kilogram / meter ** 3"),
    "N·m": (1.0, "newton * meter"),
    "lbf·ft": (1.0, "pound_force * foot"),
    "%": (1.0, "percent"),
    "1": (1.0, "dimensionless"),
    "rpm": (1.0, "revolutions_per_minute"),
    "K/s": (1.0, "kelvin / second"),
    "K/min": (1.0, "kelvin / minute"),
    "degC": (1.0, "degree_Celsius"),
    "degF": (1.0, "degree_Fahrenheit"),
    "t": (1.0, "metric_ton"),
    "h": (1.0, "hour"),
}
GRID = np.concatenate((-np.geomspace(1e4, 1e-3, 15), [0.0], np.geomspace(1e-3, 1e4, 15)))


def test_every_pair_of_units_of_a_kind_over_a_grid_as_pint_has_it() -> None:
    # Pint 0.24.4 takes inHg as 3386.38864 Pa, which SP 811 rounds to 3386.389: 1.1e-7
    registry = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    theirs = {name: IN_PINT.get(name, (1.0, name)) for name in dict.fromkeys(u.name for u in UNITS.values())}
    pairs = [(a, b) for a in theirs for b in theirs if a != b and compatible(a, b)]
    assert len(pairs) > 100
    for a, b in pairs:
        (scale_a, unit_a), (scale_b, unit_b) = theirs[a], theirs[b]
        expected = registry.Quantity(GRID * scale_a, unit_a).to(unit_b).magnitude / scale_b
        assert convert(GRID, a, b) == pytest.approx(expected, rel=2e-7, abs=1e-9), (a, b)


@pytest.mark.parametrize("unit", [u.name for u in UNITS.values()])
def test_the_same_unit_is_the_same_to_the_bit(unit: str) -> None:
    assert convert(0.1, unit, unit) == 0.1
    assert canonical(unit) == unit


def test_a_metric_horsepower_is_none_of_550_foot_pounds() -> None:
    assert [canonical(name) for name in ("metric hp", "hp(metric)", "cv")] == ["PS"] * 3
    assert convert(100.0, "hp", "PS") == pytest.approx(101.387, abs=1e-3)  # SP 811 by hand
    assert find("HP") is None  # which of the two is not guessed


def test_kinds_do_not_mix() -> None:
    assert not compatible("g/kWh", "kg/h")
    with pytest.raises(ValueError, match="pressure"):
        convert(1.0, "mmHg", "m")
