"""The tick collector: reduction, ageing, faults, quantisation, tune and events."""

from __future__ import annotations

from math import inf, isnan, nan

import pytest

from uphaul.signals import Collector, EventKind, Quality, Reduce, Sample, Signal
from uphaul.signals.tune import TuneReading

EGT = Signal("egt", "degC", 4, low=-40, high=1100, max_age_ms=500)


def collected(signal: Signal, samples: list[Sample], *, at: float = 1000.0) -> tuple[float, Quality]:
    collector = Collector((signal,))
    collector.add(samples)
    tick = collector.collect(at)
    return float(tick.values[0, 0]), tick.qualities[0]


@pytest.mark.parametrize(
    ("reduce", "expected"), [(Reduce.LAST, 700.0), (Reduce.MEAN, 704.0), (Reduce.MIN, 700.0), (Reduce.MAX, 708.0)]
)
def test_reduces_what_arrived_between_two_ticks(reduce: Reduce, expected: float) -> None:
    signal = Signal("egt", "degC", 4, reduce=reduce)
    samples = [Sample(0, 980, 708.0), Sample(0, 985, 704.0), Sample(0, 990, 700.0)]
    assert collected(signal, samples) == (expected, Quality.GOOD)


def test_holds_the_last_batch_until_it_is_too_old() -> None:
    collector = Collector((EGT,))
    collector.add([Sample(0, 1000, 700.0)])
    assert collector.collect(1000).values[0, 0] == 700.0
    assert collector.collect(1500).values[0, 0] == 700.0  # exactly max_age old is not older
    late = collector.collect(1501)
    assert isnan(late.values[0, 0])
    assert late.qualities == (Quality.STALE,)


def test_drops_only_the_old_samples_of_a_batch() -> None:
    signal = Signal("egt", "degC", 4, max_age_ms=500, reduce=Reduce.MAX)
    assert collected(signal, [Sample(0, 400, 900.0), Sample(0, 900, 700.0)]) == (700.0, Quality.GOOD)


@pytest.mark.parametrize(
    ("value", "quality", "expected"),
    [
        (nan, Quality.OPEN_CIRCUIT, Quality.OPEN_CIRCUIT),
        (700.0, Quality.SHORT_TO_SUPPLY, Quality.SHORT_TO_SUPPLY),
        (-40.25, Quality.GOOD, Quality.BELOW_RANGE),
        (1100.25, Quality.GOOD, Quality.ABOVE_RANGE),
        (inf, Quality.GOOD, Quality.UNDECODABLE),
        (nan, Quality.GOOD, Quality.UNDECODABLE),
    ],
)
def test_one_faulty_sample_makes_the_tick_that_fault(value: float, quality: Quality, expected: Quality) -> None:
    found, why = collected(EGT, [Sample(0, 990, 700.0), Sample(0, 992, value, quality), Sample(0, 994, 701.0)])
    assert isnan(found)
    assert why is expected


@pytest.mark.parametrize("value", [1e300, -1e300, 2.0**51])
def test_a_value_that_has_no_count_is_undecodable(value: float) -> None:
    found, why = collected(Signal("x", "1", 4), [Sample(0, 1000, value)])
    assert isnan(found)
    assert why is Quality.UNDECODABLE
    assert isnan(collected(Signal("x", "1", 4, reduce=Reduce.MEAN), [Sample(0, 999, value), Sample(0, 1000, 1)])[0])


def test_saturated_carries_its_value() -> None:
    assert collected(EGT, [Sample(0, 990, 700.0, Quality.SATURATED)]) == (700.0, Quality.SATURATED)


@pytest.mark.parametrize(("value", "on_grid"), [(700.1, 700.0), (700.125, 700.0), (700.13, 700.25), (-0.4, -0.5)])
def test_puts_values_on_the_grid_of_counts(value: float, on_grid: float) -> None:
    assert collected(EGT, [Sample(0, 1000, value)])[0] == on_grid  # ties go to the even count


def test_tells_a_quality_only_when_it_changes() -> None:
    collector = Collector((EGT,))
    assert collector.collect(0).block(0).quality[0].quality is Quality.STALE
    assert collector.collect(50).block(50).quality == ()
    assert collector.collect(100).block(100, all_qualities=True).quality[0].quality is Quality.STALE


def test_tune_follows_its_signal_and_is_unknown_for_a_code_that_nobody_named() -> None:
    code = Signal("code", "1", 1)
    reading = TuneReading({0: 0, 3: 1}, hold_ms=0)
    collector = Collector((code,), ("stock", "tow"), tune_signal="code", tune_reading=reading)
    tunes = []
    for value in (0.0, 3.0, 2.0, nan):
        collector.add([Sample(0, 0, value, Quality.GOOD if value == value else Quality.OPEN_CIRCUIT)])  # noqa: PLR0124
        tunes.append(collector.collect(0).tune)
    assert tunes == [0, 1, -1, -1]


def test_a_person_names_the_tune_where_no_signal_does() -> None:
    collector = Collector((EGT,), ("stock", "tow"))
    assert collector.collect(0).tune == -1
    collector.event(EventKind.TUNE, text="tow", actor="page")
    tick = collector.collect(50)
    assert tick.tune == 1
    assert tick.block(50).events[0].text == "tow"
    assert collector.collect(100).tune == 1


def test_the_only_tune_there_is_needs_no_naming() -> None:
    assert Collector((EGT,), ("tow",)).collect(0).tune == 0


def test_shelving_ends_on_the_drives_time() -> None:
    collector = Collector((EGT,))
    collector.event(EventKind.SHELVE, rule="egt-high", shelf_ms=600_000)
    collector.event(EventKind.MARK, text="felt flat")
    events = collector.collect(1000).block(250).events
    assert [(e.t_ms, e.seq, e.kind, e.end_ms) for e in events] == [
        (250, 0, EventKind.SHELVE, 600_250),
        (250, 1, EventKind.MARK, None),
    ]
    assert collector.collect(1050).events == ()


def remarks(collector: Collector, t_ms: int, *, first: bool = False) -> list[tuple[int, str, str]]:
    events = collector.collect(t_ms).block(t_ms, all_qualities=first).events
    assert [e.seq for e in events] == list(range(len(events)))
    assert all(e.kind is EventKind.REMARK for e in events)
    return [(e.t_ms, e.actor, e.text) for e in events]


def test_what_a_source_has_to_say_is_told_when_it_is_new_and_when_it_has_gone() -> None:
    collector = Collector((EGT,))
    assert remarks(collector, 0) == []
    collector.notes("bus", ("code 1", "code 2"))
    assert remarks(collector, 50) == [(50, "bus", "code 1"), (50, "bus", "code 2")]
    collector.notes("bus", ("code 1", "code 2"))
    assert remarks(collector, 100) == []
    collector.notes("bus", ("code 2", "code 3"))
    assert remarks(collector, 150) == [(150, "bus", "code 3"), (150, "bus", "no longer: code 1")]
    collector.notes("bus", ())
    assert remarks(collector, 200) == [(200, "bus", "no longer: code 2"), (200, "bus", "no longer: code 3")]


def test_the_first_tick_of_a_drive_repeats_what_stands_once() -> None:
    collector = Collector((EGT,))
    collector.notes("bus", ("old",))
    remarks(collector, 0)
    collector.notes("bus", ("old", "new"))
    assert remarks(collector, 50, first=True) == [(50, "bus", "new"), (50, "bus", "old")]


def test_after_a_restart_the_tune_goes_on_as_it_was() -> None:
    collector = Collector((EGT,), ("stock", "tow"))
    collector.resume(1)
    assert collector.collect(0).tune == 1
    code = Signal("code", "1", 1)
    collector = Collector((code,), ("stock", "tow"), tune_signal="code", tune_reading=TuneReading({0: 0}))
    collector.resume(1)
    assert collector.collect(0).tune == 1  # nothing is read yet, and not for long enough to call the tune unknown
    assert collector.collect(300).tune == -1
