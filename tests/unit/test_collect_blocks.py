"""The collector of whole stretches against the one that the daemon uses, tick by tick, over random samples."""

from __future__ import annotations

from itertools import pairwise
from math import inf, nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from uphaul.signals import NO_TUNE, Block, Collector, Quality, Reduce, Sample, Signal
from uphaul.signals.collect_blocks import BlockCollector, Samples
from uphaul.signals.tune import TuneReading

GRID_MS = 50
TUNES = ("stock", "tow")

values = st.one_of(
    st.floats(-60, 60),
    st.integers(-400, 400).map(lambda n: n / 8),
    st.sampled_from([nan, inf, -inf, 0.0, 1.0, 2.0, 2.5, 1e300, -1e300, 2.0**53, -0.125, 0.1, 0.2]),
)
qualities = st.one_of(st.sampled_from([Quality.GOOD] * 8 + [Quality.SATURATED]), st.sampled_from(list(Quality)))


@st.composite
def signal_tables(draw: st.DrawFn) -> tuple[Signal, ...]:
    count = draw(st.integers(1, 4))
    return tuple(
        Signal(
            f"s{i}",
            "1",
            draw(st.sampled_from([1, 4, 10, 1000])),
            low=draw(st.sampled_from([-inf, -40.0, 0.0])),
            high=draw(st.sampled_from([inf, 50.0, 20.0])),
            max_age_ms=draw(st.sampled_from([1, 49, 50, 51, 120, 500, 3000])),
            reduce=draw(st.sampled_from(list(Reduce))),
            computed=draw(st.sampled_from([False, False, False, True])),
        )
        for i in range(count)
    )


@st.composite
def streams(draw: st.DrawFn, signals: int) -> list[Sample]:
    """Samples of all signals in order of time, with pauses, bursts and several at one time."""
    steps = draw(
        st.lists(
            st.tuples(
                st.sampled_from([0.0, 0.0, 0.125, 7.0, 20.0, 25.0, 50.0, 130.0, 900.0]),
                st.integers(0, signals - 1),
                values,
                qualities,
            ),
            max_size=60,
        )
    )
    at, out = 0.0, []
    for pause, column, value, quality in steps:
        at += pause
        out.append(Sample(column, at, value, quality))
    return out


def tick_by_tick(collector: Collector, samples: list[Sample], ticks: list[int]) -> Block:
    """What the daemon's collector makes of samples that arrive at their own times."""
    left, parts = list(samples), []
    for tick in ticks:
        due = [s for s in left if s.t_ms <= tick]
        left = left[len(due) :]
        collector.add(due)
        parts.append(collector.collect(tick).block(tick, all_qualities=not parts))
    return Block(
        parts[0].signals,
        np.concatenate([p.t_ms for p in parts]),
        np.concatenate([p.values for p in parts]),
        np.concatenate([p.tune for p in parts]),
        tuple(q for p in parts for q in p.quality),
    )


def at_once(collector: BlockCollector, samples: list[Sample], ticks: list[int], cuts: list[int]) -> Block:
    """The same in stretches cut at `cuts`, the samples handed over as late as they may be."""
    left, parts = list(samples), []
    ends = [0, *sorted(c % (len(ticks) + 1) for c in cuts), len(ticks)]
    for begin, end in pairwise(ends):
        stretch = ticks[begin:end]
        if not stretch:
            continue
        due = [s for s in left if s.t_ms <= stretch[-1]]
        left = left[len(due) :]
        for column in {s.signal for s in due}:
            own = [s for s in due if s.signal == column]
            collector.add(
                column,
                Samples(
                    np.array([s.t_ms for s in own]),
                    np.array([s.value for s in own]),
                    np.array([s.quality for s in own], dtype=np.int8),
                ),
            )
        parts.append(collector.collect(np.array(stretch, dtype=np.int64)))
    return Block(
        parts[0].signals,
        np.concatenate([p.t_ms for p in parts]),
        np.concatenate([p.values for p in parts]),
        np.concatenate([p.tune for p in parts]),
        tuple(q for p in parts for q in p.quality),
    )


def counts(block: Block) -> list[list[float | None]]:
    """The values as the log keeps them: counts, None where unknown."""
    per_unit = np.array([s.per_unit for s in block.signals], dtype=np.float64)
    return [[None if np.isnan(c) else c for c in row] for row in np.rint(block.values * per_unit).tolist()]


def assert_same(found: Block, expected: Block) -> None:
    assert found.t_ms.tolist() == expected.t_ms.tolist()
    assert np.array_equal(found.values, expected.values, equal_nan=True)
    assert counts(found) == counts(expected)
    assert found.tune.tolist() == expected.tune.tolist()
    assert found.quality == expected.quality


@settings(max_examples=400, deadline=None)
@given(st.data(), signal_tables(), st.lists(st.integers(0, 100), max_size=4))
def test_blocks_are_what_single_ticks_are(data: st.DataObject, signals: tuple[Signal, ...], cuts: list[int]) -> None:
    samples = data.draw(streams(len(signals)))
    skipped = data.draw(st.sets(st.integers(0, 40), max_size=10))
    ticks = [k * GRID_MS for k in range(41) if k not in skipped]
    expected = tick_by_tick(Collector(signals, TUNES), samples, ticks)
    assert_same(at_once(BlockCollector(signals, TUNES), samples, ticks, cuts), expected)


def a_reading() -> TuneReading:
    return TuneReading({1: 0, 2: 1}, [(-0.25, 0.25, 1)], hold_ms=100)


@settings(max_examples=100, deadline=None)
@given(st.data(), signal_tables(), st.lists(st.integers(0, 100), max_size=4))
def test_the_tune_is_told_alike(data: st.DataObject, signals: tuple[Signal, ...], cuts: list[int]) -> None:
    samples = data.draw(streams(len(signals)))
    ticks = [k * GRID_MS for k in range(41)]
    expected = tick_by_tick(Collector(signals, TUNES, tune_signal="s0", tune_reading=a_reading()), samples, ticks)
    blocks = BlockCollector(signals, TUNES, tune_signal="s0", tune_reading=a_reading())
    assert_same(at_once(blocks, samples, ticks, cuts), expected)


def test_a_mean_of_many_is_correctly_rounded() -> None:
    signal = Signal("s", "1", 1, reduce=Reduce.MEAN)
    collector = BlockCollector((signal,))
    many = np.array([8e15, 0.5, 0.5])  # added one after the other, both halves would be lost
    collector.add(0, Samples(np.array([1.0, 2.0, 3.0]), many, np.zeros(3, np.int8)))
    assert collector.collect(np.array([50], dtype=np.int64)).values[0, 0] == (8e15 + 1) / 3 == 2666666666666667.0


@pytest.mark.parametrize(("tunes", "expected"), [((), NO_TUNE), (("stock",), 0), (TUNES, NO_TUNE)])
def test_without_a_reading_only_a_single_tune_is_known(tunes: tuple[str, ...], expected: int) -> None:
    block = BlockCollector((Signal("s", "1", 1),), tunes).collect(np.array([0, 50], dtype=np.int64))
    assert block.tune.tolist() == [expected, expected]
