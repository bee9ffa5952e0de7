"""What every formula promises as a computed signal: same bits for any cutting, unknown in unknown out, whole counts."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.computed import CONSTANTS, Case, cases, plausible
from uphaul.derive import FORMULAS, Deriver
from uphaul.derive.formula import constant_faults

CASES = cases()
names = pytest.mark.parametrize("name", sorted(CASES))


def _ticks(steps: list[int]) -> np.ndarray:
    return np.cumsum(np.array(steps, dtype=np.int64))


def _run(case: Case, t: np.ndarray, rows: np.ndarray, cuts: list[int]) -> np.ndarray:
    """The computed column, the drive cut at `cuts`."""
    values = rows.copy()
    deriver = Deriver(case.signals, [case.computed], gap_ms=1000)
    edges = [0, *sorted({c for c in cuts if 0 < c < len(t)}), len(t)]
    for a, b in pairwise(edges):
        deriver.run(t[a:b], values[a:b])
    return values[:, -1]


@names
def test_there_is_a_result_on_a_plausible_drive(name: str) -> None:
    case = CASES[name]
    out = _run(case, _ticks([50] * 400), plausible(case, 400, 1), [])
    assert np.isfinite(out).mean() > 0.2
    assert len(np.unique(out[np.isfinite(out)])) > 1


@names
def test_constants_of_the_table_are_right(name: str) -> None:
    assert constant_faults(FORMULAS[name], CONSTANTS.get(name, {})) == {}


_steps = st.lists(st.sampled_from([50, 50, 50, 100, 1000, 1001, 5000]), min_size=1, max_size=60)
_holes = st.lists(st.tuples(st.integers(0, 59), st.integers(0, 9)), max_size=12)
_wild = st.lists(st.tuples(st.integers(0, 59), st.integers(0, 9), st.floats(-5000, 5000)), max_size=6)


@names
@settings(max_examples=25)
@given(steps=_steps, holes=_holes, wild=_wild, cuts=st.lists(st.integers(1, 59), max_size=6), seed=st.integers(0, 99))
def test_any_cutting_gives_the_same_bits(
    *,
    name: str,
    steps: list[int],
    holes: list[tuple[int, int]],
    wild: list[tuple[int, int, float]],
    cuts: list[int],
    seed: int,
) -> None:
    case = CASES[name]
    t = _ticks(steps)
    rows = plausible(case, len(t), seed)
    inputs = len(case.measured)
    for at, column, value in wild:
        rows[at % len(t), column % inputs] = value
    for at, column in holes:
        rows[at % len(t), column % inputs] = np.nan
    whole = _run(case, t, rows, [])
    assert _run(case, t, rows, cuts).tobytes() == whole.tobytes()
    assert _run(case, t, rows, list(range(len(t)))).tobytes() == whole.tobytes()


@names
def test_a_long_drive_in_one_block_is_the_drive_tick_by_tick(name: str) -> None:
    case = CASES[name]
    rng = np.random.default_rng(4)
    n = 9000  # more than two of the pieces that a block is worked in
    t = _ticks(rng.choice([50, 50, 50, 50, 2000], n, p=[0.3, 0.3, 0.3, 0.099, 0.001]).tolist())
    rows = plausible(case, n, 4)
    rows[rng.random(n) < 0.01, 0] = np.nan
    whole = _run(case, t, rows, [])
    assert _run(case, t, rows, sorted(rng.integers(1, n, 300).tolist())).tobytes() == whole.tobytes()


@names
@settings(max_examples=15)
@given(
    holes=st.lists(st.tuples(st.integers(0, 79), st.integers(0, 9)), min_size=1, max_size=20), seed=st.integers(0, 9)
)
def test_unknown_where_an_input_is_unknown(name: str, holes: list[tuple[int, int]], seed: int) -> None:
    case = CASES[name]
    formula = FORMULAS[name]
    rows = plausible(case, 80, seed)
    for at, column in holes:
        rows[at, column % len(case.measured)] = np.nan
    out = _run(case, _ticks([50] * 80), rows, [])
    columns = dict(zip((n for n, _ in formula.all_inputs()), rows.T[:-1], strict=True))
    unknown = np.zeros(80, dtype=bool)
    for given_, column in columns.items():
        if given_ not in formula.one_of:
            unknown |= np.isnan(column)
    if formula.one_of:  # these stand in for each other
        unknown |= np.all([np.isnan(columns[n]) for n in formula.one_of], axis=0)
    assert np.isnan(out[unknown]).all()


@names
def test_a_formula_without_its_signals_is_unknown(name: str) -> None:
    case = CASES[name]
    for missing in range(len(case.measured)):
        if FORMULAS[name].all_inputs()[missing][0] in FORMULAS[name].one_of:
            continue
        signals = tuple(s for k, s in enumerate(case.signals) if k != missing)
        values = np.delete(plausible(case, 100, 2), missing, axis=1)
        Deriver(signals, [case.computed]).run(_ticks([50] * 100), values)
        assert np.isnan(values[:, -1]).all()


@names
@settings(max_examples=15)
@given(rows=st.lists(st.lists(st.floats(-1e4, 1e4) | st.just(float("nan")), min_size=6, max_size=6), min_size=1))
def test_every_result_is_a_whole_count_or_unknown(name: str, rows: list[list[float]]) -> None:
    case = CASES[name]
    values = np.full((len(rows), len(case.signals)), np.nan)
    k = min(6, len(case.measured))
    values[:, :k] = np.array(rows)[:, :k]
    out = _run(case, _ticks([50] * len(rows)), values, [])
    counts = out * case.computed.signal.per_unit
    assert np.all(np.isnan(out) | (np.abs(counts - np.rint(counts)) < 1e-6 * np.maximum(1, np.abs(counts))))
