"""What a field check keeps of a step that holds, tick by tick: all of it, and little more than that in memory."""

from __future__ import annotations

import tracemalloc

import numpy as np

from uphaul.analysis.field_check_stretch import Stretch


def test_half_an_hour_of_single_ticks_takes_hardly_more_memory_than_its_figures() -> None:
    ticks, columns = 36_000, 4
    t_ms = np.arange(ticks, dtype=np.int64) * 50
    values = np.random.default_rng(1).normal(size=(ticks, columns))
    tracemalloc.start()
    try:
        stretch = Stretch(0, "tow")
        for i in range(ticks):
            stretch.add(t_ms[i : i + 1], values[i : i + 1])
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert kept < 1.2 * (t_ms.nbytes + values.nbytes)
    got = stretch.ticks()
    assert np.array_equal(got[0], t_ms) and np.array_equal(got[1], values)
    assert stretch.last_ms == t_ms[-1]
