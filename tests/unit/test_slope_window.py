"""The slope at sizes where integers outgrow doubles, and int64: the same for any cutting."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from uphaul.signals.window import SlopeWindow


@pytest.mark.parametrize("scale", [1, 1e6, 1e12])
@pytest.mark.parametrize("grid_ms", [1, 50])
def test_any_cutting_gives_the_exact_quotient(scale: float, grid_ms: int) -> None:
    rng = np.random.default_rng(5)
    t = np.arange(400, dtype=np.int64) * 50
    x = np.rint(rng.normal(700, 30, 400) * scale * 4) / 4
    whole = SlopeWindow(10_000, 4, grid_ms).run(t, x)
    one_by_one = SlopeWindow(10_000, 4, grid_ms)
    single = np.concatenate([one_by_one.run(t[i : i + 1], x[i : i + 1]) for i in range(len(t))])
    np.testing.assert_array_equal(whole, single)
    # the last window by the formula itself, in fractions
    n = 201
    ts, cs = [int(v) for v in t[-n:]], [int(v * 4) for v in x[-n:]]
    num = n * sum(a * b for a, b in zip(ts, cs, strict=True)) - sum(ts) * sum(cs)
    den = n * sum(a * a for a in ts) - sum(ts) ** 2
    assert whole[-1] == float(Fraction(num * 1000, den * 4))
