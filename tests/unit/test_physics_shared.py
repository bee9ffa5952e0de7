"""What every formula promises: units in names, NaN for unknown and impossible, no warnings, same bits in any cut."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from uphaul import physics
from uphaul.physics.correction import Charging, Edition

UNITS = (
    "_kpa", "_degc", "_k", "_m", "_m_s", "_m_s2", "_kg", "_kg_s", "_kg_m3", "_rpm", "_nm", "_kw", "_s", "_n", "_l_h",
    "_l", "_k_s", "_kj_k", "_kj_l_k", "_kj_kg_k", "_g_kwh", "_mj_kg", "_m2", "_n_s_m", "_n_s2_m2", "_kg_l",
)  # fmt: skip
BARE = {
    # counts, ratios and settings: no unit to name
    "rpm", "absolute", "barometric", "numerator", "denominator", "least", "hot", "cooled", "ambient", "humidity",
    "pressure_ratio", "efficiency", "gamma", "least_ratio", "expansion_ratio", "transfer_units", "capacity_ratio",
    "effectiveness", "afr", "lambda_", "limit", "stoichiometric", "hydrogen_per_carbon", "cylinders", "corrected_fuel",
    "edition", "charging", "boost_ratio", "grade", "rotating", "rolling_coefficient", "hitched", "gear",
    "overall_ratios", "under", "over", "least_rpm", "slip", "share", "least_slip",
}  # fmt: skip
CONSTANTS: dict[str, Any] = {
    # values of the vehicle for those that have no default
    "displacement_l": 3.2,
    "cylinders": 4,
    "efficiency": 0.7,
    "effectiveness": 0.7,
    "bsfc_g_kwh": 220.0,
    "rolling_coefficient": 0.01,
    "drag_area_m2": 3.6,
    "rolling_radius_m": 0.36,
    "overall_ratios": (15.2, 9.0, 5.7, 3.9, 3.0, 2.4),
    "capacity_kj_k": 150.0,
    "a_n": 200.0,
    "b_n_s_m": 5.0,
    "c_n_s2_m2": 0.6,
    "charging": Charging.TURBO,
    "edition": Edition.UN_R85,
    "least": 1.0,
    "rotating": 1.04,
    "most_m_s": 30.0,
    "least_slip": 0.05,
}
# Formulas in which an unknown input need not make the result unknown, and why
INDIFFERENT = {("combined_kg", "trailer_kg")}  # a trailer that is not hitched
HELPERS = {"basis", "trail", "grade", "uncertainty", "lookup", "guards"}


def _formulas() -> list[Any]:
    found = []
    for module in pkgutil.iter_modules(physics.__path__):
        if module.name in HELPERS:
            continue
        loaded = importlib.import_module(f"uphaul.physics.{module.name}")
        for name in loaded.__all__:
            thing = getattr(loaded, name)
            if inspect.isfunction(thing):
                found.append(pytest.param(thing, id=f"{module.name}.{name}"))
    return found


FORMULAS = _formulas()


def _inputs(formula: Callable[..., Any]) -> list[str]:
    parameters = inspect.signature(formula).parameters.values()
    return [p.name for p in parameters if "Floats" in str(p.annotation)]


def _run(formula: Callable[..., Any], columns: dict[str, np.ndarray]) -> np.ndarray:
    parameters = inspect.signature(formula).parameters
    constants = {n: CONSTANTS[n] for n in parameters if n in CONSTANTS and n not in columns}
    got = formula(**columns, **constants)
    return got if isinstance(got, np.ndarray) else got.factor


def _plausible(name: str, n: int, rng: np.random.Generator) -> np.ndarray:
    """Values of an input that a drive could have."""
    spans = {
        "rpm": (700.0, 4000.0),
        "humidity": (0.0, 1.0),
        "efficiency": (0.7, 1.0),
        "capacity_ratio": (0.0, 1.0),
        "hitched": (0.0, 1.0),
        "grade": (-0.1, 0.1),
        "gear": (1.0, 6.0),
    }
    endings = {"_degc": (0.0, 190.0), "_kpa": (80.0, 300.0), "_m_s": (2.0, 33.0), "_kg": (1500.0, 6000.0)}
    low, high = spans.get(name) or next((s for e, s in endings.items() if name.endswith(e)), (0.01, 5.0))
    return rng.uniform(low, high, n)


def test_there_are_formulas_to_look_at() -> None:
    assert len(FORMULAS) > 50


@pytest.mark.parametrize("formula", FORMULAS)
def test_inputs_come_first_constants_by_name_and_both_say_their_unit(formula: Callable[..., Any]) -> None:
    inputs = _inputs(formula)
    assert inputs
    for p in inspect.signature(formula).parameters.values():
        if p.name not in inputs and formula.__name__ not in ("quotient", "cooler_effectiveness"):
            assert p.kind is p.KEYWORD_ONLY, p.name
        assert p.name in BARE or p.name.endswith(UNITS), p.name


@pytest.mark.parametrize("formula", FORMULAS)
def test_every_formula_names_its_source(formula: Callable[..., Any]) -> None:
    doc = inspect.getdoc(formula) or ""
    module = inspect.getmodule(formula)
    assert module is not None
    assert "Source" in doc or "Source of all" in (module.__doc__ or "")


@pytest.mark.parametrize("formula", FORMULAS)
def test_an_unknown_input_makes_the_result_unknown(formula: Callable[..., Any]) -> None:
    rng = np.random.default_rng(1)
    for name in _inputs(formula):
        if (formula.__name__, name) in INDIFFERENT:
            continue
        columns = {n: _plausible(n, 3, rng) for n in _inputs(formula)}
        columns[name][1] = np.nan
        assert np.isnan(_run(formula, columns)[1]), name


@pytest.mark.parametrize("formula", FORMULAS)
def test_a_tick_alone_gives_the_bits_of_the_whole_drive(formula: Callable[..., Any]) -> None:
    rng = np.random.default_rng(2)
    columns = {n: _plausible(n, 37, rng) for n in _inputs(formula)}
    whole = _run(formula, columns)
    assert whole.shape == (37,)
    # a tick's values come out of a row, a drive's out of a wide table: neither is contiguous
    wide = {n: np.repeat(c, 5).reshape(37, 5)[:, 2] for n, c in columns.items()}
    assert _run(formula, wide).tobytes() == whole.tobytes()
    single = [_run(formula, {n: c[i : i + 1] for n, c in columns.items()}) for i in range(37)]
    assert np.concatenate(single).tobytes() == whole.tobytes()


@pytest.mark.parametrize("formula", FORMULAS)
def test_no_input_warns_and_none_gives_an_infinity(formula: Callable[..., Any]) -> None:
    rng = np.random.default_rng(5)
    names, n = _inputs(formula), 3000
    odd = np.array([np.nan, 0.0, -0.0, 1.0, -1.0, 1e-3, -273.15, -300.0, -273.0, 1e6, -1e6, 65.0, 0.5])
    columns = {}
    for name in names:
        # odd values, wild ones and plausible ones, in every mixture
        kinds = (rng.choice(odd, n), rng.uniform(-1e4, 1e4, n), _plausible(name, n, rng))
        columns[name] = np.choose(rng.integers(0, 3, n), kinds)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        got = _run(formula, columns)
    assert got.dtype == np.float64
    assert not np.any(np.isinf(got))
    assert np.any(np.isfinite(got))
